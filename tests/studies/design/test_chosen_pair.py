"""A chosen pair: how it is read, and that what is worked out agrees with formulas and with itself."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stripwise.curing.maturity import equivalent_age
from stripwise.errors import InputError
from stripwise.studies.design.chosen_pair import read_choice, work_out
from stripwise.studies.design.setting import Setting


@pytest.fixture(scope="module")
def setting(closed):
    return Setting.from_scenario(closed.scenario, workers=2)


@pytest.fixture(scope="module")
def pair(setting, small_sizes):
    with small_sizes():
        return work_out(setting, read_choice("70 mm, 36 h, none", setting))


def test_a_pair_is_read_in_any_unit(setting):
    choice = read_choice(" 7 cm ,1.5 d, none", setting)
    assert (choice.cover, choice.hours, choice.follow_up.label) == (70.0, 36.0, "none")
    assert choice.name == "70 mm, 36 h, none"


SHAPE = 'cover, strip age and curing after stripping, such as "70 mm, 36 h, none"'


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("70 mm, 36 h", f'--choose: "70 mm, 36 h": must be {SHAPE}'),
        ("", f'--choose: "": must be {SHAPE}'),
        (
            "30 mm, 36 h, none",
            '--choose: "30 mm, 36 h, none": the nominal cover must be within 45 to 85 mm, of [choices]',
        ),
        (
            "70 mm, 9 h, none",
            '--choose: "70 mm, 9 h, none": the strip age must be within 10 h to 7 d, of [choices]',
        ),
        (
            "70 mm, 36 h, blankets",
            '--choose: "70 mm, 36 h, blankets": the curing after stripping must be one of '
            '[choices]: "none"',
        ),
    ],
)
def test_bad_text_gets_one_line_that_says_what_is_allowed(setting, text, problem):
    with pytest.raises(InputError) as caught:
        read_choice(text, setting)
    assert str(caught.value) == problem


@pytest.mark.parametrize("text", ["70, 36 h, none", "70 mm, 36, none", "nan mm, 36 h, none"])
def test_a_missing_unit_is_told_with_the_shape(setting, text):
    with pytest.raises(InputError, match="such as") as caught:
        read_choice(text, setting)
    assert "\n" not in str(caught.value)


def test_the_full_result_is_the_formula(pair, closed):
    expected = closed.probability(70.0, 36.0)
    assert_allclose(pair.result["probability_at_target"], expected, rtol=0, atol=4e-6)
    assert pair.met == (expected <= closed.scenario.target.probability)
    error = np.sqrt(expected * (1.0 - expected) / pair.check.samples)
    assert abs(pair.check.plain - expected) < 4.0 * error


def test_the_rule_margin_is_required_cover_less_front(pair, closed):
    # c = x + beta sd with the penalty of the law; the front of the rule has the characteristic one
    required = closed.front(36.0) + closed.scenario.target.reliability_index * closed.sd
    assert_allclose(pair.rule["margin_mm"] + pair.rule["hand_front_mm"], required, rtol=1e-5)


def test_the_steps_lead_to_the_front_of_the_rule(pair):
    value = {step.symbol: step.value for step in pair.steps}
    assert_allclose(value["x_c"], pair.rule["hand_front_mm"], rtol=1e-9)
    assert_allclose(value["k_c"], pair.rule["hand_penalty"], rtol=1e-9)
    assert_allclose(value["c_nom - x_c"], 70.0 - value["x_c"], rtol=1e-9)
    # x_c = dx + 2 z sqrt(k_c tau), by hand from the printed steps
    z = special.erfcinv(value["rho"])
    depth = 2.0 * z * np.sqrt(value["k_c"] * value["tau"])
    zone = value["x_c"] - depth
    assert zone >= -1e-9


def test_hours_at_other_temperatures_are_worth_as_much_and_an_hour_less_is_not(pair, closed):
    curing = closed.scenario.curing

    def worth(hours, celsius):
        return float(
            equivalent_age(
                hours,
                celsius,
                function=curing.maturity,
                reference_c=curing.reference_temperature,
                activation_temperature=curing.activation_temperature,
                datum_c=curing.datum_temperature,
            )
        )

    assert_allclose(pair.equivalent_h, worth(36.0, curing.temperature), rtol=1e-12)
    for row in pair.strip_ages.to_dict("records"):
        hours, celsius = row["strip_age_h"], row["temperature_degC"]
        step = 1.0 if hours <= 72.0 else 24.0
        assert worth(hours, celsius) >= pair.equivalent_h - 1e-6
        assert worth(hours - step, celsius) < pair.equivalent_h


def test_neighbours_are_decided_by_the_formula(pair, closed):
    rows = pair.neighbours.to_dict("records")
    first = rows[0]
    assert (first["nominal_cover_mm"], first["strip_age_h"]) == (70.0, 36.0)
    assert {row["nominal_cover_mm"] for row in rows} == {65.0, 70.0, 75.0}
    assert {row["strip_age_h"] for row in rows} == {27.0, 36.0, 45.0}
    for row in rows:
        p = closed.probability(row["nominal_cover_mm"], row["strip_age_h"])
        assert_allclose(row["probability"], p, rtol=0, atol=4e-6)
        assert row["meets_target"] == ("yes" if p <= 0.1 else "no")
        assert row["cost"] > row["first_cost"] > 0.0


def test_a_pair_of_a_scenario_with_epistemic_inputs_has_a_range(pier_case, small_sizes):
    setting = Setting.from_scenario(pier_case, workers=2)
    with small_sizes():
        found = work_out(setting, read_choice("60 mm, 48 h, sheet 7 d", setting))
    row = found.result
    assert row["know_low"] < row["probability_at_target"] < row["know_high"]
    assert 0.0 < row["confidence"] < 1.0
    assert found.neighbours["follow_up"].nunique() == len(pier_case.choices.follow_up)
