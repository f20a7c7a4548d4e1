"""Curing law: monotone, continuous, the same for arrays and scalars, strict about bad input."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import special

from stripwise.curing.curing_law import (
    CHARACTERISTIC_PENALTY,
    EARLY_EXPONENT,
    EARLY_SLOPE_SD,
    effective_duration,
    log_penalty,
    penalty_distributions,
    relative_log_penalty,
    sample_curing_law,
)
from stripwise.curing.laws import DEFAULT_LAW, LAWS
from stripwise.errors import InputError

DURATIONS = np.array([0.2, 0.5, 0.999, 1.0, 1.7, 3.0, 4.4, 7.0, 11.0, 28.0, 60.0])
VARIATES = st.floats(-8.0, 8.0)


def sample(n=4001, seed=7):
    rng = np.random.default_rng(seed)
    return rng.standard_normal(n), rng.standard_normal(n)


@given(VARIATES, VARIATES, st.floats(1 / 6, 200.0), st.floats(1.0, 50.0))
def test_more_curing_never_raises_the_penalty(z, eta, duration, factor):
    draws = sample_curing_law(z, eta)
    assert log_penalty(duration * factor, draws) <= log_penalty(duration, draws) + 1e-14


@given(VARIATES, VARIATES)
def test_the_knots_stand_in_order(z, eta):
    draws = sample_curing_law(z, eta)
    one, three, seven, month = (float(log_penalty(t, draws)) for t in (1.0, 3.0, 7.0, 28.0))
    assert one >= three >= seven == 0.0 >= month


def test_the_published_distributions_cross_in_the_far_tail_only():
    # DuraCrete R9 as recalled: the quantiles at 1 and 3 d cross at u = 1.55e-5, by at most 2.1e-4
    # of k_c; the law closes the gap by raising the penalty at 1 d and changes nothing else.
    z = np.linspace(-8.0, 8.0, 32001)
    knots = penalty_distributions()
    gap = knots[3.0].from_normal(z) - knots[1.0].from_normal(z)
    crossed = gap > 0
    assert 0 < gap.max() < 2.2e-4
    assert 1.4e-5 < special.ndtr(z[crossed].max()) < 1.6e-5
    draws = sample_curing_law(z, 0.0)
    assert_allclose(
        draws.log_1d[~crossed], np.log(knots[1.0].from_normal(z[~crossed])), rtol=0, atol=0
    )
    assert_allclose(draws.log_1d[crossed], draws.log_3d[crossed], rtol=0, atol=0)


@pytest.mark.parametrize("knot", [1.0, 3.0, 7.0, 28.0])
def test_the_law_is_continuous_at_its_knots(knot):
    draws = sample_curing_law(*sample(501))
    below, above = (log_penalty(knot * (1 + side * 1e-9), draws) for side in (-1, 1))
    assert_allclose(below, above, rtol=0, atol=1e-7)


def test_array_durations_equal_a_loop_over_samples():
    z, eta = sample(300)
    rng = np.random.default_rng(3)
    durations = np.exp(rng.uniform(np.log(0.17), np.log(60.0), 300))
    vector = log_penalty(durations, sample_curing_law(z, eta))
    loop = [
        float(log_penalty(t, sample_curing_law(a, b)))
        for t, a, b in zip(durations, z, eta, strict=True)
    ]
    assert_allclose(vector, loop, rtol=0, atol=1e-13)


@pytest.mark.parametrize("duration", DURATIONS)
def test_the_law_equals_interpolation_by_numpy(duration):
    # Independent twin: numpy.interp sample by sample, and the power law below one day.
    z, eta = sample(200)
    draws = sample_curing_law(z, eta)
    expected = [
        np.interp(np.log(duration), np.log([1.0, 3.0, 7.0, 28.0]), [a, b, 0.0, c])
        + (e * np.log(1.0 / duration) if duration < 1 else 0.0)
        for a, b, c, e in zip(
            draws.log_1d, draws.log_3d, draws.log_28d, draws.early_exponent, strict=True
        )
    ]
    assert_allclose(log_penalty(duration, draws), expected, rtol=0, atol=1e-13)


def test_the_early_exponent_is_never_negative_and_has_the_stated_spread():
    eta = np.array([-20.0, -1.0, 0.0, 1.0])
    exponent = sample_curing_law(0.0, eta).early_exponent
    b = np.log(2.4 / 1.5) / np.log(3.0)
    assert b == pytest.approx(0.428, abs=5e-4)
    assert_allclose(exponent, [0.0, b - 0.15, b, b + 0.15], rtol=1e-14)
    assert pytest.approx(b, rel=1e-15) == EARLY_EXPONENT
    assert EARLY_SLOPE_SD == 0.15


def test_scalars_and_arrays_broadcast():
    z, eta = sample(50)
    assert log_penalty(2.0, sample_curing_law(0.3, 0.1)).shape == ()
    assert log_penalty(2.0, sample_curing_law(z, 0.1)).shape == (50,)
    assert log_penalty(0.5, sample_curing_law(0.3, eta)).shape == (50,)
    assert log_penalty(np.full(50, 9.0), sample_curing_law(0.3, 0.1)).shape == (50,)


def test_a_reference_divides_draw_by_draw():
    z, eta = sample(200)
    draws = sample_curing_law(z, eta)
    ratio = np.exp(relative_log_penalty(0.6, 28.0, draws=draws))
    parts = np.exp(log_penalty(0.6, draws)) / np.exp(log_penalty(28.0, draws))
    assert_allclose(ratio, parts, rtol=1e-13)
    assert_allclose(
        relative_log_penalty(2.0, 7.0, draws=draws), log_penalty(2.0, draws), rtol=0, atol=0
    )


def test_the_characteristic_set_stays_apart():
    assert dict(CHARACTERISTIC_PENALTY) == {1.0: 2.08, 3.0: 1.50, 7.0: 1.00, 28.0: 0.79}
    with pytest.raises(TypeError):
        CHARACTERISTIC_PENALTY[1.0] = 2.4


@pytest.mark.parametrize("bad", [0.0, -1.0, np.nan])
def test_a_duration_that_is_not_positive_is_refused(bad):
    with pytest.raises(InputError) as caught:
        log_penalty([3.0, bad], sample_curing_law(0.0, 0.0))
    assert str(caught.value) == f"effective curing duration: = {bad:g} d: must be above 0 d"


def test_a_variate_that_is_not_a_number_is_refused_and_counted():
    with pytest.raises(InputError) as caught:
        sample_curing_law([0.0, np.nan, np.nan], 0.0)
    assert str(caught.value) == "curing law: has 2 values that are not a number"


def test_effective_duration_adds_what_the_follow_up_retains():
    # By hand: 16 h * 0.6 + 0.25 * 72 h * 0.5 = 18.6 h.
    days = effective_duration(
        16.0, strip_factor=0.6, retention=0.25, follow_up_h=72.0, follow_up_factor=0.5
    )
    assert float(days) == pytest.approx(18.6 / 24.0, rel=1e-14)


@pytest.mark.parametrize("hours", [0.5, 1.0, 3.9])
def test_effective_duration_has_no_floor_that_hides_a_harm(hours):
    days = effective_duration(
        hours, strip_factor=1.0, retention=0.0, follow_up_h=100.0, follow_up_factor=1.0
    )
    assert float(days) == pytest.approx(hours / 24.0, rel=1e-14)


@pytest.mark.parametrize(("hours", "mean"), [(4.0, 5.4), (1.0, 10.5), (0.1, 35.0)])
def test_mean_penalty_goes_on_below_what_is_published(hours, mean):
    """Means of the law itself, by quadrature over both variates; no published value exists."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)
    weights = np.outer(weights, weights) / (2.0 * np.pi)
    z, eta = np.meshgrid(nodes, nodes, indexing="ij")
    draws = sample_curing_law(z.ravel(), eta.ravel())
    k = np.exp(log_penalty(hours / 24.0, draws)).reshape(z.shape)
    assert float((weights * k).sum()) == pytest.approx(mean, rel=0.02)


def test_the_floor_holds_for_the_sum():
    days = effective_duration(
        2.0, strip_factor=1.0, retention=0.5, follow_up_h=10.0, follow_up_factor=1.0
    )
    assert float(days) == pytest.approx(7.0 / 24.0, rel=1e-14)


def test_effective_duration_broadcasts():
    days = effective_duration(
        np.array([[12.0], [36.0]]),
        strip_factor=1.0,
        retention=np.array([0.0, 0.5, 1.0]),
        follow_up_h=24.0,
        follow_up_factor=1.0,
    )
    assert_allclose(days * 24.0, [[12.0, 24.0, 36.0], [36.0, 48.0, 60.0]], rtol=1e-14)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"retention": [0.2, 1.5]}, "moisture retention: = 1.5: must be between 0 and 1"),
        ({"retention": np.nan}, "moisture retention: = nan: must be between 0 and 1"),
        (
            {"follow_up_h": -3.0},
            "duration of curing after stripping: = -3 h: must be finite and at least 0 h",
        ),
        (
            {"strip_factor": -0.1},
            "maturity factor until stripping: = -0.1: must be finite and at least 0",
        ),
        (
            {"follow_up_factor": np.inf},
            "maturity factor of curing after stripping: = inf: must be finite and at least 0",
        ),
    ],
)
def test_effective_duration_refuses_what_cannot_be(change, message):
    good = {"strip_factor": 1.0, "retention": 0.5, "follow_up_h": 24.0, "follow_up_factor": 1.0}
    with pytest.raises(InputError) as caught:
        effective_duration(12.0, **{**good, **change})
    assert str(caught.value) == message


def test_effective_duration_refuses_a_strip_age_that_is_not_finite():
    with pytest.raises(InputError) as caught:
        effective_duration(
            np.inf, strip_factor=1.0, retention=0.0, follow_up_h=0.0, follow_up_factor=1.0
        )
    assert str(caught.value) == "strip age: = inf h: must be finite"


@pytest.mark.parametrize("place_shape", [(), (5,), (2, 1), (2, 5)])
@pytest.mark.parametrize("slope_shape", [(), (5,), (2, 1)])
@pytest.mark.parametrize("day_shape", [(5,), (2, 1), (2, 5)])
def test_strategies_together_have_the_penalty_of_each_alone(place_shape, slope_shape, day_shape):
    rng = np.random.default_rng(3)
    place, slope = rng.normal(size=place_shape), rng.normal(size=slope_shape)
    durations = [*rng.uniform(0.3, 40.0, (2, *day_shape)), 2.0, rng.uniform(0.3, 5.0, day_shape)]
    law = LAWS[DEFAULT_LAW]
    together = law.log_penalties(durations, 7.0, [place, slope])
    for days, found in zip(durations, together, strict=True):
        alone = relative_log_penalty(days, 7.0, draws=sample_curing_law(place, slope))
        np.testing.assert_array_equal(found, alone)
