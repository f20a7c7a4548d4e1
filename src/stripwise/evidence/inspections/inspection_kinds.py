"""Which kinds of inspection files there are, and what their columns are."""

from __future__ import annotations

from stripwise.evidence.tables.columns import (
    CHLORIDE,
    DURATION,
    LENGTH,
    UNITLESS,
    Column,
    FileKind,
)
from stripwise.evidence.tables.data_kinds import COVER, LAYER, MIGRATION, PLACE, SPECIMEN, STRATEGY

__all__ = [
    "CARBONATION_DEPTHS",
    "COLOUR_DEPTHS",
    "CORES",
    "COVER_READINGS",
    "CRACK_POINTS",
    "HALF_CELL_AREAS",
    "HALF_CELL_POINTS",
    "INSPECTIONS",
    "MIGRATION_TESTS",
    "OPENED_POINTS",
]

LEAST_COVER_ERROR = 0.1
"""Smallest error of a cover reading [mm]; no meter is better."""

EXPOSURE = (
    Column(
        "exposure",
        DURATION,
        required=False,
        low=0.0,
        open_low=True,
        high=365.25 * 500.0,
        usual=(7.0, 36525.0),
        unit="yr",
    ),
    Column("date", required=False),
)
"""Age since first exposure, or the date of the inspection."""
CHANCES = (
    Column("detection", UNITLESS, low=0.0, high=1.0),
    Column("false_alarm", UNITLESS, low=0.0, high=1.0),
)
"""Chance that what is asked for is found where it is, and where it is not."""
EFFECTIVE = Column("effective_points", UNITLESS, required=False, low=1.0)
DEPTH_ERROR = Column("error", LENGTH, low=0.1, high=50.0, usual=(0.2, 15.0))
ERROR_SHARE = Column(
    "error_share", UNITLESS, required=False, low=0.0, open_low=True, usual=(0.005, 0.5)
)

CORES = FileKind(
    "cores",
    "chloride contents of cores",
    (
        SPECIMEN,
        STRATEGY,
        *LAYER,
        Column("chloride", CHLORIDE, low=0.0, censored=True),
        Column("error", CHLORIDE, required=False, low=0.0, open_low=True),
        ERROR_SHARE,
        *EXPOSURE,
        *PLACE,
    ),
    key_column="chloride",
    one_of=(("depth_from", "depth_to"), ("depth",)),
)
COLOUR_DEPTHS = FileKind(
    "colour-depths",
    "depths of a colour indicator of chloride",
    (
        SPECIMEN,
        STRATEGY,
        Column("colour_depth", LENGTH, low=0.0, high=1000.0, usual=(0.0, 200.0)),
        Column("colour_content", CHLORIDE, low=0.0, open_low=True),
        DEPTH_ERROR,
        *EXPOSURE,
    ),
    key_column="colour_depth",
)
CARBONATION_DEPTHS = FileKind(
    "carbonation-depths",
    "depths of carbonation",
    (
        SPECIMEN,
        STRATEGY,
        Column("carbonation_depth", LENGTH, low=0.0, high=1000.0, usual=(0.0, 150.0)),
        DEPTH_ERROR,
        *EXPOSURE,
    ),
    key_column="carbonation_depth",
)
COVER_READINGS = FileKind(
    "cover-readings",
    "cover readings",
    (
        COVER,
        Column("error", LENGTH, low=LEAST_COVER_ERROR, high=50.0, usual=(0.2, 15.0)),
        EFFECTIVE,
        *PLACE,
    ),
    key_column="cover",
)
HALF_CELL_POINTS = FileKind(
    "half-cell-points",
    "half-cell readings at points",
    (STRATEGY, Column("active"), *EXPOSURE, *CHANCES, EFFECTIVE, *PLACE),
    key_column="active",
)
HALF_CELL_AREAS = FileKind(
    "half-cell-areas",
    "areas surveyed by half-cell",
    (
        Column("area", is_name=True),
        STRATEGY,
        Column("points", UNITLESS, low=1.0, high=1e6),
        Column("active_points", UNITLESS, low=0.0, high=1e6),
        *EXPOSURE,
        *CHANCES,
        Column("effective_points", UNITLESS, low=0.0, open_low=True, high=1e6),
    ),
    key_column="active_points",
)
OPENED_POINTS = FileKind(
    "opened-points",
    "points where the steel was laid open",
    (STRATEGY, Column("depassivated"), *EXPOSURE, EFFECTIVE, *PLACE),
    key_column="depassivated",
)
CRACK_POINTS = FileKind(
    "crack-points",
    "points looked at for cracks",
    (STRATEGY, Column("crack"), *EXPOSURE, *CHANCES, EFFECTIVE, *PLACE),
    key_column="crack",
)
MIGRATION_TESTS = FileKind(
    "migration-tests",
    "migration tests of young concrete",
    (
        *(column for column in MIGRATION.columns if column.stem != "age"),
        Column(
            "age", DURATION, low=0.0, open_low=True, high=36525.0, usual=(1.0, 7305.0), unit="d"
        ),
        Column("error_share", UNITLESS, low=0.0, open_low=True, usual=(0.02, 0.5)),
    ),
    key_column="voltage",
)

INSPECTIONS = (
    CORES,
    COLOUR_DEPTHS,
    CARBONATION_DEPTHS,
    COVER_READINGS,
    HALF_CELL_POINTS,
    HALF_CELL_AREAS,
    OPENED_POINTS,
    CRACK_POINTS,
    MIGRATION_TESTS,
)
"""What `stripwise update` takes."""
