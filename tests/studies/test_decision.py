"""The decision rule: which side of the limit, and whether sampling error may decide."""

import math

import numpy as np
import pytest
from scipy import stats

import stripwise
from stripwise.studies.decision import (
    NO,
    TOO_CLOSE,
    YES,
    decide,
    decide_sample,
    decision_limit,
    grow_until_decided,
    is_decided,
    manner,
)


@pytest.mark.parametrize("repeats", [8, 16, 64])
def test_the_limit_leaves_the_stated_chance_of_error(repeats):
    assert stats.t.sf(decision_limit(repeats), repeats - 1) == pytest.approx(3.2e-5, rel=1e-9)


@pytest.mark.parametrize(
    ("probability", "error", "answer"),
    [
        (0.099, 1e-4, YES),
        (0.101, 1e-4, NO),
        (0.0999, 1e-4, TOO_CLOSE),
        (0.1001, 1e-4, TOO_CLOSE),
        (0.1, 0.0, YES),
        (0.2, 0.0, NO),
    ],
)
def test_the_answer(probability, error, answer):
    assert decide(probability, error, allowed=0.1, repeats=16).meets_target == answer


def test_at_the_limit_no_seed_decides():
    """Repeats of mean exactly at the limit: none of 200 seeds may say yes or no."""
    for seed in range(200):
        sample = np.random.default_rng(seed).normal(0.1, 1e-3, 16)
        error = sample.std(ddof=1) / 4.0
        assert not is_decided(sample.mean(), error, allowed=0.1, repeats=16)


@pytest.mark.parametrize(
    ("answer", "confidence", "word"),
    [
        (YES, 0.95, "clearly"),
        (YES, 0.55, "narrowly"),
        (NO, 0.05, "clearly"),
        (NO, 0.55, "narrowly"),
        (TOO_CLOSE, 0.5, ""),
        (YES, math.nan, ""),
    ],
)
def test_the_word_beside_the_answer(answer, confidence, word):
    assert manner(answer, confidence) == word


def test_only_yes_counts_as_met():
    assert decide(0.05, 1e-4, allowed=0.1, repeats=16).met
    assert not decide(0.1, 1e-4, allowed=0.1, repeats=16).met


@pytest.mark.parametrize(
    ("quantile", "error", "answer"),
    [(0.09, 1e-4, YES), (0.2, 1e-4, NO), (0.1, 1e-3, TOO_CLOSE), (0.099, 1e-3, TOO_CLOSE)],
)
def test_a_demanded_confidence_must_be_met_too(quantile, error, answer):
    # 16 scramblings whose mean is the quantile and whose standard error is the error
    z = np.linspace(-1.0, 1.0, 16)
    demanded = quantile + 4.0 * error * z / np.std(z, ddof=1)
    found = decide(0.05, 1e-4, allowed=0.1, repeats=16, demanded=demanded)
    assert found.meets_target == answer


def test_a_wall_with_a_demand(wall):
    """Where the demand exceeds the confidence that is there, a wall that met the target fails."""
    case = wall.load(
        ("probability = 0.10", "probability = { value = 0.85, unusual = true }\nconfidence = 0.5")
    )
    table = stripwise.assess(case, only="curves").strategies.set_index("strategy")
    row = table.loc["Forms 24 h"]
    assert (row["meets_target"], row["confidence"] > 0.5) == (YES, True)
    strict = wall.load(
        ("probability = 0.10", "probability = { value = 0.85, unusual = true }\nconfidence = 0.99")
    )
    row = stripwise.assess(strict, only="curves").strategies.set_index("strategy").loc["Forms 24 h"]
    assert row["meets_target"] == NO
    assert row["life_at_target_yr"] < table.loc["Forms 24 h", "life_at_target_yr"]


def test_a_demand_without_anything_epistemic_is_refused(wall):
    # by default exponent, temperature coefficient and penalties are epistemic
    fixed = 'temperature_coefficient = "4800 K"'
    penalty = 'strip_age = "12 h"'
    problems = wall.problems(
        (penalty, penalty + "\npenalty = 2.0"),
        ('strip_age = "24 h"', 'strip_age = "24 h"\npenalty = 1.5'),
        ("probability = 0.10", "probability = 0.10\nconfidence = 0.9"),
        ("low = 0, high = 1 }", 'low = 0, high = 1, kind = "scatter" }\n' + fixed),
    )
    assert any("target.confidence = 0.9: needs a random input" in text for text in problems)


@pytest.mark.parametrize(
    ("highest", "allowed", "answer"),
    [
        (1.3e-3, 0.1, "yes"),
        (1.3e-3, 1e-3, "too close to call"),
        (1.3e-3, 1e-7, "too close to call"),
    ],
)
def test_too_rare_a_probability_is_decided_by_what_it_can_be_at_most(highest, allowed, answer):
    # the mean of such a sample may lie far too low, so it never decides
    decision = decide(1e-6, 1e-7, allowed=allowed, repeats=16, highest=highest)
    assert decision.meets_target == answer


def test_a_rare_probability_is_held_to_its_bound():
    """With 8 x 1,024 points P may be 1e-3 and more unseen: yes under 10 %, open under 0.01 %."""
    p = np.array([[1e-7, 2e-4], [5e-7, 6e-4]] * 4)
    under = {}
    for allowed in (0.1, 1e-4):
        found = decide_sample(p, allowed=allowed, points=1024)
        under[allowed] = [one.meets_target for one in found]
    assert under[0.1] == [YES, YES]
    assert under[1e-4][0] == TOO_CLOSE
    # above the allowed value the spread decides, as skewed repeats lie low
    assert under[1e-4][1] in {NO, TOO_CLOSE}
    # the same spread with enough points to rule 1e-4 out
    assert decide_sample(p[:, :1], allowed=1e-4, points=2**16)[0].met
    # nothing random but the integral: the probability itself
    exact = np.full((8, 1), 5e-5)
    assert decide_sample(exact, allowed=1e-4, points=1)[0].met


def test_the_sample_grows_for_what_is_open_alone():
    rng, asked = np.random.default_rng(3), []

    def compute(points, still):
        asked.append((points, still.tolist()))
        return 0.1 + 1.0 / points + 1e-6 * rng.standard_normal((8, still.size))

    p = np.column_stack([np.full(8, 0.02), 0.1 + 0.01 * rng.standard_normal(8)])
    found, points = grow_until_decided(p, compute, allowed=0.1, points=64, most=512)
    assert asked == [(128, [1])]
    assert points.tolist() == [64, 128]
    assert [d.meets_target for d in decide_sample(found, allowed=0.1, points=points)] == [YES, NO]
