"""How a concrete wall enters the computation: its inputs, strategies and sampled faces."""

from __future__ import annotations

import functools
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.curing.curing_law import UNCURED_H, effective_duration
from stripwise.curing.laws import DEFAULT_LAW, LAWS, CuringLaw, is_law_input
from stripwise.distributions.joint_draws import JointDraws
from stripwise.distributions.random_input import Correlation, Input
from stripwise.ingress.carbonation import curing_term
from stripwise.ingress.front import critical_ratio
from stripwise.ingress.inverse_erfc import fast_erfcinv
from stripwise.ingress.transformed_time import (
    AgeingLaw,
    log_temperature_factor,
    monthly_temperature_factor,
)
from stripwise.risk.model.own_front import Depth, FrontModel
from stripwise.risk.model.service_conditions import (
    CARBONATION,
    COARSE_GRID,
    ServiceConditions,
    ServiceSample,
)

__all__ = ["COVER", "DIFFUSIVITY", "MEAN_COVER_OFFSET", "Plan", "SampleBlock", "Wall"]

Array = NDArray[np.float64]
Number = Array | float
Values = Mapping[str, Number]

COVER = "reinforcement.cover"
DIFFUSIVITY = "concrete.diffusivity"
MEAN_COVER_OFFSET = "reinforcement.cover.mean_sd"
"""Mean cover of this wall less the stated one [mm]; only where that is uncertain."""

FRONT_INPUTS = frozenset(
    {
        "exposure.surface_chloride",
        "exposure.initial_chloride",
        "exposure.convection_zone",
        "reinforcement.critical_chloride",
        MEAN_COVER_OFFSET,
    }
)
"""Inputs that say where a front starts and how its content falls."""

LOG_UNCURED, LOG_UNCURED_SKIN = 25.0, 9.0
"""ln k_c of a face that was not cured at all: its front is at the bars at once. A solution through
layers takes no more than the second, which has the same effect within a skin."""


@dataclass(frozen=True, slots=True)
class Plan:
    """One strategy with its temperatures already turned into factors on time.

    Attributes
    ----------
    name
        Name of the strategy.
    strip_age
        Name of the input with the strip age in h, or the strip age itself [h].
    strip_factor
        Equivalent hours per hour in the forms.
    follow_up_h
        Duration of the follow-up curing [h].
    follow_up_factor
        Equivalent hours per hour of it.
    retention
        Name of the input with its moisture retention; empty for none.
    penalty
        Name of the input with a given penalty factor; empty where the law gives it.
    factor
        Name of the input that multiplies a given penalty factor; empty for none.
    """

    name: str
    strip_age: str | float
    strip_factor: float
    follow_up_h: float = 0.0
    follow_up_factor: float = 1.0
    retention: str = ""
    penalty: str = ""
    factor: str = ""

    def effective_days(self, values: Values) -> Array:
        """Return the effective curing duration [d], (n,) or scalar."""
        strip = values[self.strip_age] if isinstance(self.strip_age, str) else self.strip_age
        retention = values[self.retention] if self.retention else 0.0
        if isinstance(strip, float) and isinstance(retention, float):
            return _cached_effective_days(self, strip, retention)
        return self._compute_effective_days(strip, retention)

    def is_uncured(self, values: Values) -> NDArray[np.bool_] | bool:
        """Whether the forms went before the face was cured at all, (n,) or one answer."""
        if self.penalty or not isinstance(self.strip_age, str):
            return False
        return np.asarray(values[self.strip_age]) * self.strip_factor < UNCURED_H

    def _compute_effective_days(self, strip: Number, retention: Number) -> Array:
        return effective_duration(
            strip,
            strip_factor=self.strip_factor,
            retention=retention,
            follow_up_h=self.follow_up_h,
            follow_up_factor=self.follow_up_factor,
        )

    def uses(self, name: str) -> bool:
        """Tell whether an input of the curing group reaches this strategy."""
        if name.startswith(CARBONATION):
            return True
        if self.penalty:
            return name in (self.penalty, self.factor, "curing.affected_depth")
        own = (self.strip_age, self.retention, "curing.affected_depth")
        return name in own or is_law_input(name)


def _given_log_penalty(plan: Plan, values: Values) -> Number:
    """Return ln of a given penalty factor, times the factor from laboratory to field."""
    log_k = np.log(values[plan.penalty])
    return log_k + np.log(values[plan.factor]) if plan.factor else log_k


@functools.lru_cache(maxsize=4096)
def _cached_effective_days(plan: Plan, strip: float, retention: float) -> Array:
    """Return the effective curing [d] of a plan without scatter, which every block needs."""
    days = plan._compute_effective_days(strip, retention)
    days.flags.writeable = False
    return days


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """One block of sampled faces, n of them: what all strategies share, and the penalty of each.

    Depths count from the surface. With an uncertain mean cover they count from where the surface
    would be if the stated mean were right, so that the distribution of the cover stays as it is.

    Attributes
    ----------
    ratio
        Share of the surface content at the front, (n,); 1 no front, 0 depassivated from the start.
    all_have_front
        Whether every ratio lies between 0 and 1, so that neither special case occurs.
    root
        z = erfcinv(ratio), (n,); 0 in both special cases.
    start_depth
        Depth that the front starts from: the convection zone; 0 where there is no front, inf where
        depassivated from the start [mm].
    zone
        Convection zone [mm].
    log_rate
        ln(k_e k_t D_ref), D_ref left out where it is integrated [ln(mm2/yr)].
    exponent
        Ageing exponent.
    skin
        Affected depth [mm]; inf for the whole cover.
    log_penalty
        ln k_c of each strategy.
    service
        Sampled service conditions; None without any.
    surface
        Depth of the surface itself [mm].
    values
        The inputs themselves, for a front model of the caller's own.
    """

    ratio: Number
    all_have_front: bool
    root: Number
    start_depth: Number
    zone: Number
    log_rate: Number
    exponent: Number
    skin: Number
    log_penalty: tuple[Number, ...]
    service: ServiceSample | None = None
    surface: Number = 0.0
    values: Values | None = None


@dataclass(frozen=True, slots=True)
class Wall:
    """Everything the risk computation needs to know.

    Attributes
    ----------
    inputs, correlations
        Random and fixed inputs, and rank correlations between them.
    plans
        Strategies, s of them.
    ageing_law
        Ageing.
    test_factor
        k_t.
    monthly
        Twelve monthly mean temperatures [K], or empty where the temperature is an input.
    layered
        Whether only the affected depth is penalised.
    reference_d
        Curing to which the diffusivity belongs [d].
    conditions
        Options of the physics; None without any, which costs nothing.
    law
        Curing law.
    cover_bias
        Mean cover less the nominal cover of drawings [mm].
    draws
        Joint draws of what is epistemic; None where each input has its own distribution.
    front_model
        A front model of the caller's own; None for the chloride front.
    """

    inputs: tuple[Input, ...]
    correlations: tuple[Correlation, ...]
    plans: tuple[Plan, ...]
    ageing_law: AgeingLaw
    test_factor: float
    monthly: tuple[float, ...]
    layered: bool
    reference_d: float
    conditions: ServiceConditions | None = None
    law: CuringLaw = LAWS[DEFAULT_LAW]
    cover_bias: float = 0.0
    draws: JointDraws | None = None
    front_model: FrontModel | Depth | None = None

    def uses(self, item: Input) -> bool:
        """Tell whether an input reaches any strategy; those of curing may reach none."""
        return item.group != "curing" or any(plan.uses(item.name) for plan in self.plans)

    def input(self, name: str) -> Input:
        """Return the input of that name."""
        return next(item for item in self.inputs if item.name == name)

    @property
    def nominal_cover(self) -> float:
        """Cover of the drawings [mm]."""
        return self.input(COVER).distribution.parent_mean - self.cover_bias

    @property
    def has_surface_history(self) -> bool:
        """Whether the surface chloride changes in time."""
        return self.conditions is not None and self.conditions.history is not None

    def with_plans(self, plans: tuple[Plan, ...]) -> Wall:
        """Return the same wall under other strategies."""
        return replace(self, plans=plans)

    @property
    def numerical(self) -> bool:
        """Whether layers or a coating make the front a numerical solution."""
        return self.conditions is not None and self.conditions.numerical

    def useful_workers(self, workers: int) -> int:
        """Return how many threads gain time on samples in small blocks.

        One for a front in closed form: its short array calls make threads wait for each other.
        """
        closed_form = not self.layered and self.conditions is None and self.front_model is None
        return 1 if closed_form else workers

    def with_coarse_grid(self) -> Wall:
        """Return the wall with its numerical solution, if it has one, on the coarse grid."""
        conditions = self.conditions
        if conditions is None or not conditions.numerical:
            return self
        return replace(self, conditions=replace(conditions, grid=COARSE_GRID))

    def with_uniform_penalty(self) -> Wall:
        """Return the same wall with the penalty on the whole cover."""
        return replace(self, layered=False)

    def sample_block(
        self, values: Values, *, log_penalty: tuple[Number, ...] | None = None
    ) -> SampleBlock:
        """Combine input values by name, (n,) or a number in internal units.

        `log_penalty` gives the penalties of these values where they are known.
        """
        service = None
        if self.conditions is not None:
            days = [plan.effective_days(values) for plan in self.plans]
            service = self.conditions.sample(values, monthly=self.monthly, days=days)
            if not self.conditions.chloride:
                return self._carbonated_face(service, values)
        # more cover than stated moves the surface, and all that counts from it, away from the bars
        offset = values.get(MEAN_COVER_OFFSET, 0.0)
        if service is not None:
            offset = offset / service.factor
        zone = values["exposure.convection_zone"] - offset
        ratio = critical_ratio(
            values["exposure.surface_chloride"],
            values["reinforcement.critical_chloride"],
            values["exposure.initial_chloride"],
        )
        has_front = (ratio > 0.0) & (ratio < 1.0)
        all_have_front = bool(np.all(has_front))
        root, start_depth = fast_erfcinv(ratio), zone
        if not all_have_front:
            start_depth = np.array(
                np.broadcast_to(
                    start_depth, np.broadcast_shapes(ratio.shape, np.shape(start_depth))
                )
            )
            np.copyto(root, 0.0, where=~has_front)
            np.copyto(start_depth, 0.0, where=ratio >= 1.0)
            np.copyto(start_depth, np.inf, where=ratio <= 0.0)
        return SampleBlock(
            ratio=ratio,
            all_have_front=all_have_front,
            root=root,
            start_depth=start_depth,
            zone=zone,
            log_rate=self.log_rate(values),
            exponent=values["concrete.ageing_exponent"],
            skin=values["curing.affected_depth"] - offset if self.layered else np.inf,
            log_penalty=self.log_penalties(values) if log_penalty is None else log_penalty,
            service=service,
            surface=-offset,
            values=None if self.front_model is None else values,
        )

    def changed_block(
        self, block: SampleBlock, values: Values, changed: Collection[str]
    ) -> SampleBlock:
        """Return the block of new values, all of which but the `changed` are those of a block.

        What the changed inputs do not reach is kept, the penalties above all.
        """
        if self.conditions is not None or self.front_model is not None:
            return self.sample_block(values)
        kept = not any(plan.uses(name) for plan in self.plans for name in changed)
        if not kept or not FRONT_INPUTS.isdisjoint(changed):
            return self.sample_block(values, log_penalty=block.log_penalty if kept else None)
        return replace(
            block, log_rate=self.log_rate(values), exponent=values["concrete.ageing_exponent"]
        )

    def _carbonated_face(self, service: ServiceSample, values: Values) -> SampleBlock:
        """Return a block without chloride; its penalty is that of the carbonation model."""
        return SampleBlock(
            ratio=1.0,
            all_have_front=False,
            root=0.0,
            start_depth=0.0,
            zone=0.0,
            log_rate=0.0,
            exponent=0.0,
            skin=np.inf,
            log_penalty=self.log_penalties(values),
            service=service,
        )

    def log_penalties(self, values: Values) -> tuple[Number, ...]:
        """Return ln k_c of each strategy, (n,) or a number each.

        Without chloride it is the factor of the carbonation model.
        """
        if self.conditions is not None and not self.conditions.chloride:
            exponent = values[f"{CARBONATION}curing_exponent"]
            return tuple(
                np.log(curing_term(plan.effective_days(values), exponent)) for plan in self.plans
            )
        days = {plan: plan.effective_days(values) for plan in self.plans if not plan.penalty}
        by_law: dict[Plan, Number] = {}
        if days:
            variates = [values[name] for name in self.law.inputs]
            logs = self.law.log_penalties(list(days.values()), self.reference_d, variates)
            uncured = LOG_UNCURED_SKIN if self.layered or self.numerical else LOG_UNCURED
            for plan, log_k in zip(days, logs, strict=True):
                early = plan.is_uncured(values)
                by_law[plan] = np.where(early, uncured, log_k) if np.any(early) else log_k
        return tuple(
            by_law[plan] if plan in by_law else _given_log_penalty(plan, values)
            for plan in self.plans
        )

    def log_rate(self, values: Values) -> Number:
        """Return ln(k_e k_t D_ref) [ln(mm2/yr)], D_ref left out where the values have none."""
        coefficient = values["concrete.temperature_coefficient"]
        if self.monthly:
            log_factor = np.log(monthly_temperature_factor(self.monthly, coefficient))
        else:
            log_factor = log_temperature_factor(values["exposure.temperature"], coefficient)
        with np.errstate(divide="ignore"):  # a diffusivity cut at 0 may be 0
            log_diffusivity = np.log(values.get(DIFFUSIVITY, 1.0))
        return np.asarray(log_factor + np.log(self.test_factor) + log_diffusivity)
