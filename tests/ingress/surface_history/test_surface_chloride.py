"""Surface chloride in time against independent finite volumes, and its limits."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special
from scipy.integrate import solve_ivp

from stripwise.ingress.surface_history.duhamel_front import DuhamelFront
from stripwise.ingress.surface_history.erfc_sum_roots import STEP_TOLERANCE
from stripwise.ingress.surface_history.surface_chloride import SurfaceHistory
from stripwise.ingress.transformed_time import AgeingLaw

RISE = {"duration": 15.0, "ageing_law": AgeingLaw()}


def finite_volumes(history, *, duration, ageing_law, exponent, rate, ages, length=220.0, cells=330):
    """Content over depth at some ages by the method of lines in real time, for one face.

    The diffusivity of the instant is d tau / dt by differences of the clock alone.
    """
    h = length / cells
    middle = (np.arange(cells) + 0.5) * h

    def tau(t):
        return rate * np.exp(ageing_law.log_effective_time(max(t, 1e-12), exponent))

    def slope(y, c):
        # y = transformed time; the clock's inverse gives the age of the surface content
        age = float(ageing_law.age(np.log(max(y, 1e-300) / rate), exponent))
        surface = float(history.relative_content(age, duration))
        change = np.empty_like(c)
        change[1:-1] = (c[2:] - 2.0 * c[1:-1] + c[:-2]) / h**2
        change[0] = (c[1] - c[0]) / h**2 - 2.0 * (c[0] - surface) / h**2
        change[-1] = (c[-2] - c[-1]) / h**2
        return change

    ends = [tau(t) for t in ages]
    found = solve_ivp(
        slope,
        (0.0, ends[-1]),
        np.zeros(cells),
        method="LSODA",
        t_eval=ends,
        lband=1,
        uband=1,
        rtol=1e-6,
        atol=1e-8,
        max_step=ends[-1] / 100.0,
    )
    assert found.success
    return middle, found.y.T


@pytest.mark.parametrize("shape", ["linear", "square root", "table"])
@pytest.mark.parametrize("exponent", [0.0, 0.4])
def test_content_equals_finite_volumes(shape, exponent):
    history = (
        SurfaceHistory("table", (0.0, 10.0, 20.0, 25.0), (0.3, 1.0, 1.0, 0.2))
        if shape == "table"
        else SurfaceHistory(shape)
    )
    ages = [8.0, 22.0, 50.0]
    rate = 60.0 if exponent == 0.0 else 150.0
    depth, content = finite_volumes(
        history, duration=15.0, ageing_law=AgeingLaw(), exponent=exponent, rate=rate, ages=ages
    )
    rise = DuhamelFront.from_history(history, ratio=0.2, exponent=exponent, **RISE)
    for age, row in zip(ages, content, strict=True):
        tau = rate * float(np.exp(AgeingLaw().log_effective_time(age, exponent)))
        near = (depth > 2.0) & (depth < 120.0)
        share = rise.relative_content(depth[near] / (2.0 * np.sqrt(tau)), age)
        assert_allclose(share, row[near], rtol=0, atol=8e-4)


def test_first_passage_under_a_falling_surface_equals_finite_volumes():
    # deepest point that has ever held the critical share, from the dense history of the solution
    history = SurfaceHistory("table", (0.0, 10.0, 15.0), (0.0, 1.0, 0.0))
    ages = np.arange(2.0, 60.5, 0.5)
    rate, ratio = 60.0, 0.25
    depth, content = finite_volumes(
        history, duration=1.0, ageing_law=AgeingLaw(), exponent=0.0, rate=rate, ages=list(ages)
    )
    rise = DuhamelFront.from_history(
        history, ratio=ratio, exponent=0.0, duration=1.0, ageing_law=AgeingLaw()
    )
    most = np.maximum.accumulate(content, axis=0)
    for age in (8.0, 12.0, 20.0, 60.0):
        row = most[np.searchsorted(ages, age)]
        deepest = np.interp(-ratio, -row[depth > 1.0], depth[depth > 1.0])
        tau = rate * float(np.exp(AgeingLaw().log_effective_time(age, 0.0)))
        found = float(np.ravel(rise.root(age))[0]) * 2.0 * np.sqrt(tau)
        assert_allclose(found, deepest, rtol=0, atol=0.15)


def test_a_plateau_reached_at_once_is_the_constant_surface():
    ratio = np.linspace(0.05, 0.9, 7)  # few enough for a table's roots to be solved, not read
    plain = special.erfcinv(ratio)
    for history, duration in (
        (SurfaceHistory("linear"), 1e-9),
        (SurfaceHistory("square root"), 1e-9),
        (SurfaceHistory("table", (0.0, 1.0), (1.0, 1.0)), 1.0),
        (SurfaceHistory("constant"), 1.0),
    ):
        rise = DuhamelFront.from_history(
            history, ratio=ratio, duration=duration, ageing_law=AgeingLaw(), exponent=0.4
        )
        assert_allclose(rise.root(30.0), plain, rtol=2e-5)


@pytest.mark.parametrize("shape", ["linear", "square root"])
@pytest.mark.parametrize(
    "ageing_law", [AgeingLaw(), AgeingLaw(convention="instantaneous", ageing_ends=30.0)]
)
def test_the_front_under_a_rise_never_retreats_and_never_leads_the_constant(shape, ageing_law):
    rng = np.random.default_rng(4)
    n = 4000
    ratio, exponent = rng.uniform(0.1, 0.6, n), rng.uniform(0.1, 0.8, n)
    rise = DuhamelFront.from_history(
        SurfaceHistory(shape),
        ratio=ratio,
        duration=rng.uniform(5.0, 30.0, n),
        ageing_law=ageing_law,
        exponent=exponent,
    )
    before = np.zeros(n)
    for age in (1.0, 4.0, 10.0, 20.0, 45.0, 90.0):
        root = rise.root(age)
        reach = root * np.exp(0.5 * ageing_law.log_effective_time(age, exponent))
        assert np.all(reach >= before - 1e-6)
        assert np.all(root <= special.erfcinv(ratio) + 1e-6)
        started = root > 0.0
        assert_allclose(rise.relative_content(root, age)[started], ratio[started], rtol=1e-6)
        before = reach


def test_roots_of_a_table_from_its_grid_equal_those_solved():
    rng = np.random.default_rng(5)
    n = 3000
    history = SurfaceHistory("table", (0.0, 10.0, 20.0, 25.0), (0.2, 1.0, 1.0, 0.3))
    rise = DuhamelFront.from_history(
        history,
        ratio=rng.uniform(0.1, 0.6, n),
        duration=1.0,
        ageing_law=AgeingLaw(),
        exponent=rng.beta(4.0, 9.5, n),
    )
    for age in (6.0, 18.0, 60.0):
        error = np.abs(rise.root(age) - rise._first_passage_root(age))
        assert np.mean(error) < 1e-4
        assert np.max(error) < 1e-2


def test_no_front_before_the_surface_is_critical_and_a_start_is_a_start():
    rise = DuhamelFront.from_history(
        SurfaceHistory("linear"),
        ratio=np.array([0.0, 0.5, 1.0]),
        duration=20.0,
        ageing_law=AgeingLaw(),
        exponent=0.3,
    )
    assert rise.root(5.0).tolist() == [np.inf, 0.0, 0.0]
    assert rise.root(0.0).tolist() == [np.inf, 0.0, 0.0]
    assert rise.root(30.0)[1] > 0.0


@pytest.mark.parametrize("shape", ["linear", "square root"])
def test_a_root_taken_at_a_coarse_step_is_as_near_as_told(shape):
    # against bisection of the same sum, to its last digit; told in STEP_TOLERANCE: its cube
    rng = np.random.default_rng(6)
    n = 400
    ratio, exponent = rng.uniform(0.02, 0.9, n), rng.uniform(0.05, 0.9, n)
    span = rng.uniform(2.0, 40.0, n)
    rise = DuhamelFront.from_history(
        SurfaceHistory(shape), ratio=ratio, duration=span, ageing_law=AgeingLaw(), exponent=exponent
    )
    worst = 0.0
    for age in (3.0, 12.0, 40.0, 90.0):
        found = rise.root(age)
        low, high = np.zeros(n), np.full(n, 8.0)
        for _ in range(56):
            middle = 0.5 * (low + high)
            above = rise.relative_content(middle, age) > ratio  # contents fall with depth
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        some = found > 0.0
        assert some.mean() > 0.2
        worst = max(worst, float(np.max(np.abs(found[some] / low[some] - 1.0))))
    assert worst < STEP_TOLERANCE**3
