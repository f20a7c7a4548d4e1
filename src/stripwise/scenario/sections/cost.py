"""The [cost] section: prices in one currency, discounting, and when a repair is paid."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BeforeValidator, Field

from stripwise.curing.follow_up import FOLLOW_UPS, NO_FOLLOW_UP
from stripwise.errors import InputError
from stripwise.risk.probability.expected_cost import real_rate
from stripwise.scenario.engine import declared, read_keys
from stripwise.scenario.fields import PLAIN, YEARS, Meant, Price, Quantity
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.sections.follow_up_table import FollowUp
from stripwise.scenario.sections.price_reading import HOURS, LENGTHS, Currency, price, split_price
from stripwise.scenario.shapes import Constant, Table
from stripwise.units.formatting import AREAS, per_unit
from stripwise.units.quantities import NUMBER, parse

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Cost", "CostTable", "read_cost"]

PATH: KeyPath = ("cost",)
FORM_PARTS = ("hire", "crew", "delay")
PRICES = ("forms", "cover", "repair")
RATES = ("real_rate", "nominal_rate", "inflation")
INSTALMENTS = 20

NEEDED = "write a price such as {}; 0 if it costs nothing"


def _rate(meaning: str, *, missing: str = "") -> Quantity:
    return Quantity(
        meaning,
        PLAIN,
        "-10 % to 50 %",
        usual="-2 % to 12 %",
        hint='; a plain number is a share, 0.03 is "3 %"',
        missing=missing,
        example='"3 %"',
    )


class InstalmentTable(Table):
    """One part of a repair."""

    after: Annotated[
        Constant | None,
        Quantity(
            "Time after depassivation at which the part is paid.",
            YEARS,
            "0 yr to 500 yr",
            usual="0 yr to 100 yr",
            needed="years after depassivation, such as {}",
            example='"10 yr"',
        ),
    ] = None
    share: Annotated[
        Constant | None,
        Quantity(
            "Share of the price of the repair.",
            PLAIN,
            "0 to 1",
            needed="share of the price of the repair, such as {}",
            example="0.5",
        ),
    ] = None


class CostTable(Table):
    """[cost]."""

    forms: Annotated[
        Any,
        BeforeValidator(price),
        Price(
            "Price of the forms, whole or as hire, crew and delay.",
            HOURS,
            usual=(5e-6, 0.02),
            needed=NEEDED,
            example='"1.2 EUR/m^2/h"',
        ),
    ] = None
    follow_up: Annotated[
        dict[str, Constant],
        Price(
            "Price of each method of curing after stripping in use.",
            HOURS,
            usual=(1e-6, 0.5),
            optional=True,
            example='"2.5 EUR/m^2" or "1 EUR/m^2/d"',
        ),
    ] = Field(default_factory=dict)
    cover: Annotated[
        Constant | None,
        Price(
            "Price of each mm of cover more.",
            LENGTHS,
            usual=(1e-5, 0.05),
            needed=NEEDED,
            example='"0.35 EUR/m^2/mm"',
        ),
    ] = None
    repair: Annotated[
        Constant | None,
        Price(
            "Price of a repair.",
            None,
            usual=(10.0, 10_000.0),
            needed=NEEDED,
            example='"420 EUR/m^2"',
        ),
    ] = None
    repair_parts: list[InstalmentTable] | None = None
    real_rate: Annotated[
        Constant | None,
        _rate(
            "Real discount rate a year.",
            missing="such as {}; or give nominal_rate together with inflation",
        ),
    ] = None
    nominal_rate: Annotated[
        Constant | None, _rate("Nominal discount rate a year, together with inflation.")
    ] = None
    inflation: Annotated[
        Constant | None,
        _rate(
            "Inflation a year, of a nominal rate.", missing='a nominal rate needs it, such as "2 %"'
        ),
    ] = None
    horizon: Annotated[
        Constant | None,
        Quantity(
            "Age after which nothing is paid; the service life unless given.",
            YEARS,
            "1 yr to 500 yr",
            usual="10 yr to 300 yr",
            example='"100 yr"',
        ),
    ] = None


SHOWN_COSTS = (
    "forms",
    "follow_up_curing",
    "cover",
    "repair",
    "first_cost",
    "cost",
    "low95",
    "high95",
    "know_low",
    "know_high",
)
"""Columns of costs per m2 in tables of options."""


@dataclass(frozen=True, slots=True)
class Cost:
    """Prices per m2 of face in one currency, and how later payments are discounted.

    Attributes
    ----------
    currency
        Code of three letters.
    forms
        Hire, crew and delay [per m2 and h].
    follow_up
        By method: price per m2, and per m2 and h of its duration.
    cover
        Each mm of cover more [per m2 and mm].
    repair
        A repair after depassivation [per m2].
    instalments
        (years after depassivation, share of the price) of each part of a repair.
    rate
        Real discount rate per year, as a share.
    horizon
        Age after which nothing is paid [yr].
    form_parts
        The price of the forms by part, all of it under "" where it is given whole.
    area, depth
        Units of area and of cover in which the prices were typed, and in which they are shown.
    """

    currency: str
    forms: float
    follow_up: Mapping[str, tuple[float, float]]
    cover: float
    repair: float
    instalments: tuple[tuple[float, float], ...]
    rate: float
    horizon: float
    form_parts: Mapping[str, float]
    area: str = "m2"
    depth: str = "mm"

    @property
    def unit(self) -> str:
        """The unit of what a face costs, as it is shown."""
        return f"{self.currency}/{self.area[:-1]}²"

    def per_area(self, value: float) -> float:
        """Return a price per m2 in the shown unit of area."""
        return value * AREAS[self.area]

    def text(self, value: float, unit: str = "") -> str:
        """Write a price in `unit`, that of an area of face unless given, in the shown units."""
        return per_unit(value, unit or f"{self.currency}/m2", area=self.area, depth=self.depth)

    def shown(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return a table of costs per m2 with its costs in the shown unit of area."""
        found = [name for name in SHOWN_COSTS if name in table]
        return table.assign(**{name: table[name] * AREAS[self.area] for name in found})


def read_cost(
    table: CostTable | None, *, service_life: float, follow_ups: list[FollowUp], problems: Problems
) -> Cost | None:
    """Read the prices, NaN where there was a problem; None without the section.

    Parameters
    ----------
    table, problems
        [cost], and where to note.
    service_life
        Horizon of the costs unless the section gives one [yr].
    follow_ups
        All follow-ups of the scenario; each method but "none" needs a price.
    """
    if table is None:
        return None
    currency = Currency()
    readers = {key: currency.reader(declared(CostTable, key), (*PATH, key)) for key in PRICES}
    prices = read_keys(table, PATH, problems, only=PRICES, readers=readers)
    form_parts = {"": prices.get("forms") or 0.0}
    if isinstance(table.forms, dict):
        form_parts = _forms(table.forms, currency, problems)
        prices["forms"] = sum(form_parts.values())
    methods = _follow_up_prices(table, follow_ups, currency, problems)
    currency.check(prices["repair"] or math.nan, problems)
    unused = _rate_rules(table, problems)
    rates: dict[str, Callable[[object], float]] = {
        key: _rate_reader(declared(CostTable, key)) for key in RATES
    }
    found = read_keys(table, PATH, problems, skip={*PRICES, *unused}, readers=rates)
    return Cost(
        currency=currency.code,
        **{key: math.nan if prices[key] is None else prices[key] for key in PRICES},
        follow_up=methods,
        instalments=_instalments(table, problems),
        rate=_real_rate(found),
        horizon=service_life if found["horizon"] is None else found["horizon"],
        form_parts=MappingProxyType(form_parts),
        area=currency.area,
        depth=currency.depth,
    )


def _forms(parts: dict[str, Any], currency: Currency, problems: Problems) -> dict[str, float]:
    """Read the parts of the price of the forms."""
    path, prices = (*PATH, "forms"), {}
    if not parts:
        problems.add(path, f"needs at least one of {', '.join(FORM_PARTS)}")
    for key, raw in parts.items():
        where = (*path, key)
        if key not in FORM_PARTS:
            problems.choice(key, where, allowed=FORM_PARTS)
            continue
        reader = currency.reader(declared(CostTable, "forms"), where)
        prices[key] = problems.number(reader, raw, where)
    return prices


def _follow_up_prices(
    table: CostTable, follow_ups: list[FollowUp], currency: Currency, problems: Problems
) -> Mapping[str, tuple[float, float]]:
    """Price of each method: per m2, and per m2 and hour."""
    rule = declared(CostTable, "follow_up")
    prices: dict[str, tuple[float, float]] = {NO_FOLLOW_UP: (0.0, 0.0)}
    for method, raw in table.follow_up.items():
        path: KeyPath = (*PATH, "follow_up", method)
        if method not in FOLLOW_UPS:
            problems.choice(method, path, allowed=FOLLOW_UPS)
            continue
        amount = problems.number(currency.reader(rule, path), raw, path)
        timed = not math.isnan(amount) and len(split_price(raw, rule)[2]) == 2
        prices[method] = (0.0, amount) if timed else (amount, 0.0)
    for method in dict.fromkeys(item.method for item in follow_ups):
        if method not in prices:
            problems.missing(
                (*PATH, "follow_up", method),
                'the scenario cures so after stripping; write its price, such as "2.5 EUR/m^2", '
                "or 0 EUR/m^2 if it costs nothing",
            )
    return MappingProxyType(prices)


def _rate_reader(rule: Quantity) -> Callable[[object], float]:
    def read(raw: object) -> float:
        if parse(raw.value if isinstance(raw, Meant) else raw, NUMBER, to="") <= -1.0:
            raise InputError("", "must be above -100 %")
        return rule.read(raw)

    return read


def _rate_rules(table: CostTable, problems: Problems) -> set[str]:
    """Check that one rate is given; return the keys that must not be read."""
    rates = {key: getattr(table, key) for key in RATES}
    if rates["real_rate"] is not None and rates["nominal_rate"] is not None:
        problems.add(
            (*PATH, "nominal_rate"),
            "is given beside real_rate; give exactly one of them",
            found=rates["nominal_rate"],
        )
        return set(RATES)
    if rates["real_rate"] is not None:
        if rates["inflation"] is not None:
            problems.add(
                (*PATH, "inflation"),
                "is not used by a real rate; leave it out, or give nominal_rate",
                found=rates["inflation"],
            )
        return {"inflation"}
    needed = "real_rate" if rates["nominal_rate"] is None else "inflation"
    if rates[needed] is None:
        problems.missing((*PATH, needed), declared(CostTable, needed).need)
    return set(RATES) if rates["nominal_rate"] is None else set()


def _real_rate(found: Mapping[str, Any]) -> float:
    """Real discount rate per year; NaN where it is not known."""
    real, nominal, inflation = (found.get(key) for key in RATES)
    if real is not None:
        return float(real)
    if nominal is None or inflation is None or math.isnan(nominal + inflation):
        return math.nan
    return real_rate(nominal, inflation)


def _instalments(table: CostTable, problems: Problems) -> tuple[tuple[float, float], ...]:
    path: KeyPath = (*PATH, "repair_parts")
    if table.repair_parts is None:
        return ((0.0, 1.0),)
    if not table.repair_parts or len(table.repair_parts) > INSTALMENTS:
        problems.add(
            path,
            f"has {len(table.repair_parts)} entries; between 1 and {INSTALMENTS} are allowed, "
            'such as { after = "10 yr", share = 0.5 }',
        )
        return ((0.0, 1.0),)
    parts = (read_keys(item, (*path, n), problems) for n, item in enumerate(table.repair_parts))
    return tuple((part["after"], part["share"]) for part in parts)
