"""Surface chloride in time, conventions, carbonation and first crack against published numbers."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stripwise.ingress.carbonation import (
    carbonation_age,
    carbonation_depth,
    carbonation_rate,
    curing_term,
    humidity_term,
    weather_power,
)
from stripwise.ingress.surface_history.duhamel_front import DuhamelFront
from stripwise.ingress.surface_history.surface_chloride import (
    SurfaceHistory,
    linear_response,
    splash_content,
    square_root_response,
)
from stripwise.ingress.transformed_time import AgeingLaw
from stripwise.published import constant, published_value
from stripwise.risk.probability.cracking import first_crack_loss


# Crank, The Mathematics of Diffusion, 1975, section 3.3.1, with the tables of i^n erfc in
# Abramowitz and Stegun, 7.2 (recalled, recomputed): content over that of the surface.
@pytest.mark.parametrize(
    ("shape", "closed", "printed"),
    [
        ("linear", linear_response, [0.279859, 0.056790, 0.000766]),
        ("square root", square_root_response, [0.353855, 0.089074, 0.001734]),
    ],
)
def test_rise_of_the_surface_by_the_closed_forms_of_crank(shape, closed, printed):
    u = np.array([0.5, 1.0, 2.0])
    assert_allclose(closed(u), printed, rtol=0, atol=5.1e-7)
    # the superposition, still rising: at 40 of 80 yr, constant diffusivity
    rise = DuhamelFront.from_history(
        SurfaceHistory(shape), ratio=0.1, duration=80.0, ageing_law=AgeingLaw(), exponent=0.0
    )
    surface = float(SurfaceHistory(shape).relative_content(40.0, 80.0))
    assert_allclose(rise.relative_content(u, 40.0) / surface, printed, rtol=0, atol=1e-5)


def test_linear_rise_to_a_plateau_is_the_difference_of_two_ramps():
    # Superposition of two of Crank's ramps, from the same closed form.
    rise = DuhamelFront.from_history(
        SurfaceHistory("linear"), ratio=0.1, duration=15.0, ageing_law=AgeingLaw(), exponent=0.0
    )
    u = np.array([0.3, 0.6, 1.0, 1.5])
    late = np.sqrt(1.0 - 15.0 / 40.0)
    exact = (linear_response(u) * 40.0 - linear_response(u / late) * 25.0) / 15.0
    assert_allclose(rise.relative_content(u, 40.0), exact, rtol=0, atol=2e-5)


# Gehlen, 2000; fib Bulletin 34, 2006, Annex B2 (recalled, less sure): % by mass of concrete by
# distance and height in cm.
@pytest.mark.parametrize(
    ("distance", "height", "printed"),
    [(0, 0, 0.465), (100, 0, 0.2296), (100, 100, 0.2022), (500, 0, 0.148), (1000, 0, 0.1127)],
)
def test_splash_beside_a_road(distance, height, printed):
    found = splash_content(10.0 * distance, height=10.0 * height)
    assert_allclose(found, printed, rtol=0, atol=5.1e-5)


# Tang and Gulikers, Cem. Concr. Res. 37, 2007 (recalled), their ratio of an apparent diffusivity
# from an instantaneous exponent to the simple power, exposed at 28 d (recomputed).
@pytest.mark.parametrize(
    ("exponent", "printed"),
    [
        (0.30, [1.2677, 1.3890, 1.4148, 1.4199]),
        (0.45, [1.4508, 1.7011, 1.7682, 1.7838]),
        (0.60, [1.6801, 2.1514, 2.3144, 2.3589]),
    ],
)
def test_the_relation_of_the_two_ageing_conventions(exponent, printed):
    ages = np.array([1.0, 10.0, 50.0, 100.0])
    instantaneous = AgeingLaw(convention="instantaneous")
    ratio = np.exp(
        instantaneous.log_effective_time(ages, exponent)
        - AgeingLaw().log_effective_time(ages, exponent)
    )
    assert_allclose(ratio, printed, rtol=0, atol=5.1e-5)
    t = 28.0 / 365.25 / ages
    formula = ((1.0 + t) ** (1.0 - exponent) - t ** (1.0 - exponent)) / (1.0 - exponent)
    assert_allclose(ratio, formula, rtol=1e-10)


# fib Bulletin 34, 2006, Annex B1 (recalled).
def test_terms_of_the_carbonation_model():
    days = [1, 2, 3, 5, 7, 14, 28]
    printed = [3.014, 2.035, 1.617, 1.210, 1.000, 0.675, 0.456]
    assert_allclose(curing_term(days, -0.567), printed, rtol=0, atol=5.1e-4)
    humidity = [65, 70, 75, 80, 85]
    assert_allclose(
        humidity_term(humidity), [1.0, 0.8593, 0.6915, 0.5045, 0.3142], rtol=0, atol=5.1e-5
    )
    assert humidity_term(100.0) == 0.0
    resistances = published_value("fib34.carbonation.inverse_resistance.cem_i").numbers
    assert dict(resistances) == {"0.45": 3.1, "0.50": 5.2, "0.55": 6.8, "0.60": 9.8}


@pytest.mark.parametrize(("days", "depth"), [(1, 22.64), (3, 16.58), (7, 13.04)])
def test_depth_of_carbonation_at_50_years(days, depth):
    # fib Bulletin 34, Annex B1: Portland cement, w/c 0.55, 75 % humidity, sheltered; computed
    # from the equation at the mean values.
    rate = carbonation_rate(
        humidity=75.0,
        curing=curing_term(days, constant("fib34.carbonation.curing_exponent.mean")),
        inverse_resistance=315.576 * constant("fib34.carbonation.inverse_resistance.cem_i.0.55"),
        test_factor=constant("fib34.carbonation.test_factor.mean"),
        test_error=constant("fib34.carbonation.test_error.mean"),
        co2=constant("fib34.carbonation.co2.mean"),
    )
    assert_allclose(carbonation_depth(50.0, rate=rate, power=0.0), depth, rtol=0, atol=5.1e-3)
    assert_allclose(carbonation_age(depth, rate=rate, power=0.0), 50.0, rtol=1e-3)


def test_rain_slows_carbonation_and_a_sheltered_face_has_none():
    assert weather_power(0.0, 0.3, 0.446) == 0.0
    power = weather_power(0.1, 0.25, 0.446)
    assert_allclose(power, 0.5 * 0.025**0.446, rtol=1e-12)
    wet = carbonation_depth(50.0, rate=4.0, power=power)
    start = 28.0 / 365.25
    assert_allclose(wet, np.sqrt(200.0) * (start / 50.0) ** power, rtol=1e-12)
    assert_allclose(carbonation_age(wet, rate=4.0, power=power), 50.0, rtol=1e-9)


def test_loss_of_radius_at_the_first_crack():
    # DuraCrete, BE95-1347, 2000 (recalled): cover 40 mm, bar 16 mm, 3 MPa gives 40.5 um, inside
    # the 15 to 50 um that Alonso et al., Mater. Struct. 31, 1998, saw.
    loss = first_crack_loss(40.0, bar_diameter=16.0, tensile_strength=3.0)
    assert_allclose(loss, 40.5, rtol=0, atol=0.051)
    seen = published_value("alonso1998.first_crack").numbers
    assert seen["low"] < loss < seen["high"]


def test_corrosion_rates_as_published():
    # DuraCrete R9, 2000 (recalled, less sure): mean, sd [um/yr], share of time wet.
    printed = {
        "rarely_dry": (4, 3, 1.0),
        "cyclic": (30, 20, 0.75),
        "airborne": (30, 20, 0.5),
        "tidal": (70, 40, 1.0),
    }
    for name, row in printed.items():
        assert tuple(published_value(f"duracrete.corrosion_rate.{name}").numbers.values()) == row
    # RILEM TC 154: the moderate class ends at 1 uA/cm2, 11.6 um/yr; "cyclic" lies beyond it.
    high = constant("rilem.corrosion_class.moderate_below")
    assert constant("corrosion.penetration_per_current") * high < 30.0
