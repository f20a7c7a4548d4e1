"""Where the tables of the page to try pairs on have their nodes: hours, temperatures, ages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.curing.curing_law import UNCURED_H
from stripwise.scenario.model import Scenario
from stripwise.studies.design.explore_interpolation import piece_nodes
from stripwise.studies.design.setting import Setting
from stripwise.studies.design.site_table import site_temperatures
from stripwise.studies.from_scenario import build_plan
from stripwise.units.drawing_steps import round_hours_up

__all__ = [
    "COARSE_AGES",
    "HoursAxis",
    "coarse_ages",
    "hour_factors",
    "hours_axes",
    "page_hours",
    "page_temperatures",
    "table_ages",
]

Array = NDArray[np.float64]

FIRST_AGE = 1.0

COARSE_AGES = 8
"""Ages of the quantiles of the index, besides the target life."""


@dataclass(frozen=True, slots=True)
class HoursAxis:
    """Where the nodes of equivalent hours in the forms lie for one curing after stripping.

    Attributes
    ----------
    offset_h
        Equivalent hours that the curing after stripping adds on average [h].
    borders
        Logarithms of the hours with the offset at which a piece ends and the next begins, rising.
    """

    offset_h: float
    borders: tuple[float, ...]

    def hours(self, per_piece: int) -> Array:
        """Return the equivalent hours in the forms at the nodes [h]."""
        nodes = piece_nodes(self.borders, per_piece)
        return np.maximum(np.exp(nodes) - self.offset_h, UNCURED_H)


def hours_axes(setting: Setting) -> tuple[HoursAxis, ...]:
    """Place the axis of each curing after stripping: all hours at all temperatures of the page."""
    factors = hour_factors(setting.scenario, page_temperatures(setting.scenario))
    first, last = setting.choices.strip_age
    low, high = max(first * min(factors), UNCURED_H), max(last * max(factors), UNCURED_H + 1.0)
    found = []
    for plan in setting.plans:
        retention = setting.wall.input(plan.retention).distribution.mean if plan.retention else 0.0
        offset = retention * plan.follow_up_h * plan.follow_up_factor
        ends = low + offset, high + offset
        inside = [24.0 * d for d in setting.wall.law.kinks_d if ends[0] < 24.0 * d < ends[1]]
        borders = tuple(float(np.log(h)) for h in (ends[0], *inside, ends[1]))
        found.append(HoursAxis(offset, borders))
    return tuple(found)


def page_temperatures(scenario: Scenario) -> tuple[float, ...]:
    """Return the temperatures of the page [degC]: whole degrees of the report's units, and its own."""
    ends = site_temperatures(scenario.units)
    step = 1.0 / 1.8 if scenario.units == "US" else 1.0
    steps = round((ends[-1] - ends[0]) / step)
    whole = [ends[0] + step * k for k in range(steps + 1)]
    own = scenario.curing.temperature
    near = [t for t in whole if abs(t - own) > 1e-6]
    return tuple(sorted([*near, own]))


def hour_factors(scenario: Scenario, temperatures: tuple[float, ...]) -> tuple[float, ...]:
    """Return the equivalent hours per hour in the forms at concrete temperatures [degC]."""
    follow_up = scenario.choices.follow_up[0] if scenario.choices else None
    assert follow_up is not None
    return tuple(
        build_plan(scenario, "", strip_age=24.0, temperature=t, follow_up=follow_up).strip_factor
        for t in temperatures
    )


def page_hours(setting: Setting, factors: tuple[float, ...]) -> Array:
    """Return the strip ages that a site can be told [h], rising; cured at every temperature."""
    first, last = setting.choices.strip_age
    first = max(first, UNCURED_H / min(factors))
    hours = {round_hours_up(float(h)) for h in np.arange(np.ceil(first - 1e-9), last + 1e-9)}
    return np.array(sorted(h for h in hours if h <= last + 1e-9) or [last])


def table_ages(setting: Setting, count: int) -> Array:
    """Choose the rising ages of the tables, even in their cube root; bends are among them."""
    scenario = setting.scenario
    cost = scenario.cost
    special = [setting.life, scenario.ageing_ends]
    last = scenario.sampling.horizon
    if cost is not None:
        last = max(last, cost.horizon)
        special.append(cost.horizon)
    first = min(FIRST_AGE, 0.5 * setting.life)
    ages = np.linspace(np.cbrt(first), np.cbrt(last), count) ** 3
    ages[-1] = last
    free = list(range(1, count - 1))
    for age in special:
        if ages[0] < age < ages[-1] and age not in ages:
            near = min(free, key=lambda k: abs(np.cbrt(ages[k]) - np.cbrt(age)))
            ages[near] = age
            free.remove(near)
    return np.unique(ages)


def coarse_ages(ages: Array, life: float) -> NDArray[np.intp]:
    """Return the places of some ages, the first, the last and the target life among them."""
    evenly = np.rint(np.linspace(0, len(ages) - 1, COARSE_AGES)).astype(np.intp)
    return np.union1d(evenly, [int(np.searchsorted(ages, life))]).astype(np.intp)
