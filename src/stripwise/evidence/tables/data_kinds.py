"""The kinds of files that can be fitted, told by their columns."""

from __future__ import annotations

from stripwise.evidence.tables.columns import (
    CHLORIDE,
    DAYS,
    DIFFUSIVITY,
    LENGTH,
    PERCENT,
    PLAIN,
    TEMPERATURE,
    TEXT,
    VOLTAGE,
    Column,
    Kind,
)

__all__ = [
    "COVER_SURVEY",
    "DIFFUSIVITIES",
    "DRYING",
    "KINDS",
    "LOGGER",
    "MIGRATION",
    "PROFILES",
    "STRIP_LOG",
]

FARTHEST = 1e8
"""Farthest position of a reading from the origin [mm]: 100 km."""

SPECIMEN = Column("specimen", name=True)
STRATEGY = Column("strategy", name=True)

PROFILES = Kind(
    "profiles",
    "chloride profiles",
    (
        SPECIMEN,
        STRATEGY,
        Column("depth_from", LENGTH, required=False, low=0.0, high=1000.0),
        Column("depth_to", LENGTH, required=False, low=0.0, high=1000.0, open_low=True),
        Column("depth", LENGTH, required=False, low=0.0, high=1000.0),
        Column("chloride", CHLORIDE, low=0.0, censored=True),
        Column("exposure", DAYS, low=0.0, open_low=True, high=365.25 * 200.0),
        Column("initial", CHLORIDE, required=False, low=0.0, censored=True),
    ),
    mark="chloride",
    one_of=(("depth_from", "depth_to"), ("depth",)),
)
DRYING = Kind(
    "drying",
    "a drying test",
    (
        SPECIMEN,
        STRATEGY,
        Column("time", DAYS, low=0.0, high=365.25 * 20.0),
        Column("mass_loss", PERCENT, low=-5.0, high=30.0),
    ),
    mark="mass_loss",
)
DIFFUSIVITIES = Kind(
    "diffusivities",
    "a table of fitted diffusivities",
    (
        Column("specimen", required=False, name=True),
        Column("strategy", name=True),
        Column("diffusivity", DIFFUSIVITY, low=0.0, open_low=True),
        Column("diffusivity_se", PLAIN, required=False, low=0.0),
    ),
    mark="diffusivity",
)
STRIP_LOG = Kind(
    "strip-log",
    "a strip log",
    (
        Column("pour", name=True),
        Column("placed"),
        Column("removed"),
        Column("temperature", TEMPERATURE, required=False, low=-40.0, high=100.0),
        Column("temperature_file", required=False),
        Column("follow_up", required=False),
        Column("face", required=False),
    ),
    mark="removed",
)
LOGGER = Kind(
    "logger",
    "a temperature logger",
    (
        Column("time"),
        Column("temperature", TEMPERATURE, low=-40.0, high=100.0),
        Column("pour", TEXT, required=False, name=True),
    ),
    mark="temperature",
)
COVER_SURVEY = Kind(
    "cover-survey",
    "a cover survey",
    (
        Column("cover", LENGTH, low=0.0, high=500.0, open_low=True),
        Column("x", LENGTH, required=False, unit="m", low=-FARTHEST, high=FARTHEST),
        Column("y", LENGTH, required=False, unit="m", low=-FARTHEST, high=FARTHEST),
        Column("area", required=False, name=True),
    ),
    mark="cover",
)

MIGRATION = Kind(
    "migration",
    "a migration test",
    (
        SPECIMEN,
        STRATEGY,
        Column("penetration", LENGTH, low=0.0, open_low=True, high=200.0),
        Column("voltage", VOLTAGE, low=2.0, open_low=True, high=100.0),
        Column("thickness", LENGTH, low=10.0, high=200.0),
        Column("temperature", TEMPERATURE, low=5.0, high=45.0),
        Column("duration", DAYS, low=0.0, open_low=True, high=60.0, unit="h"),
        Column("age", DAYS, required=False, low=0.0, open_low=True, high=36525.0),
    ),
    mark="voltage",
)

KINDS = (PROFILES, DRYING, STRIP_LOG, COVER_SURVEY, MIGRATION)
"""What `stripwise fit` takes; a logger's file belongs to a strip log."""
