"""A chloride map joined with what its file or the list of maps says about the specimen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import EvidenceError
from stripwise.evidence.face_maps.face_map import MAX_PIXELS, FaceMap
from stripwise.units.names import name_problem, printable

__all__ = ["CHANNELS", "Owner", "check_size", "join_owner"]

Array = NDArray[np.float64]

CHANNELS = ("chloride", "signal", "paste")
"""What a map may hold in every pixel."""


@dataclass(frozen=True, slots=True)
class Owner:
    """What a list of maps says about one of them, and the hash of its file; None: the map must say it."""

    specimen: str | None = None
    strategy: str | None = None
    exposure: float | None = None
    initial: float | None = None
    digest: str = ""


def join_owner(
    found: Mapping[str, Any],
    *,
    depth: Array,
    position: Array,
    channels: Mapping[str, Array],
    basis: str,
    owner: Owner,
    name: str,
) -> FaceMap:
    """Join pixels with what the file or the list says about the specimen; the list comes first."""
    specimen = owner.specimen or str(found.get("specimen") or Path(name).stem)
    where = f"{name}: specimen {specimen}"
    strategy = owner.strategy or found.get("strategy")
    exposure = owner.exposure or found.get("exposure")
    if not strategy or exposure is None or not np.isfinite(exposure) or exposure <= 0.0:
        missing = "strategy" if not strategy else "exposure_d"
        raise EvidenceError(
            [f"{where}: needs {missing}, in the map or in a list of maps with map_file"]
        )
    for column, text in (("specimen", specimen), ("strategy", str(strategy))):
        if rule := name_problem(text):
            raise EvidenceError([f"{name}: {column} = {printable(text)}: {rule}"])
    initial = owner.initial if owner.initial is not None else found.get("initial", np.nan)
    paste = channels.get("paste")
    if paste is not None and not np.isin(paste[np.isfinite(paste)], (0.0, 1.0)).all():
        raise EvidenceError([f"{where}: paste must be 1 on paste and 0 on aggregate"])
    return FaceMap(
        specimen=specimen,
        strategy=str(strategy),
        exposure=float(exposure),
        depth=depth,
        position=position,
        chloride=channels["chloride"],
        basis=basis,
        signal=channels.get("signal"),
        paste=None if paste is None else np.nan_to_num(paste) > 0.5,
        initial=float(initial),
        file=name,
        digest=owner.digest,
    )


def check_size(shape: tuple[int, ...], where: str) -> None:
    """Refuse a map of more pixels than are read."""
    count = int(np.prod([float(n) for n in shape]))
    if count > MAX_PIXELS:
        raise EvidenceError(
            [f"{where}: has {count:,} pixels; at most {MAX_PIXELS:,} are read, average it first"]
        )
