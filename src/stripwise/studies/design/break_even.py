"""At which price another option becomes the cheapest, and what one hour in the forms is worth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.nominal_covers import (
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.target_roots import with_strip_age
from stripwise.scenario.model import Cost
from stripwise.studies.design.exchange_rates import exchange_row
from stripwise.studies.design.prices import CostAges, PricedOptions
from stripwise.studies.design.setting import Setting
from stripwise.units.result_columns import columns

__all__ = ["break_even_rows", "choice_table", "dominated", "find_break_even"]

Array = NDArray[np.float64]

DISCOUNT_RATES = (-0.02, 0.15)
RATE_STEPS = 171
MAX_PRICE_FACTOR = 10.0
"""Prices are searched from 0 to this many times their value."""


@dataclass(frozen=True, slots=True)
class BreakEven:
    """Prices at which the choice changes; NaN and -1 where it does not in the searched range."""

    below: float
    choice_below: int
    above: float
    choice_above: int


def find_break_even(fixed: Array, slope: Array, current: float, *, max_price: float) -> BreakEven:
    """Find where the cheapest of some lines changes as one price changes, (o,) options.

    The cost of each option is fixed + slope * price; the choice is the cheapest at the `current`
    price, and prices from 0 to `max_price` are searched. Positions are -1 where the choice stays.

    Examples
    --------
    >>> switch = find_break_even(np.array([10.0, 4.0]), np.array([0.1, 0.3]), 20.0, max_price=100.0)
    >>> round(switch.above, 6), switch.choice_above
    (30.0, 0)
    """
    best = int(np.argmin(fixed + slope * current))
    with np.errstate(divide="ignore", invalid="ignore"):
        equal_cost = (fixed - fixed[best]) / (slope[best] - slope)
    up = np.where((slope < slope[best]) & (equal_cost >= current), equal_cost, np.inf)
    down = np.where(
        (slope > slope[best]) & (equal_cost <= current) & (equal_cost >= 0.0), equal_cost, -np.inf
    )
    above, below = int(np.argmin(up)), int(np.argmax(down))
    return BreakEven(
        float(down[below]) if np.isfinite(down[below]) else np.nan,
        below if np.isfinite(down[below]) else -1,
        float(up[above]) if up[above] <= max_price else np.nan,
        above if up[above] <= max_price else -1,
    )


def choice_table(priced: PricedOptions, ages: CostAges, cost: Cost) -> pd.DataFrame:
    """Tabulate where the cheapest option changes with each price and the discount rate."""
    share = np.mean(priced.probability, axis=0) @ ages.weights(cost)
    repair = cost.repair * share
    total_cost = priced.first.sum(axis=1) + repair
    names = [option.name for option in priced.options]
    money = cost.currency
    cases = [
        ("price of a repair", f"{money}/m2", cost.repair, share),
        (
            "price of forms",
            f"{money}/m2/h",
            cost.forms,
            _per_price_unit(priced.first[:, 0], cost.forms),
        ),
        (
            "price of cover",
            f"{money}/m2/mm",
            cost.cover,
            _per_price_unit(priced.first[:, 2], cost.cover),
        ),
    ]
    rows = []
    for parameter, unit, current, slope in cases:
        if not current > 0.0:
            continue
        max_price = MAX_PRICE_FACTOR * current
        break_even = find_break_even(
            total_cost - slope * current, slope, current, max_price=max_price
        )
        rows.append(
            _break_even_row(
                parameter,
                unit,
                current,
                break_even,
                names,
                int(np.argmin(total_cost)),
                (0.0, max_price),
            )
        )
    rows.append(_rate_row(priced, ages, cost, names))
    return pd.DataFrame(rows, columns=columns("choice"))


def _per_price_unit(costs: Array, price: float) -> Array:
    return costs / price if price > 0.0 else np.zeros_like(costs)


def _break_even_row(  # noqa: PLR0917
    parameter: str,
    unit: str,
    current: float,
    break_even: BreakEven,
    names: list[str],
    best: int,
    search_range: tuple[float, float],
) -> dict[str, object]:
    return {
        "parameter": parameter,
        "unit": unit,
        "value": current,
        "choice": names[best],
        "changes_below": break_even.below,
        "choice_below": names[break_even.choice_below] if break_even.choice_below >= 0 else "",
        "changes_above": break_even.above,
        "choice_above": names[break_even.choice_above] if break_even.choice_above >= 0 else "",
        "looked_from": search_range[0],
        "looked_to": search_range[1],
    }


def _rate_row(
    priced: PricedOptions, ages: CostAges, cost: Cost, names: list[str]
) -> dict[str, object]:
    first, mean = priced.first.sum(axis=1), np.mean(priced.probability, axis=0)

    def best(rate: float) -> int:
        return int(np.argmin(first + cost.repair * (mean @ ages.weights(cost, rate))))

    low, high = min(DISCOUNT_RATES[0], cost.rate), max(DISCOUNT_RATES[1], cost.rate)
    rates = np.unique(np.append(np.linspace(low, high, RATE_STEPS), cost.rate))
    cheapest = [best(float(r)) for r in rates]
    at = int(np.searchsorted(rates, cost.rate))

    def switch(step: int) -> tuple[float, int]:
        place = at
        while 0 <= place + step < len(rates):
            if cheapest[place + step] != cheapest[at]:
                inside, outside = float(rates[place]), float(rates[place + step])
                for _ in range(40):
                    middle = 0.5 * (inside + outside)
                    if best(middle) == cheapest[at]:
                        inside = middle
                    else:
                        outside = middle
                return outside, best(outside)
            place += step
        return np.nan, -1

    (below, choice_below), (above, choice_above) = switch(-1), switch(1)
    break_even = BreakEven(below, choice_below, above, choice_above)
    return _break_even_row(
        "real discount rate", "1/yr", cost.rate, break_even, names, cheapest[at], (low, high)
    )


def break_even_rows(setting: Setting, ages: CostAges, cost: Cost) -> list[dict[str, object]]:
    """Find the most that one hour more in the forms is worth to the owner, per m2.

    It is the fall of the expected present cost of repair from the reference strategy to the same
    stripped one hour later, at the scenario's cover.
    """
    plan, hours = setting.reference, setting.hours(setting.reference)
    if plan.penalty:
        return []
    wall = setting.wall_with(tuple(with_strip_age(plan, h) for h in (hours, hours + 1.0)))
    covers = np.array([setting.wall.nominal_cover])
    weights = ages.weights(cost)

    def avoided_repairs(p: Array | None) -> Array | None:
        if p is None:
            return None
        price = cost.repair * (p[..., 0] @ weights)
        return np.asarray(price[:, 0] - price[:, 1])

    by_repeat_values = avoided_repairs(
        probability_by_repeat(wall, covers, ages.ages, sample=setting.strategy_sample)
    )
    epistemic = avoided_repairs(
        probability_by_epistemic_point(wall, covers, ages.ages, sample=setting.epistemic_sample)
    )
    assert by_repeat_values is not None
    return [
        exchange_row(
            "most that one hour more in the forms is worth (repairs avoided)",
            "at the design point",
            setting.label(plan),
            setting.wall.nominal_cover,
            hours,
            by_repeat_values,
            epistemic,
            f"{cost.currency}/m2/h",
        )
    ]


def dominated(first: Array, probability: Array) -> NDArray[np.bool_]:
    """Mark what another point beats in first cost or probability without losing in the other, (n,).

    Equal points do not dominate each other.

    Examples
    --------
    >>> [bool(x) for x in dominated(np.array([1.0, 2.0, 2.0]), np.array([0.2, 0.2, 0.1]))]
    [False, True, False]
    """
    order = np.lexsort((probability, first))
    flags = np.zeros(len(first), dtype=bool)
    lowest, lowest_position = np.inf, -1
    for i in order:
        if probability[i] < lowest:
            lowest, lowest_position = float(probability[i]), int(i)
        elif not (probability[i] == lowest and first[i] == first[lowest_position]):
            flags[i] = True
    return flags
