"""[[intervention]]: what may be done to faces later on, at a price, to prevent repairs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from stripwise.scenario.engine import declared, read_keys
from stripwise.scenario.fields import PLAIN, YEARS, Price, Quantity, Text
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.sections.cost import Cost
from stripwise.scenario.sections.price_reading import Currency
from stripwise.scenario.shapes import Constant, String, Table

__all__ = [
    "INTERVENTION_NOTE",
    "NO_INTERVENTION",
    "Intervention",
    "InterventionTable",
    "read_interventions",
]

MOST_INTERVENTIONS = 10

NO_INTERVENTION = "nothing"
"""The option of none, by what is known now."""

INTERVENTION_NOTE = (
    "An [[intervention]] counts in two places alone: `stripwise inventory` works out what it saves, face "
    "by face, and `stripwise update --next` what an inspection before it is worth."
)


class InterventionTable(Table):
    """[[intervention]]."""

    name: Annotated[
        String | None,
        Text(
            "Name of the intervention.",
            shown=True,
            blank=False,
            needed="such as {}",
            example='"Impregnation"',
        ),
    ] = None
    price: Annotated[
        Constant | None,
        Price(
            "Price of the intervention.",
            {},
            usual=(1e-3, 2.0),
            optional=True,
            needed="write a price such as {}",
            example='"25 EUR/m^2"',
        ),
    ] = None
    year: Annotated[
        Constant | None,
        Quantity(
            "When it is done, counted from the state of the inventory or from the next inspection.",
            YEARS,
            "0 yr to 200 yr",
            usual="0 yr to 60 yr",
            needed="years from the state of the inventory, such as {}; 0 yr is at once",
            example='"2 yr"',
        ),
    ] = None
    effect: Annotated[
        Constant | None,
        Quantity(
            "Share of later depassivation that it prevents, as stated by the user.",
            PLAIN,
            "0 to 1",
            needed="the share of later depassivation that it prevents, such as {}; nothing here "
            "knows it",
            example="0.5",
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Intervention:
    """One intervention.

    Attributes
    ----------
    name
        As the scenario gives it.
    price
        Its price [per m2, in the currency of the costs].
    year
        When it is done [yr from the state of the inventory].
    effect
        Share of later depassivation that it prevents.
    """

    name: str
    price: float
    year: float
    effect: float


def read_interventions(
    tables: Sequence[InterventionTable], cost: Cost | None, problems: Problems
) -> tuple[Intervention, ...]:
    """Read the interventions; `cost` has the currency and the price of what they prevent."""
    root: KeyPath = ("intervention",)
    if not tables:
        return ()
    if len(tables) > MOST_INTERVENTIONS:
        problems.add(root, f"stands {len(tables)} times; at most {MOST_INTERVENTIONS} are allowed")
        return ()
    if cost is None:
        problems.add(root, "needs [cost], with the price of a repair that it prevents and a rate")
        return ()
    currency = Currency(cost.currency, "cost.repair", cost.area, cost.depth)
    found: list[Intervention] = []
    for index, table in enumerate(tables):
        path = (*root, index)
        readers = {"price": currency.reader(declared(InterventionTable, "price"), (*path, "price"))}
        own = read_keys(table, path, problems, readers=readers)
        if own["name"] in [one.name for one in found]:
            problems.add((*path, "name"), "is used twice", found=own["name"])
        if (own["name"] or "").casefold() == NO_INTERVENTION:
            rule = "stands for no intervention in the results; take another name"
            problems.add((*path, "name"), rule, found=own["name"])
        found.append(
            Intervention(
                own["name"] or "",
                **{key: math.nan if own[key] is None else own[key] for key in ("price", "year")},
                effect=math.nan if own["effect"] is None else own["effect"],
            )
        )
    currency.check(cost.repair, problems)
    return tuple(found)
