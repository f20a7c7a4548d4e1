"""A calculation at mean values that a reader can follow with a pocket calculator."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy import special

from stripwise.curing.curing_law import SHORTEST_H
from stripwise.ingress.carbonation import curing_term, humidity_term
from stripwise.ingress.clock import REFERENCE_TEMPERATURE
from stripwise.risk.model.wall import COVER, DIFFUSIVITY, Plan, Wall
from stripwise.risk.probability.integral import front_depths, initiation_ages
from stripwise.risk.probability.margin_format import at_means
from stripwise.studies.results import HandStep

__all__ = ["carbonation_steps", "hand_check"]

MM2_YR_PER_1E12_M2_S = 31.5576


def hand_check(wall: Wall, plan: Plan, *, age: float, penalty: float) -> tuple[HandStep, ...]:
    """Work one strategy through at the mean of every input.

    Parameters
    ----------
    wall
        The wall.
    plan
        The strategy.
    age
        Age since first exposure [yr].
    penalty
        Mean penalty factor k_c of the strategy.

    Returns
    -------
    The steps, in order.
    """
    one, face, mean = at_means(wall, plan, penalty=penalty)
    exponent, zone, cover = mean["concrete.ageing_exponent"], float(face.zone), mean[COVER]
    diffusivity = mean[DIFFUSIVITY]
    rate = float(np.exp(face.log_rate))
    warmth = rate / diffusivity / wall.test_factor
    tau = float(rate * np.exp(wall.clock.log_shape(age, exponent)))
    ageing = tau / (rate * age)
    depth = float(front_depths(one, face, age)[0])
    start = float(initiation_ages(one, face, mean)[0, 0])
    cs, c0 = mean["exposure.surface_chloride"], mean["exposure.initial_chloride"]
    cc = mean["reinforcement.critical_chloride"]
    days = float(plan.effective_days(mean))
    unit = diffusivity / MM2_YR_PER_1E12_M2_S
    steps = [
        HandStep(
            "Effective curing duration at the reference temperature",
            "t_c",
            _curing_formula(wall, plan, mean),
            days,
            "d",
        ),
        HandStep("Penalty factor, its mean", "k_c", "mean of the samples", penalty, ""),
        HandStep("Temperature factor", "k_e", _warmth_formula(wall, mean), warmth, ""),
        HandStep(
            "Diffusivity at the reference age",
            "D_ref",
            f"{unit:.4g} x 1e-12 m2/s x 31.5576",
            diffusivity,
            "mm2/yr",
        ),
        HandStep(
            f"Ageing over {age:g} yr", "f_a", _ageing_formula(wall, age, exponent), ageing, ""
        ),
        HandStep(
            "Transformed time of the reference concrete",
            "tau",
            f"{warmth:.4f} x {wall.test_factor:g} x {diffusivity:.2f} x {ageing:.5f} x {age:g}",
            tau,
            "mm2",
        ),
        HandStep(
            "Share of the surface content at the front",
            "rho",
            f"({cc:.3g} - {c0:.3g}) / ({cs:.3g} - {c0:.3g})",
            float(face.ratio),
            "",
        ),
    ]
    if not 0.0 < float(face.ratio) < 1.0:
        words = (
            "At mean values the surface content stays below the critical content: no front"
            if float(face.ratio) >= 1.0
            else "At mean values the initial content is critical: depassivated from the start"
        )
        return (*steps, HandStep(words, "x_c", "", depth, "mm"))
    z = float(special.erfcinv(face.ratio))
    steps.append(
        HandStep("Inverse of erfc, from a table", "z", f"erfc(z) = {face.ratio:.4f}", z, "")
    )
    front = (
        f"{zone:.2f} + 2 x {z:.4f} x sqrt({penalty:.4f} x {tau:.2f})"
        if not wall.layered
        else f"skin of {float(face.skin):.3g} mm: solved, not by hand; bound without a penalty "
        f"{zone + 2 * z * np.sqrt(tau):.2f} mm"
    )
    steps += [
        HandStep(f"Depth of the chloride front at {age:g} yr", "x_c", front, depth, "mm"),
        HandStep(
            "Margin to the mean cover", "c - x_c", f"{cover:.2f} - {depth:.2f}", cover - depth, "mm"
        ),
        HandStep(
            "Initiation age at mean values",
            "t_i",
            _start_formula(wall, age, exponent, depths=(zone, depth, cover), start=start),
            start,
            "yr",
        ),
    ]
    return tuple(steps)


def _start_formula(
    wall: Wall, age: float, exponent: float, *, depths: tuple[float, float, float], start: float
) -> str:
    """Scale the age by the depths where the front grows with one power of time throughout."""
    zone, front, cover = depths
    clock = wall.clock
    steady = clock.convention == "apparent" and max(age, start) <= clock.ageing_ends
    if wall.layered or not steady or not zone < min(front, cover) or exponent >= 1.0:
        return "x_c(t_i) = c"
    ratio = f"({cover:.2f} - {zone:.2f}) / ({front:.2f} - {zone:.2f})"
    return f"{age:g} x ({ratio})^(2 / (1 - {exponent:.3f}))"


def _curing_formula(wall: Wall, plan: Plan, mean: Mapping[str, float]) -> str:
    strip = mean[plan.strip_age] if isinstance(plan.strip_age, str) else plan.strip_age
    text = f"{strip:g} h x {plan.strip_factor:.4f}"
    if plan.retention:
        text += (
            f" + {mean[plan.retention]:.3g} x {plan.follow_up_h:g} h x {plan.follow_up_factor:.4f}"
        )
    hours = float(SHORTEST_H)
    if 24.0 * float(plan.effective_days(mean)) <= hours:
        return f"max({text}, {hours:g} h) / 24"
    return f"({text}) / 24"


def _warmth_formula(wall: Wall, mean: Mapping[str, float]) -> str:
    coefficient = mean["concrete.temperature_coefficient"]
    if wall.monthly:
        return (
            f"mean over 12 months of exp({coefficient:.0f} x (1/{REFERENCE_TEMPERATURE:g} - 1/T))"
        )
    temperature = mean["exposure.temperature"]
    return f"exp({coefficient:.0f} x (1/{REFERENCE_TEMPERATURE:g} - 1/{temperature:.2f}))"


def _ageing_formula(wall: Wall, age: float, exponent: float) -> str:
    clock = wall.clock
    reference = clock.reference_age
    if clock.convention == "apparent" and age <= clock.ageing_ends:
        return f"({reference:.5f} / {age:g})^{exponent:.3f}"
    if clock.convention == "apparent":
        return f"({reference:.5f} / {clock.ageing_ends:g})^{exponent:.3f}"
    until, start = min(age, clock.ageing_ends), clock.exposure_age
    text = (
        f"{reference:.5f}^{exponent:.3f} x [({until:g} + {start:.5f})^(1 - {exponent:.3f})"
        f" - {start:.5f}^(1 - {exponent:.3f})] / (1 - {exponent:.3f})"
    )
    if age > until:
        late = f"{age - until:g} x ({reference:.5f} / ({until:g} + {start:.5f}))^{exponent:.3f}"
        text = f"({text} + {late})"
    return f"{text} / {age:g}"


def carbonation_steps(plan: Plan, values: Mapping[str, float], *, age: float) -> list[HandStep]:
    """Work the carbonation front of one strategy at the mean of every input.

    Parameters
    ----------
    plan
        The strategy.
    values
        Every input at its mean, by name, in internal units.
    age
        Age since first exposure [yr].

    Returns
    -------
    The steps, in order.

    References
    ----------
    fib Bulletin 34, 2006, Annex B1 (recalled).
    """
    days = float(plan.effective_days(values))
    own = {name.removeprefix("carbonation."): v for name, v in values.items()}
    humidity, exponent = own["relative_humidity"], own["curing_exponent"]
    climate, curing = float(humidity_term(humidity)), float(curing_term(days, exponent))
    resistance = own["test_factor"] * own["inverse_resistance"] + own["test_error"]
    rate = 2.0 * climate * curing * resistance * own["co2"]
    wet = own["rain_share"] * own["wet_share"]
    power = 0.5 * wet ** own["weather_exponent"] if wet > 0.0 else 0.0
    start = 28.0 / 365.25
    weather = (start / age) ** power
    depth = float(np.sqrt(rate * age)) * weather
    return [
        HandStep(
            "Humidity factor of carbonation",
            "k_e,CO2",
            f"((1 - {humidity / 100:.3f}^5) / (1 - 0.65^5))^2.5",
            climate,
            "",
        ),
        HandStep(
            "Curing factor of carbonation",
            "k_c,CO2",
            f"({days:.3f} / 7)^({exponent:.3f})",
            curing,
            "",
        ),
        HandStep(
            "Inverse effective resistance",
            "k_t/R + eps",
            f"{own['test_factor']:.3g} x {own['inverse_resistance']:.1f} + {own['test_error']:.1f}",
            resistance,
            "mm2/yr/(kg/m3)",
        ),
        HandStep(
            "Weather factor",
            "W",
            f"({start:.5f} / {age:g})^(({own['rain_share']:.3g} x {own['wet_share']:.3g})^"
            f"{own['weather_exponent']:.3f} / 2)"
            if wet > 0.0
            else "1 for a sheltered face",
            weather,
            "",
        ),
        HandStep(
            f"Carbonation front at {age:g} yr",
            "x_CO2",
            f"sqrt(2 x {climate:.4f} x {curing:.4f} x {resistance:.1f} x {own['co2']:.3g} x "
            f"{age:g}) x {weather:.4f}",
            depth,
            "mm",
        ),
    ]
