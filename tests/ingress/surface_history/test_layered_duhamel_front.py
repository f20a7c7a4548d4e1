"""A rise of the surface chloride over a penalised skin, against independent finite volumes."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from stripwise.ingress.front import layered_front_depth, layered_relative_content
from stripwise.ingress.surface_history.duhamel_front import DuhamelFront
from stripwise.ingress.surface_history.layered_duhamel_front import LayeredDuhamelFront
from stripwise.ingress.surface_history.surface_chloride import SurfaceHistory
from stripwise.ingress.transformed_time import AgeingLaw


def finite_volumes(history, *, duration, ageing_law, exponent, rate, penalty, skin, ages):
    """Content at the middles of cells at some ages, by the method of lines in transformed time.

    The fluxes between cells take the harmonic mean of two diffusivities; the skin ends at the edge
    of a cell. Nothing is shared with the series but the clock.
    """
    inner = np.linspace(0.0, skin, 81)
    outer = skin + np.geomspace(skin / 80, 240.0, 220) - skin / 80
    edges = np.concatenate([inner, outer[1:]])
    width, middle = np.diff(edges), 0.5 * (edges[1:] + edges[:-1])
    ratio = np.where(middle < skin, penalty, 1.0)
    flow = 1.0 / (0.5 * width[1:] / ratio[1:] + 0.5 * width[:-1] / ratio[:-1])
    into = ratio[0] / (0.5 * width[0])

    def slope(y, c):
        age = float(ageing_law.age(np.log(max(y, 1e-300) / rate), exponent))
        flux = np.zeros(c.size + 1)
        flux[0] = into * (float(history.relative_content(age, duration)) - c[0])
        flux[1:-1] = flow * (c[:-1] - c[1:])
        return (flux[:-1] - flux[1:]) / width

    ends = [rate * float(np.exp(ageing_law.log_effective_time(t, exponent))) for t in ages]
    found = solve_ivp(
        slope,
        (0.0, ends[-1]),
        np.zeros(middle.size),
        method="LSODA",
        t_eval=ends,
        lband=1,
        uband=1,
        rtol=1e-7,
        atol=1e-9,
        max_step=ends[-1] / 200.0,
    )
    assert found.success
    return middle, found.y.T


@pytest.mark.parametrize("shape", ["linear", "square root", "table"])
@pytest.mark.parametrize("penalty", [2.5, 0.6])
@pytest.mark.parametrize(
    "ageing_law", [AgeingLaw(), AgeingLaw(convention="instantaneous", ageing_ends=20.0)]
)
def test_content_and_front_equal_finite_volumes(shape, penalty, ageing_law):
    table = SurfaceHistory("table", (0.0, 10.0, 25.0), (0.3, 0.6, 1.0))
    history = table if shape == "table" else SurfaceHistory(shape)
    exponent, rate, skin, ages = 0.35, 260.0, 20.0, [5.0, 15.0, 60.0]
    depth, content = finite_volumes(
        history,
        duration=18.0,
        ageing_law=ageing_law,
        exponent=exponent,
        rate=rate,
        penalty=penalty,
        skin=skin,
        ages=ages,
    )
    for age, row in zip(ages, content, strict=True):
        tau = rate * float(np.exp(ageing_law.log_effective_time(age, exponent)))
        levels = np.array([0.05, 0.1, 0.2, 0.3, 0.5])
        rise = DuhamelFront.from_history(
            history, ratio=levels, duration=18.0, ageing_law=ageing_law, exponent=exponent
        )
        found = LayeredDuhamelFront(rise).relative_content(
            depth, tau, age, penalty=penalty, skin=skin
        )
        assert_allclose(found, row, rtol=0, atol=2e-4)
        front = LayeredDuhamelFront(rise).depth(tau, age, penalty=penalty, skin=skin)
        where = np.interp(-levels, -row, depth)
        started = levels < row[0]
        assert_allclose(front[started], where[started], rtol=0, atol=0.05)


def cell(n=2000, *, shape="linear", ageing_law=None, seed=1):
    rng = np.random.default_rng(seed)
    ageing_law = ageing_law or AgeingLaw()
    ratio, exponent = rng.uniform(0.02, 0.95, n), rng.beta(4.0, 9.5, n)
    rise = DuhamelFront.from_history(
        SurfaceHistory(shape),
        ratio=ratio,
        duration=rng.uniform(4.0, 30.0, n),
        ageing_law=ageing_law,
        exponent=exponent,
    )
    penalty = rng.lognormal(0.5, 0.5, n)
    skin = np.maximum(rng.normal(15.0, 9.0, n), 0.0)
    log_rate = rng.normal(np.log(150.0), 0.4, n)
    return LayeredDuhamelFront(rise), penalty, skin, log_rate


@pytest.mark.parametrize("age", [3.0, 12.0, 60.0])
def test_front_critical_time_and_age_are_inverse_to_the_content(age):
    skinned, penalty, skin, log_rate = cell()
    rise = skinned.uniform
    log_effective_time = rise.ageing_law.log_effective_time(age, rise.exponent)
    tau = np.exp(log_rate + log_effective_time)
    front = skinned.depth(tau, age, penalty=penalty, skin=skin)
    on = front > 0.0
    share = skinned.relative_content(front, tau, age, penalty=penalty, skin=skin)
    # relative steps below 1e-3 are taken, and what is left is their square
    assert_allclose(share[on], rise.ratio[on], rtol=0, atol=1e-6)
    assert np.all(rise.ratio[~on] >= np.minimum(age / rise.duration, 1.0)[~on] - 1e-9)
    critical = skinned.critical_tau(front, age, penalty=penalty, skin=skin)
    assert_allclose(critical[on], tau[on], rtol=1e-4)
    start = skinned.log_age(
        front,
        log_rate,
        penalty=penalty,
        skin=skin,
        ages=np.geomspace(0.05, 1000.0, 41),
        seasons=np.zeros((41, 1)),
    )
    # a front about to start moves so fast that its age is well known and its depth is not
    assert_allclose(start[on], np.log(age), rtol=0, atol=1e-5)


def test_limits_of_the_skin_and_of_the_rise():
    skinned, penalty, skin, _ = cell()
    rise, tau, age = skinned.uniform, np.full(2000, 900.0), 40.0
    uniform = 2.0 * rise.root(age) * np.sqrt(900.0)
    one = np.ones(2000)
    # no penalty, no skin, and a skin deeper than any front
    assert_allclose(skinned.depth(tau, age, penalty=one, skin=skin), uniform, rtol=1e-4)
    assert_allclose(skinned.depth(tau, age, penalty=penalty, skin=0.0 * one), uniform, rtol=1e-4)
    thick = skinned.depth(tau, age, penalty=penalty, skin=1e4 * one)
    assert_allclose(thick, uniform * np.sqrt(penalty), rtol=1e-4)
    # a plateau reached at once is the constant surface
    ratio = rise.ratio
    at_once = DuhamelFront.from_history(
        SurfaceHistory("linear"), ratio=ratio, duration=1e-9, ageing_law=AgeingLaw(), exponent=0.4
    )
    found = LayeredDuhamelFront(at_once).depth(tau, age, penalty=penalty, skin=skin)
    assert_allclose(found, layered_front_depth(ratio, tau, penalty=penalty, skin=skin), rtol=1e-4)
    x = np.linspace(0.0, 80.0, 2000)
    share = LayeredDuhamelFront(at_once).relative_content(x, tau, age, penalty=penalty, skin=skin)
    assert_allclose(
        share, layered_relative_content(x, tau, penalty=penalty, skin=skin), rtol=0, atol=1e-6
    )


def test_special_cases_of_a_rise_over_a_skin():
    ratio = np.array([0.0, 0.5, 1.0])
    rise = DuhamelFront.from_history(
        SurfaceHistory("linear"), ratio=ratio, duration=20.0, ageing_law=AgeingLaw(), exponent=0.3
    )
    for age in (0.0, 5.0):
        found = LayeredDuhamelFront(rise).depth(400.0, age, penalty=2.0, skin=15.0)
        assert found.tolist() == [np.inf, 0.0, 0.0]
        critical = LayeredDuhamelFront(rise).critical_tau(30.0, age, penalty=2.0, skin=15.0)
        assert critical.tolist() == [0.0, np.inf, np.inf]
    late = LayeredDuhamelFront(rise).depth(400.0, 40.0, penalty=2.0, skin=15.0)
    assert np.isinf(late[0])
    assert late[1] > 0.0
    assert late[2] == 0.0
