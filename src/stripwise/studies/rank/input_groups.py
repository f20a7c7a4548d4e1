"""Which inputs and groups are ranked, and why some have no index.

Axes: d columns, k sets, m outputs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import InputError
from stripwise.risk.sensitivity.input_sets import (
    CORRELATED,
    RankedItem,
    additive_cover,
    column_sets,
    ranked_items,
)
from stripwise.risk.sensitivity.quantities_of_interest import (
    FAILURE,
    MARGIN,
    QuantitiesOfInterest,
)
from stripwise.risk.sensitivity.sobol import SobolDesign, SobolEstimates
from stripwise.units.formatting import number, years

__all__ = ["MIN_PROBABILITY", "SEE_SHAPLEY", "RankedItems"]

MIN_PROBABILITY = 3e-3
"""Failure is ranked by variance only while it and its opposite are at least this probable. Below,
the indices of a repeat are skewed: their intervals covered 78 % at a probability of 1.5e-3."""

SEE_SHAPLEY = f"{CORRELATED}; see shapley.csv"


@dataclass(frozen=True, slots=True)
class RankedItems:
    """All inputs and groups of a ranking, and the sets of columns that serve them.

    Attributes
    ----------
    quantities
        What is ranked.
    items
        Inputs first, then groups.
    layout
        Sets of columns, pairs and outputs for the estimator.
    pairs
        Positions in `items` of each pair of the layout.
    """

    quantities: QuantitiesOfInterest
    items: tuple[RankedItem, ...]
    layout: SobolDesign
    pairs: tuple[tuple[int, int], ...]

    @classmethod
    def from_quantities(
        cls, quantities: QuantitiesOfInterest, *, second_order: bool
    ) -> RankedItems:
        """List the inputs and groups; an InputError if fewer than two inputs are random."""
        sampler = quantities.sampler
        if sampler.dimensions < 2:
            texts = sampler.names[0] if sampler.dimensions else "none"
            raise InputError(
                "inputs",
                f"random: {texts}; a ranking needs at least two, since one alone holds the whole "
                "variance",
            )
        items = tuple(
            replace(item, reason=SEE_SHAPLEY)
            if item.reason == CORRELATED and sampler.draws is None
            else item
            for item in ranked_items(sampler)
        )
        sets = column_sets(items)
        singles = [k for k, item in enumerate(items) if item.input and not item.reason]
        pairs = tuple(combinations(singles, 2)) if second_order else ()
        place = {columns: k for k, columns in enumerate(sets)}
        layout = SobolDesign(
            sampler.dimensions,
            sets,
            quantities.continuous,
            quantities.integrated,
            tuple((place[items[i].columns], place[items[j].columns]) for i, j in pairs),
            additive_cover(sampler, outputs=sum(q == MARGIN for q, _ in quantities.names)),
        )
        return cls(quantities, items, layout, pairs)

    def position(self, item: RankedItem) -> int:
        """Position of an item's columns in the layout's sets."""
        return self.layout.sets.index(item.columns)

    def reasons(self, estimates: SobolEstimates) -> list[str]:
        """Why each output has no indices, m texts, empty where it has."""
        variance, mean = estimates.variance.mean(axis=0), estimates.mean.mean(axis=0)
        texts = []
        for m, (quantity, _) in enumerate(self.quantities.names):
            p = float(mean[m])
            if quantity == FAILURE and not MIN_PROBABILITY <= p <= 1.0 - MIN_PROBABILITY:
                texts.append(_rare_reason(p))
            elif not np.isfinite(mean[m]):
                texts.append("not finite in every sample: some are depassivated from the start")
            elif not np.isfinite(variance[m]):
                texts.append(f"the {quantity} does not vary")
            else:
                texts.append("")
        return texts

    def defined(self, estimates: SobolEstimates) -> NDArray[np.bool_]:
        """Which indices (k, m) exist."""
        outputs = np.array([not reason for reason in self.reasons(estimates)])
        return np.broadcast_to(outputs, (len(self.layout.sets), len(outputs)))

    def index_name(self, k: int, m: int) -> str:
        """Name an index by its set and output."""
        item = next(i for i in self.items if not i.reason and self.position(i) == k)
        quantity, age = self.quantities.names[m]
        when = f" at {years(age)}" if np.isfinite(age) else ""
        return f"{item.input or item.group} ({quantity}{when})"


def _rare_reason(p: float) -> str:
    if p <= 1e-12:
        return "the event does not happen in this sample"
    if p >= 1.0 - 1e-12:
        return "the event always happens in this sample"
    side = f"P = {number(p, 2)}" if p < 0.5 else f"1 - P = {number(1.0 - p, 2)}"
    return (
        f"too rare for this sample, {side} is below {number(MIN_PROBABILITY)}; importance factors in "
        "form.csv answer there"
    )
