"""Ratios of the strategies' means with intervals that hold together, and what each ratio shows.

All on logarithms, with one scatter between specimens for all strategies.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from stripwise.errors import InputError

__all__ = [
    "DUNNETT",
    "OPEN",
    "TUKEY",
    "Groups",
    "Ratio",
    "all_pairs",
    "read_groups",
    "with_reference",
]

Array = NDArray[np.float64]

DUNNETT, TUKEY = "Dunnett", "Tukey-Kramer"
OPEN = "no difference shown"

MOST_BY_DUNNETT = 24
"""Most strategies beside the reference whose interval is Dunnett's, whose quantile is sampled."""

LEVEL = 0.95
SEED = 1
"""Of the points behind Dunnett's quantile."""


@dataclass(frozen=True, slots=True)
class Groups:
    """Logarithms of s strategies with at least two specimens each.

    Attributes
    ----------
    names
        The strategies.
    logs
        ln of each strategy's specimens.
    left_out
        Strategies with one specimen, which show no scatter.
    """

    names: tuple[str, ...]
    logs: tuple[Array, ...]
    left_out: tuple[str, ...]

    @property
    def means(self) -> Array:
        """(s,) means of the logarithms."""
        return np.array([log.mean() for log in self.logs])

    @property
    def counts(self) -> NDArray[np.intp]:
        """(s,) numbers of specimens."""
        return np.array([log.size for log in self.logs], dtype=np.intp)

    @property
    def degrees_of_freedom(self) -> int:
        """Behind the pooled variance."""
        return int(self.counts.sum()) - len(self.logs)

    @property
    def variance(self) -> float:
        """Pooled over the strategies."""
        squares = sum(float(((log - log.mean()) ** 2).sum()) for log in self.logs)
        return squares / self.degrees_of_freedom


@dataclass(frozen=True, slots=True)
class Ratio:
    """The mean of one strategy over that of another, geometric means both.

    Attributes
    ----------
    strategy, against
        Their names.
    value, low, high
        The ratio and its simultaneous 95 % interval.
    method
        Whose interval.
    """

    strategy: str
    against: str
    value: float
    low: float
    high: float
    method: str

    @property
    def apart(self) -> float:
        """The difference that the two are shown not to reach, as a share of the smaller mean."""
        return max(self.high, 1.0 / self.low) - 1.0

    def turned(self) -> Ratio:
        """Return the ratio of the second to the first."""
        return Ratio(
            self.against,
            self.strategy,
            1.0 / self.value,
            1.0 / self.high,
            1.0 / self.low,
            self.method,
        )

    def finding(self, margin: float | None = None) -> str:
        """Say what the interval shows; `margin` is the difference that matters, as a share.

        That an interval holds 1 shows no equality: only an interval within the margin does.

        Examples
        --------
        >>> Ratio("B", "A", 1.1, 0.9, 1.35, TUKEY).finding(0.2)
        'no difference shown'
        >>> Ratio("B", "A", 1.02, 0.93, 1.11, TUKEY).finding(0.2)
        'differs by less than the margin'
        """
        within = margin is not None and self.apart < margin
        if self.low <= 1.0 <= self.high:
            return "differs by less than the margin" if within else OPEN
        return ("higher" if self.low > 1.0 else "lower") + ", by less than the margin" * within


def read_groups(values: ArrayLike, strategies: Sequence[str]) -> Groups | None:
    """Sort positive values of specimens by strategy, in the order of the data.

    None where there are fewer than two strategies of at least two specimens, or nothing scatters.
    """
    numbers = np.asarray(values, dtype=float)
    if not (np.isfinite(numbers) & (numbers > 0.0)).all():
        raise InputError("comparison", "needs values above 0")
    logs: dict[str, list[float]] = {}
    for name, number in zip(strategies, np.log(numbers), strict=True):
        logs.setdefault(name, []).append(float(number))
    usable = {name: np.array(own) for name, own in logs.items() if len(own) > 1}
    groups = Groups(
        tuple(usable), tuple(usable.values()), tuple(name for name in logs if name not in usable)
    )
    # values equal but for rounding scatter by no more than it
    if len(usable) < 2 or groups.variance <= 1e-24 * max(1.0, float(np.max(groups.means**2))):
        return None
    return groups


def all_pairs(groups: Groups) -> tuple[Ratio, ...]:
    """Compare each strategy with each one before it; all intervals hold together in 95 of 100 files.

    Notes
    -----
    ln ratio -/+ q / sqrt(2) s sqrt(1/n_i + 1/n_j), q the 95 % quantile of the studentized range
    over the strategies and the pooled degrees of freedom; a little wide where numbers of specimens
    differ (Hayter 1984).

    References
    ----------
    Tukey, The problem of multiple comparisons, 1953; Kramer, Biometrics 12, 1956 (both recalled).

    Examples
    --------
    >>> found = all_pairs(read_groups([1.0, 1.1, 2.0, 2.2], ["A", "A", "B", "B"]))
    >>> found[0].strategy, round(found[0].value, 2)
    ('B', 2.0)
    """
    factor = _range_quantile(len(groups.names), groups.degrees_of_freedom) / math.sqrt(2.0)
    return tuple(
        _ratio(groups, j, i, half=factor * _error(groups, i, j), method=TUKEY)
        for i, j in itertools.combinations(range(len(groups.names)), 2)
    )


@cache
def _range_quantile(count: int, degrees: int) -> float:
    """Return the 95 % quantile of the studentized range, an integral that scipy takes anew."""
    return float(stats.studentized_range.ppf(LEVEL, count, degrees))


def with_reference(groups: Groups, reference: str) -> tuple[Ratio, ...]:
    """Compare each strategy with the reference; all intervals hold together in 95 of 100 files.

    Empty where the reference is not among the groups. Beyond 24 strategies the intervals are those
    of `all_pairs`, which are wider.

    References
    ----------
    Dunnett, J. Am. Stat. Assoc. 50, 1955 (recalled), as `scipy.stats.dunnett`.

    Examples
    --------
    >>> found = with_reference(read_groups([1.0, 1.1, 2.0, 2.2], ["A", "A", "B", "B"]), "A")
    >>> found[0].finding()
    'higher'
    """
    if reference not in groups.names:
        return ()
    at = groups.names.index(reference)
    others = [k for k in range(len(groups.names)) if k != at]
    if len(others) > MOST_BY_DUNNETT:
        turned = (
            pair if pair.against == reference else pair.turned() for pair in all_pairs(groups)
        )
        return tuple(pair for pair in turned if pair.against == reference)
    ends = stats.dunnett(
        *(groups.logs[k] for k in others),
        control=groups.logs[at],
        rng=np.random.default_rng(SEED),
    ).confidence_interval(LEVEL)
    halves = 0.5 * (np.asarray(ends.high) - np.asarray(ends.low))
    return tuple(
        _ratio(groups, k, at, half=float(half), method=DUNNETT)
        for k, half in zip(others, halves, strict=True)
    )


def _error(groups: Groups, i: int, j: int) -> float:
    counts = groups.counts
    return math.sqrt(groups.variance * (1.0 / counts[i] + 1.0 / counts[j]))


def _ratio(groups: Groups, own: int, other: int, *, half: float, method: str) -> Ratio:
    log = float(groups.means[own] - groups.means[other])
    return Ratio(
        groups.names[own],
        groups.names[other],
        math.exp(log),
        math.exp(log - half),
        math.exp(log + half),
        method,
    )
