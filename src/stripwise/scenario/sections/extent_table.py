"""The [extent] and [model] sections."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from stripwise.scenario.engine import read_keys
from stripwise.scenario.fields import ABOVE_0, METRES, PLAIN, Quantity, Random
from stripwise.scenario.problems import Problems
from stripwise.scenario.shapes import Constant, RandomInput, Table

__all__ = ["Extent", "ExtentTable", "ModelTable", "read_extent"]

SIZES = ("width", "height", "correlation_length")
SHARES = (0.05, 0.1, 0.2)
"""Shares of a face that are looked at unless the file names some."""


class ExtentTable(Table):
    """[extent]."""

    width: Annotated[
        Constant | None,
        Quantity(
            "Width of the face.",
            METRES,
            "0.05 m to 1000 m",
            usual="0.3 m to 300 m",
            needed="a length such as {}",
            example='"2 m"',
        ),
    ] = None
    height: Annotated[
        Constant | None,
        Quantity(
            "Height of the face.",
            METRES,
            "0.05 m to 1000 m",
            usual="0.3 m to 100 m",
            needed="a length such as {}",
            example='"2 m"',
        ),
    ] = None
    correlation_length: Annotated[
        Constant | None,
        Quantity(
            "Distance over which neighbouring points of the face fare alike.",
            METRES,
            "0.05 m to 1000 m",
            usual="0.1 m to 20 m",
            needed="a length such as {}",
            example='"2 m"',
        ),
    ] = None
    shares: Annotated[
        list[Constant] | None,
        Quantity(
            "Shares of the face that an owner acts on; 0.05, 0.1 and 0.2 unless given.",
            PLAIN,
            "0.001 to 0.999",
            usual="0.005 to 0.9",
            example="[0.05, 0.1]",
        ),
    ] = None


class ModelTable(Table):
    """[model]."""

    front_factor: Annotated[
        RandomInput | None,
        Random(
            "Model uncertainty: a factor on the depth of the front.",
            "model uncertainty of the front",
            PLAIN,
            "concrete",
            usual=(0.5, 2.0),
            usual_cov=(0.01, 0.8),
            usual_bounds=(0.0, 5.0),
            bounds=ABOVE_0,
            kind="knowledge",
            example='{ family = "lognormal", mean = 1.0, cov = 0.1 }',
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Extent:
    """The face whose corroding share is asked for.

    `width`, `height` and `correlation_length` in m, the last 0 for points that do not know each
    other and inf for a face that fares alike; `shares` of the face that an owner acts on, in
    (0, 1).
    """

    width: float
    height: float
    correlation_length: float
    shares: tuple[float, ...]


def read_extent(table: ExtentTable, problems: Problems) -> Extent | None:
    """Read [extent]; None after a problem."""
    found = read_keys(table, ("extent",), problems)
    shares: tuple[float, ...] = SHARES if found["shares"] is None else found["shares"]
    for i, share in enumerate(shares):
        if share in shares[:i] and table.shares is not None:
            problems.add(("extent", "shares", i), "stands there twice", found=table.shares[i])
    sizes: dict[str, float] = {key: found[key] for key in SIZES}
    if any(math.isnan(x) for x in (*sizes.values(), *shares)):
        return None
    return Extent(**sizes, shares=tuple(sorted(shares)))
