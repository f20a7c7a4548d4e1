"""How surprising the data are under the scenario, by kind: a prior predictive check.

The statistic is the ln of the marginal likelihood of all data of a kind, by normal approximations
of what is expected of them; its share below that of the data among simulated data sets is the p
value. Since data and simulations are judged by the same statistic, the p value is right whatever
the approximations; they only make it less sharp.

Axes: s simulated data sets, m draws, l layers.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.evidence.inspections.inspection_sets import InspectionSet
from stripwise.risk.model.wall import MEAN_COVER_OFFSET
from stripwise.studies.update.cover_likelihood import CoverLikelihood
from stripwise.studies.update.epistemic_scores import EpistemicDraws, EpistemicScores
from stripwise.studies.update.evidence_of_sets import Likelihood, SetLikelihoods
from stripwise.studies.update.expected_readings import CoreModel
from stripwise.studies.update.point_likelihood import PointLikelihood
from stripwise.studies.update.specimen_likelihood import Specimen, SpecimenLikelihood
from stripwise.units.result_columns import columns

__all__ = ["SURPRISING", "surprise_table"]

Array = NDArray[np.float64]
Statistic = tuple[Array, Array]
"""ln of the likelihood by draw, of the data (m,) and of simulated sets (s, m)."""

SIMULATED, DRAWS, MOMENT_POINTS = 1000, 512, 64
"""Simulated data sets, prior draws that they are judged by, and points of their moments."""
CHUNK = 100
SURPRISING = 0.01
"""p value below which the data contradict the scenario."""

LEAST_CONTENT = 0.01
"""Content from which on the density is that of its logarithm [% by mass of binder]: by the content
itself the lowest are the densest, and contents read far too low would surprise nobody."""

LIMIT_SHARE = 0.5
"""Share of a limit of detection that stands for a content below it, in this check alone."""


def surprise_table(
    sets: Sequence[InspectionSet],
    likelihoods: SetLikelihoods,
    scores: EpistemicScores,
    *,
    seed: int,
) -> pd.DataFrame:
    """Tabulate the p value of each kind of data, as the columns of `surprise`."""
    rng = random_stream(seed, stage="update", index=(0, 1000))
    judged = scores.prior(DRAWS, rng)
    simulated = scores.prior(1 << (SIMULATED - 1).bit_length(), rng).rows(slice(SIMULATED))
    by_kind: dict[str, list[Statistic]] = {}
    for one, likelihood in zip(sets, likelihoods.likelihoods, strict=True):
        kind = by_kind.setdefault(one.data_file.kind.description, [])
        kind += _statistics(likelihood, judged, simulated, rng)
    rows = []
    for description, statistics in by_kind.items():
        data = sum(found for found, _ in statistics)
        sets_simulated = sum(found for _, found in statistics)
        observed = float(special.logsumexp(data))
        among = special.logsumexp(sets_simulated, axis=1)
        p = (1.0 + float(np.sum(among <= observed))) / (1.0 + SIMULATED)
        rows.append(
            {
                "data": description,
                "p_value": p,
                "simulated": SIMULATED,
                "status": "ok" if p >= SURPRISING else "contradicts the scenario",
            }
        )
    return pd.DataFrame(rows).reindex(columns=columns("surprise"))


def _statistics(
    likelihood: Likelihood,
    judged: EpistemicDraws,
    simulated: EpistemicDraws,
    rng: np.random.Generator,
) -> list[Statistic]:
    if isinstance(likelihood, SpecimenLikelihood):
        return [_specimen(one, judged, simulated, rng) for one in likelihood.specimens]
    if isinstance(likelihood, CoverLikelihood):
        return [_cover(likelihood, judged, simulated, rng)]
    assert isinstance(likelihood, PointLikelihood)
    return _counts(likelihood, judged, simulated, rng)


def _specimen(
    core: Specimen, judged: EpistemicDraws, simulated: EpistemicDraws, rng: np.random.Generator
) -> Statistic:
    d = core.scatter.dimensions
    w = next(iter(sobol_blocks(d, MOMENT_POINTS, rng)))
    expected = core.expected(judged, np.broadcast_to(w[:, None], (d, judged.count, w.shape[1])))
    mean = expected.mean(axis=2).T
    gap = expected - mean.T[:, :, None]
    sd = core.sd(judged)(mean.T[:, :, None])[..., 0].T
    covariance = np.einsum("lmk,jmk->mlj", gap, gap) / w.shape[1]
    covariance += sd[:, :, None] ** 2 * np.eye(len(core.measured))
    factor = np.linalg.cholesky(covariance)
    inverse = np.linalg.inv(factor)
    constant = -np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    one = core.expected(simulated, rng.standard_normal((d, simulated.count, 1)))
    noise = rng.standard_normal((len(core.measured), simulated.count, 1))
    made = np.asarray(one + core.sd(simulated)(one) * noise)[..., 0].T
    low = core.below & (made < core.measured)
    made = np.where(low, LIMIT_SHARE * core.measured, made)
    data = np.where(core.below, LIMIT_SHARE * core.measured, core.measured)

    layers = len(core.measured)
    whitened_mean = (inverse @ mean[:, :, None])[..., 0]
    by_layer = inverse.reshape(-1, layers).T

    def logs(values: Array) -> Array:
        residual = (values @ by_layer).reshape(len(values), -1, layers) - whitened_mean
        found = constant - 0.5 * np.einsum("sml,sml->sm", residual, residual)
        if isinstance(core.model, CoreModel):
            found += np.log(np.maximum(values, LEAST_CONTENT)).sum(axis=1)[:, None]
        return np.asarray(found)

    parts = [logs(made[first : first + CHUNK]) for first in range(0, len(made), CHUNK)]
    return logs(data[None])[0], np.concatenate(parts)


def _cover(
    likelihood: CoverLikelihood,
    judged: EpistemicDraws,
    simulated: EpistemicDraws,
    rng: np.random.Generator,
) -> Statistic:
    n = likelihood.readings.size
    effective = max(likelihood.weight * n, 1.0)
    alike = 0.0 if n == 1 else max((n / effective - 1.0) / (n - 1.0), 0.0)
    w = next(iter(sobol_blocks(1, MOMENT_POINTS, rng)))
    covers = _covers(likelihood, judged, np.broadcast_to(w, (judged.count, w.shape[1])))
    error = float(np.sqrt(np.mean(likelihood.error**2)))
    mean, sd = covers.mean(axis=1), np.hypot(covers.std(axis=1), error)
    common = rng.standard_normal((simulated.count, 1))
    own = rng.standard_normal((simulated.count, n))
    along = np.sqrt(alike) * common + np.sqrt(1.0 - alike) * own
    made = _covers(likelihood, simulated, along)
    made = made + likelihood.error * rng.standard_normal(made.shape)

    def logs(values: Array) -> Array:
        middle, square = values.mean(axis=1), values.var(axis=1)
        gap = square[:, None] + (middle[:, None] - mean) ** 2
        return np.asarray(effective * (-np.log(sd) - 0.5 * gap / sd**2))

    return logs(likelihood.readings[None])[0], logs(made)


def _covers(likelihood: CoverLikelihood, draws: EpistemicDraws, along: Array) -> Array:
    """Return covers (n, k) at scores along the wall, the uncertain mean counted."""
    cover = likelihood.cover
    offset = draws.inputs.get(MEAN_COVER_OFFSET, np.zeros(1))[:, None]
    b = cover.epistemic_share
    if cover.name in draws.inputs:
        found = draws.inputs[cover.name][:, None]
    elif cover.name in draws.scores:
        score = np.sqrt(b) * draws.scores[cover.name][:, None] + np.sqrt(1.0 - b) * along
        found = cover.distribution.from_normal(score)
    elif cover.distribution.is_fixed:
        found = np.array([[cover.distribution.mean]])
    else:
        found = cover.distribution.from_normal(along)
    return np.asarray(np.broadcast_to(found + offset, along.shape))


def _counts(
    likelihood: PointLikelihood,
    judged: EpistemicDraws,
    simulated: EpistemicDraws,
    rng: np.random.Generator,
) -> list[Statistic]:
    found = []
    for count in likelihood.found.counts:
        by_draw = []
        for draws in (judged, simulated):
            p = likelihood.faces[count.strategy, count.event].at(draws, count.age)
            by_draw.append(count.detection * p + count.false_alarm * (1.0 - p))
        effective = count.weight * count.points
        tries = max(round(effective), 1)
        made = rng.binomial(tries, np.clip(by_draw[1], 0.0, 1.0)) / tries

        def logs(share: Array, p: Array = by_draw[0], effective: float = effective) -> Array:
            s = share[:, None]
            return np.asarray(effective * (special.xlogy(s, p) + special.xlog1py(1.0 - s, -p)))

        found.append((logs(np.array([count.found / count.points]))[0], logs(made)))
    return found
