"""What each candidate target asks of each strategy: an answer, a nominal cover, a strip age.

Axes: r repeats, s strategies, l service lives, w covers, t strip ages, k epistemic points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.confidence import (
    SLOW_OUTER_POINTS,
    EpistemicProbability,
    epistemic_probabilities,
    epistemic_probability,
)
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.target_roots import (
    TargetRoot,
    earliest_strip_ages,
    find_target_root,
    with_strip_age,
)
from stripwise.risk.probability.target_rule import TargetRule, index_from_probability
from stripwise.scenario.model import Scenario, Target
from stripwise.studies.candidate_targets import CandidateTarget
from stripwise.studies.decision import Decision, decide_sample, is_sample_decided
from stripwise.studies.design.setting import Setting
from stripwise.studies.from_scenario import MOST_GROWTH, largest_sample

__all__ = ["Answers", "find_answers", "setting_under", "strip_ages_by_target", "target_covers"]

Array = NDArray[np.float64]
Counts = NDArray[np.int_]

INNER_POINTS = 512
"""Points around each epistemic point where a confidence is printed and decides nothing."""

STRIP_NODES = 33
"""Strip ages between which roots are read without correction."""


@dataclass(frozen=True, slots=True)
class Answers:
    """What was found for each target, by strategy.

    Attributes
    ----------
    probability
        (target, s) probability within the life of the target.
    decisions
        The answer on each strategy, by target.
    """

    probability: Array
    decisions: tuple[tuple[Decision, ...], ...]


def find_answers(
    scenario: Scenario, wall: Wall, targets: Sequence[CandidateTarget], *, workers: int
) -> Answers:
    """Decide on every strategy under every target, the stated one first.

    More points are taken where a target is left open; the probabilities stay those of a run.
    """
    lives = np.unique([target.life for target in targets])
    at = [int(np.searchsorted(lives, target.life)) for target in targets]
    sampling = scenario.sampling
    grown = _Growth(
        wall,
        lives,
        most=min(MOST_GROWTH * sampling.points, largest_sample(wall)),
        sample=SamplingOptions(sampling.points, sampling.repeats, sampling.seed, "main", workers),
    )
    # the stated target first, as a run does, so that its numbers are those of the run
    p, points = grown.until_decided(targets[:1], together=True)
    mean = p.mean(axis=0)
    finer, finer_points = grown.until_decided(targets, known=(p, points))
    by_life = _epistemic_by_life(
        scenario, wall, lives, mean, stated=targets[0].life, workers=workers
    )
    decisions = tuple(
        _decisions(
            (p if target is targets[0] else finer)[:, :, place],
            points if target is targets[0] else finer_points,
            target,
            by_life[place] if by_life else None,
            scenario.target.confidence,
        )
        for target, place in zip(targets, at, strict=True)
    )
    return Answers(mean[:, at].T, decisions)


def _epistemic_by_life(
    scenario: Scenario, wall: Wall, lives: Array, mean: Array, *, stated: float, workers: int
) -> list[EpistemicProbability]:
    """Return P (s, l) by epistemic point within each life; empty without any.

    As a run over the stated life, and where a confidence decides; with fewer points elsewhere.
    """
    index, points = index_from_probability(mean), scenario.sampling.points
    seed = scenario.sampling.seed
    if wall.numerical:  # one solution reaches all ages
        return list(
            epistemic_probabilities(
                wall,
                ages=lives,
                mean_index=index,
                points=points,
                seed=seed,
                workers=workers,
                demanded=scenario.target.confidence,
            )
        )
    found = []
    for place, life in enumerate(lives):
        few = life != stated and not scenario.target.confidence
        one = epistemic_probability(
            wall,
            age=float(life),
            mean_index=index[:, place],
            points=min(points, INNER_POINTS) if few else points,
            seed=seed,
            workers=workers,
            outer_points=SLOW_OUTER_POINTS if few and wall.layered else None,
            demanded=scenario.target.confidence,
        )
        found += [] if one is None else [one]
    return found


@dataclass(frozen=True, slots=True)
class _Growth:
    """How the sample of P (r, s, l) at the scenario's cover doubles while a target is open."""

    wall: Wall
    lives: Array
    most: int
    sample: SamplingOptions

    def until_decided(
        self,
        targets: Sequence[CandidateTarget],
        *,
        together: bool = False,
        known: tuple[Array, Counts] | None = None,
    ) -> tuple[Array, Counts]:
        """Return P and its points (s,); `together` doubles all strategies as soon as one is open."""
        plans = self.wall.plans
        found, points = known or (
            self._compute(plans, self.sample),
            np.full(len(plans), self.sample.points),
        )
        found, points = found.copy(), points.copy()
        while 2 * points.max() <= self.most:
            still = self._undecided(found, points, targets)
            if not still.any():
                break
            sample = replace(self.sample, points=2 * int(points.max()))
            if together:
                still[:] = True
            chosen = tuple(plan for plan, more in zip(plans, still, strict=True) if more)
            found[:, still], points[still] = self._compute(chosen, sample), sample.points
        return found, points

    def _compute(self, plans: tuple[Plan, ...], sample: SamplingOptions) -> Array:
        cover = np.array([self.wall.nominal_cover])
        wall = self.wall.with_plans(plans)
        return probability_by_repeat(wall, cover, self.lives, sample=sample)[..., 0]

    def _undecided(
        self, found: Array, points: Counts, targets: Sequence[CandidateTarget]
    ) -> NDArray[np.bool_]:
        still_open = np.zeros(found.shape[1], dtype=bool)
        for target in targets:
            at = int(np.searchsorted(self.lives, target.life))
            still_open |= ~is_sample_decided(
                found[:, :, at], allowed=target.probability, points=points
            )
        return still_open


def _decisions(
    p: Array,
    points: Counts,
    target: CandidateTarget,
    epistemic: EpistemicProbability | None,
    demanded: float,
) -> tuple[Decision, ...]:
    """Decide by P (r, s) within the life of a target."""
    confidence = None if epistemic is None else epistemic.confidence(target.index).value
    quantile = None
    if demanded and epistemic is not None:
        quantile = special.ndtr(-epistemic.index_at_confidence(demanded))
    return decide_sample(
        p,
        allowed=target.probability,
        points=points,
        confidence=confidence,
        demanded=quantile,
    )


def setting_under(setting: Setting, target: CandidateTarget) -> Setting:
    """Return the setting with another target."""
    own = setting.scenario.target
    changed = Target(target.life, target.probability, target.index, own.confidence)
    return replace(
        setting,
        scenario=replace(setting.scenario, target=changed),
        life=target.life,
        rule=_rule(setting, target),
    )


def _rule(setting: Setting, target: CandidateTarget) -> TargetRule:
    return replace(setting.rule, index=target.index)


def target_covers(
    setting: Setting, targets: Sequence[CandidateTarget]
) -> list[tuple[TargetRoot, ...]]:
    """Find the nominal cover that each strategy needs, a root per strategy for every target."""
    lives = np.unique([target.life for target in targets])
    p = probability_by_repeat(
        setting.wall, setting.wide_covers, lives, sample=setting.strategy_sample
    )
    epistemic = None
    if setting.rule.confidence:
        epistemic = probability_by_epistemic_point(
            setting.wall, setting.wide_covers, lives, sample=setting.epistemic_sample
        )
    found = []
    for target in targets:
        place = int(np.searchsorted(lives, target.life))
        found.append(
            tuple(
                find_target_root(
                    setting.wide_covers,
                    p[:, s, place],
                    _rule(setting, target),
                    points=setting.strategy_sample.points,
                    epistemic=None if epistemic is None else epistemic[:, s, place],
                )
                for s in range(len(setting.wall.plans))
            )
        )
    return found


def strip_ages_by_target(
    setting: Setting, targets: Sequence[CandidateTarget]
) -> list[tuple[TargetRoot | None, ...]]:
    """Find the earliest strip age at the scenario's nominal cover, with each strategy's follow-up.

    A root per strategy for every target; None where the penalty of the strategy is given.
    """
    plans = [None if plan.penalty else with_strip_age(plan, 24.0) for plan in setting.wall.plans]
    distinct = {replace(plan, name=""): plan for plan in plans if plan is not None}
    if not distinct:
        return [(None,) * len(plans) for _ in targets]
    places = list(distinct)
    lives = np.unique([target.life for target in targets])
    cover = np.array([setting.wall.nominal_cover])
    hours = np.geomspace(*setting.choices.strip_age, STRIP_NODES)
    shape = (len(places), len(hours))
    wall = setting.wall_with(tuple(with_strip_age(p, float(h)) for p in places for h in hours))
    p = probability_by_repeat(wall, cover, lives, sample=setting.map_sample)
    epistemic = None
    if setting.rule.confidence:
        epistemic = probability_by_epistemic_point(
            wall, cover, lives, sample=setting.epistemic_sample
        )
    found = []
    for target in targets:
        at = int(np.searchsorted(lives, target.life))
        roots = earliest_strip_ages(
            setting.wall,
            tuple(places),
            covers=cover,
            strip_ages=setting.choices.strip_age,
            age=target.life,
            rule=_rule(setting, target),
            sample=setting.map_sample,
            known_map=(hours, p[:, :, at].reshape(len(p), *shape, 1)),
            corrected=False,
            epistemic=None
            if epistemic is None
            else epistemic[:, :, at].reshape(len(epistemic), *shape, 1),
        )
        by_plan = {plan: line[0] for plan, line in zip(places, roots, strict=True)}
        found.append(
            tuple(None if plan is None else by_plan[replace(plan, name="")] for plan in plans)
        )
    return found
