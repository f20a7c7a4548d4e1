"""Where the cheapest option turns into another, what an hour is worth, what is dominated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.nominal_covers import by_knowledge, by_repeat
from stripwise.risk.probability.target_roots import at_strip_age
from stripwise.scenario.model import Cost
from stripwise.studies.design.design_result import CHOICE_COLUMNS
from stripwise.studies.design.exchange_rates import row_of
from stripwise.studies.design.prices import Ages, Priced
from stripwise.studies.design.setting import Setting

__all__ = ["break_even_rows", "choice_table", "dominated", "turning_points"]

Array = NDArray[np.float64]

RATES = (-0.02, 0.15)
RATE_STEPS = 171
MOST_TIMES = 10.0
"""A price is looked at from 0 to this many times its value."""


@dataclass(frozen=True, slots=True)
class Turn:
    """Where the choice changes; NaN and "" where it does not in the looked-at range."""

    below: float
    choice_below: int
    above: float
    choice_above: int


def turning_points(fixed: Array, slope: Array, now: float, *, most: float) -> Turn:
    """Find where the cheapest of some lines changes as one price changes.

    Parameters
    ----------
    fixed, slope
        (o,) cost of each option is fixed + slope * price.
    now
        The price; the choice is the cheapest option there.
    most
        Highest price looked at; the lowest is 0.

    Returns
    -------
    The `Turn`; positions are -1 where the choice stays.

    Examples
    --------
    >>> turn = turning_points(np.array([10.0, 4.0]), np.array([0.1, 0.3]), 20.0, most=100.0)
    >>> round(turn.above, 6), turn.choice_above
    (30.0, 0)
    """
    best = int(np.argmin(fixed + slope * now))
    with np.errstate(divide="ignore", invalid="ignore"):
        meet = (fixed - fixed[best]) / (slope[best] - slope)
    up = np.where((slope < slope[best]) & (meet >= now), meet, np.inf)
    down = np.where((slope > slope[best]) & (meet <= now) & (meet >= 0.0), meet, -np.inf)
    above, below = int(np.argmin(up)), int(np.argmax(down))
    return Turn(
        float(down[below]) if np.isfinite(down[below]) else np.nan,
        below if np.isfinite(down[below]) else -1,
        float(up[above]) if up[above] <= most else np.nan,
        above if up[above] <= most else -1,
    )


def choice_table(priced: Priced, ages: Ages, cost: Cost) -> pd.DataFrame:
    """Tabulate where the cheapest of some options changes with each price and the discount rate.

    Parameters
    ----------
    priced
        Options to choose from.
    ages
        Ages of their probabilities.
    cost
        The prices.

    Returns
    -------
    DataFrame of `CHOICE_COLUMNS`.
    """
    share = np.mean(priced.p, axis=0) @ ages.weights(cost)
    repair = cost.repair * share
    whole = priced.first.sum(axis=1) + repair
    names = [option.name for option in priced.options]
    money = cost.currency
    cases = [
        ("price of a repair", f"{money}/m2", cost.repair, share),
        ("price of forms", f"{money}/m2/h", cost.forms, _unit(priced.first[:, 0], cost.forms)),
        ("price of cover", f"{money}/m2/mm", cost.cover, _unit(priced.first[:, 2], cost.cover)),
    ]
    rows = []
    for parameter, unit, now, slope in cases:
        if not now > 0.0:
            continue
        most = MOST_TIMES * now
        turn = turning_points(whole - slope * now, slope, now, most=most)
        rows.append(_row(parameter, unit, now, turn, names, int(np.argmin(whole)), (0.0, most)))
    rows.append(_rate_row(priced, ages, cost, names))
    return pd.DataFrame(rows, columns=CHOICE_COLUMNS)


def _unit(paid: Array, price: float) -> Array:
    return paid / price if price > 0.0 else np.zeros_like(paid)


def _row(  # noqa: PLR0917
    parameter: str,
    unit: str,
    now: float,
    turn: Turn,
    names: list[str],
    best: int,
    looked: tuple[float, float],
) -> dict[str, object]:
    return {
        "parameter": parameter,
        "unit": unit,
        "value": now,
        "choice": names[best],
        "changes_below": turn.below,
        "choice_below": names[turn.choice_below] if turn.choice_below >= 0 else "",
        "changes_above": turn.above,
        "choice_above": names[turn.choice_above] if turn.choice_above >= 0 else "",
        "looked_from": looked[0],
        "looked_to": looked[1],
    }


def _rate_row(priced: Priced, ages: Ages, cost: Cost, names: list[str]) -> dict[str, object]:
    first, mean = priced.first.sum(axis=1), np.mean(priced.p, axis=0)

    def best(rate: float) -> int:
        return int(np.argmin(first + cost.repair * (mean @ ages.weights(cost, rate))))

    low, high = min(RATES[0], cost.rate), max(RATES[1], cost.rate)
    rates = np.unique(np.append(np.linspace(low, high, RATE_STEPS), cost.rate))
    picks = [best(float(r)) for r in rates]
    at = int(np.searchsorted(rates, cost.rate))

    def edge(step: int) -> tuple[float, int]:
        place = at
        while 0 <= place + step < len(rates):
            if picks[place + step] != picks[at]:
                inside, outside = float(rates[place]), float(rates[place + step])
                for _ in range(40):
                    middle = 0.5 * (inside + outside)
                    if best(middle) == picks[at]:
                        inside = middle
                    else:
                        outside = middle
                return outside, best(outside)
            place += step
        return np.nan, -1

    (below, choice_below), (above, choice_above) = edge(-1), edge(1)
    turn = Turn(below, choice_below, above, choice_above)
    return _row("real discount rate", "1/yr", cost.rate, turn, names, picks[at], (low, high))


def break_even_rows(setting: Setting, ages: Ages, cost: Cost) -> list[dict[str, object]]:
    """Find the most that one hour more in the forms is worth to the owner, per m2.

    It is the fall of the expected present cost of repair from the reference strategy to the same
    stripped one hour later, at the scenario's cover.

    Returns
    -------
    Rows for the table of exchange rates.
    """
    plan, hours = setting.reference, setting.hours(setting.reference)
    if plan.penalty:
        return []
    wall = setting.wall_with(tuple(at_strip_age(plan, h) for h in (hours, hours + 1.0)))
    covers = np.array([setting.mean_cover])
    weights = ages.weights(cost)

    def worth(p: Array | None) -> Array | None:
        if p is None:
            return None
        price = cost.repair * (p[..., 0] @ weights)
        return np.asarray(price[:, 0] - price[:, 1])

    plain = worth(by_repeat(wall, covers, ages.ages, sample=setting.full))
    known = worth(by_knowledge(wall, covers, ages.ages, sample=setting.doubt))
    assert plain is not None
    return [
        row_of(
            "most that one hour more in the forms is worth (repairs avoided)",
            "at the design point",
            setting.label(plan),
            setting.nominal(setting.mean_cover),
            hours,
            plain,
            known,
            f"{cost.currency}/m2/h",
        )
    ]


def dominated(first: Array, probability: Array) -> NDArray[np.bool_]:
    """Mark what another point beats in first cost or probability without losing in the other.

    Parameters
    ----------
    first, probability
        (n,) cost of the first build and probability.

    Returns
    -------
    (n,) flags; equal points do not dominate each other.

    Examples
    --------
    >>> [bool(x) for x in dominated(np.array([1.0, 2.0, 2.0]), np.array([0.2, 0.2, 0.1]))]
    [False, True, False]
    """
    order = np.lexsort((probability, first))
    flags = np.zeros(len(first), dtype=bool)
    lowest, holder = np.inf, -1
    for i in order:
        if probability[i] < lowest:
            lowest, holder = float(probability[i]), int(i)
        elif not (probability[i] == lowest and first[i] == first[holder]):
            flags[i] = True
    return flags
