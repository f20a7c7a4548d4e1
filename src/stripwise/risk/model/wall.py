"""The wall as the physics sees it: inputs, strategies and clock, and one cell of drawn faces."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.curing.curing_law import (
    effective_duration,
    law_draws,
    relative_log_penalty,
)
from stripwise.distributions.random_input import Correlation, Input
from stripwise.ingress.carbonation import curing_term
from stripwise.ingress.clock import Clock, log_temperature_factor, monthly_temperature_factor
from stripwise.ingress.front import critical_ratio
from stripwise.ingress.inverse_erfc import front_root
from stripwise.risk.model.service_conditions import CARBONATION, COARSE, Conditions, Extras

__all__ = ["COVER", "DIFFUSIVITY", "MEAN_DOUBT", "Face", "Plan", "Wall"]

Array = NDArray[np.float64]
Number = Array | float
Values = Mapping[str, Number]

COVER = "reinforcement.cover"
DIFFUSIVITY = "concrete.diffusivity"
MEAN_DOUBT = "reinforcement.cover.mean_doubt"
"""Mean cover of this wall less the stated one [mm]; only where the scenario doubts it."""


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
        """Effective curing duration [d], (n,) or scalar."""
        strip = values[self.strip_age] if isinstance(self.strip_age, str) else self.strip_age
        retention = values[self.retention] if self.retention else 0.0
        if isinstance(strip, float) and isinstance(retention, float):
            return _fixed_days(self, strip, retention)
        return self._days(strip, retention)

    def _days(self, strip: Number, retention: Number) -> Array:
        return effective_duration(
            strip,
            strip_factor=self.strip_factor,
            retention=retention,
            follow_up_h=self.follow_up_h,
            follow_up_factor=self.follow_up_factor,
        )

    def uses(self, name: str) -> bool:
        """Whether an input of the curing group reaches this strategy."""
        if name.startswith(CARBONATION):
            return True
        if self.penalty:
            return name in (self.penalty, self.factor, "curing.affected_depth")
        own = (self.strip_age, self.retention)
        return name in (*own, "curing.law", "curing.early_slope", "curing.affected_depth")


def _given(plan: Plan, values: Values) -> Number:
    """Return ln of a given penalty factor, times the factor from laboratory to field."""
    log_k = np.log(values[plan.penalty])
    return log_k + np.log(values[plan.factor]) if plan.factor else log_k


@functools.lru_cache(maxsize=4096)
def _fixed_days(plan: Plan, strip: float, retention: float) -> Array:
    """Effective curing of a plan without scatter, which every cell of a sample asks for again."""
    days = plan._days(strip, retention)
    days.flags.writeable = False
    return days


@dataclass(frozen=True, slots=True)
class Face:
    """One cell of drawn faces, all strategies apart from their penalty.

    Depths count from the surface. Where the mean cover is in doubt they count from where it would
    be if the stated mean were right, so that the law of the cover itself stays as it is.

    Attributes
    ----------
    ratio
        Share of the surface content at the front, (n,); 1 no front, 0 depassivated from the start.
    all_moving
        Whether every ratio lies between 0 and 1, so that neither special case occurs.
    root
        z = erfcinv(ratio), (n,); 0 in both special cases.
    edge
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
    extras
        What the options of the physics draw; None without any.
    surface
        Depth of the surface itself [mm].
    """

    ratio: Number
    all_moving: bool
    root: Number
    edge: Number
    zone: Number
    log_rate: Number
    exponent: Number
    skin: Number
    log_penalty: tuple[Number, ...]
    extras: Extras | None = None
    surface: Number = 0.0


@dataclass(frozen=True, slots=True)
class Wall:
    """Everything the risk computation needs to know.

    Attributes
    ----------
    inputs, correlations
        Random and fixed inputs, and rank correlations between them.
    plans
        Strategies, s of them.
    clock
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
    """

    inputs: tuple[Input, ...]
    correlations: tuple[Correlation, ...]
    plans: tuple[Plan, ...]
    clock: Clock
    test_factor: float
    monthly: tuple[float, ...]
    layered: bool
    reference_d: float
    conditions: Conditions | None = None

    def input(self, name: str) -> Input:
        """Return the input of that name."""
        return next(item for item in self.inputs if item.name == name)

    @property
    def rises(self) -> bool:
        """Whether the surface chloride changes in time."""
        return self.conditions is not None and self.conditions.history is not None

    def with_plans(self, plans: tuple[Plan, ...]) -> Wall:
        """Return the same wall under other strategies."""
        return replace(self, plans=plans)

    @property
    def numerical(self) -> bool:
        """Whether layers or a coating make the front a numerical solution."""
        return self.conditions is not None and self.conditions.numerical

    def coarse(self) -> Wall:
        """Return the wall with its numerical solution, if it has one, on the coarse grid."""
        conditions = self.conditions
        if conditions is None or not conditions.numerical:
            return self
        return replace(self, conditions=replace(conditions, grid=COARSE))

    def uniform(self) -> Wall:
        """Return the same wall with the penalty on the whole cover."""
        return replace(self, layered=False)

    def face(self, values: Values) -> Face:
        """Combine drawn inputs into faces.

        Parameters
        ----------
        values
            Every input by name, (n,) or a number, in internal units.

        Returns
        -------
        The `Face`.
        """
        extras = None
        if self.conditions is not None:
            days = [plan.effective_days(values) for plan in self.plans]
            extras = self.conditions.extras(values, monthly=self.monthly, days=days)
            if not self.conditions.chloride:
                return self._carbonated_face(extras, values)
        # more cover than stated moves the surface, and all that counts from it, away from the bars
        offset = values.get(MEAN_DOUBT, 0.0)
        if extras is not None:
            offset = offset / extras.factor
        zone = values["exposure.convection_zone"] - offset
        ratio = critical_ratio(
            values["exposure.surface_chloride"],
            values["reinforcement.critical_chloride"],
            values["exposure.initial_chloride"],
        )
        moving = (ratio > 0.0) & (ratio < 1.0)
        all_moving = bool(np.all(moving))
        root, edge = front_root(ratio), zone
        if not all_moving:
            edge = np.array(np.broadcast_to(edge, np.broadcast_shapes(ratio.shape, np.shape(edge))))
            np.copyto(root, 0.0, where=~moving)
            np.copyto(edge, 0.0, where=ratio >= 1.0)
            np.copyto(edge, np.inf, where=ratio <= 0.0)
        return Face(
            ratio=ratio,
            all_moving=all_moving,
            root=root,
            edge=edge,
            zone=zone,
            log_rate=self._log_rate(values),
            exponent=values["concrete.ageing_exponent"],
            skin=values["curing.affected_depth"] - offset if self.layered else np.inf,
            log_penalty=self.log_penalties(values),
            extras=extras,
            surface=-offset,
        )

    def _carbonated_face(self, extras: Extras, values: Values) -> Face:
        """Return faces without chloride; their penalty is that of the carbonation model."""
        return Face(
            ratio=1.0,
            all_moving=False,
            root=0.0,
            edge=0.0,
            zone=0.0,
            log_rate=0.0,
            exponent=0.0,
            skin=np.inf,
            log_penalty=self.log_penalties(values),
            extras=extras,
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
        longest = max([self.reference_d, *(float(d.max()) for d in days.values())])
        law, slope = values["curing.law"], values["curing.early_slope"]
        draws = law_draws(law, slope, longest_d=longest) if days else None
        return tuple(
            _given(plan, values)
            if draws is None or plan.penalty
            else relative_log_penalty(days[plan], self.reference_d, draws=draws)
            for plan in self.plans
        )

    def _log_rate(self, values: Values) -> Number:
        coefficient = values["concrete.temperature_coefficient"]
        if self.monthly:
            warmth = np.log(monthly_temperature_factor(self.monthly, coefficient))
        else:
            warmth = log_temperature_factor(values["exposure.temperature"], coefficient)
        return np.asarray(warmth + np.log(self.test_factor) + np.log(values.get(DIFFUSIVITY, 1.0)))
