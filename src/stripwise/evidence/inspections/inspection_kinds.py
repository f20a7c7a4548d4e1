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
from stripwise.evidence.tables.data_kinds import FARTHEST, SPECIMEN, STRATEGY

__all__ = ["CORES", "COVER_READINGS", "HALF_CELL_AREAS", "HALF_CELL_POINTS", "INSPECTIONS"]

LEAST_COVER_ERROR = 0.1
"""Smallest error of a cover reading [mm]; no meter is better."""

EXPOSURE = Column(
    "exposure",
    DURATION,
    low=0.0,
    open_low=True,
    high=365.25 * 500.0,
    usual=(7.0, 36525.0),
    unit="yr",
)
PLACE = (
    Column("x", LENGTH, required=False, unit="m", low=-FARTHEST, high=FARTHEST),
    Column("y", LENGTH, required=False, unit="m", low=-FARTHEST, high=FARTHEST),
)
CHANCES = (
    Column("detection", UNITLESS, low=0.0, high=1.0),
    Column("false_alarm", UNITLESS, low=0.0, high=1.0),
)
"""Chance that corroding steel is found, and that passive steel is taken for corroding."""

CORES = FileKind(
    "cores",
    "chloride contents of cores",
    (
        SPECIMEN,
        STRATEGY,
        Column("depth_from", LENGTH, required=False, low=0.0, high=1000.0, usual=(0.0, 150.0)),
        Column(
            "depth_to",
            LENGTH,
            required=False,
            low=0.0,
            high=1000.0,
            open_low=True,
            usual=(0.1, 200.0),
        ),
        Column("depth", LENGTH, required=False, low=0.0, high=1000.0, usual=(0.0, 200.0)),
        Column("chloride", CHLORIDE, low=0.0, censored=True),
        Column("error", CHLORIDE, required=False, low=0.0, open_low=True),
        Column("error_share", UNITLESS, required=False, low=0.0, open_low=True, usual=(0.005, 0.5)),
        EXPOSURE,
        *PLACE,
    ),
    key_column="chloride",
    one_of=(("depth_from", "depth_to"), ("depth",)),
)
COVER_READINGS = FileKind(
    "cover-readings",
    "cover readings",
    (
        Column("cover", LENGTH, low=0.0, high=500.0, open_low=True, usual=(5.0, 300.0)),
        Column("error", LENGTH, low=LEAST_COVER_ERROR, high=50.0, usual=(0.2, 15.0)),
        Column("effective_points", UNITLESS, required=False, low=1.0),
        *PLACE,
    ),
    key_column="cover",
)
HALF_CELL_POINTS = FileKind(
    "half-cell-points",
    "half-cell readings at points",
    (
        STRATEGY,
        Column("active"),
        EXPOSURE,
        *CHANCES,
        Column("effective_points", UNITLESS, required=False, low=1.0),
        *PLACE,
    ),
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
        EXPOSURE,
        *CHANCES,
        Column("effective_points", UNITLESS, low=0.0, open_low=True, high=1e6),
    ),
    key_column="active_points",
)

INSPECTIONS = (CORES, COVER_READINGS, HALF_CELL_POINTS, HALF_CELL_AREAS)
"""What `stripwise update` takes."""
