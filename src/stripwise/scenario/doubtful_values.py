"""Values that can be, each within its usual range, but that flatter the wall or fit no other value.

Each is a common slip of the pen (a factor of ten, a sign, a unit) that would turn the answer to yes.
The thresholds are round numbers of this project unless a source is named.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from stripwise.distributions.random_input import Input
from stripwise.scenario.sections.choices import Choices
from stripwise.scenario.sections.cost import Cost
from stripwise.scenario.sections.curing import Curing
from stripwise.scenario.sections.price_reading import CURRENCIES
from stripwise.scenario.sections.strategies import Strategy
from stripwise.scenario.sections.target import Target
from stripwise.units import formatting
from stripwise.units.names import printable

__all__ = ["doubtful_values"]

MM2_PER_YEAR = 31.5576
"""1e-12 m2/s in mm2/yr."""

LEAST_DIFFUSIVITY = 1.0 * MM2_PER_YEAR
"""Below the least published value at 28 d, 1.4e-12 m2/s (fib Bulletin 34, Annex B2, recalled)."""

MOST_AGEING = 0.7
"""Above those of fib Bulletin 34 (0.30 to 0.60, recalled)."""

LEAST_FRONT_FACTOR = 0.85

LEAST_ZONE = 2.0
"""Thinnest convection zone [mm] that is not 0."""

MOST_BIAS = 15.0
"""Largest plausible difference of mean and nominal cover [mm]."""

MOST_PROBABILITY = 0.2
"""Twice what is usually allowed for depassivation."""

SHORTEST_LIFE = 25.0
"""Shorter lives are those of temporary or replaceable parts (EN 1990, table 2.1, recalled) [yr]."""

COVER_PRICES = (0.08, 2.0)
"""Usual price of a mm of cover [per m2 and mm]; a thousand times it is that of a m3 in place."""

FORM_PRICES = (0.02, 1.5)
"""Usual price of an hour in the forms, and of a part of it but their hire [per m2 and h]."""

HIRE_PRICES = (0.005, 0.3)
"""Usual hire of the forms [per m2 and h]: 0.12 to 7.2 a day."""

CURING_PRICES = (0.02 / 24.0, 4.0 / 24.0)
"""Usual price of an hour of curing after stripping [per m2 and h]: 0.02 to 4 a day."""

THICKEST_FILM = 1.0
"""Coatings are films of some tenths of a mm, or mortars of some mm [mm] (EN 1504-2, recalled)."""

TIGHTEST_MORTAR = 0.1 * MM2_PER_YEAR
"""Diffusivity that a film stays below and a mortar above."""

MOST_RESISTANCE = 1.0 / (1e-3 * MM2_PER_YEAR)
"""Resistance of 1 mm of 1e-15 m2/s [yr/mm]."""

CHECK = "check the value"


def doubtful_values(
    inputs: Sequence[Input],
    *,
    target: Target,
    choices: Choices | None,
    strategies: Sequence[Strategy],
    curing: Curing,
    cost: Cost | None,
    bias: float,
) -> list[str]:
    """Return a sentence for each value that is doubtful; `bias` is that of the cover [mm]."""
    by_name = {item.name: item for item in inputs}
    return [
        *_doubtful_inputs(inputs),
        *(
            f'choices.concrete "{option.name}": {sentence}'
            for option in (choices.concretes if choices else ())
            for sentence in _doubtful_inputs(option.inputs)
        ),
        *_doubtful_cover(by_name.get("reinforcement.cover"), choices, bias),
        *_doubtful_target(target),
        *_doubtful_penalties(by_name, strategies, curing),
        *_doubtful_coating(by_name),
        *(_doubtful_cost(cost, target) if cost else ()),
        *(_doubtful_prices(cost) if cost and cost.currency in CURRENCIES else ()),
    ]


def _doubtful_inputs(inputs: Iterable[Input]) -> Iterable[str]:
    for item in inputs:
        mean = item.distribution.mean
        match item.name:
            case "concrete.diffusivity" if mean < LEAST_DIFFUSIVITY:
                yield (
                    f"{item.name}: {mean / MM2_PER_YEAR:.2g}e-12 m2/s lies below what is published "
                    f"for an age of 28 d (1.4e-12 and above); {CHECK}, its unit and "
                    "diffusivity_age."
                )
            case "concrete.ageing_exponent" if mean > MOST_AGEING:
                yield (
                    f"{item.name}: a mean of {mean:.2g} is more than most concretes reach (0.3 to "
                    f"{MOST_AGEING:g}), and the answer hangs on it; {CHECK} and its source."
                )
            case "model.front_factor" if mean < LEAST_FRONT_FACTOR:
                yield (
                    f"{item.name}: a mean of {mean:.2g} makes every front shallower than the model "
                    f"computes it; {CHECK}."
                )
            case "exposure.convection_zone" if 0.0 < mean < LEAST_ZONE:
                yield (
                    f"{item.name}: {mean:.2g} mm is thin for a convection zone, which is 0 or some "
                    f"millimetres; {CHECK} and its unit."
                )


def _doubtful_cover(cover: Input | None, choices: Choices | None, bias: float) -> Iterable[str]:
    if abs(bias) > MOST_BIAS:
        yield (
            f"reinforcement.cover.bias: the mean cover differs by {bias:.3g} mm from the nominal "
            f"one; surveys find some millimetres. {CHECK.capitalize()} and its unit."
        )
    if cover is None or choices is None:
        return
    nominal, (low, high, _) = cover.distribution.parent_mean - bias, choices.cover
    if not low <= nominal <= high:
        yield (
            f"reinforcement.cover: the nominal cover of {nominal:.4g} mm lies outside those on the "
            f"table, {low:.4g} to {high:.4g} mm (choices.cover); check both."
        )


def _doubtful_target(target: Target) -> Iterable[str]:
    if target.probability > MOST_PROBABILITY:
        yield (
            f"target: a probability of {target.probability:.2g} is allowed; for depassivation 0.1 "
            f"is usual (fib Bulletin 34, recalled). {CHECK.capitalize()}."
        )
    if target.service_life < SHORTEST_LIFE:
        yield (
            f"target.service_life: {target.service_life:.3g} yr is the life of a temporary or "
            f"replaceable part (EN 1990, table 2.1, recalled); {CHECK}."
        )


def _doubtful_penalties(
    inputs: Mapping[str, Input], strategies: Sequence[Strategy], curing: Curing
) -> Iterable[str]:
    """Doubt a penalty below 1 for a face that is cured for less than the reference."""
    for plan in strategies:
        if not plan.penalty_input or plan.penalty_origin:
            continue
        penalty = inputs[plan.penalty_input].distribution.mean
        cured = inputs[plan.strip_age_input].distribution.mean + plan.follow_up.duration_h
        if penalty < 1.0 and cured < 24.0 * curing.reference_d:
            yield (
                f"strategy {printable(plan.name)}: its penalty of {penalty:.3g} makes it denser "
                f"than concrete cured for {curing.reference_d:g} d, but it is cured for "
                f"{cured:.3g} h; a penalty multiplies the diffusivity. {CHECK.capitalize()}."
            )


def _doubtful_coating(inputs: Mapping[str, Input]) -> Iterable[str]:
    """Doubt a thickness that does not go with the diffusivity, and a resistance beyond a film's."""
    means = {
        key: inputs[f"coating.{key}"].distribution.mean
        for key in ("resistance", "thickness", "diffusivity")
        if f"coating.{key}" in inputs
    }
    resistance = means.get("resistance", 0.0)
    if "thickness" in means:
        thick, diffusivity = means["thickness"], means["diffusivity"]
        resistance = thick / diffusivity
        film, tight = thick <= THICKEST_FILM, diffusivity < TIGHTEST_MORTAR
        if film != tight:
            kind, other = ("a film", "a mortar") if film else ("a mortar", "a film")
            yield (
                f"coating.thickness: {thick:.3g} mm is the thickness of {kind}, and "
                f"{diffusivity / MM2_PER_YEAR:.2g}e-12 m2/s is the diffusivity of {other}. Films "
                f"are some tenths of a mm thick, mortars some mm (EN 1504-2, recalled); {CHECK} of "
                "both."
            )
    if resistance > MOST_RESISTANCE:
        yield (
            f"coating: a resistance of {resistance:.3g} yr/mm is more than that of 1 mm of 1e-15 "
            f"m2/s, {MOST_RESISTANCE:.3g} yr/mm, and lets next to no chloride through; {CHECK} of "
            "thickness and diffusivity."
        )


def _doubtful_prices(cost: Cost) -> Iterable[str]:
    """Doubt prices per hour and per mm, each told by the day or by the m3 as they are quoted."""
    parts = [
        (
            f"forms.{part}" if part else "forms",
            price,
            HIRE_PRICES if part == "hire" else FORM_PRICES,
        )
        for part, price in cost.form_parts.items()
    ]
    parts += [
        (f"follow_up.{method}", hourly, CURING_PRICES)
        for method, (_, hourly) in cost.follow_up.items()
    ]
    for key, price, (low, high) in parts:
        if price and not low <= price <= high:
            a_day, *usual = (
                cost.text(24.0 * x, f"{cost.currency}/m2/d") for x in (price, low, high)
            )
            yield (
                f"cost.{key}: this comes to {a_day}; usual are {usual[0]} to {usual[1]}. "
                f"{CHECK.capitalize()} and whether it is by the hour or by the day."
            )
    low, high = COVER_PRICES
    if cost.cover and not low <= cost.cover <= high:
        per_volume, least, most = (formatting.price(1000.0 * x) for x in (cost.cover, low, high))
        yield (
            f"cost.cover: this comes to {per_volume} {cost.currency} for a m3 of cover; usual are "
            f"{least} to {most}. {CHECK.capitalize()} and whether it is by the mm, the cm or the inch."
        )


def _doubtful_cost(cost: Cost, target: Target) -> Iterable[str]:
    shares = sum(share for _, share in cost.instalments)
    if abs(shares - 1.0) > 0.005:
        yield (
            f"cost.repair_parts: their shares add to {shares:.3g} of the price of a repair, not to "
            f"1; {CHECK}."
        )
    if cost.rate < 0.0:
        yield (
            f"cost: the real rate comes to {100.0 * cost.rate:.2g} % a year, so that a late repair "
            "costs more than an early one; check the sign, and that inflation and nominal_rate are "
            "not exchanged."
        )
    if cost.horizon < target.service_life:
        yield (
            f"cost.horizon: nothing is paid after {cost.horizon:.3g} yr, although the service life "
            f"is {target.service_life:.3g} yr; later repairs cost nothing here."
        )
