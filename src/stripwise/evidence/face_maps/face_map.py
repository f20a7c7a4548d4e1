"""The map of one cut face: chloride by depth and place, and what tells paste from aggregate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["MAX_PIXELS", "FaceMap", "check_face_map"]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MAX_PIXELS = 2**25
"""Most pixels of one map, about 34 million."""

MIN_ROWS, MIN_COLUMNS = 12, 20
"""Fewest pixels down and across a map."""

SATURATED_SHARE, MIN_SATURATED = 0.005, 20
"""Share of the readings at the very highest value from which it is a limit of the detector, and
the fewest such readings; common practice, no source."""

MAX_CONTENT = 25.0
"""Mean content [%] above which the unit must be wrong; common practice, no source."""

MAX_HOLES = 0.5
"""Share of pixels without a reading beyond which a map is refused."""


@dataclass(frozen=True, slots=True)
class FaceMap:
    """The map of one specimen: rows by depth, columns along the formed face.

    Attributes
    ----------
    specimen, strategy
        Names; the strategy is the curing that the specimen got.
    exposure
        Exposure to chloride [d].
    depth, position
        (rows,) and (columns,) centres of the pixels [mm]; depth counts from the exposed face.
    chloride
        (rows, columns) content in the unit of `basis`; NaN where there is no reading.
    basis
        "pct_paste" or "pct_binder": % by mass of paste or of binder.
    signal
        (rows, columns) second channel that differs between aggregate and paste; None without one.
    paste
        (rows, columns) the laboratory's own mask, True on paste; None without one.
    initial
        Initial content in the unit of `basis`; NaN where it is not known.
    file, digest
        Name of the file, and its SHA-256.
    """

    specimen: str
    strategy: str
    exposure: float
    depth: Array
    position: Array
    chloride: Array
    basis: str
    signal: Array | None = None
    paste: BoolArray | None = None
    initial: float = np.nan
    file: str = ""
    digest: str = ""

    @property
    def pixel(self) -> tuple[float, float]:
        """Size of a pixel down and across [mm]."""
        return tuple(
            float(centres[-1] - centres[0]) / (centres.size - 1)
            for centres in (self.depth, self.position)
        )  # type: ignore[return-value]

    @property
    def where(self) -> str:
        """Beginning of a message about this map."""
        return f"{self.file}: specimen {self.specimen}"


def check_face_map(face: FaceMap) -> list[str]:
    """Return what makes a map unfit to be evaluated, a line each."""
    rows, columns = face.chloride.shape
    if rows < MIN_ROWS or columns < MIN_COLUMNS:
        return [
            f"{face.where}: has {rows} pixels down and {columns} across; at least {MIN_ROWS} and "
            f"{MIN_COLUMNS} are needed"
        ]
    readings = face.chloride[np.isfinite(face.chloride)]
    problems = []
    holes = 1.0 - readings.size / face.chloride.size
    if holes > MAX_HOLES:
        problems.append(
            f"{holes:.0%} of the pixels have no reading; at most {MAX_HOLES:.0%} may be missing"
        )
    if readings.size == 0:
        return [f"{face.where}: {text}" for text in problems]
    highest = float(readings.max())
    at_highest = int(np.count_nonzero(readings == highest))
    if highest <= 0.0:
        problems.append("every reading is 0; such a map holds no diffusivity, leave it out")
    elif at_highest >= max(MIN_SATURATED, SATURATED_SHARE * readings.size):
        problems.append(
            f"{at_highest:,} readings ({at_highest / readings.size:.1%}) stand at one highest "
            f"value, {highest:g}: the detector was saturated; scan again at a lower count rate"
        )
    if float(readings.mean()) > MAX_CONTENT:
        problems.append(
            f"the mean reading is {readings.mean():.3g} %, and at most {MAX_CONTENT:g} % can be a "
            "content; counts must be calibrated first"
        )
    if face.signal is None and face.paste is None:
        problems.append(
            "has neither a column paste (1 on paste, 0 on aggregate) nor a second channel "
            "signal; chloride alone does not tell paste from aggregate"
        )
    return [f"{face.where}: {text}" for text in problems]
