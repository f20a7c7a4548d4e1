"""Chloride contents: from the basis of the file to per cent by mass of binder."""

from __future__ import annotations

import math
from dataclasses import dataclass

from stripwise.distributions.random_input import Input
from stripwise.errors import InputError
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.random_inputs import Converter
from stripwise.scenario.schema import ExposurePart, RandomInput
from stripwise.units.quantities import CONTENT, convert, split

__all__ = ["BASES", "Contents", "basis_warnings", "read_contents"]

BASES = ("binder", "concrete")

LIKELY = {
    "reinforcement.critical_chloride": (0.15, 3.0),
    "exposure.surface_chloride": (0.3, 8.0),
}
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

    basis: str
    binder: float
    density: float

    def converter(self, spec: RandomInput, path: KeyPath, problems: Problems) -> Converter | None:
        """Return the conversion to % by mass of binder of one input; None after a problem.

        Parameters
        ----------
        spec
            The input, which may carry its own basis.
        path
            Where it stands.
        problems
            Where to note.

        Returns
        -------
        The conversion.
        """
        basis = self.basis
        if spec.basis is not None:
            where = (*path, "basis")
            basis = problems.choice(spec.basis, where, allowed=BASES)
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


def read_contents(part: ExposurePart, problems: Problems) -> Contents:
    """Read the basis of the chloride contents, which has no default.

    Parameters
    ----------
    part
        [exposure] of the file.
    problems
        Where to note.

    Returns
    -------
    The `Contents`.
    """
    binder, density = math.nan, math.nan
    if part.binder_content is not None:
        binder = problems.quantity(
            part.binder_content,
            ("exposure", "binder_content"),
            kind=CONTENT,
            to="kg / m ** 3",
            low=(100.0, "100 kg/m^3"),
            high=(1000.0, "1000 kg/m^3"),
        )
    if part.density is not None:
        density = problems.quantity(
            part.density,
            ("exposure", "density"),
            kind=CONTENT,
            to="kg / m ** 3",
            low=(1000.0, "1000 kg/m^3"),
            high=(4000.0, "4000 kg/m^3"),
        )
    path = ("exposure", "chloride_basis")
    if part.chloride_basis is None:
        problems.missing(path, '"binder" or "concrete": the mass that the per cents refer to')
        return Contents("", binder, density)
    basis = problems.choice(part.chloride_basis, path, allowed=BASES)
    if part.chloride_basis == "concrete":
        for key in ("binder_content", "density"):
            if getattr(part, key) is None:
                problems.missing(
                    ("exposure", key),
                    f'chloride_basis = "concrete" needs it, such as "{_GUESS[key]}"',
                )
    return Contents(basis if basis == part.chloride_basis else "", binder, density)


_GUESS = {"binder_content": "350 kg/m^3", "density": "2350 kg/m^3"}


def basis_warnings(inputs: list[Input], basis: str) -> list[str]:
    """Return a sentence for each content that looks as if the basis was mixed up.

    Parameters
    ----------
    inputs
        All inputs of the scenario.
    basis
        Basis of the file.

    Returns
    -------
    The sentences.
    """
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
