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
    """List the random inputs, then their groups, then every set of correlated inputs."""
    names, clusters = sampler.names, correlated_clusters(sampler)
    items = [
        RankedItem(item.name, item.group, cluster, CORRELATED if len(cluster) > 1 else "")
        for item, cluster in zip(sampler.inputs, clusters, strict=True)
    ]
    for group in GROUPS:
        columns = tuple(i for i, item in enumerate(sampler.inputs) if item.group == group)
        if columns:
            split = any(not set(clusters[i]) <= set(columns) for i in columns)
            items.append(RankedItem("", group, columns, CORRELATED if split else ""))
    for cluster in dict.fromkeys(clusters):
        if len(cluster) > 1:
            name = "correlated: " + " + ".join(names[i] for i in cluster)
            items.append(RankedItem("", name, cluster, ""))
    return tuple(items)


def column_sets(items: Sequence[RankedItem]) -> tuple[tuple[int, ...], ...]:
    """List the sets of columns of the items that have an index, each once."""
    return tuple(dict.fromkeys(item.columns for item in items if not item.reason))


def additive_cover(sampler: InputSampler, *, outputs: int) -> AdditiveColumn | None:
    """Return the cover as what the first `outputs`, depth margins, add to the front's depth.

    None for a fixed cover, and for one that is correlated with another input.
    """
    if COVER not in sampler.names:
        return None
    column = sampler.names.index(COVER)
    if len(correlated_clusters(sampler)[column]) > 1:
        return None
    return AdditiveColumn(column, sampler.inputs[column].distribution.sd ** 2, outputs)


def index_status(*bounds: tuple[float, float, float]) -> str:
    """Return "wide" or "ok" for estimates, each with its mean, low and high bound."""
    return "wide" if max(high - mean for mean, _, high in bounds) > MAX_HALF_WIDTH else "ok"


def correlated_clusters(sampler: InputSampler) -> list[tuple[int, ...]]:
    """List, for each column, the columns correlated with it directly or through others."""
    d = sampler.dimensions
    linked = np.eye(d, dtype=bool)
    if sampler.factor is not None:
        linked |= np.abs(sampler.factor @ sampler.factor.T) > 1e-12
        for _ in range(d):
            linked = (linked.astype(int) @ linked.astype(int)) > 0
    return [tuple(int(j) for j in np.flatnonzero(row)) for row in linked]
