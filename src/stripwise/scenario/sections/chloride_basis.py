"""Chloride contents: from the basis of the file to per cent by mass of binder."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from stripwise.distributions.random_input import Input
from stripwise.errors import InputError
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.random_tables import Converter
from stripwise.scenario.shapes import BASES, ContentTable, Table
from stripwise.units.quantities import CONTENT, convert, split

__all__ = ["Contents", "basis_warnings"]

LIKELY = {"reinforcement.critical_chloride": (0.15, 3.0), "exposure.surface_chloride": (0.3, 8.0)}
"""Means [% by mass of binder] outside which the basis was probably mixed up; common practice."""


@dataclass(frozen=True, slots=True)
class Contents:
    """How contents are converted.

    Attributes
    ----------
    basis
        "binder" or "concrete"; empty if the file does not say.
    binder
        Binder content [kg/m3]; NaN where the file gives none.
    density
        Density of the concrete [kg/m3]; NaN where the file gives none.
    """

    basis: str = ""
    binder: float = math.nan
    density: float = math.nan

    def converters(
        self, table: Table, path: KeyPath, keys: Iterable[str], problems: Problems
    ) -> dict[str, Converter | None]:
        """Return the conversion to % by mass of binder of each input that the table gives."""
        tables = {key: getattr(table, key) for key in keys}
        return {
            key: self._converter(item, (*path, key), problems)
            for key, item in tables.items()
            if item is not None
        }

    def scale(self, table: ContentTable) -> float:
        """Return per cent of binder over the per cent that an input's table is written in."""
        return self._percent(1.0, table.basis or self.basis)

    def _converter(
        self, table: ContentTable, path: KeyPath, problems: Problems
    ) -> Converter | None:
        basis = self.basis
        if table.basis is not None:
            where = (*path, "basis")
            basis = problems.choice(table.basis, where, allowed=BASES)
            if basis == "concrete" and math.isnan(self.binder * self.density):
                problems.add(
                    where,
                    "needs exposure.binder_content and exposure.density to convert",
                    found=basis,
                )
                return None
        if not basis or (basis == "concrete" and math.isnan(self.binder * self.density)):
            return None  # already reported at exposure.chloride_basis
        return lambda raw, _difference: self._percent(raw, basis)

    def _percent(self, raw: object, basis: str) -> float:
        number, unit = split(raw)
        if unit in ("", "%"):
            return number if basis == "binder" else number * self.density / self.binder
        if unit not in CONTENT.units:
            raise InputError(
                "",
                f"{unit!r} is no unit of a chloride content; use a plain number or % (by mass of "
                f"{basis}), or {CONTENT.spellings} (of concrete)",
            )
        if math.isnan(self.binder):
            raise InputError("", "a content by volume needs exposure.binder_content to convert")
        per_volume = convert(number, CONTENT.units[unit], to="kg / m ** 3")
        return 100.0 * per_volume / self.binder


def basis_warnings(inputs: list[Input], basis: str) -> list[str]:
    """Return a sentence for each content that looks as if the basis was mixed up."""
    sentences = []
    for item in inputs:
        if item.name not in LIKELY:
            continue
        low, high = LIKELY[item.name]
        mean = item.distribution.mean
        if not low <= mean <= high:
            sentences.append(
                f"{item.name}: the mean is {mean:.3g} % by mass of binder, outside the usual "
                f"{low:g} to {high:g} %; the file's contents were read with chloride_basis = "
                f'"{basis}" unless the input says otherwise. Check that this is what they refer to.'
            )
    means = {item.name: item.distribution.mean for item in inputs}
    if means.keys() >= LIKELY.keys():
        critical, surface = (means[name] for name in LIKELY)
        if means["exposure.initial_chloride"] < surface <= critical:
            sentences.append(
                f"exposure.surface_chloride: its mean of {surface:.3g} % by mass of binder does "
                f"not exceed the critical content's {critical:.3g} %, so that chloride at this "
                "surface content never depassivates a mean wall. Check that both have the basis "
                "that the file says."
            )
    return sentences
