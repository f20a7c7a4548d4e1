"""Prices per area: their units, their one currency, and what is usual beside a repair."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from stripwise.errors import InputError
from stripwise.scenario.fields import Meant, Price, UnusualValueError
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.shapes import constant
from stripwise.units.formatting import AREAS as AREAS_WRITTEN
from stripwise.units.formatting import MM_PER_INCH
from stripwise.units.names import printable
from stripwise.units.quantities import split

__all__ = ["CURRENCIES", "HOURS", "LENGTHS", "Currency", "price", "split_price"]

CURRENCIES = ("AUD", "CAD", "CHF", "EUR", "GBP", "NZD", "SGD", "USD")
"""Currencies in which usual prices are known; any other is judged by shares of a repair alone."""

CURRENCY = re.compile(r"[A-Z]{3}")

AREAS = MappingProxyType(
    {name: size for area, size in AREAS_WRITTEN.items() for name in (f"{area[:-1]}^2", area)}
)
"""m2 in each unit of area."""

HOURS = MappingProxyType({"h": 1.0, "hr": 1.0, "hour": 1.0, "d": 24.0, "day": 24.0})
LENGTHS = MappingProxyType({"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH, "inch": MM_PER_INCH})


def price(raw: Any) -> Any:
    """Return a price, or its parts by name."""
    if isinstance(raw, dict):
        whole = "value" in raw
        return constant(raw) if whole else {str(key): constant(raw[key]) for key in raw}
    return constant(raw)


@dataclass(slots=True)
class Currency:
    """The currency of the first price, where it stood, and every price that was read.

    `area` is the unit of area of the first price, `depth` that of cover in the price of cover.
    """

    code: str = ""
    where: str = ""
    area: str = "m2"
    depth: str = "mm"
    read: list[tuple[KeyPath, object, float, Price]] = field(default_factory=list)

    def reader(self, rule: Price, path: KeyPath) -> Callable[[object], float]:
        """Return what reads the price at a path, per m2 and per unit of `rule.per`."""

        def read(raw: object) -> float:
            number, code, sizes = split_price(raw, rule)
            if not self.code:
                self.code, self.where = code, ".".join(str(part) for part in path)
                self.area = next(name for name, size in AREAS_WRITTEN.items() if size == sizes[0])
            elif code != self.code:
                raise InputError(
                    "",
                    f"is in {code}, but {self.where} is in {self.code}; use one currency "
                    "for all prices",
                )
            if number < 0.0:
                raise InputError("", "must be at least 0")
            if MM_PER_INCH in sizes[1:]:
                self.depth = "in"
            price = number / math.prod(sizes)
            low, high = rule.usual
            usual = rule.per is not None or code not in CURRENCIES or low <= price <= high
            if price and not usual and not _meant(raw):
                words = f"the usual price of a repair is {low:g} to {high:g} {code}/m^2"
                raise UnusualValueError("", words)
            self.read.append((path, raw, price, rule))
            return price

        return read

    def check(self, repair: float, problems: Problems) -> None:
        """Hold every price against that of a repair per m2, in whatever currency."""
        for path, raw, price, rule in self.read:
            low, high = (share * repair for share in rule.usual)
            if rule.per is None or not price * repair > 0.0 or low <= price <= high or _meant(raw):
                continue
            what = "the price of a repair per m^2"
            share = f"is {price / repair:.2g} times {what}; the usual share is {rule.usual[0]:g} to"
            insist = f"write {{ value = {printable(raw)}, unusual = true }} if it is meant"
            problems.add(path, f"{share} {rule.usual[1]:g}; check both, or {insist}", found=raw)


def _meant(raw: object) -> bool:
    return isinstance(raw, Meant) and raw.unusual


def split_price(raw: object, rule: Price) -> tuple[float, str, list[float]]:
    """Split a price into number, currency and the sizes of its units in m2, h or mm."""
    try:
        number, unit = split(raw.value if isinstance(raw, Meant) else raw)
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
    if not rule.per:
        return area
    names: dict[float, str] = {}
    for name, size in rule.per.items():
        names.setdefault(size, f"/{name}")
    return f"{area}, then {' or '.join(names.values())}" + (" or nothing" if rule.optional else "")
