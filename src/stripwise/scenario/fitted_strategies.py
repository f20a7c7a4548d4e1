"""Strategies whose penalty comes out of a fit: their correlations and what to know about them."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Mapping, Sequence

from stripwise.distributions.random_input import Correlation, Input
from stripwise.scenario.model import Curing, Strategy
from stripwise.scenario.problems import Problems
from stripwise.scenario.references import FromFit
from stripwise.units.names import printable

__all__ = ["fit_correlations", "fit_warnings", "with_fit"]


def with_fit(strategy: Strategy, found: FromFit | None, *, curing: Curing) -> Strategy:
    """Say at a strategy where its penalty comes from.

    Parameters
    ----------
    strategy
        The strategy.
    found
        Its penalty out of a fit; None for any other.
    curing
        Gives the model factor, which leaves the reference of the fit alone.

    Returns
    -------
    The strategy.
    """
    if found is None:
        return strategy
    other = "" if found.entry == strategy.name else f" (there {printable(found.entry)})"
    factor = "" if found.entry == found.fit.reference else curing.model_factor_input
    return dataclasses.replace(
        strategy, penalty_origin=f"{printable(found.file)}{other}", model_factor_input=factor
    )


def fit_correlations(
    fits: Mapping[int, FromFit],
    strategies: Sequence[Strategy],
    inputs: Sequence[Input],
    *,
    problems: Problems,
) -> tuple[Correlation, ...]:
    """Return the rank correlations between penalties of the same file.

    Parameters
    ----------
    fits
        Penalties out of fits, by position of the strategy.
    strategies
        The strategies.
    inputs
        Their inputs.
    problems
        Where to note.

    Returns
    -------
    A correlation for each pair that is random and correlated.
    """
    random = {item.name: item for item in inputs if not item.distribution.is_fixed}
    found: list[Correlation] = []
    for (i, one), (j, two) in itertools.combinations(sorted(fits.items()), 2):
        first, second = strategies[i].penalty_input, strategies[j].penalty_input
        if one.file != two.file or first not in random or second not in random:
            continue
        if random[first].kind != random[second].kind:
            problems.add(
                ("strategy", j, "penalty", "kind"),
                "penalties of one fit are all scatter or all knowledge",
                found=random[second].kind,
            )
            continue
        rank = one.fit.rank(one.entry, two.entry)
        if rank != 0.0:
            found.append(Correlation(first, second, rank))
    return tuple(found)


def fit_warnings(
    fits: Mapping[int, FromFit],
    strategies: Sequence[Strategy],
    *,
    curing: Curing,
    has_choices: bool,
) -> list[str]:
    """Return what a reader must know where penalties come out of a fit.

    Parameters
    ----------
    fits
        Penalties out of fits, by position of the strategy.
    strategies
        The strategies.
    curing
        The reference of the law.
    has_choices
        Whether the scenario opens choices, which the law answers.

    Returns
    -------
    The sentences.
    """
    if not fits:
        return []
    references = {found.file: found.fit.reference for found in fits.values()}
    listed = " and ".join(
        f"{printable(name)} of {printable(file)}" for file, name in references.items()
    )
    sentences = [
        f"Fitted penalties are 1 for {listed}: concrete.diffusivity must be that of concrete "
        "cured so."
    ]
    lawful = [item.name for item in strategies if not item.penalty_input]
    if lawful:
        sentences.append(
            f"The law's penalty is 1 after {curing.reference_d:g} d of curing, the fit's for "
            f"{listed}. Where these are two concretes, the strategies by the law "
            f"({', '.join(printable(name) for name in lawful)}) and those by the fit cannot be "
            "compared."
        )
    if has_choices:
        sentences.append(
            "The comparison of cover and strip age over the [choices] uses the curing law, not the "
            "fitted penalties."
        )
    if len(references) > 1:
        sentences.append(
            "Penalties of different files are taken as independent of each other, even where "
            "their specimens are the same."
        )
    if not curing.model_factor_input:
        sentences.append(
            "Fitted penalties are taken from the laboratory to the field as they are; "
            "curing.model_factor can say how far that is uncertain."
        )
    return sentences
