"""Surface chloride, and what gives it beside a road: the splash of de-icing salt."""

from __future__ import annotations

import math
from typing import Annotated

from stripwise.distributions.distribution import distribution
from stripwise.distributions.random_input import Input
from stripwise.ingress.surface_history.surface_chloride import splash_content
from stripwise.published import published_value
from stripwise.scenario.engine import declared, read_keys
from stripwise.scenario.fields import FROM_0, MM, PERCENT, PLAIN, Quantity, Random
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.sections.chloride_basis import Contents
from stripwise.scenario.shapes import Constant, Table

__all__ = ["SURFACE_CHLORIDE", "DeIcingTable", "de_icing_input"]

SURFACE_CHLORIDE = Random(
    "Chloride content of the concrete at its surface.",
    "surface chloride",
    PERCENT,
    "exposure",
    usual=(0.02, 15.0),
    usual_words="0.02 to 15 % by mass of binder",
    usual_cov=(0.01, 1.5),
    usual_bounds=(0.0, 50.0),
    bounds=FROM_0,
    missing="a number in % of the chloride basis, or a distribution",
    example='{ family = "lognormal", mean = 2.0, cov = 0.35 }',
)


class DeIcingTable(Table):
    """Splash of de-icing salt beside a road, in place of a surface chloride."""

    distance: Annotated[
        Constant | None,
        Quantity(
            "Distance from the edge of the road.",
            MM,
            "0 m to 50 m",
            usual="0 m to 30 m",
            missing="a length such as {}, from the edge of the road",
            example='"1 m"',
        ),
    ] = None
    height: Annotated[
        Constant | None,
        Quantity(
            "Height above the road.",
            MM,
            "0 m to 10 m",
            usual="0 m to 8 m",
            missing="a length such as {}, from the edge of the road",
            example='"1 m"',
        ),
    ] = None
    cov: Annotated[
        Constant | None,
        Quantity(
            "sd over mean of the surface chloride.",
            PLAIN,
            "0.01 to 2",
            usual="0.05 to 1.5",
            missing="sd over mean of the surface chloride, such as {}",
            example="0.5",
        ),
    ] = None


def de_icing_input(table: DeIcingTable, contents: Contents, problems: Problems) -> Input | None:
    """Build the surface chloride from distance to and height above a road; None after a problem.

    The published fit is by mass of concrete.
    """
    path: KeyPath = ("exposure", "de_icing")
    numbers: dict[str, float] = {}
    for key in ("distance", "height", "cov"):
        if getattr(table, key) is None:
            problems.missing((*path, key), declared(DeIcingTable, key).need)
            if key != "cov":
                return None
        numbers |= read_keys(table, path, problems, only=(key,))
    read_keys(table, path, problems, skip=numbers)
    if math.isnan(contents.binder) or math.isnan(contents.density):
        problems.add(
            path,
            "gives a content by mass of concrete; exposure.binder_content and "
            "exposure.density are needed to convert",
        )
        return None
    if any(x is None or math.isnan(x) for x in numbers.values()):
        return None
    distance, height = numbers["distance"], numbers["height"]
    concrete = float(splash_content(distance, height=height))
    if concrete <= 0.0:
        problems.add(path, "lies beyond the reach of the published fit: no chloride is left there")
        return None
    mean = concrete * contents.density / contents.binder
    source = (
        f"{published_value('gehlen2000.splash').citation}: {concrete:.3g} % of concrete at "
        f"{distance / 1000:g} m beside and {height / 1000:g} m above the road"
    )
    return Input(
        "exposure.surface_chloride",
        SURFACE_CHLORIDE.label,
        distribution("lognormal", mean=mean, cov=numbers["cov"]),
        SURFACE_CHLORIDE.unit,
        SURFACE_CHLORIDE.group,
        SURFACE_CHLORIDE.kind,
        source,
    )
