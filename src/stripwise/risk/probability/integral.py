"""How probable depassivation is over one block of samples, with one input integrated exactly.

A uniform face integrates the cover: P = E[F_cover(x_c(t))]. A fixed cover, or a layered face
(whose initiation is one solution per sample but whose front is one per sample and age),
integrates the diffusivity: P = E[1 - F_D(D_crit)]. Where neither is random, or the front is a
numerical solution and the cover fixed, the samples count.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.cumulative_table import JOINED_SIZE, CumulativeTable, JoinedMeans
from stripwise.distributions.distribution import Distribution
from stripwise.distributions.joint_draws import JointDraws
from stripwise.distributions.random_input import Correlation, Input
from stripwise.distributions.sampling import InputSampler, conditional_score
from stripwise.ingress.front import (
    critical_tau,
    layered_critical_tau,
)
from stripwise.risk.model.closed_form_fronts import Fronts
from stripwise.risk.model.own_front import OwnFronts
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import COVER, DIFFUSIVITY, Number, SampleBlock, Values, Wall

__all__ = [
    "Fronts",
    "Integral",
    "build_fronts",
    "critical_diffusivity_factors",
    "front_depths",
    "initiation_ages",
    "log_initiation_ages",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Integral:
    """Which input is integrated exactly, and what the sampled ones say about it.

    Attributes
    ----------
    name
        Name of the integrated input; empty where samples are counted.
    distribution
        Its distribution; None where samples are counted.
    weights
        (d,) S^-1 r on the normal scores of the sampled inputs, or None where independent.
    scale
        sqrt(1 - r' S^-1 r).
    """

    name: str
    distribution: Distribution | None
    weights: Array | None
    scale: float

    @classmethod
    def from_wall(
        cls, wall: Wall, among: Sequence[Input] | None = None, *, prefer_cover: bool = False
    ) -> tuple[Integral, InputSampler]:
        """Choose the integrated input, and the sampler of the others `among` the wall's inputs.

        `prefer_cover` integrates the cover of a layered face too, for many covers at one age.
        """
        inputs = tuple(wall.inputs if among is None else among)
        draws = wall.draws if among is None else None
        drawn = set(draws.names) - set(draws.score_names) if draws else set()
        random = [i.name for i in inputs if not i.distribution.is_fixed and i.name not in drawn]
        order: tuple[str, ...] = (COVER, DIFFUSIVITY)
        if wall.layered and not prefer_cover:
            order = (DIFFUSIVITY, COVER)
        if (
            wall.numerical or wall.front_model
        ):  # a front is one step of a whole solution, and scales with no input
            order = (COVER,)
        name = next((n for n in order if n in random), "")
        return cls.over(name, inputs, wall.correlations, draws)

    @classmethod
    def over(
        cls,
        name: str,
        inputs: Sequence[Input],
        correlations: Sequence[Correlation],
        draws: JointDraws | None = None,
    ) -> tuple[Integral, InputSampler]:
        """Integrate a random input, none where its name is empty; with the sampler of the others."""
        rest = tuple(i for i in inputs if i.name != name)
        sampler = InputSampler.from_inputs(rest, correlations, draws)
        if not name:
            return cls("", None, None, 1.0), sampler
        item = next(i for i in inputs if i.name == name)
        weights, scale = conditional_score(item, sampler, correlations)
        return cls(name, item.distribution, weights, scale), sampler

    def moved(self, distance: float) -> Integral:
        """Return the integral after a change of the nominal cover [mm], if cover is integrated."""
        if self.name != COVER or self.distribution is None:
            return self
        return replace(self, distribution=_shifted(self.distribution, distance))

    def with_scale(self, factor: float, *, dimensions: int) -> Integral:
        """Return the integral given that part of its own score, whose sd the factor leaves."""
        weights = np.zeros(dimensions) if self.weights is None else factor * self.weights
        return replace(self, weights=weights, scale=factor * self.scale)

    def conditional_mean(self, scores: Array) -> Number:
        """Return the mean of the integrated normal score given the sampled ones (d, n)."""
        return 0.0 if self.weights is None else self.weights @ scores

    def probability_below(self, x: Array, score_mean: Number, *, above: bool = False) -> Array:
        """Return the probability that the integrated input is at or below x, or above it."""
        assert self.distribution is not None
        if self.weights is None:
            return self.distribution.sf(x) if above else self.distribution.cdf(x)
        score = (self.distribution.to_normal(x) - score_mean) / self.scale
        return np.asarray(special.ndtr(-score if above else score))

    def mean_probability_below(
        self, x: Array, score_mean: Number, *, above: bool = False, groups: int = 1
    ) -> Array:
        """Return the mean of `probability_below` over samples, from a table if exact enough.

        (g,), one for each row of x (g, n).
        """
        table = None if self.weights is not None else self._table(above)
        if table is None:
            return _group_means(self.probability_below(x, score_mean, above=above), groups)
        return _for_groups(table.means(np.atleast_2d(x)), groups)

    def _table(self, above: bool) -> CumulativeTable | None:
        assert self.distribution is not None
        return _cumulative_table(self.distribution, above)

    def probabilities(  # noqa: PLR0917
        self,
        wall: Wall,
        block: SampleBlock,
        values: Values,
        score_mean: Number,
        ages: Array,
        upper: Flags,
        groups: int | None = None,
    ) -> Array:
        """Return the mean of P over a block's samples at ages (t,) [yr], (s, t).

        Of a block that has `groups` rows of samples (g, n), each one's mean, (g, s, t).

        Where `upper` (s, t) is set, of 1 - P instead: it keeps digits where P is near 1. `values`
        are the inputs that the block was made of, `score_mean` is that of `conditional_mean`.
        """
        means = np.empty((groups or 1, len(wall.plans), len(ages)))
        self._integrate(wall, block, values, score_mean, ages, [(upper, means)])
        return means[0] if groups is None else means

    def both_tails(
        self, wall: Wall, block: SampleBlock, values: Values, score_mean: Number, ages: Array
    ) -> tuple[Array, Array]:
        """Return `probabilities` of P and of 1 - P, (s, t) each, from the same fronts."""
        upper = np.zeros((len(wall.plans), len(ages)), dtype=bool)
        p, q = np.empty((2, 1, *upper.shape))
        self._integrate(wall, block, values, score_mean, ages, [(upper, p), (~upper, q)])
        return p[0], q[0]

    def probabilities_by_sample(  # noqa: PLR0917
        self,
        wall: Wall,
        block: SampleBlock,
        values: Values,
        score_mean: Number,
        ages: Array,
        above: bool,
    ) -> Array:
        """Return P of every sample of a wall with one strategy at ages (t,) [yr], (t, n).

        With `above` 1 - P instead; otherwise as `probabilities`.
        """
        if self.name == COVER:
            fronts = build_fronts(wall, block)
            depths = [next(iter(fronts.depths(age))) for age in ages]
            if wall.front_model is None and _is_joinable(depths):
                depths = [np.array(depths)]
            found = [self.probability_below(x, score_mean, above=above) for x in depths]
        else:
            # the diffusivity reaches its critical factor where the front reaches the bars
            by_age = _critical_factors_by_age(wall, block, values[COVER], ages)
            found = [
                self.probability_below(factor, score_mean, above=not above)
                if self.name
                else (factor <= 1.0) != above
                for factor in (next(iter(factors)) for factors in by_age)
            ]
        size = np.broadcast_shapes(
            *(np.shape(x)[-1:] for x in found), *(np.shape(v) for v in values.values())
        )
        rows = (np.broadcast_to(x, (*np.shape(x)[:-1], *size)).reshape(-1, *size) for x in found)
        return np.concatenate(list(rows), dtype=float)

    def _integrate(  # noqa: PLR0917
        self,
        wall: Wall,
        block: SampleBlock,
        values: Values,
        score_mean: Number,
        ages: Array,
        tails: list[tuple[Flags, Array]],
    ) -> None:
        """Fill the means (g, s, t) of each tail, which is that of 1 - P where its flags are set."""
        by_age: Iterable[Iterable[Array]]
        if self.name == COVER:
            fronts = build_fronts(wall, block)
            by_age = (fronts.depths(age) for age in ages)
        else:
            # the diffusivity reaches its critical factor where the front reaches the bars
            by_age = _critical_factors_by_age(wall, block, values[COVER], ages)
        joined = JoinedMeans()
        tables: dict[bool, CumulativeTable | None] = {}
        if self.weights is not None or wall.front_model is not None:
            tables = {False: None, True: None}
        for j, by_plan in enumerate(by_age):
            for i, x in enumerate(by_plan):
                for upper, means in tails:
                    flip = bool(upper[i, j])
                    if not self.name:
                        means[:, i, j] = _group_means((x <= 1.0) != flip, len(means))
                        continue
                    above = flip == (self.name == COVER)
                    if above not in tables:
                        tables[above] = self._table(above)
                    table = tables[above]
                    if table is not None and len(means) == 1:
                        joined.add(table, x, means, i, j)
                    else:
                        means[:, i, j] = self.mean_probability_below(
                            x, score_mean, above=above, groups=len(means)
                        )
        joined.finish()


def _is_joinable(rows: list[Array]) -> bool:
    """Whether rows of samples are alike and few enough to be computed as one matrix."""
    shapes = {np.shape(row) for row in rows}
    return len(shapes) == 1 and rows[0].ndim == 1 and 2 * rows[0].size <= JOINED_SIZE


def _group_means(x: Array, groups: int) -> Array:
    """Return the mean of each row, (g,); one row, or a number, stands for all."""
    return _for_groups(np.mean(np.atleast_2d(x), axis=-1), groups)


def _for_groups(means: Array, groups: int) -> Array:
    return means if len(means) == groups else np.broadcast_to(means, groups)


@functools.lru_cache(maxsize=2048)
def _shifted(law: Distribution, distance: float) -> Distribution:
    return law.shifted(distance)


@functools.lru_cache(maxsize=256)
def _cumulative_table(distribution: Distribution, above: bool) -> CumulativeTable | None:
    return CumulativeTable.build(distribution, upper_tail=above)


def build_fronts(wall: Wall, block: SampleBlock) -> Fronts | ServiceFronts | OwnFronts:
    """Return the fronts of a block, under the service conditions that the wall has."""
    if own := _own_fronts(wall, block):
        return own
    return (
        Fronts.from_block(wall, block)
        if wall.conditions is None
        else ServiceFronts.from_block(wall, block)
    )


def _own_fronts(wall: Wall, block: SampleBlock) -> OwnFronts | None:
    if wall.front_model is None or block.values is None:
        return None
    return OwnFronts(wall.front_model, block.values, block.log_penalty)


def front_depths(wall: Wall, block: SampleBlock, age: float) -> list[Array]:
    """Return the depths (n,) [mm] of the front per strategy at one age [yr], as `Fronts.depths`."""
    return list(build_fronts(wall, block).depths(age))


def critical_diffusivity_factors(
    wall: Wall, block: SampleBlock, cover: Number, ages: Array
) -> Array:
    """Return the least factors on the diffusivity that bring a front to a cover [mm], (s, t, n).

    At ages (t,) [yr]; n = 1 where nothing is random; 0 where depassivated with any, inf with none.
    """
    rows = [list(factors) for factors in _critical_factors_by_age(wall, block, cover, ages)]
    size = np.broadcast_shapes((1,), *(np.shape(x) for row in rows for x in row))
    return np.array([[np.broadcast_to(x, size) for x in row] for row in rows]).swapaxes(0, 1)


def _critical_factors_by_age(
    wall: Wall, block: SampleBlock, cover: Number, ages: Array
) -> Iterator[Iterable[Array]]:
    """Yield the `critical_diffusivity_factors` of all strategies age by age."""
    fronts: OwnFronts | ServiceFronts | None = _own_fronts(wall, block)
    if fronts is None and wall.conditions is not None:
        fronts = ServiceFronts.from_block(wall, block)
    if fronts is not None:
        for age in ages:
            yield fronts.critical_diffusivity_factors(float(age), cover)
        return
    critical_taus = [
        critical_tau_at_cover(wall, block, cover, log_k) for log_k in block.log_penalty
    ]
    for age in ages:
        tau = np.exp(block.log_rate + wall.ageing_law.log_effective_time(age, block.exponent))
        with np.errstate(divide="ignore", invalid="ignore"):
            yield [np.where(tau_c > 0.0, tau_c / tau, 0.0) for tau_c in critical_taus]


def critical_tau_at_cover(
    wall: Wall, block: SampleBlock, cover: Number, log_penalty: Number
) -> Array:
    """Return the transformed time of good concrete [mm2] at which the front reaches the bars."""
    depth = np.asarray(cover) - np.asarray(block.zone)
    if wall.layered:
        skin = np.maximum(block.skin - block.zone, 0.0)
        penalty = np.exp(log_penalty)
        return layered_critical_tau(depth, block.ratio, penalty=penalty, skin=skin)
    return critical_tau(depth, block.ratio) * np.exp(-log_penalty)


def initiation_ages(wall: Wall, block: SampleBlock, values: Values) -> Array:
    """Return the age at depassivation of each sample, (s, n) [yr], the cover among the `values`.

    n = 1 where nothing is random; 0 from the start, inf never.
    """
    with np.errstate(over="ignore"):
        return np.asarray(np.exp(log_initiation_ages(wall, block, values)))


def log_initiation_ages(wall: Wall, block: SampleBlock, values: Values) -> Array:
    """Return ln of `initiation_ages`, at less cost; -inf from the start, inf never."""
    cover = values[COVER]
    if own := _own_fronts(wall, block):
        return own.log_initiation_ages(cover)
    if wall.conditions is not None:
        return ServiceFronts.from_block(wall, block).log_initiation_ages(cover)
    if wall.layered:
        with np.errstate(divide="ignore"):
            logs = [
                np.log(critical_tau_at_cover(wall, block, cover, log_k)) - block.log_rate
                for log_k in block.log_penalty
            ]
        shapes = np.stack(np.broadcast_arrays(*logs, np.zeros(1))[:-1])
    else:
        common = _log_critical_tau(block, cover) - block.log_rate
        size = np.broadcast_shapes((1,), common.shape, *(np.shape(k) for k in block.log_penalty))
        shapes = np.empty((len(block.log_penalty), *size))
        for shape, log_k in zip(shapes, block.log_penalty, strict=True):
            np.subtract(common, log_k, out=shape)
    return wall.ageing_law.log_age(shapes, block.exponent)


def _log_critical_tau(block: SampleBlock, cover: Number) -> Array:
    """Return ln of the critical tau, from the root that the block already holds."""
    depth = np.maximum(np.asarray(cover) - block.zone, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_tau = np.asarray(2.0 * np.log(depth / (2.0 * block.root)))
    if not block.all_have_front:
        ratio = np.asarray(block.ratio)
        np.copyto(log_tau, np.inf, where=ratio >= 1.0)
        np.copyto(log_tau, -np.inf, where=ratio <= 0.0)
    return log_tau
