"""The [reinforcement] section: cover and critical chloride."""

from __future__ import annotations

import dataclasses
import math
from typing import Annotated

from stripwise.distributions.distribution import distribution, with_shifted_moments
from stripwise.distributions.random_input import Input
from stripwise.errors import InputError
from stripwise.risk.model.wall import COVER, MEAN_COVER_OFFSET
from stripwise.scenario.engine import declared, inputs_of, read_keys
from stripwise.scenario.fields import FROM_0, MM, PERCENT, Random
from stripwise.scenario.problems import Problems
from stripwise.scenario.sections.chloride_basis import Contents
from stripwise.scenario.shapes import ContentInput, CoverInput, CoverTable, Table
from stripwise.units.quantities import LENGTH, parse

__all__ = [
    "ReinforcementTable",
    "cover_bias",
    "mean_cover_offset",
    "read_reinforcement",
    "with_mean_sd_split",
]


class ReinforcementTable(Table):
    """[reinforcement]."""

    cover: Annotated[
        CoverInput | None,
        Random(
            "Cover of the outermost bars.",
            "cover",
            MM,
            "cover",
            usual=(10.0, 300.0),
            usual_sd=(1.5, 40.0),
            usual_bounds=(0.0, 1000.0),
            bounds=FROM_0,
            only_scatter=(
                "the cover is integrated as it scatters along the wall; what you do not know about "
                'its mean is mean_sd, such as mean_sd = "4 mm"'
            ),
            needed="a value such as {}, or a distribution",
            example='"50 mm"',
        ),
    ] = None
    critical_chloride: Annotated[
        ContentInput | None,
        Random(
            "Chloride content at the bars that depassivates them.",
            "critical chloride",
            PERCENT,
            "steel",
            usual=(0.05, 10.0),
            usual_words="0.05 to 10 % by mass of binder",
            usual_cov=(0.01, 1.0),
            usual_bounds=(0.0, 20.0),
            bounds=FROM_0,
            missing="a number in % of the chloride basis, or a distribution",
            example='{ family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }',
        ),
    ] = None


def read_reinforcement(
    table: ReinforcementTable, contents: Contents | None, *, problems: Problems
) -> list[Input]:
    """Read [reinforcement]; `contents` is None where no chloride is looked at."""
    path, critical = ("reinforcement",), ("critical_chloride",)
    if contents is None:
        found = read_keys(table, path, problems, skip=critical)
    else:
        converters = contents.converters(table, path, critical, problems)
        found = read_keys(table, path, problems, converters=converters)
        if table.critical_chloride is None:
            need = declared(ReinforcementTable, "critical_chloride").need
            problems.missing((*path, *critical), need)
    doubt = _mean_sd(table.cover, problems)
    return inputs_of(found) + ([] if doubt is None else [doubt])


def _mean_sd(cover: CoverTable | None, problems: Problems) -> Input | None:
    """Return the epistemic error of the mean cover, a normal about 0; None without any."""
    if cover is None or cover.mean_sd is None:
        return None
    path = ("reinforcement", "cover", "mean_sd")
    sd = problems.number(declared(CoverTable, "mean_sd").read, cover.mean_sd, path)
    if cover.between_walls is not None:
        rule = "is given beside between_walls, which says the same; give one of them"
        problems.add(path, rule, found=cover.mean_sd)
        return None
    if math.isnan(sd):
        return None
    return mean_cover_offset(sd, source=cover.source or "", shared=cover.shared == "block")


def mean_cover_offset(sd: float, *, source: str, shared: bool = False) -> Input:
    """Return the error of the mean cover of a known sd [mm], a normal about 0."""
    law = distribution("normal", mean=0.0, sd=sd)
    label = "mean cover against the stated one"
    return Input(MEAN_COVER_OFFSET, label, law, "mm", "cover", "knowledge", source, shared=shared)


def with_mean_sd_split(
    inputs: list[Input], options: dict[str, bool], problems: Problems
) -> list[Input]:
    """Fold the epistemic error of the mean into the cover itself where options need the cover.

    The predictive sd is then sqrt(sd^2 + mean_sd^2), of which mean_sd^2 lies between walls.
    """
    error = next((item for item in inputs if item.name == MEAN_COVER_OFFSET), None)
    cover = next((item for item in inputs if item.name == COVER), None)
    needed = [name for name, there in options.items() if there]
    if error is None or cover is None or not needed:
        return inputs
    law, sd = cover.distribution, error.distribution.sd
    if law.is_fixed:
        rule = f"beside {needed[0]} needs a random cover: give the cover a family and an sd"
        problems.add(("reinforcement", "cover", "mean_sd"), rule)
        return inputs
    total = math.hypot(law.parent_sd, sd)
    try:
        wider = with_shifted_moments(law, sd=total - law.parent_sd)
    except InputError as problem:
        problems.add(("reinforcement", "cover", "mean_sd"), f"does not fit: {problem.problem}")
        return inputs
    split = dataclasses.replace(cover, distribution=wider, between_walls=(sd / total) ** 2)
    return [split if item is cover else item for item in inputs if item is not error]


def cover_bias(table: ReinforcementTable) -> float:
    """Return the mean cover less the nominal cover [mm]; 0 where that is no length."""
    bias = None if table.cover is None else table.cover.bias
    try:
        return 0.0 if bias is None else parse(bias, LENGTH, to="mm", difference=True)
    except InputError:
        return 0.0
