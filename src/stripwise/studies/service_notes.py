"""What each convention and option of the physics does to the answer, in sentences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stripwise.ingress.season import MONTHS, monthly_deviations, seasonal_factor
from stripwise.ingress.transformed_time import AgeingLaw
from stripwise.risk.model.service_conditions import ServiceConditions
from stripwise.risk.model.wall import COVER, Wall
from stripwise.risk.probability.integral import front_depths, initiation_ages
from stripwise.scenario.model import Scenario
from stripwise.units.formatting import interval, length, number, years

__all__ = ["mean_values", "omitted_options", "service_notes"]

AGEING_EXPONENT = "concrete.ageing_exponent"
TEMPERATURE_COEFFICIENT = "concrete.temperature_coefficient"
MEAN_PENALTY = "mean.penalty"
"""Name of the mean penalty that stands in for the reference strategy's own."""


def service_notes(
    scenario: Scenario, wall: Wall, *, penalty: float | None = None
) -> tuple[str, ...]:
    """State what each convention and option does to the answer, worked out at mean values.

    `penalty` is the mean k_c of the reference strategy, as in the hand check; if None, that at the
    mean of the curing law's variables.
    """
    service = scenario.service
    notes: list[str] = []
    if service.chloride:
        notes.append(_ageing_note(scenario, wall, penalty))
    if service.history is not None:
        notes += _history_notes(scenario, wall, penalty)
    if wall.monthly and service.chloride:
        notes.append(_season_note(scenario, wall))
    notes += _layer_notes(scenario, wall, penalty)
    notes += _mechanism_notes(scenario)
    if service.factor_input:
        law = wall.input(service.factor_input).distribution
        notes.append(
            "Model uncertainty is switched on: the depth of the front is multiplied by a factor "
            f"with mean {number(law.mean)} and sd {number(law.sd)}."
        )
    notes += _cracking_notes(scenario, wall)
    return tuple(notes)


def omitted_options(scenario: Scenario, what: str) -> list[str]:
    """State which options an analysis up to depassivation leaves out; `what` names the analysis."""
    service = scenario.service
    parts = [
        words
        for option, words in (
            (service.cracking, "the first crack ([cracking])"),
            (service.extent, "the share of the face that is affected ([extent])"),
        )
        if option is not None
    ]
    if not parts:
        return []
    return [
        f"This {what} ends at depassivation of one point of the face: {' and '.join(parts)} "
        f"{'are' if len(parts) > 1 else 'is'} not part of it; `stripwise run` has "
        f"{'them' if len(parts) > 1 else 'it'}."
    ]


def _layer_notes(scenario: Scenario, wall: Wall, penalty: float | None) -> list[str]:
    service, conditions = scenario.service, wall.conditions
    notes = []
    if service.uncredited_coating:
        notes.append(
            "The face is coated; no credit is taken for it, since the evidence for how much "
            "chloride a coating keeps out, and for how long, is thin. That is the cautious "
            "reading; coating.credit = true computes it."
        )
    if conditions is None or not conditions.numerical:
        return notes
    if service.layers:
        notes.append(_layers_note(scenario, wall))
    if service.coating is not None:
        notes.append(_coating_note(scenario, wall, penalty))
    return notes


def _layers_note(scenario: Scenario, wall: Wall) -> str:
    values, parts = mean_values(wall), []
    for layer in scenario.service.layers:
        layer_words = _length(values[layer.thickness], scenario)
        if layer.factor:
            layer_words += f" of {number(values[layer.factor])} times the diffusivity"
        if layer.penalty_share:
            layer_words += f" with the penalty to the power {number(values[layer.penalty_share])}"
        parts.append(layer_words)
    depth = "down to the affected depth" if wall.layered else "over the whole cover"
    return (
        f"Layers from the surface inwards, at mean values: {'; '.join(parts)}. The cover counts "
        f"from the outer surface of the first. The penalty of early stripping acts {depth}; where "
        "a layer names no share, it has all of it, the cautious reading."
    )


def _coating_note(scenario: Scenario, wall: Wall, penalty: float | None) -> str:
    coating, values = scenario.service.coating, mean_values(wall)
    assert coating is not None
    assert wall.conditions is not None
    life, name = scenario.target.service_life, scenario.reference_strategy
    depth, start = _mean_front(wall, life, name, penalty)
    uncoated = replace(wall, conditions=replace(wall.conditions, coating=None))
    other, sooner = _mean_front(uncoated, life, name, penalty)
    if coating.resistance:
        resistance = values[coating.resistance]
    else:
        resistance = values[coating.thickness] / values[coating.diffusivity]
    both = scenario.service.carbonation
    shade = " No credit is taken for it against carbonation." if both else ""
    return (
        f"Coating: credit is taken, as the scenario asks. Until it ends after "
        f"{years(values[coating.life])} (mean) it is a resistance of {number(resistance)} yr/mm in "
        "series with the concrete; it neither ages nor warms, takes up no chloride itself, and is "
        "without holes. Then it is gone at once and is not renewed. The zone at the surface where "
        "convection rules keeps its depth under it. At mean values the front of "
        f"{name} lies at {_length(depth, scenario)} after {years(life)} against "
        f"{_length(other, scenario)} without it; "
        f"{_compare_initiation(start, sooner, wall, between='against')}. The evidence for the "
        "life of coatings is thin: a decision should also stand without it; the table of the "
        f"results shows both.{shade}"
    )


def mean_values(wall: Wall) -> dict[str, float]:
    """Mean of every input by name, in internal units."""
    return {item.name: item.distribution.mean for item in wall.inputs}


def _mean_front(wall: Wall, age: float, name: str, penalty: float | None) -> tuple[float, float]:
    """Depth of the front [mm] and initiation age [yr] of one strategy at mean values."""
    plan = next(p for p in wall.plans if p.name == name)
    values = mean_values(wall)
    if penalty is not None and (wall.conditions is None or wall.conditions.chloride):
        values[MEAN_PENALTY] = penalty
        plan = replace(plan, penalty=MEAN_PENALTY, factor="")
    one = wall.with_plans((plan,))
    block = one.sample_block(values)
    depth = float(np.ravel(front_depths(one, block, age)[0])[0])
    return depth, float(np.ravel(initiation_ages(one, block, values))[0])


def _length(mm: float, scenario: Scenario) -> str:
    return length(mm, units=scenario.units)


def _years(age: float, wall: Wall) -> str:
    # a numerical solution ends at the horizon
    last = wall.conditions.horizon if wall.conditions and wall.numerical else 1000.0
    return years(age, horizon=last).replace("more than", "beyond")


def _compare_initiation(first: float, second: float, wall: Wall, *, between: str) -> str:
    """Compare two initiation ages [yr], which may both lie beyond what is computed."""
    one, other = _years(first, wall), _years(second, wall)
    if one == other:
        return f"initiation {one} either way"
    lead = "at " if np.isfinite(first) and not one.startswith("beyond") else ""
    return f"initiation {lead}{one} {between} {other}"


def _ageing_note(scenario: Scenario, wall: Wall, penalty: float | None) -> str:
    life, name = scenario.target.service_life, scenario.reference_strategy
    ageing_law = wall.ageing_law
    other = "instantaneous" if ageing_law.convention == "apparent" else "apparent"
    other_convention = replace(wall, ageing_law=replace(ageing_law, convention=other))
    depth, start = _mean_front(wall, life, name, penalty)
    changed, later = _mean_front(other_convention, life, name, penalty)
    exponent = wall.input(AGEING_EXPONENT).distribution.mean
    ratio = _convention_ratio(ageing_law, life, exponent)
    return (
        f"Ageing convention: the exponent is read as that of the {ageing_law.convention} diffusivity. "
        f"The same exponent of {number(exponent)} read the other way ({other}) would multiply the "
        f"diffusivity averaged over {years(life)} by {number(ratio)} and, at mean values, put the front "
        f"of {name} at {_length(changed, scenario)} instead of {_length(depth, scenario)} and "
        f"{_compare_initiation(later, start, wall, between='instead of')} (relation of the "
        "two after Tang and Gulikers, 2007, recalled)."
    )


def _four_digits(x: float) -> str:
    return number(x, 4)


def _convention_ratio(ageing_law: AgeingLaw, age: float, exponent: float) -> float:
    """Return transformed time by the other convention over that by the clock's own."""
    other = "instantaneous" if ageing_law.convention == "apparent" else "apparent"
    changed = replace(ageing_law, convention=other)
    return float(
        np.exp(
            changed.log_effective_time(age, exponent) - ageing_law.log_effective_time(age, exponent)
        )
    )


def _history_notes(scenario: Scenario, wall: Wall, penalty: float | None) -> list[str]:
    history, life = scenario.service.history, scenario.target.service_life
    assert history is not None
    name = scenario.reference_strategy
    constant = (
        ServiceConditions() if wall.conditions is None else replace(wall.conditions, history=None)
    )
    full = replace(wall, conditions=constant)
    depth, start = _mean_front(wall, life, name, penalty)
    other, sooner = _mean_front(full, life, name, penalty)
    if history.shape == "table":
        how = "follows the table of the scenario, straight between its rows"
    else:
        span = wall.input(scenario.service.duration_input).distribution.mean
        how = (
            f"rises {'linearly' if history.shape == 'linear' else 'with the square root of time'} "
            f"from the initial content over {years(span)} (mean) and then stays"
        )
    notes = [
        f"Surface chloride in time: it {how}. At mean values the front of {name} lies at "
        f"{_length(depth, scenario)} after {years(life)} against {_length(other, scenario)} with the "
        f"full content from the start; {_compare_initiation(start, sooner, wall, between='against')}.",
        "The rise is superposed step by step in transformed time, which reads the slope of that "
        "time as the diffusivity of the instant, under either ageing convention.",
    ]
    if history.falls:
        notes.append(
            "The surface content falls at times: steel once depassivated counts as depassivated, "
            "so that the deepest front so far governs."
        )
    return notes


def _season_note(scenario: Scenario, wall: Wall) -> str:
    life = scenario.target.service_life
    values = mean_values(wall)
    exponent, coefficient = values[AGEING_EXPONENT], values[TEMPERATURE_COEFFICIENT]
    deviations = monthly_deviations(wall.monthly, coefficient)

    def factor(age: float, first: int) -> float:
        factors = seasonal_factor(
            age, exponent, deviations=deviations, ageing_law=wall.ageing_law, first_month=first
        )
        return float(factors[0])

    chosen = scenario.service.first_month
    if chosen is not None:
        return (
            f"Seasons are integrated from {MONTHS[chosen]}: at mean values the transformed time is "
            f"{number(factor(1.0, chosen), 4)} times that of the year's mean temperature factor after "
            f"1 yr and {number(factor(life, chosen), 4)} times after {years(life)}. Curves are computed at "
            "anniversaries of first exposure."
        )
    early, late = ([factor(age, m) for m in range(12)] for age in (1.0, life))
    return (
        "The temperature factor is the mean of twelve monthly factors. Integrating the seasons "
        f"from the month of first exposure would multiply the transformed time by "
        f"{interval(min(early), max(early), _four_digits)} after 1 yr and by "
        f"{interval(min(late), max(late), _four_digits)} after {years(life)}, by the month (exposure.first_exposure)."
    )


def _mechanism_notes(scenario: Scenario) -> list[str]:
    service = scenario.service
    if not service.carbonation:
        return []
    notes = [
        "Carbonation is computed as in fib Bulletin 34 (2006), Annex B1 (recalled), with that "
        "model's own curing term (t_c / 7 d)^b_c of the effective curing duration; here nothing "
        "is this project's own combination except the effective duration itself."
    ]
    if service.chloride:
        notes.append(
            "Two mechanisms share one cover: at each age the deeper of the chloride and the "
            "carbonation front governs. That carbonated concrete frees bound chloride is not "
            "counted."
        )
    else:
        notes.append(
            "Carbonation is the only mechanism of this scenario: the penalty shown is that of its "
            "curing term, on the inverse resistance to carbonation."
        )
    return notes


def _cracking_notes(scenario: Scenario, wall: Wall) -> list[str]:
    cracking = scenario.service.cracking
    if cracking is None:
        return []
    steel = f" Steel: {cracking.steel}." if cracking.steel else ""
    cover = wall.input(COVER).distribution.mean
    notes = [
        "Two lives are told apart. Initiation: the front is at the steel. Cracking: since then "
        "the bar has lost the radius x0 = 74.4 + 7.3 c/d - 17.4 f_t (DuraCrete, recalled; "
        f"c/d here {number(cover / wall.input('cracking.bar_diameter').distribution.mean, 2)} at the "
        "mean cover) at the corrosion rate while wet times the share of time wet. Nothing is said "
        f"about the width of cracks, spalling or strength.{steel}"
    ]
    if cracking.coated:
        notes.append(
            "The bars are coated; no credit is taken for it, neither in the critical content nor "
            "in the time to cracking, since the evidence for either is thin. That is the cautious "
            "reading."
        )
    return notes
