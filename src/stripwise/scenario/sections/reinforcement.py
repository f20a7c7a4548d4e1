"""The [reinforcement] section: cover and critical chloride."""

from __future__ import annotations

import math
from typing import Annotated

from stripwise.distributions.distribution import distribution
from stripwise.distributions.random_input import Input
from stripwise.scenario.engine import declared, inputs_of, read_keys
from stripwise.scenario.fields import FROM_0, MM, PERCENT, Random
from stripwise.scenario.problems import Problems
from stripwise.scenario.sections.chloride_basis import Contents
from stripwise.scenario.shapes import ContentInput, CoverInput, CoverTable, Table
from stripwise.units.quantities import LENGTH, parse

__all__ = ["ReinforcementTable", "cover_bias", "mean_doubt_alone", "read_reinforcement"]


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
                'its mean is mean_doubt, such as mean_doubt = "4 mm"'
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
    doubt = _mean_doubt(table.cover, problems)
    return inputs_of(found) + ([] if doubt is None else [doubt])


def _mean_doubt(cover: CoverTable | None, problems: Problems) -> Input | None:
    """Return what is not known about the mean cover, a normal about 0; None where nothing is."""
    if cover is None or cover.mean_doubt is None:
        return None
    path = ("reinforcement", "cover", "mean_doubt")
    sd = problems.number(declared(CoverTable, "mean_doubt").read, cover.mean_doubt, path)
    if cover.between_walls is not None:
        rule = "is given beside between_walls, which says the same; give one of them"
        problems.add(path, rule, found=cover.mean_doubt)
        return None
    if math.isnan(sd):
        return None
    law = distribution("normal", mean=0.0, sd=sd)
    label = "mean cover against the stated one"
    return Input(".".join(path), label, law, "mm", "cover", "knowledge", cover.source or "")


def mean_doubt_alone(
    cover: CoverTable | None, options: dict[str, bool], problems: Problems
) -> None:
    """Refuse a doubt about the mean cover beside options that need the cover itself."""
    if cover is None or cover.mean_doubt is None:
        return
    for name, there in options.items():
        if there:
            problems.add(
                ("reinforcement", "cover", "mean_doubt"),
                f"is not carried into {name} yet; leave out one of them",
                found=cover.mean_doubt,
            )


def cover_bias(table: ReinforcementTable) -> float:
    """Return the mean cover less the nominal cover [mm], of a section without problems."""
    bias = None if table.cover is None else table.cover.bias
    return 0.0 if bias is None else parse(bias, LENGTH, to="mm", difference=True)
