"""What one file of inspections holds, checked: one set of data of one kind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import EvidenceError
from stripwise.evidence.profiles.chloride_profiles import Profiles
from stripwise.evidence.tables.data_file import DataFile
from stripwise.evidence.tables.migration_rows import MigrationTests
from stripwise.ingress.transformed_time import DAYS_PER_YEAR
from stripwise.units.formatting import count, number

__all__ = [
    "CRACK",
    "DEPASSIVATION",
    "CoreSet",
    "CoverSet",
    "DepthSet",
    "InspectionSet",
    "MigrationSet",
    "PointCount",
    "PointSet",
    "SpecimenDepths",
    "refuse_repeats",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

DEPASSIVATION, CRACK = "depassivation", "crack"
"""What a point may be looked at for."""


@dataclass(frozen=True, slots=True)
class CoreSet:
    """Chloride contents of g cores by layer.

    Attributes
    ----------
    data_file
        The file.
    profiles
        The layers, exposure in days; contents below a limit of detection are the limit.
    below
        (g, k) whether a content is known to lie below the one given.
    error
        (g, k) standard deviation of a reading, in the unit of the content; None where not given.
    error_share
        (g, k) standard deviation over the content; None where not given. Without either the share
        is fitted.
    positions
        (g, 2) place on the wall [m]; None where not given.
    """

    data_file: DataFile
    profiles: Profiles
    below: Flags
    error: Array | None
    error_share: Array | None
    positions: Array | None

    @property
    def fits_error(self) -> bool:
        """Whether the error of the readings is unknown."""
        return self.error is None and self.error_share is None

    @property
    def specimens(self) -> tuple[str, ...]:
        """Names of the cores."""
        return self.profiles.specimens

    @property
    def strategies(self) -> tuple[str, ...]:
        """Strategies whose faces were cored."""
        return tuple(dict.fromkeys(self.profiles.strategies))

    @property
    def last_age(self) -> float:
        """Age at the last of them [yr]."""
        return float(self.profiles.exposure.max()) / DAYS_PER_YEAR

    @property
    def size(self) -> str:
        """How much it holds, in words."""
        return (
            f"{_many(len(self.specimens), 'core')}, {_many(self.profiles.present.sum(), 'reading')}"
        )


@dataclass(frozen=True, slots=True)
class SpecimenDepths:
    """Depths read on one specimen.

    Attributes
    ----------
    specimen, strategy
        Names.
    age
        Age since first exposure [yr].
    depths, error
        (m,) readings and their standard deviation [mm].
    content
        Content at which the colour changes, in the unit of the file; NaN for carbonation.
    """

    specimen: str
    strategy: str
    age: float
    depths: Array
    error: Array
    content: float


@dataclass(frozen=True, slots=True)
class DepthSet:
    """Depths of a colour indicator of chloride, or of carbonation.

    Attributes
    ----------
    data_file
        The file.
    depths
        A record per specimen.
    basis
        Unit of the content at which the colour changes; empty for carbonation.
    """

    data_file: DataFile
    depths: tuple[SpecimenDepths, ...]
    basis: str

    @property
    def specimens(self) -> tuple[str, ...]:
        """Names of the specimens."""
        return tuple(one.specimen for one in self.depths)

    @property
    def strategies(self) -> tuple[str, ...]:
        """Strategies whose faces were looked at."""
        return tuple(dict.fromkeys(one.strategy for one in self.depths))

    @property
    def last_age(self) -> float:
        """Age at the last of them [yr]."""
        return max(one.age for one in self.depths)

    @property
    def size(self) -> str:
        """How much it holds, in words."""
        readings = sum(one.depths.size for one in self.depths)
        return f"{_many(len(self.depths), 'specimen')}, {_many(readings, 'reading')}"


@dataclass(frozen=True, slots=True)
class MigrationSet:
    """Migration tests of young concrete.

    Attributes
    ----------
    data_file
        The file.
    tests
        The coefficients.
    error_share
        (g,) standard deviation of a result over it, the scatter between specimens left out.
    """

    data_file: DataFile
    tests: MigrationTests
    error_share: Array

    @property
    def specimens(self) -> tuple[str, ...]:
        """Names of the specimens."""
        return self.tests.specimens

    @property
    def strategies(self) -> tuple[str, ...]:
        """Strategies by which the specimens were cured."""
        return tuple(dict.fromkeys(self.tests.strategies))

    @property
    def last_age(self) -> float:
        """No age of the wall counts."""
        return 0.0

    @property
    def size(self) -> str:
        """How much it holds, in words."""
        return _many(len(self.specimens), "specimen")


@dataclass(frozen=True, slots=True)
class CoverSet:
    """Cover readings.

    Attributes
    ----------
    data_file
        The file.
    cover
        (n,) readings [mm].
    error
        (n,) standard deviation of the meter's error [mm].
    effective
        Number of independent readings that say as much.
    """

    data_file: DataFile
    cover: Array
    error: Array
    effective: float

    @property
    def specimens(self) -> tuple[str, ...]:
        """None."""
        return ()

    @property
    def strategies(self) -> tuple[str, ...]:
        """None: a cover belongs to the wall."""
        return ()

    @property
    def last_age(self) -> float:
        """No age counts."""
        return 0.0

    @property
    def size(self) -> str:
        """How much it holds, in words."""
        return _many(self.cover.size, "reading")


@dataclass(frozen=True, slots=True)
class PointCount:
    """At how many points of a face something was found at one age.

    Attributes
    ----------
    event
        What was looked for: `DEPASSIVATION` or `CRACK`.
    strategy
        The face.
    age
        Age since first exposure [yr].
    found, points
        Points at which it was found, of how many.
    weight
        Independent points over points.
    detection, false_alarm
        Chance that it is found where it is, and where it is not.
    area
        Name of the area; empty for single points.
    """

    event: str
    strategy: str
    age: float
    found: float
    points: float
    weight: float
    detection: float
    false_alarm: float
    area: str = ""


@dataclass(frozen=True, slots=True)
class PointSet:
    """Points at which something was looked for, as counts."""

    data_file: DataFile
    counts: tuple[PointCount, ...]

    @property
    def specimens(self) -> tuple[str, ...]:
        """None."""
        return ()

    @property
    def strategies(self) -> tuple[str, ...]:
        """Strategies whose faces were surveyed."""
        return tuple(dict.fromkeys(one.strategy for one in self.counts))

    @property
    def last_age(self) -> float:
        """Age at the last of them [yr]."""
        return max(one.age for one in self.counts)

    @property
    def size(self) -> str:
        """How much it holds, in words."""
        found, points = (sum(getattr(c, name) for c in self.counts) for name in ("found", "points"))
        return f"found at {count(found)} of {_many(points, 'point')}"


def _many(number_of: float, one: str) -> str:
    return f"{count(number_of)} {one}{'' if number_of == 1 else 's'}"


InspectionSet = CoreSet | DepthSet | MigrationSet | CoverSet | PointSet


FEWEST_ALIKE = 5
"""Cover readings from which on the same ones in two files are no chance."""


def refuse_repeats(sets: tuple[InspectionSet, ...]) -> None:
    """Raise EvidenceError where a file, a specimen, a survey or readings stand twice in a kind."""
    texts, files, known = [], dict[str, str](), dict[tuple[str, str], int]()
    readings = dict[tuple[str, frozenset[Hashable]], str]()
    for place, one in enumerate(sets):
        name, digest = one.data_file.name, one.data_file.digest
        if digest in files:
            texts.append(f"{name}: is the same file as {files[digest]}; data count once")
            continue
        files[digest] = name
        if (own := _without_names(one)) and (
            name != (other_name := readings.setdefault((one.data_file.kind.name, own), name))
        ):
            texts.append(f"{name}: holds the same readings as {other_name}; data count once")
        for what in _looked_at(one):
            other = known.setdefault((one.data_file.kind.name, what.casefold()), place)
            if other != place:
                where = f"in {sets[other].data_file.name} too"
                texts.append(
                    f"{name}: {what} stands {where}; it counts once, give another one a name of its own"
                )
        texts += [
            f"{name}: {what} stands twice; it counts once, give another one a name of its own"
            for what, often in Counter(_looked_at(one)).items()
            if often > 1
        ]
    if texts:
        raise EvidenceError(texts)


def _looked_at(one: InspectionSet) -> list[str]:
    if isinstance(one, PointSet):
        surveyed = [count for count in one.counts if count.area]
        return [f"area {count.area} in year {number(count.age)}" for count in surveyed]
    return [f"specimen {specimen}" for specimen in one.specimens]


def _without_names(one: InspectionSet) -> frozenset[Hashable]:
    """Return what tells readings without a name of their own, in whatever order; else nothing."""
    if isinstance(one, CoverSet) and one.cover.size >= FEWEST_ALIKE:
        return frozenset(Counter(np.round(one.cover, 1).tolist()).items())
    if isinstance(one, PointSet) and {"x_mm", "y_mm"} <= {*one.data_file.data}:
        own = one.data_file.data[["strategy", "exposure_d", "x_mm", "y_mm"]].round(1)
        return frozenset(own.itertuples(index=False, name=None))
    return frozenset()
