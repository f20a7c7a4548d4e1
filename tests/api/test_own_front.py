"""A front model of the caller's own, through the public protocol."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

import stripwise
from stripwise.errors import InputError, NumericalError
from stripwise.report.pages.design_page import design_report
from stripwise.report.pages.run_page import run_report
from stripwise.report.render import render
from stripwise.risk.model.own_front import BY_HAND_REFUSED
from stripwise.risk.probability.cover_margin import required_nominal_cover
from stripwise.risk.reliability.limit_state import LimitState
from stripwise.studies.from_scenario import build_wall

NOMINAL = "reinforcement.cover.nominal"


def square_root(age, values, penalty):
    """Return a front that grows with the root of time and of the penalised diffusivity."""
    return 0.45 * np.sqrt(values["concrete.diffusivity"] * penalty * age)


class Textbook:
    """The error function solution of the scenario itself, with plain scipy."""

    def depth(self, age, values, penalty):
        ratio = (
            values["reinforcement.critical_chloride"] - values["exposure.initial_chloride"]
        ) / (values["exposure.surface_chloride"] - values["exposure.initial_chloride"])
        kelvin = values["exposure.temperature"]
        k_e = np.exp(values["concrete.temperature_coefficient"] * (1 / 293.0 - 1 / kelvin))
        t_ref = 28.0 / 365.25
        tau = (
            k_e
            * values["concrete.diffusivity"]
            * (t_ref / age) ** values["concrete.ageing_exponent"]
            * age
            * penalty
        )
        front = values["exposure.convection_zone"] + 2.0 * special.erfcinv(
            np.clip(ratio, 1e-300, 1.0)
        ) * np.sqrt(tau)
        return np.where(ratio >= 1.0, 0.0, np.where(ratio <= 0.0, np.inf, front))


@pytest.fixture(scope="module")
def garage():
    case = stripwise.load("scenarios/garage-wall.toml")
    keep = [s for s in case.raw["strategy"] if s["name"] in ("Forms 24 h", "Forms 7 d")]
    return case.replace(
        {"strategy": keep, "sampling.points": 512, "sampling.repeats": 8, "choices": None}
    )


def test_the_textbook_front_gives_the_built_in_curves(garage):
    own = garage.replace({"model.front": Textbook()})
    ours, theirs = (
        stripwise.sweep(case, {NOMINAL: ["50 mm", "60 mm"]}, ages=[10.0, 50.0])["probability"]
        for case in (garage, own)
    )
    assert_allclose(theirs, ours, rtol=1e-6, atol=1e-9)
    first, second = (stripwise.samples(c, n=256, ages=[50.0]) for c in (garage, own))
    assert_allclose(second["front_mm_at_50"], first["front_mm_at_50"], rtol=1e-6, atol=0)
    seen = first["initiation_yr"].between(0.01, 1e4)
    assert_allclose(second.loc[seen, "initiation_yr"], first.loc[seen, "initiation_yr"], rtol=1e-6)


def test_a_run_takes_a_plain_function(garage):
    result = stripwise.assess(garage, front_model=square_root, points=256, workers=1)
    assert result.plain_check.agrees
    assert any("square_root" in told for told in result.warnings)
    # the steps by hand are those of another front, and would contradict the curve
    assert result.hand_check == ()
    page = run_report(result)
    by_hand = next(s for s in page.sections if s.heading.startswith("Check by hand"))
    assert [str(block.text) for block in by_hand.blocks] == [f"Left out: {BY_HAND_REFUSED}."]
    # by hand: with a fixed penalty and diffusivity the front is certain and the cover normal
    certain = garage.replace(
        {
            "model.front": square_root,
            "concrete.diffusivity": "4e-12 m^2/s",
            "strategy.Forms 24 h.penalty": 1.5,
        }
    )
    row = stripwise.sweep(certain, [{}]).set_index("strategy").loc["Forms 24 h"]
    depth = 0.45 * np.sqrt(4e-12 * 31.5576e12 * 1.5 * 50.0)
    law = certain.input("reinforcement.cover").distribution
    assert_allclose(row["probability"], law.cdf(depth), rtol=1e-6, atol=0)


@pytest.mark.usefixtures("few_samples")
def test_a_design_has_no_rules_and_no_page_to_try_pairs_on(garage):
    choices = {
        "cover": {"low": "50 mm", "high": "80 mm", "step": "15 mm"},
        "strip_age": {"low": "24 h", "high": "7 d"},
        "follow_up": [{"method": "none"}],
    }
    own = garage.replace({"model.front": square_root, "choices": choices, "sampling.points": 256})
    result = stripwise.design(own, choose=["65 mm, 48 h, none"], explore=True, workers=1)
    assert set(result.rules["status"]) == {BY_HAND_REFUSED}
    assert result.rules[["hand_front_mm", "rule_margin_mm", "rule_cover_mm"]].isna().all(axis=None)
    (pair,) = result.chosen
    assert pair.steps == ()
    assert pair.rule["status"] == BY_HAND_REFUSED
    assert result.explore is None
    wall = build_wall(own)
    with pytest.raises(NumericalError, match="those of the chloride front"):
        required_nominal_cover(wall, wall.plans[0], life=50.0, margin=20.0)
    pages = [render(page, {}) for page in design_report(result).pages.values()]
    assert all(f"Left out: {BY_HAND_REFUSED}" in page for page in pages if "by hand" in page)
    assert any(f"Left out: {BY_HAND_REFUSED}" in page for page in pages)


def test_a_design_point_is_refused(garage):
    wall = build_wall(garage.replace({"model.front": square_root}))
    with pytest.raises(NumericalError, match="the front is a model given with the case"):
        LimitState.from_wall(wall, wall.plans[0], age=50.0)


@pytest.mark.parametrize(
    ("model", "text"),
    [
        (lambda age, _v, _k: 100.0 - age, "falls at|at least 0 mm"),
        (lambda _a, v, _k: v["colour"], "fails at mean values"),
        (lambda _a, _v, _k: np.zeros(3), "returns the shape"),
        (lambda age, _v, _k: age * np.nan, "must be a depth of at least 0 mm"),
        (object(), "must be a function or have a method depth"),
    ],
)
def test_a_model_that_cannot_be_is_refused(garage, model, text):
    with pytest.raises(InputError, match=text):
        garage.replace({"model.front": model})


def test_it_replaces_a_uniform_face_alone():
    case = stripwise.load("scenarios/skin.toml")
    with pytest.raises(InputError, match="replaces the front of a uniform face"):
        case.replace({"model.front": square_root})
