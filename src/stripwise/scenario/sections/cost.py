"""The [cost] section: prices in one currency, discounting, and when a repair is paid."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from stripwise.curing.follow_up import FOLLOW_UPS, NO_FOLLOW_UP
from stripwise.errors import InputError
from stripwise.risk.probability.expected_cost import real_rate
from stripwise.scenario.engine import declared, read_keys
from stripwise.scenario.fields import PLAIN, YEARS, Price, Quantity
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.sections.curing import FollowUp
from stripwise.scenario.shapes import Scalar, Table, scalar
from stripwise.units.formatting import MM_PER_INCH
from stripwise.units.quantities import NUMBER, parse, split

__all__ = ["Cost", "CostTable", "read_cost"]

PATH: KeyPath = ("cost",)
CURRENCY = re.compile(r"[A-Z]{3}")

AREAS = MappingProxyType(
    {
        "m^2": 1.0,
        "m2": 1.0,
        "ft^2": 0.09290304,
        "ft2": 0.09290304,
        "yd^2": 0.83612736,
        "yd2": 0.83612736,
    }
)
"""m2 in each unit of area."""

HOURS = MappingProxyType({"h": 1.0, "hr": 1.0, "hour": 1.0, "d": 24.0, "day": 24.0})
LENGTHS = MappingProxyType({"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH, "inch": MM_PER_INCH})

FORM_PARTS = ("hire", "crew", "delay")
PRICES = ("forms", "cover", "repair")
RATES = ("real_rate", "nominal_rate", "inflation")
INSTALMENTS = 20

NEEDED = "write a price such as {}; 0 if it costs nothing"


def _price(raw: Any) -> Any:
    if isinstance(raw, dict):
        return {str(key): scalar(item) for key, item in raw.items()}
    return scalar(raw)


def _rate(meaning: str, *, missing: str = "") -> Quantity:
    return Quantity(
        meaning,
        PLAIN,
        "-10 % to 50 %",
        hint='; a plain number is a share, 0.03 is "3 %"',
        missing=missing,
        example='"3 %"',
    )


class InstalmentTable(Table):
    """One part of a repair."""

    after: Annotated[
        Scalar | None,
        Quantity(
            "Time after depassivation at which the part is paid.",
            YEARS,
            "0 yr to 500 yr",
            needed="years after depassivation, such as {}",
            example='"10 yr"',
        ),
    ] = None
    share: Annotated[
        Scalar | None,
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
        BeforeValidator(_price),
        Price(
            "Price of the forms, whole or as hire, crew and delay.",
            HOURS,
            needed=NEEDED,
            example='"1.2 EUR/m^2/h"',
        ),
    ] = None
    follow_up: Annotated[
        dict[str, Scalar],
        Price(
            "Price of each follow-up in use, by method.",
            HOURS,
            optional=True,
            example='"2.5 EUR/m^2" or "1 EUR/m^2/d"',
        ),
    ] = Field(default_factory=dict)
    cover: Annotated[
        Scalar | None,
        Price(
            "Price of each mm of cover more.", LENGTHS, needed=NEEDED, example='"0.35 EUR/m^2/mm"'
        ),
    ] = None
    repair: Annotated[
        Scalar | None, Price("Price of a repair.", None, needed=NEEDED, example='"420 EUR/m^2"')
    ] = None
    repair_parts: list[InstalmentTable] | None = None
    real_rate: Annotated[
        Scalar | None,
        _rate(
            "Real discount rate a year.",
            missing="such as {}; or give nominal_rate together with inflation",
        ),
    ] = None
    nominal_rate: Annotated[
        Scalar | None, _rate("Nominal discount rate a year, together with inflation.")
    ] = None
    inflation: Annotated[
        Scalar | None,
        _rate(
            "Inflation a year, of a nominal rate.", missing='a nominal rate needs it, such as "2 %"'
        ),
    ] = None
    horizon: Annotated[
        Scalar | None,
        Quantity(
            "Age after which nothing is paid; the service life unless given.",
            YEARS,
            "1 yr to 500 yr",
            example='"100 yr"',
        ),
    ] = None


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
    """

    currency: str
    forms: float
    follow_up: Mapping[str, tuple[float, float]]
    cover: float
    repair: float
    instalments: tuple[tuple[float, float], ...]
    rate: float
    horizon: float


@dataclass(slots=True)
class _Currency:
    """The currency of the first price and where it stood."""

    code: str = ""
    where: str = ""

    def reader(self, rule: Price, path: KeyPath) -> Callable[[object], float]:
        """Return what reads the price at a path, per m2 and per unit of `rule.per`."""

        def read(raw: object) -> float:
            number, code, sizes = _split(raw, rule)
            if not self.code:
                self.code, self.where = code, ".".join(str(part) for part in path)
            elif code != self.code:
                raise InputError(
                    "",
                    f"is in {code}, but {self.where} is in {self.code}; use one currency "
                    "for all prices",
                )
            if number < 0.0:
                raise InputError("", "must be at least 0")
            return number / math.prod(sizes)

        return read


def _split(raw: object, rule: Price) -> tuple[float, str, list[float]]:
    """Split a price into number, currency and the sizes of its units in m2, h or mm."""
    try:
        number, unit = split(raw)
    except InputError as error:
        raise InputError("", f"{error.problem}; write a price such as {rule.example}") from error
    currency, *units = unit.split("/")
    sizes = [AREAS.get(units[0])] if units else []
    if len(units) == 2 and rule.per is not None:
        sizes.append(rule.per.get(units[1]))
    counts = (1,) if rule.per is None else (1, 2) if rule.optional else (2,)
    known = [size for size in sizes if size is not None]
    good = len(units) in counts and len(units) == len(sizes) == len(known)
    if not CURRENCY.fullmatch(currency) or not good:
        raise InputError(
            "",
            f"must be a price such as {rule.example}: a currency by its code of three capital "
            f"letters, then {_units(rule)}",
        )
    return number, currency, known


def _units(rule: Price) -> str:
    """Name the units of a price, each size by its first spelling."""
    area = "/m^2, /ft^2 or /yd^2"
    if rule.per is None:
        return area
    names: dict[float, str] = {}
    for name, size in rule.per.items():
        names.setdefault(size, f"/{name}")
    return f"{area}, then {' or '.join(names.values())}" + (" or nothing" if rule.optional else "")


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
    currency = _Currency()
    readers = {key: currency.reader(declared(CostTable, key), (*PATH, key)) for key in PRICES}
    prices = read_keys(table, PATH, problems, only=PRICES, readers=readers)
    if isinstance(table.forms, dict):
        prices["forms"] = _forms(table.forms, currency, problems)
    methods = _follow_up_prices(table, follow_ups, currency, problems)
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
    )


def _forms(parts: dict[str, Any], currency: _Currency, problems: Problems) -> float:
    """Add up the parts of the price of the forms."""
    path, total = (*PATH, "forms"), 0.0
    if not parts:
        problems.add(path, f"needs at least one of {', '.join(FORM_PARTS)}")
    for key, raw in parts.items():
        where = (*path, key)
        if key not in FORM_PARTS:
            problems.choice(key, where, allowed=FORM_PARTS)
            continue
        total += problems.number(currency.reader(declared(CostTable, "forms"), where), raw, where)
    return total


def _follow_up_prices(
    table: CostTable, follow_ups: list[FollowUp], currency: _Currency, problems: Problems
) -> Mapping[str, tuple[float, float]]:
    """Price of each method: per m2, and per m2 and hour."""
    rule = declared(CostTable, "follow_up")
    prices: dict[str, tuple[float, float]] = {NO_FOLLOW_UP: (0.0, 0.0)}
    for method, raw in table.follow_up.items():
        path: KeyPath = (*PATH, "follow_up", method)
        if method not in FOLLOW_UPS:
            problems.choice(method, path, allowed=FOLLOW_UPS)
            continue
        price = problems.number(currency.reader(rule, path), raw, path)
        timed = not math.isnan(price) and len(_split(raw, rule)[2]) == 2
        prices[method] = (0.0, price) if timed else (price, 0.0)
    for method in dict.fromkeys(item.method for item in follow_ups):
        if method not in prices:
            problems.missing(
                (*PATH, "follow_up", method),
                'the scenario uses this follow-up; write its price, such as "2.5 EUR/m^2", '
                "or 0 EUR/m^2 if it costs nothing",
            )
    return MappingProxyType(prices)


def _rate_reader(rule: Quantity) -> Callable[[object], float]:
    def read(raw: object) -> float:
        if parse(raw, NUMBER, to="") <= -1.0:
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
