"""Surface chloride from de-icing splash beside a road."""

from __future__ import annotations

import math

from stripwise.distributions.distribution import distribution
from stripwise.distributions.random_input import Input
from stripwise.ingress.surface_history.surface_chloride import splash_content
from stripwise.published import published_value
from stripwise.scenario.input_rules import SURFACE_CHLORIDE
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.schema import DeIcingPart
from stripwise.scenario.sections.chloride_basis import Contents
from stripwise.scenario.sections.curing import cited
from stripwise.units.quantities import LENGTH, NUMBER

__all__ = ["de_icing_input"]


def de_icing_input(part: DeIcingPart, contents: Contents, problems: Problems) -> Input | None:
    """Build the surface chloride from distance to and height above a road.

    Parameters
    ----------
    part
        exposure.de_icing of the file.
    contents
        How contents are converted; the published fit is by mass of concrete.
    problems
        Where to note.

    Returns
    -------
    The input; None after a problem.
    """
    path: KeyPath = ("exposure", "de_icing")
    numbers = {}
    for key, high in (("distance", (50_000.0, "50 m")), ("height", (10_000.0, "10 m"))):
        raw = getattr(part, key)
        if raw is None:
            problems.missing((*path, key), 'a length such as "1 m", from the edge of the road')
            return None
        numbers[key] = problems.quantity(
            raw, (*path, key), kind=LENGTH, to="mm", low=(0.0, "0 m"), high=high
        )
    spread = None
    if part.cov is None:
        problems.missing((*path, "cov"), "sd over mean of the surface chloride, such as 0.5")
    else:
        spread = problems.quantity(
            part.cov, (*path, "cov"), kind=NUMBER, to="", low=(0.01, "0.01"), high=(2.0, "2")
        )
    if math.isnan(contents.binder) or math.isnan(contents.density):
        problems.add(
            path,
            "gives a content by mass of concrete; exposure.binder_content and "
            "exposure.density are needed to convert",
        )
        return None
    if spread is None or any(math.isnan(x) for x in (*numbers.values(), spread)):
        return None
    concrete = float(splash_content(numbers["distance"], height=numbers["height"]))
    if concrete <= 0.0:
        problems.add(path, "lies beyond the reach of the published fit: no chloride is left there")
        return None
    entry = published_value("gehlen2000.splash")
    law = distribution("lognormal", mean=concrete * contents.density / contents.binder, cov=spread)
    rule = SURFACE_CHLORIDE
    source = (
        f"{cited(entry)}: {concrete:.3g} % of concrete at {numbers['distance'] / 1000:g} m beside "
        f"and {numbers['height'] / 1000:g} m above the road"
    )
    return Input(
        "exposure.surface_chloride", rule.label, law, rule.unit, rule.group, rule.kind, source
    )
