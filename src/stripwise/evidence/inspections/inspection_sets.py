"""What one file of inspections holds, checked: one set of data of one kind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import EvidenceError
from stripwise.evidence.profiles.chloride_profiles import Profiles
from stripwise.evidence.tables.data_file import DataFile
from stripwise.ingress.transformed_time import DAYS_PER_YEAR
from stripwise.units.formatting import count

__all__ = ["ActiveCount", "ActiveSet", "CoreSet", "CoverSet", "InspectionSet", "refuse_repeats"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


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
        return f"{len(self.profiles.specimens)} cores, {int(self.profiles.present.sum())} readings"


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
        return f"{self.cover.size} readings"


@dataclass(frozen=True, slots=True)
class ActiveCount:
    """How many points of a face read as corroding at one age.

    Attributes
    ----------
    strategy
        The face.
    age
        Age since first exposure [yr].
    active, points
        Points that read as corroding, of how many.
    weight
        Independent points over points.
    detection, false_alarm
        Chance that a depassivated point reads as corroding, and that another does.
    """

    strategy: str
    age: float
    active: float
    points: float
    weight: float
    detection: float
    false_alarm: float


@dataclass(frozen=True, slots=True)
class ActiveSet:
    """Half-cell surveys, as counts."""

    data_file: DataFile
    counts: tuple[ActiveCount, ...]

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
        found = sum(one.active for one in self.counts)
        return f"{count(found)} of {count(sum(one.points for one in self.counts))} points active"


InspectionSet = CoreSet | CoverSet | ActiveSet


def refuse_repeats(sets: tuple[InspectionSet, ...]) -> None:
    """Raise EvidenceError where a file stands twice, or a core in two of them."""
    texts, files, cores = [], dict[str, str](), dict[str, str]()
    for one in sets:
        name, digest = one.data_file.name, one.data_file.digest
        if digest in files:
            texts.append(f"{name}: is the same file as {files[digest]}; data count once")
        files.setdefault(digest, name)
        if isinstance(one, CoreSet):
            for specimen in one.profiles.specimens:
                other = cores.setdefault(specimen, name)
                if other != name:
                    texts.append(
                        f"{name}: specimen {specimen} stands in {other} too; a core counts once, "
                        "give another one a name of its own"
                    )
    if texts:
        raise EvidenceError(texts)
