"""The [cost] section: prices in one currency, discounting, and when a repair is paid."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from stripwise.errors import InputError
from stripwise.risk.probability.expected_cost import real_rate
from stripwise.scenario.model import Cost, FollowUp
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.schema import CostPart
from stripwise.units.quantities import NUMBER, TIME, split

__all__ = ["read_cost"]

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
LENGTHS = MappingProxyType({"mm": 1.0, "cm": 10.0, "in": 25.4, "inch": 25.4})

FORM_PARTS = ("hire", "crew", "delay")

RATES = ((-0.10, "-10 %"), (0.50, "50 %"))
INSTALMENTS = 20
HORIZON = ((1.0, "1 yr"), (500.0, "500 yr"))


@dataclass(slots=True)
class _Purse:
    """The currency of the first price and where it stood."""

    problems: Problems
    currency: str = ""
    where: str = ""
    wrong: set[KeyPath] = field(default_factory=set)

    def price(
        self,
        raw: object,
        path: KeyPath,
        *,
        per: Mapping[str, float] | None,
        example: str,
        optional: bool = False,
    ) -> tuple[float, bool]:
        """Read one price.

        Parameters
        ----------
        raw
            As the file gives it.
        path
            Where it stands.
        per
            Units that follow the area, and their size; None for a price by area alone.
        example
            A price as it should be written.
        optional
            Whether the unit after the area may be left out.

        Returns
        -------
        The price per m2 (and per unit of `per`), NaN after a problem, and whether the unit after
        the area was there.
        """
        try:
            number, unit = split(raw)
        except InputError as error:
            self.problems.add(path, f"{error.problem}; write a price such as {example}", found=raw)
            return math.nan, False
        currency, *units = unit.split("/")
        sizes = [AREAS.get(units[0])] if units else []
        if len(units) == 2 and per is not None:
            sizes.append(per.get(units[1]))
        counts = (1,) if per is None else (1, 2) if optional else (2,)
        good = len(units) in counts and len(sizes) == len(units) and None not in sizes
        if not CURRENCY.fullmatch(currency) or not good:
            self.problems.add(
                path,
                f"must be a price such as {example}: a currency by its code of three capital "
                f"letters, then {self._rule(per, optional)}",
                found=raw,
            )
            return math.nan, False
        if not self.currency:
            self.currency, self.where = currency, _words(path)
        elif currency != self.currency:
            self.problems.add(
                path,
                f"is in {currency}, but {self.where} is in {self.currency}; use one currency "
                "for all prices",
                found=raw,
            )
            return math.nan, False
        if number < 0.0:
            self.problems.add(path, "must be at least 0", found=raw)
            return math.nan, False
        return number / math.prod(size for size in sizes if size), len(sizes) == 2

    def _rule(self, per: Mapping[str, float] | None, optional: bool) -> str:
        area = "/m^2, /ft^2 or /yd^2"
        if per is None:
            return area
        names = " or ".join(f"/{name}" for name in dict.fromkeys(_first_names(per)))
        return f"{area}, then {names}" + (" or nothing" if optional else "")


def read_cost(
    part: CostPart | None,
    *,
    service_life: float,
    follow_ups: list[FollowUp],
    problems: Problems,
) -> Cost | None:
    """Read the prices.

    Parameters
    ----------
    part
        [cost]; None where the file has none.
    service_life
        Horizon of the costs unless the section gives one [yr].
    follow_ups
        All follow-ups of the scenario; each method but "none" needs a price.
    problems
        Where to note.

    Returns
    -------
    The `Cost`, with NaN where there was a problem; None without the section.
    """
    if part is None:
        return None
    purse = _Purse(problems)
    forms = _forms(part.forms, purse)
    cover = _required(
        part.cover, ("cost", "cover"), purse, per=LENGTHS, example='"0.35 EUR/m^2/mm"'
    )
    repair = _required(part.repair, ("cost", "repair"), purse, per=None, example='"420 EUR/m^2"')
    methods = _follow_up_prices(part, follow_ups, purse)
    horizon = service_life
    if part.horizon is not None:
        horizon = problems.quantity(
            part.horizon,
            ("cost", "horizon"),
            kind=TIME,
            to="year",
            low=HORIZON[0],
            high=HORIZON[1],
        )
    return Cost(
        currency=purse.currency,
        forms=forms,
        follow_up=methods,
        cover=cover,
        repair=repair,
        instalments=_instalments(part, problems),
        rate=_rate(part, problems),
        horizon=horizon,
    )


def _required(
    raw: object, path: KeyPath, purse: _Purse, *, per: Mapping[str, float] | None, example: str
) -> float:
    if raw is None:
        purse.problems.missing(path, f"write a price such as {example}; 0 if it costs nothing")
        return math.nan
    return purse.price(raw, path, per=per, example=example)[0]


def _forms(raw: object, purse: _Purse) -> float:
    path: KeyPath = ("cost", "forms")
    example = '"1.2 EUR/m^2/h"'
    if not isinstance(raw, dict):
        return _required(raw, path, purse, per=HOURS, example=example)
    total = 0.0
    if not raw:
        purse.problems.add(path, f"needs at least one of {', '.join(FORM_PARTS)}")
    for key, item in raw.items():
        if key not in FORM_PARTS:
            purse.problems.choice(str(key), (*path, str(key)), allowed=FORM_PARTS)
            continue
        total += purse.price(item, (*path, key), per=HOURS, example=example)[0]
    return total


def _follow_up_prices(
    part: CostPart, follow_ups: list[FollowUp], purse: _Purse
) -> Mapping[str, tuple[float, float]]:
    """Price of each method: per m2, and per m2 and hour."""
    used = list(dict.fromkeys(item.method for item in follow_ups if item.method != "none"))
    prices: dict[str, tuple[float, float]] = {"none": (0.0, 0.0)}
    for method, raw in part.follow_up.items():
        path: KeyPath = ("cost", "follow_up", method)
        if method not in ("sheet", "membrane", "wet covering", "kept wet"):
            purse.problems.choice(
                method, path, allowed=("sheet", "membrane", "wet covering", "kept wet")
            )
            continue
        price, timed = purse.price(
            raw, path, per=HOURS, example='"2.5 EUR/m^2" or "1 EUR/m^2/d"', optional=True
        )
        prices[method] = (0.0, price) if timed else (price, 0.0)
    for method in used:
        if method not in prices:
            purse.problems.missing(
                ("cost", "follow_up", method),
                'the scenario uses this follow-up; write its price, such as "2.5 EUR/m^2", '
                "or 0 EUR/m^2 if it costs nothing",
            )
    return MappingProxyType(prices)


def _rate(part: CostPart, problems: Problems) -> float:
    """Real discount rate per year."""

    def read(raw: object, key: str) -> float:
        value = problems.quantity(raw, ("cost", key), kind=NUMBER, to="")
        if value <= -1.0:
            problems.add(("cost", key), "must be above -100 %", found=raw)
            return math.nan
        (low, low_words), (high, high_words) = RATES
        if not math.isnan(value) and not low <= value <= high:
            problems.add(
                ("cost", key),
                f"must be between {low_words} and {high_words}; a plain number is a share, "
                '0.03 is "3 %"',
                found=raw,
            )
            return math.nan
        return value

    if part.real_rate is not None and part.nominal_rate is not None:
        problems.add(
            ("cost", "nominal_rate"),
            "is given beside real_rate; give exactly one of them",
            found=part.nominal_rate,
        )
        return math.nan
    if part.real_rate is not None:
        if part.inflation is not None:
            problems.add(
                ("cost", "inflation"),
                "is not used by a real rate; leave it out, or give nominal_rate",
                found=part.inflation,
            )
        return read(part.real_rate, "real_rate")
    if part.nominal_rate is not None:
        nominal = read(part.nominal_rate, "nominal_rate")
        if part.inflation is None:
            problems.missing(("cost", "inflation"), 'a nominal rate needs it, such as "2 %"')
            return math.nan
        inflation = read(part.inflation, "inflation")
        if math.isnan(nominal) or math.isnan(inflation):
            return math.nan
        return real_rate(nominal, inflation)
    problems.missing(
        ("cost", "real_rate"), 'such as "3 %"; or give nominal_rate together with inflation'
    )
    return math.nan


def _instalments(part: CostPart, problems: Problems) -> tuple[tuple[float, float], ...]:
    path: KeyPath = ("cost", "repair_parts")
    if part.repair_parts is None:
        return ((0.0, 1.0),)
    if not part.repair_parts or len(part.repair_parts) > INSTALMENTS:
        problems.add(
            path,
            f"has {len(part.repair_parts)} entries; between 1 and {INSTALMENTS} are allowed, "
            'such as { after = "10 yr", share = 0.5 }',
        )
        return ((0.0, 1.0),)
    found = []
    for n, item in enumerate(part.repair_parts):
        after, share = math.nan, math.nan
        if item.after is None:
            problems.missing((*path, n, "after"), 'years after depassivation, such as "10 yr"')
        else:
            after = problems.quantity(
                item.after,
                (*path, n, "after"),
                kind=TIME,
                to="year",
                low=(0.0, "0 yr"),
                high=(500.0, "500 yr"),
            )
        if item.share is None:
            problems.missing((*path, n, "share"), "share of the price of the repair, such as 0.5")
        else:
            share = problems.quantity(
                item.share,
                (*path, n, "share"),
                kind=NUMBER,
                to="",
                low=(0.0, "0"),
                high=(1.0, "1"),
            )
        found.append((after, share))
    return tuple(found)


def _first_names(per: Mapping[str, float]) -> list[str]:
    """Name each size once, by its first spelling."""
    names: dict[float, str] = {}
    for name, size in per.items():
        names.setdefault(size, name)
    return list(names.values())


def _words(path: KeyPath) -> str:
    return ".".join(str(part) for part in path)
