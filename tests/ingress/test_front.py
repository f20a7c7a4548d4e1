import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.linalg import solve_banded

from stripwise.ingress.front import (
    critical_ratio,
    critical_tau,
    front_depth,
    layered_critical_tau,
    layered_front_depth,
    layered_relative_content,
    uniform_relative_content,
)


def finite_volumes(*, penalty, skin, tau, cells_per_mm=8, length=500.0, steps=3000):
    """Implicit finite volumes on equal cells: an independent, slow solution of the skin."""
    n = int(length * cells_per_mm)
    h = 1.0 / cells_per_mm
    middle = (np.arange(n) + 0.5) * h
    diffusivity = np.where(middle < skin, penalty, 1.0)
    between = 2.0 * diffusivity[1:] * diffusivity[:-1] / (diffusivity[1:] + diffusivity[:-1])
    step = tau / steps
    lower = np.concatenate([[0.0], between]) * step / h**2
    upper = np.concatenate([between, [0.0]]) * step / h**2
    first = 2.0 * diffusivity[0] * step / h**2
    main = 1.0 + lower + upper
    main[0] += first
    bands = np.zeros((3, n))
    bands[0, 1:], bands[1], bands[2, :-1] = -upper[:-1], main, -lower[1:]
    content = np.zeros(n)
    for _ in range(steps):
        right = content.copy()
        right[0] += first
        content = solve_banded((1, 1), bands, right)
    return middle, content


def test_layered_share_equals_finite_volumes():
    # Carslaw and Jaeger 12.8; Crank, composite media: against an implicit solution.
    for penalty in (2.5, 0.6):
        depth, content = finite_volumes(penalty=penalty, skin=20.0, tau=1500.0)
        near = depth < 120.0
        share = layered_relative_content(depth[near], 1500.0, penalty=penalty, skin=20.0)
        assert_allclose(share, content[near], rtol=0, atol=2e-4)


def test_layered_share_at_printed_depths():
    # Computed values of the series, agreed with finite volumes to 1e-4.
    depths = [5.0, 15.0, 19.9, 20.1, 30.0, 50.0, 70.0]
    printed = [0.96991, 0.91016, 0.88129, 0.87924, 0.73728, 0.48025, 0.28196]
    share = layered_relative_content(depths, 1500.0, penalty=2.5, skin=20.0)
    assert_allclose(share, printed, rtol=0, atol=5.1e-6)


def test_callister_example():
    # Callister, Materials Science and Engineering, 3rd ed. 1994, Ex. 5.2: inputs read, the answer
    # z = 0.392 recalled (by linear interpolation in a table), 25,370 s recomputed.
    ratio = critical_ratio(1.20, 0.80, 0.25)
    tau = critical_tau(0.5, ratio)
    seconds = float(tau) / 1.6e-5
    assert_allclose(0.5 / (2.0 * np.sqrt(tau)), 0.392, rtol=0, atol=5e-4)
    assert_allclose(seconds, 25370.0, rtol=0, atol=5.0)


def test_error_function_values_in_crank():
    # Crank, The Mathematics of Diffusion, 1975; Abramowitz and Stegun 7.1 (recalled, recomputed).
    u = np.array([0.1, 0.5, 1.0, 1.5, 2.0])
    printed = [0.887537, 0.479500, 0.157299, 0.033895, 0.004678]
    assert_allclose(uniform_relative_content(2.0 * u, 1.0), printed, rtol=0, atol=5.1e-7)


@given(
    ratio=st.floats(0.01, 0.95),
    penalty=st.floats(0.3, 4.0),
    skin=st.floats(0.5, 60.0),
    tau=st.floats(1.0, 2e4),
)
@settings(max_examples=200, deadline=None)
def test_layered_front_and_time_invert_the_share(ratio, penalty, skin, tau):
    depth = layered_front_depth(ratio, tau, penalty=penalty, skin=skin)
    share = layered_relative_content(depth, tau, penalty=penalty, skin=skin)
    assert_allclose(share, ratio, rtol=0, atol=1e-8)
    back = layered_critical_tau(depth, ratio, penalty=penalty, skin=skin)
    assert_allclose(back, tau, rtol=1e-6, atol=0)


def test_vector_equals_scalars():
    rng = np.random.default_rng(3)
    ratio, penalty = rng.uniform(0.1, 0.6, 50), rng.uniform(0.5, 3.0, 50)
    together = layered_front_depth(ratio, 900.0, penalty=penalty, skin=25.0)
    alone = [
        layered_front_depth(r, 900.0, penalty=k, skin=25.0)
        for r, k in zip(ratio, penalty, strict=True)
    ]
    assert_allclose(together, np.array(alone).ravel(), rtol=1e-8, atol=0)


def test_no_penalty_and_no_skin_are_the_uniform_face():
    plain = front_depth(0.3, 800.0)
    assert_allclose(layered_front_depth(0.3, 800.0, penalty=1.0, skin=20.0), plain, rtol=1e-15)
    assert_allclose(layered_front_depth(0.3, 800.0, penalty=3.0, skin=0.0), plain, rtol=1e-15)
    thick = layered_front_depth(0.3, 800.0, penalty=2.0, skin=1e4)
    assert_allclose(thick, front_depth(0.3, 1600.0), rtol=1e-9)


def test_content_dams_up_before_denser_concrete():
    # Reflection: within the skin the layered face holds more than the penalty throughout.
    layered = layered_relative_content(19.0, 1500.0, penalty=2.5, skin=20.0)
    assert layered > uniform_relative_content(19.0, 2.5 * 1500.0)


def test_special_cases():
    assert critical_ratio(0.5, 0.6, 0.1) == 1.0
    assert critical_ratio(3.0, 0.1, 0.2) == 0.0
    assert critical_ratio(0.05, 0.6, 0.1) == 1.0
    assert front_depth(1.0, 100.0) == 0.0
    assert front_depth(0.0, 100.0) == np.inf
    assert critical_tau(40.0, 1.0) == np.inf
    assert critical_tau(40.0, 0.0) == 0.0
    assert critical_tau(-5.0, 0.3) == 0.0
    assert critical_tau(-5.0, 1.0) == np.inf
    assert layered_critical_tau(-5.0, 0.3, penalty=2.0, skin=20.0) == 0.0


@pytest.mark.parametrize("function", [layered_front_depth])
def test_front_never_retreats(function):
    tau = np.geomspace(0.1, 1e4, 200)
    depth = function(0.2, tau, penalty=2.5, skin=30.0)
    assert np.all(np.diff(depth) > 0.0)
