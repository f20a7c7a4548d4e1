"""Which kinds of files of test data there are, and what their columns are."""

from __future__ import annotations

from stripwise.evidence.tables.columns import (
    CHLORIDE,
    DIFFUSIVITY,
    DURATION,
    LENGTH,
    MAPPED_CHLORIDE,
    PERCENT,
    TEMPERATURE,
    TEXT,
    UNITLESS,
    VOLTAGE,
    Column,
    FileKind,
)

__all__ = [
    "CONDITIONS",
    "COVER",
    "COVER_SURVEY",
    "DIFFUSIVITIES",
    "DRYING",
    "FACE_MAP",
    "FACE_MAPS",
    "FACE_MAP_ARRAYS",
    "FARTHEST",
    "KINDS",
    "LAYER",
    "LOGGER",
    "MIGRATION",
    "PLACE",
    "PROFILES",
    "SPECIMEN",
    "STRATEGY",
    "STRIP_LOG",
]

FARTHEST = 1e8
"""Farthest position of a reading from the origin [mm]: 100 km."""

SPECIMEN = Column("specimen", is_name=True)
STRATEGY = Column("strategy", is_name=True)
LAYER = (
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
)
"""Where a reading was taken: a layer, or a depth."""
PLACE = (
    Column("x", LENGTH, required=False, unit="m", low=-FARTHEST, high=FARTHEST),
    Column("y", LENGTH, required=False, unit="m", low=-FARTHEST, high=FARTHEST),
)
"""Place of a reading on the face."""
COVER = Column("cover", LENGTH, low=0.0, high=500.0, open_low=True, usual=(5.0, 300.0))
CONDITIONS = (
    Column("form_face", required=False, is_name=True),
    Column("follow_up", required=False, is_name=True),
    Column(
        "strip_age",
        DURATION,
        required=False,
        low=0.0,
        open_low=True,
        high=60.0,
        usual=(4.0 / 24.0, 28.0),
        unit="h",
    ),
)
"""How specimens were formed, cured and stripped, to compare like with like."""

PROFILES = FileKind(
    "profiles",
    "chloride profiles",
    (
        SPECIMEN,
        STRATEGY,
        *LAYER,
        Column("chloride", CHLORIDE, low=0.0, censored=True),
        Column(
            "exposure", DURATION, low=0.0, open_low=True, high=365.25 * 200.0, usual=(7.0, 36525.0)
        ),
        Column("initial", CHLORIDE, required=False, low=0.0, censored=True),
        *CONDITIONS,
    ),
    key_column="chloride",
    one_of=(("depth_from", "depth_to"), ("depth",)),
)
DRYING = FileKind(
    "drying",
    "a drying test",
    (
        SPECIMEN,
        STRATEGY,
        Column("time", DURATION, low=0.0, high=365.25 * 20.0, usual=(0.0, 1461.0)),
        Column("mass_loss", PERCENT, low=-5.0, high=30.0, usual=(-1.0, 12.0)),
        *CONDITIONS,
    ),
    key_column="mass_loss",
)
DIFFUSIVITIES = FileKind(
    "diffusivities",
    "a table of fitted diffusivities",
    (
        Column("specimen", required=False, is_name=True),
        Column("strategy", is_name=True),
        Column("diffusivity", DIFFUSIVITY, low=0.0, open_low=True, high=1e-6, usual=(5e-14, 1e-10)),
        Column("diffusivity_se", UNITLESS, required=False, low=0.0),
    ),
    key_column="diffusivity",
)
STRIP_LOG = FileKind(
    "strip-log",
    "a strip log",
    (
        Column("pour", is_name=True),
        Column("placed"),
        Column("removed"),
        Column(
            "temperature", TEMPERATURE, required=False, low=-40.0, high=100.0, usual=(-5.0, 50.0)
        ),
        Column("temperature_file", required=False),
        Column("follow_up", required=False, is_label=True),
        Column("face", required=False, is_label=True),
    ),
    key_column="removed",
)
LOGGER = FileKind(
    "logger",
    "a temperature logger",
    (
        Column("time"),
        Column("temperature", TEMPERATURE, low=-40.0, high=100.0, usual=(-20.0, 90.0)),
        Column("pour", TEXT, required=False, is_name=True),
    ),
    key_column="temperature",
)
COVER_SURVEY = FileKind(
    "cover-survey",
    "a cover survey",
    (
        COVER,
        *PLACE,
        Column("area", required=False, is_name=True),
    ),
    key_column="cover",
)

MIGRATION = FileKind(
    "migration",
    "a migration test",
    (
        SPECIMEN,
        STRATEGY,
        Column("penetration", LENGTH, low=0.0, open_low=True, high=200.0, usual=(0.1, 60.0)),
        Column("voltage", VOLTAGE, low=2.0, open_low=True, high=100.0, usual=(5.0, 65.0)),
        Column("thickness", LENGTH, low=10.0, high=200.0, usual=(30.0, 110.0)),
        Column("temperature", TEMPERATURE, low=5.0, high=45.0, usual=(10.0, 35.0)),
        Column(
            "duration",
            DURATION,
            low=0.0,
            open_low=True,
            high=60.0,
            usual=(4.0 / 24.0, 14.0),
            unit="h",
        ),
        Column(
            "age",
            DURATION,
            required=False,
            low=0.0,
            open_low=True,
            high=36525.0,
            usual=(1.0, 7305.0),
        ),
        *CONDITIONS,
    ),
    key_column="voltage",
)

_EXPOSURE = Column(
    "exposure",
    DURATION,
    required=False,
    low=0.0,
    open_low=True,
    high=365.25 * 200.0,
    usual=(7.0, 36525.0),
)
_MAP_OWNER = (
    Column("specimen", required=False, is_name=True),
    Column("strategy", required=False, is_name=True),
    _EXPOSURE,
    Column("initial", MAPPED_CHLORIDE, required=False, low=0.0, usual=(0.0, 2.0)),
)
_MAP_CHANNELS = (
    # counting noise about 0 may fall below it
    Column("chloride", MAPPED_CHLORIDE, required=False, low=-10.0, high=100.0),
    Column("signal", UNITLESS, required=False),
    Column("paste", UNITLESS, required=False, low=0.0, high=1.0),
)
FACE_MAP = FileKind(
    "face-map",
    "a chloride map of a cut face",
    (
        *_MAP_OWNER,
        Column("x", LENGTH, low=-FARTHEST, high=FARTHEST),
        Column("depth", LENGTH, low=0.0, high=1000.0, usual=(0.0, 300.0)),
        *_MAP_CHANNELS,
    ),
    key_column="x",
)
FACE_MAP_ARRAYS = FileKind(
    "face-map-arrays",
    "a chloride map of a cut face as NumPy arrays",
    (
        *_MAP_OWNER,
        Column("pixel", LENGTH, required=False, low=0.0, open_low=True, high=10.0),
        Column("pixel_x", LENGTH, required=False, low=0.0, open_low=True, high=10.0),
        Column("pixel_depth", LENGTH, required=False, low=0.0, open_low=True, high=10.0),
        Column("top", LENGTH, required=False, low=0.0, high=300.0),
        *_MAP_CHANNELS,
    ),
    key_column="chloride",
)
FACE_MAPS = FileKind(
    "face-maps",
    "a list of chloride maps",
    (*_MAP_OWNER, Column("map_file")),
    key_column="map_file",
)

KINDS = (PROFILES, DRYING, STRIP_LOG, COVER_SURVEY, MIGRATION, FACE_MAPS)
"""What `stripwise fit` takes; a logger's file belongs to a strip log."""
