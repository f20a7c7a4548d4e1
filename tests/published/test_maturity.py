"""Maturity functions against the factors printed in standards and textbooks."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stripwise.curing.maturity import (
    arrhenius_factor,
    equivalent_age,
    nurse_saul_factor,
    nurse_saul_maturity,
)
from stripwise.published import constant

TEMPERATURES = np.array([5.0, 10.0, 15.0, 20.0, 30.0])


# ASTM C1074, equivalent age function, Q 5000 K; Ts 23 degC (C1074), 20 degC (Europe).
# Recalled, recomputed: the rows are printed to four decimals.
@pytest.mark.parametrize(
    ("reference", "printed"),
    [
        ("c1074", [0.3354, 0.4606, 0.6258, 0.8413, 1.4768]),
        ("europe", [0.3986, 0.5475, 0.7438, 1.0, 1.7553]),
    ],
)
def test_arrhenius_factors_of_c1074(reference, printed):
    factor = arrhenius_factor(
        TEMPERATURES,
        reference_c=constant(f"maturity.reference_temperature.{reference}"),
        activation_temperature=constant("maturity.activation_temperature"),
    )
    assert_allclose(factor, printed, rtol=0, atol=0.5e-4)


# EN 1992-1-1:2004, B.10, exp(13.65 - 4000 / (273 + T)). Recalled, recomputed.
EN1992 = np.array([0.4778, 0.6161, 0.7875, 0.9981, 1.5662])


def test_equation_b10_of_en1992_gives_the_printed_factors():
    offset = constant("maturity.en1992.offset")
    q = constant("maturity.en1992.activation_temperature")
    assert_allclose(np.exp(offset - q / (273 + TEMPERATURES)), EN1992, rtol=0, atol=0.5e-4)


def test_arrhenius_function_contains_equation_b10_of_en1992():
    # B.10 counts kelvin from -273 degC and has its 1 where 4000 / (273 + T) = 13.65.
    q = constant("maturity.en1992.activation_temperature")
    factor = arrhenius_factor(
        TEMPERATURES - 0.15,
        reference_c=q / constant("maturity.en1992.offset") - 273.15,
        activation_temperature=q,
    )
    assert_allclose(factor, EN1992, rtol=0, atol=0.5e-4)


def test_nurse_saul_maturity_of_28_days_at_15_degrees():
    # Textbook example, 28 d at 15 degC with a datum of -11 degC: 728 degC d. Read.
    assert nurse_saul_maturity(28.0, 15.0, datum_c=-11.0) == pytest.approx(728.0, rel=1e-12)


def test_nurse_saul_maturity_of_days_and_nights():
    # Textbook example, 7 d of 12 h at 20 degC and 12 h at 10 degC, datum -11 degC:
    # 4368 degC h. Recalled, recomputed: 84 * 31 + 84 * 21.
    total = nurse_saul_maturity(np.full(14, 12.0), np.tile([20.0, 10.0], 7), datum_c=-11.0)
    assert total == pytest.approx(4368.0, rel=1e-12)


def test_nurse_saul_maturity_counts_nothing_below_the_datum():
    assert nurse_saul_maturity([24.0, 24.0], [-15.0, 0.0], datum_c=-10.0) == pytest.approx(240.0)


def test_nurse_saul_age_is_the_ratio_of_two_maturities():
    # ASTM C1074: equivalent age by Nurse-Saul is the record's maturity over that of one unit of
    # time at the reference temperature.
    hours, celsius = np.array([6.0, 10.0, 8.0]), np.array([31.0, 18.0, 4.0])
    age = equivalent_age(
        hours,
        celsius,
        function="nurse-saul",
        reference_c=20.0,
        activation_temperature=5000.0,
        datum_c=-5.0,
    )
    assert_allclose(age.sum(), nurse_saul_maturity(hours, celsius, datum_c=-5.0) / 25.0, rtol=1e-13)


def test_nurse_saul_factor_of_c1074():
    # ASTM C1074, datum 0 degC: the factor is proportional to degC. Recalled.
    factor = nurse_saul_factor(
        TEMPERATURES, datum_c=constant("maturity.datum_temperature"), reference_c=20.0
    )
    assert_allclose(factor, [0.25, 0.5, 0.75, 1.0, 1.5], rtol=1e-13)
