"""What every part of a design computes on: wall, ranges, target and samples."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution, distribution
from stripwise.errors import InputError
from stripwise.risk.model.wall import COVER, Plan, Wall
from stripwise.risk.probability.intervals import points_that_resolve
from stripwise.risk.probability.nominal_covers import SamplingOptions, has_cheap_covers
from stripwise.risk.probability.target_roots import (
    TargetRoot,
    with_strip_age,
)
from stripwise.risk.probability.target_rule import TargetRule
from stripwise.scenario.model import Choices, Scenario
from stripwise.studies.decision import ERROR_CHANCE, decision_limit
from stripwise.studies.from_scenario import build_plan, build_wall
from stripwise.units import formatting
from stripwise.units.drawing_steps import round_cover_up, round_hours_up

__all__ = ["Setting"]


Array = NDArray[np.float64]

STRIP_AGES = 25
MIN_COVERS = 31
MAP_POINTS = 4096
"""Points per repeat of the map; strategies take all points of the scenario."""

KNOWLEDGE_POINTS = 2048

SCRAMBLINGS, OUTER_POINTS, SLOW_OUTER_POINTS = 16, 16, 4
"""Scramblings of the epistemic points, and points of each; fewer where a cover costs much."""
DEMANDED_FACTOR = 4
"""How many more they are where a confidence is demanded."""

MAX_SLOW_POINTS = (256, 2048, 256)
"""Most points of map, strategies and epistemic where every cover costs as much as the first."""

ROOT_STEPS = 80


@dataclass(frozen=True, slots=True)
class Setting:
    """A scenario made ready for a design.

    Attributes
    ----------
    scenario, choices
        The scenario and its ranges.
    wall
        The wall with the scenario's strategies.
    plans
        f follow-ups of the choices, at any strip age.
    covers
        (c,) nominal cover of the map [mm].
    strip_ages
        (t,) strip ages of the map [h].
    wide_covers
        Nominal covers over which roots are sought, well beyond the range [mm].
    life
        Target life [yr].
    rule
        What must hold for the target to be met.
    map_sample, strategy_sample, epistemic_sample
        Samples of the map, of the strategies and around the epistemic points.
    """

    scenario: Scenario
    choices: Choices
    wall: Wall
    plans: tuple[Plan, ...]
    covers: Array
    strip_ages: Array
    wide_covers: Array
    life: float
    rule: TargetRule
    map_sample: SamplingOptions
    strategy_sample: SamplingOptions
    epistemic_sample: SamplingOptions

    @classmethod
    def from_scenario(cls, scenario: Scenario, *, workers: int) -> Setting:
        """Prepare a scenario; an InputError if it opens no choices."""
        choices = scenario.choices
        if choices is None:
            raise InputError(
                f"{scenario.path.name}: choices",
                "is missing; a design needs the ranges of cover, strip age and curing after stripping: "
                "write [choices] with cover, strip_age and follow_up",
            )
        low, high, step = choices.cover
        intervals = max(int(np.ceil((high - low) / step - 1e-9)), 1)
        parts = intervals * int(np.ceil((MIN_COVERS - 1) / intervals))
        sampling = scenario.sampling
        wall = build_wall(scenario)
        usual_points = (MAP_POINTS, sampling.points, KNOWLEDGE_POINTS)
        max_points = usual_points if has_cheap_covers(wall) else MAX_SLOW_POINTS
        points = [min(sampling.points, n) for n in max_points]
        outer_points = OUTER_POINTS if has_cheap_covers(wall) else SLOW_OUTER_POINTS
        if scenario.target.confidence:
            demanded = scenario.target.confidence
            outer_points = points_that_resolve(demanded, least=outer_points * DEMANDED_FACTOR)
        lowest = max(0.4 * low, min(low, 2.0 * wall.input(COVER).distribution.sd))
        return cls(
            scenario=scenario,
            choices=choices,
            wall=wall,
            plans=_plans(scenario, choices),
            covers=np.linspace(low, high, parts + 1),
            strip_ages=np.geomspace(*choices.strip_age, STRIP_AGES),
            wide_covers=np.linspace(lowest, 2.0 * high, ROOT_STEPS + 1),
            life=scenario.target.service_life,
            rule=TargetRule(
                scenario.target.reliability_index,
                decision_limit,
                ERROR_CHANCE,
                scenario.target.confidence,
                scramblings=SCRAMBLINGS,
            ),
            map_sample=SamplingOptions(points[0], sampling.repeats, sampling.seed, "main", workers),
            strategy_sample=SamplingOptions(
                points[1], sampling.repeats, sampling.seed, "main", workers
            ),
            epistemic_sample=SamplingOptions(
                points[2], SCRAMBLINGS, sampling.seed, "main", workers, outer_points
            ),
        )

    def at_temperature(self, celsius: float) -> Setting:
        """Return the setting with the concrete of the choices at another temperature until stripping."""
        curing = replace(self.scenario.curing, temperature=celsius)
        scenario = replace(self.scenario, curing=curing)
        return replace(self, scenario=scenario, plans=_plans(scenario, self.choices))

    @property
    def labels(self) -> tuple[str, ...]:
        """Follow-ups in words."""
        return tuple(plan.name for plan in self.plans)

    @property
    def at_life(self) -> Array:
        """The target life as the only age [yr]."""
        return np.array([self.life])

    @property
    def reference(self) -> Plan:
        """Reference strategy."""
        return next(p for p in self.wall.plans if p.name == self.scenario.reference_strategy)

    def hours(self, plan: Plan) -> float:
        """Mean strip age of a strategy [h]."""
        if isinstance(plan.strip_age, str):
            return self.wall.input(plan.strip_age).distribution.mean
        return plan.strip_age

    def label(self, plan: Plan) -> str:
        """Follow-up of a strategy in words."""
        return self.scenario.strategy(plan.name).follow_up.label

    def rounded_up(self, nominal: float) -> float:
        """Nominal cover rounded up to what a drawing holds [mm]."""
        return round_cover_up(nominal, units=self.scenario.units)

    def drawn_cover(self, root: TargetRoot) -> float:
        """Least cover of the range to draw at which a decision says yes [mm]; inf if there is none."""
        covers = self.rounded_covers()
        allowed = covers[covers >= root.safe - 1e-9]
        return float(allowed[0]) if allowed.size else np.inf

    def buildable_hours(self, root: TargetRoot) -> float:
        """Earliest whole hours or days of the range at which a decision says yes [h]; inf if none."""
        first, last = self.choices.strip_age
        hours = round_hours_up(max(root.safe, first))
        return hours if hours <= last + 1e-9 else np.inf

    def rounded_covers(self) -> Array:
        """Covers of the range that a drawing holds and a typed least cover allows [mm]."""
        step = self.rounded_up(0.1)
        first = self.rounded_up(max(float(self.covers[0]), self.choices.least_cover))
        covers = np.arange(first, float(self.covers[-1]) + 1e-6, step)
        if covers.size:
            return covers
        ends = self.covers[[0, -1]]
        return ends[ends >= self.choices.least_cover - 1e-9]

    def epistemic_covers(self) -> Array:
        """Covers at which the epistemic points are computed: drawing steps and both ends [mm]."""
        low, high = float(self.covers[0]), float(self.covers[-1])
        step = self.rounded_up(0.1)
        steps = np.arange(self.rounded_up(low), high + 1e-6, step)
        return np.unique(np.round(np.concatenate([[low], steps, [high]]), 9))

    def demanded_index(self, epistemic: Array | None) -> tuple[Array, Array] | None:
        """Return the index on the map (f, t, c) that the demanded share of the points reaches.

        And the same judged safely. `epistemic` (k, f, t, e) is P over `epistemic_covers`; None
        where no confidence is demanded.
        """
        if not self.rule.confidence or epistemic is None:
            return None
        at = self.epistemic_covers()
        reached, safely = (
            np.apply_along_axis(lambda row: np.interp(self.covers, at, row), -1, one)
            for one in self.rule.demanded(epistemic)
        )
        return reached, safely

    def plans_at(self, hours: Array) -> tuple[Plan, ...]:
        """Every follow-up at every strip age, strip age running faster."""
        return tuple(with_strip_age(plan, float(h)) for plan in self.plans for h in hours)

    def wall_with(self, plans: tuple[Plan, ...]) -> Wall:
        """Return the wall under other strategies."""
        return self.wall.with_plans(plans)

    def with_less_scatter(self) -> Wall:
        """Return the wall with its cover scattering less, by `sd_reduction`."""
        inputs = tuple(
            replace(item, distribution=_with_smaller_sd(item.distribution, self.sd_reduction))
            if item.name == COVER
            else item
            for item in self.wall.inputs
        )
        return replace(self.wall, inputs=inputs)

    def length(self, mm: float) -> str:
        """Write a short length as the report of the scenario does."""
        return formatting.length(mm, units=self.scenario.units)

    @property
    def sd_reduction(self) -> float:
        """How much less scatter is priced, 5 mm or 0.2 in; half of it if it is smaller [mm]."""
        sd = self.wall.input(COVER).distribution.parent_sd
        cut = 0.2 * formatting.MM_PER_INCH if self.scenario.units == "US" else 5.0
        return cut if sd > cut else 0.5 * sd


def _plans(scenario: Scenario, choices: Choices) -> tuple[Plan, ...]:
    """Return the curings after stripping of the choices, at any strip age."""
    warmth = scenario.curing.temperature
    return tuple(
        build_plan(scenario, f.label, strip_age=24.0, temperature=warmth, follow_up=f)
        for f in choices.follow_up
    )


def _with_smaller_sd(cover: Distribution, cut: float) -> Distribution:
    """Reduce the sd of a cover, its mean and physical bounds kept."""
    if cover.is_fixed:
        return cover
    sd = cover.parent_sd - cut
    low, high = cover.low, cover.high
    if cover.family in ("uniform", "triangular"):
        share = sd / cover.parent_sd
        low, high = (cover.mean + share * (end - cover.mean) for end in (low, high))
    return distribution(cover.family, mean=cover.parent_mean, sd=sd, low=low, high=high)
