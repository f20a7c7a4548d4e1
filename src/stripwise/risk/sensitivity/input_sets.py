"""Which inputs and groups have an index, and which columns of the sample move together for it.

Axes: d columns, k sets of columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stripwise.distributions.random_input import GROUPS
from stripwise.distributions.sampling import InputSampler
from stripwise.risk.model.wall import COVER
from stripwise.risk.sensitivity.sobol import AdditiveColumn

__all__ = [
    "CORRELATED",
    "JOINT_DRAWS",
    "RankedItem",
    "additive_cover",
    "column_sets",
    "correlated_clusters",
    "index_status",
    "ranked_items",
]

MAX_HALF_WIDTH = 0.05
"""A first or total index whose half interval exceeds this is marked wide."""

CORRELATED = "correlated"
JOINT_DRAWS = "joint draws; see their group"


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


def ranked_items(sampler: InputSampler) -> tuple[RankedItem, ...]:
    """List the random inputs, then their groups, then every set of correlated inputs.

    Joint draws are one group, since they do not say which of their inputs does what.
    """
    names, clusters = sampler.column_names, correlated_clusters(sampler)
    drawn = () if sampler.draws is None else sampler.draws.names
    joint = (len(names),)
    items, along, by_group = [], [], dict[str, list[int]]()
    for item in sampler.inputs:
        place = names.index(item.name) if item.name in names else joint[0]
        by_group.setdefault(item.group, []).append(place)
        if item.name in drawn:
            items.append(RankedItem(item.name, item.group, joint, JOINT_DRAWS))
            if place < joint[0]:
                along.append(RankedItem("", f"{item.name} along the wall", clusters[place], ""))
            continue
        reason = CORRELATED if len(clusters[place]) > 1 else ""
        items.append(RankedItem(item.name, item.group, clusters[place], reason))
    for group in GROUPS:
        columns = tuple(dict.fromkeys(by_group.get(group, ())))
        if not columns:
            continue
        if any(item.group == group and item.name in drawn for item in sampler.inputs):
            items.append(RankedItem("", group, columns, JOINT_DRAWS))
            continue
        split = any(not set(clusters[i]) <= set(columns) for i in columns)
        items.append(RankedItem("", group, columns, CORRELATED if split else ""))
    for cluster in dict.fromkeys(clusters):
        if len(cluster) > 1:
            name = "correlated: " + " + ".join(names[i] for i in cluster)
            items.append(RankedItem("", name, cluster, ""))
    if drawn:
        items += [*along, RankedItem("", "joint draws", joint, "")]
    return tuple(items)


def column_sets(items: Sequence[RankedItem]) -> tuple[tuple[int, ...], ...]:
    """List the sets of columns of the items that have an index, each once."""
    return tuple(dict.fromkeys(item.columns for item in items if not item.reason))


def additive_cover(sampler: InputSampler, *, outputs: int) -> AdditiveColumn | None:
    """Return the cover as what the first `outputs`, depth margins, add to the front's depth.

    None for a fixed cover, for one that is correlated with another input, and for one that joint
    draws know something of.
    """
    names, drawn = sampler.column_names, sampler.draws
    if COVER not in names or (drawn is not None and COVER in drawn.names):
        return None
    column = names.index(COVER)
    if len(correlated_clusters(sampler)[column]) > 1:
        return None
    cover = next(item for item in sampler.inputs if item.name == COVER)
    return AdditiveColumn(column, cover.distribution.sd**2, outputs)


def index_status(*bounds: tuple[float, float, float]) -> str:
    """Return "wide" or "ok" for estimates, each with its mean, low and high bound."""
    return "wide" if max(high - mean for mean, _, high in bounds) > MAX_HALF_WIDTH else "ok"


def correlated_clusters(sampler: InputSampler) -> list[tuple[int, ...]]:
    """List, for each input's column, the columns correlated with it directly or through others."""
    d = len(sampler.column_names)
    linked = np.eye(d, dtype=bool)
    if sampler.factor is not None:
        linked |= np.abs(sampler.factor @ sampler.factor.T) > 1e-12
        for _ in range(d):
            linked = (linked.astype(int) @ linked.astype(int)) > 0
    return [tuple(int(j) for j in np.flatnonzero(row)) for row in linked]
