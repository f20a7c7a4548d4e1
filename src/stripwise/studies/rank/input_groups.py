"""Which inputs and groups are ranked, and why some have no index.

Axes: d columns, k sets, m outputs.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.random_input import GROUPS
from stripwise.errors import InputError
from stripwise.risk.sensitivity.quantities_of_interest import (
    FAILURE,
    QuantitiesOfInterest,
    correlated_clusters,
)
from stripwise.risk.sensitivity.sobol import SobolDesign, SobolEstimates

__all__ = [
    "CORRELATED",
    "MIN_PROBABILITY",
    "RankedItem",
    "RankedItems",
    "index_status",
    "reject_correlated",
]

MIN_PROBABILITY = 1e-4
"""Failure is ranked by variance only while it and its opposite are at least this probable."""

MAX_HALF_WIDTH = 0.05
"""A first or total index whose half interval exceeds this is marked wide."""

CORRELATED = "correlated; see shapley.csv"


@dataclass(frozen=True, slots=True)
class RankedItem:
    """An input or a group.

    Attributes
    ----------
    input, group
        Name of the input (empty for a group) and of its group.
    columns
        Its columns; of a correlated input all that move with it.
    reason
        Why it has no index of its own, or empty.
    """

    input: str
    group: str
    columns: tuple[int, ...]
    reason: str


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
        clusters = correlated_clusters(sampler)
        items = [
            RankedItem(
                item.name, item.group, clusters[i], CORRELATED if len(clusters[i]) > 1 else ""
            )
            for i, item in enumerate(sampler.inputs)
        ]
        for group in GROUPS:
            columns = tuple(i for i, item in enumerate(sampler.inputs) if item.group == group)
            if columns:
                split = any(not set(clusters[i]) <= set(columns) for i in columns)
                items.append(RankedItem("", group, columns, CORRELATED if split else ""))
        for cluster in dict.fromkeys(clusters):
            if len(cluster) > 1:
                name = "correlated: " + " + ".join(sampler.names[i] for i in cluster)
                items.append(RankedItem("", name, cluster, ""))
        sets = tuple(dict.fromkeys(item.columns for item in items if not item.reason))
        singles = [k for k, item in enumerate(items) if item.input and not item.reason]
        pairs = tuple(combinations(singles, 2)) if second_order else ()
        place = {columns: k for k, columns in enumerate(sets)}
        layout = SobolDesign(
            sampler.dimensions,
            sets,
            quantities.continuous,
            quantities.integrated,
            tuple((place[items[i].columns], place[items[j].columns]) for i, j in pairs),
        )
        return cls(quantities, tuple(items), layout, pairs)

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
        when = f" at {age:.3g} yr" if np.isfinite(age) else ""
        return f"{item.input or item.group} ({quantity}{when})"


def _rare_reason(p: float) -> str:
    if p <= 1e-12:
        return "the event does not happen in this sample"
    if p >= 1.0 - 1e-12:
        return "the event always happens in this sample"
    side = f"P = {p:.1e}" if p < 0.5 else f"1 - P = {1.0 - p:.1e}"
    return f"{side} is below {MIN_PROBABILITY:g}; importance factors in form.csv answer there"


def index_status(*bounds: tuple[float, float, float]) -> str:
    """Return "wide" or "ok" for estimates, each with its mean, low and high bound."""
    return "wide" if max(high - mean for mean, _, high in bounds) > MAX_HALF_WIDTH else "ok"


def reject_correlated(quantities: QuantitiesOfInterest) -> None:
    """Raise an InputError that says what to use instead if any two inputs are correlated."""
    correlated = [c for c in dict.fromkeys(correlated_clusters(quantities.sampler)) if len(c) > 1]
    if correlated:
        names = quantities.sampler.names
        listed = "; ".join(" with ".join(names[i] for i in cluster) for cluster in correlated)
        raise InputError(
            "correlation",
            f"{listed}: first and total indices of correlated inputs do not split the variance. "
            "Use Shapley effects (stripwise.risk.sensitivity.shapley.shapley_effects, shapley.csv), or the "
            "index of the whole group",
        )
