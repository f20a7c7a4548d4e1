"""Equivalent age: broadcasting, limits and what it refuses."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from stripwise.curing.maturity import (
    MATURITY_FUNCTIONS,
    arrhenius_factor,
    equivalent_age,
    nurse_saul_factor,
    nurse_saul_maturity,
)
from stripwise.errors import InputError

USUAL = {"reference_c": 20.0, "activation_temperature": 5000.0, "datum_c": 0.0}


@pytest.mark.parametrize("function", MATURITY_FUNCTIONS)
def test_an_hour_at_the_reference_temperature_is_an_hour(function):
    assert equivalent_age(1.0, 20.0, function=function, **USUAL) == pytest.approx(1.0, rel=1e-14)


@pytest.mark.parametrize("function", MATURITY_FUNCTIONS)
@given(st.floats(1.0, 60.0), st.floats(0.1, 20.0))
def test_warmer_concrete_ages_faster(function, celsius, difference):
    cold, warm = equivalent_age(12.0, [celsius, celsius + difference], function=function, **USUAL)
    assert 0 < cold < warm


@pytest.mark.parametrize("function", MATURITY_FUNCTIONS)
def test_arrays_broadcast_and_equal_a_loop(function):
    hours, celsius = np.array([[6.0], [24.0], [80.0]]), np.array([3.0, 12.0, 20.0, 35.0])
    age = equivalent_age(hours, celsius, function=function, **USUAL)
    assert age.shape == (3, 4)
    loop = [
        [float(equivalent_age(h, c, function=function, **USUAL)) for c in celsius]
        for h in hours[:, 0]
    ]
    assert_allclose(age, loop, rtol=1e-14)


def test_the_nurse_saul_factor_is_zero_at_and_below_the_datum():
    factor = nurse_saul_factor([-30.0, -10.0, -9.0], datum_c=-10.0, reference_c=20.0)
    assert_allclose(factor, [0.0, 0.0, 1.0 / 30.0], rtol=1e-12, atol=1e-14)


def test_the_two_functions_touch_at_the_reference():
    # d/dT of exp(-Q(1/T - 1/Ts)) at Ts is Q/Ts^2; the Nurse-Saul function has 1/(Ts - T0). They
    # are tangent for T0 = Ts - Ts^2/Q, in kelvin.
    tangent = 20.0 - 293.15**2 / 5000.0
    step = 0.01
    arrhenius = arrhenius_factor(20.0 + step, reference_c=20.0, activation_temperature=5000.0)
    straight = nurse_saul_factor(20.0 + step, datum_c=tangent, reference_c=20.0)
    assert_allclose(arrhenius, straight, rtol=0, atol=2e-7)
    assert arrhenius - 1.0 == pytest.approx(5.8e-4, rel=0.01)


def test_an_unknown_function_is_refused_by_name():
    with pytest.raises(InputError) as caught:
        equivalent_age(1.0, 20.0, function="weaver", **USUAL)
    assert str(caught.value) == "maturity: is 'weaver'; must be one of arrhenius, nurse-saul"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: arrhenius_factor(
                [10.0, -300.0], reference_c=20.0, activation_temperature=5000.0
            ),
            "temperature: = -300 degC: must be finite and above -273.15 degC",
        ),
        (
            lambda: arrhenius_factor(np.nan, reference_c=20.0, activation_temperature=5000.0),
            "temperature: = nan degC: must be finite and above -273.15 degC",
        ),
        (
            lambda: arrhenius_factor(10.0, reference_c=20.0, activation_temperature=-1.0),
            "activation temperature: = -1 K: must be above 0 K",
        ),
        (
            lambda: nurse_saul_factor(10.0, datum_c=25.0, reference_c=20.0),
            "reference temperature: = 20 degC: must be above the datum 25 degC",
        ),
        (
            lambda: nurse_saul_maturity(1.0, np.inf, datum_c=0.0),
            "temperature: = inf degC: must be finite and above -273.15 degC",
        ),
    ],
)
def test_impossible_temperatures_are_refused(call, message):
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == message
