"""Which steps lead from the mean values to the front, for a pocket calculator."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy import special

from stripwise.ingress.carbonation import curing_term, humidity_term
from stripwise.ingress.transformed_time import REFERENCE_TEMPERATURE
from stripwise.risk.model.wall import COVER, DIFFUSIVITY, Plan, Wall
from stripwise.risk.probability.cover_margin import wall_at_means
from stripwise.risk.probability.integral import front_depths, initiation_ages
from stripwise.studies.results import HandStep

__all__ = ["carbonation_steps", "hand_check"]

MM2_YR_PER_1E12_M2_S = 31.5576


def hand_check(
    wall: Wall, plan: Plan, *, age: float, penalty: float, nominal: float | None = None
) -> tuple[HandStep, ...]:
    """Work one strategy through at the mean of every input, at an age [yr] and a penalty k_c.

    With a `nominal` cover [mm] the penalty is the characteristic one, and the margin is that to the
    nominal cover, as in a rule for the drawing; else they are the mean penalty and the mean cover.
    There are no steps where the front is a model of the caller's own.
    """
    if wall.front_model is not None:
        return ()
    one, wall_face, mean = wall_at_means(wall, plan, penalty=penalty)
    exponent, zone, cover = mean["concrete.ageing_exponent"], float(wall_face.zone), mean[COVER]
    diffusivity = mean[DIFFUSIVITY]
    rate = float(np.exp(wall_face.log_rate))
    temperature_factor = rate / diffusivity / wall.test_factor
    tau = float(rate * np.exp(wall.ageing_law.log_effective_time(age, exponent)))
    ageing = tau / (rate * age)
    depth = float(front_depths(one, wall_face, age)[0])
    initiation = float(initiation_ages(one, wall_face, mean)[0, 0])
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
        HandStep("Penalty factor, its mean", "k_c", "mean of the samples", penalty, "")
        if nominal is None
        else HandStep("Characteristic penalty factor", "k_c", "from the law at t_c", penalty, ""),
        HandStep(
            "Temperature factor", "k_e", _temperature_formula(wall, mean), temperature_factor, ""
        ),
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
            f"{temperature_factor:.4f} x {wall.test_factor:g} x {diffusivity:.2f} x {ageing:.5f} x {age:g}",
            tau,
            "mm2",
        ),
        HandStep(
            "Share of the surface content at the front",
            "rho",
            f"({cc:.3g} - {c0:.3g}) / ({cs:.3g} - {c0:.3g})",
            float(wall_face.ratio),
            "",
        ),
    ]
    if not 0.0 < float(wall_face.ratio) < 1.0:
        words = (
            "At mean values the surface content stays below the critical content: no front"
            if float(wall_face.ratio) >= 1.0
            else "At mean values the initial content is critical: depassivated from the start"
        )
        return (*steps, HandStep(words, "x_c", "", depth, "mm"))
    z = float(special.erfcinv(wall_face.ratio))
    steps.append(
        HandStep("Inverse of erfc, from a table", "z", f"erfc(z) = {wall_face.ratio:.4f}", z, "")
    )
    front = (
        f"{zone:.2f} + 2 x {z:.4f} x sqrt({penalty:.4f} x {tau:.2f})"
        if not wall.layered
        else f"skin of {float(wall_face.skin):.3g} mm: solved, not by hand; bound without a penalty "
        f"{zone + 2 * z * np.sqrt(tau):.2f} mm"
    )
    steps += [
        HandStep(f"Depth of the chloride front at {age:g} yr", "x_c", front, depth, "mm"),
        HandStep(
            "Margin to the mean cover", "c - x_c", f"{cover:.2f} - {depth:.2f}", cover - depth, "mm"
        )
        if nominal is None
        else HandStep(
            "Margin to the nominal cover",
            "c_nom - x_c",
            f"{nominal:.2f} - {depth:.2f}",
            nominal - depth,
            "mm",
        ),
        HandStep(
            "Initiation age at mean values",
            "t_i",
            _initiation_formula(
                wall, age, exponent, depths=(zone, depth, cover), initiation=initiation
            ),
            initiation,
            "yr",
        ),
    ]
    return tuple(steps)


def _initiation_formula(
    wall: Wall,
    age: float,
    exponent: float,
    *,
    depths: tuple[float, float, float],
    initiation: float,
) -> str:
    """Scale the age by the depths where the front grows with one power of time throughout."""
    zone, front, cover = depths
    ageing_law = wall.ageing_law
    steady = ageing_law.convention == "apparent" and max(age, initiation) <= ageing_law.ageing_ends
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
    return f"({text}) / 24"


def _temperature_formula(wall: Wall, mean: Mapping[str, float]) -> str:
    coefficient = mean["concrete.temperature_coefficient"]
    if wall.monthly:
        return (
            f"mean over 12 months of exp({coefficient:.0f} x (1/{REFERENCE_TEMPERATURE:g} - 1/T))"
        )
    temperature = mean["exposure.temperature"]
    return f"exp({coefficient:.0f} x (1/{REFERENCE_TEMPERATURE:g} - 1/{temperature:.2f}))"


def _ageing_formula(wall: Wall, age: float, exponent: float) -> str:
    ageing_law = wall.ageing_law
    reference = ageing_law.reference_age
    if ageing_law.convention == "apparent" and age <= ageing_law.ageing_ends:
        return f"({reference:.5f} / {age:g})^{exponent:.3f}"
    if ageing_law.convention == "apparent":
        return f"({reference:.5f} / {ageing_law.ageing_ends:g})^{exponent:.3f}"
    until, initiation = min(age, ageing_law.ageing_ends), ageing_law.exposure_age
    text = (
        f"{reference:.5f}^{exponent:.3f} x [({until:g} + {initiation:.5f})^(1 - {exponent:.3f})"
        f" - {initiation:.5f}^(1 - {exponent:.3f})] / (1 - {exponent:.3f})"
    )
    if age > until:
        late = (
            f"{age - until:g} x ({reference:.5f} / ({until:g} + {initiation:.5f}))^{exponent:.3f}"
        )
        text = f"({text} + {late})"
    return f"{text} / {age:g}"


def carbonation_steps(plan: Plan, values: Mapping[str, float], *, age: float) -> list[HandStep]:
    """Work the carbonation front of one strategy at the mean of every input, at an age [yr].

    References
    ----------
    fib Bulletin 34, 2006, Annex B1 (recalled).
    """
    days = float(plan.effective_days(values))
    inputs = {name.removeprefix("carbonation."): v for name, v in values.items()}
    humidity, exponent = inputs["relative_humidity"], inputs["curing_exponent"]
    climate, curing = float(humidity_term(humidity)), float(curing_term(days, exponent))
    resistance = inputs["test_factor"] * inputs["inverse_resistance"] + inputs["test_error"]
    rate = 2.0 * climate * curing * resistance * inputs["co2"]
    wet = inputs["rain_share"] * inputs["wet_share"]
    power = 0.5 * wet ** inputs["weather_exponent"] if wet > 0.0 else 0.0
    initiation = 28.0 / 365.25
    weather = (initiation / age) ** power
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
            f"{inputs['test_factor']:.3g} x {inputs['inverse_resistance']:.1f} + {inputs['test_error']:.1f}",
            resistance,
            "mm2/yr/(kg/m3)",
        ),
        HandStep(
            "Weather factor",
            "W",
            f"({initiation:.5f} / {age:g})^(({inputs['rain_share']:.3g} x {inputs['wet_share']:.3g})^"
            f"{inputs['weather_exponent']:.3f} / 2)"
            if wet > 0.0
            else "1 for a sheltered face",
            weather,
            "",
        ),
        HandStep(
            f"Carbonation front at {age:g} yr",
            "x_CO2",
            f"sqrt(2 x {climate:.4f} x {curing:.4f} x {resistance:.1f} x {inputs['co2']:.3g} x "
            f"{age:g}) x {weather:.4f}",
            depth,
            "mm",
        ),
    ]
