"""Numerical fronts: closed forms, order of convergence, and scipy on the method of lines."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp
from scipy.sparse import diags_array
from scipy.special import erfc, erfcx

from stripwise.ingress.finite_volume.face_layers import FaceLayers
from stripwise.ingress.finite_volume.finite_volume_solver import Grid
from stripwise.ingress.finite_volume.numerical_front import (
    DEFAULT_GRID,
    solve_content,
    solve_fronts,
)
from stripwise.ingress.front import (
    front_depth,
    layered_critical_tau,
    layered_front_depth,
    layered_relative_content,
)

GRIDS = (Grid(30, 10, 10), Grid(60, 10, 20), Grid(120, 10, 40))


def faces(n, seed=1):
    """Draw ratios, transformed times, and a skin with its penalty."""
    rng = np.random.default_rng(seed)
    ratio, tau = rng.uniform(0.05, 0.6, n), rng.uniform(200.0, 3000.0, n)
    return ratio, tau, rng.uniform(0.4, 3.0, n), rng.uniform(0.0, 40.0, n)


def skinned(penalty, skin):
    return FaceLayers(skin[None], np.array([penalty, np.ones_like(penalty)]))


def stack(*layers, behind):
    """One face of layers (thickness, factor) before concrete of a factor."""
    thickness = np.array([[t] for t, _ in layers]).reshape(-1, 1)
    return FaceLayers(thickness, np.array([[f] for _, f in layers] + [[behind]]))


def lines(
    layers, behind, *, tau, coating_resistance=None, coating_end=0.0, cells=900, length=270.0
):
    """Method of lines on equal cells by scipy's BDF: another grid, another integrator."""
    h = length / cells
    middle = (np.arange(cells) + 0.5) * h
    factor, edge = np.full(cells, behind), 0.0
    for thickness, own in layers:
        factor[(middle > edge) & (middle < edge + thickness)] = own
        edge += thickness
    half = 0.5 * h / factor
    between = 1.0 / (half[1:] + half[:-1])

    def rate(resistance):
        def change(s, c):
            flux = np.zeros(cells + 1)
            flux[0] = (1.0 - c[0]) / (half[0] + resistance(s))
            flux[1:-1] = -between * np.diff(c)
            return -np.diff(flux) / h

        return change

    pattern = diags_array(
        [np.ones(cells - 1), np.ones(cells), np.ones(cells - 1)], offsets=(-1, 0, 1)
    )
    c = np.zeros(cells)
    phases = [(0.0, min(coating_end, tau), coating_resistance), (coating_end, tau, lambda s: 0.0)]
    for start, stop, resistance in phases:
        if stop > start:
            c = solve_ivp(
                rate(resistance),
                (start, stop),
                c,
                method="BDF",
                rtol=1e-7,
                atol=1e-9,
                jac_sparsity=pattern,
            ).y[:, -1]
    return middle, c


def test_a_uniform_face_is_the_error_function():
    # Crank, The Mathematics of Diffusion, 2nd ed., 1975, eq. 2.45 (number recalled).
    ratio, tau, _, _ = faces(400)
    front_history = solve_fronts(
        ratio, tau, layers=FaceLayers(np.zeros((0, 400)), np.ones((1, 400)))
    )
    for share in (1.0, 0.3, 0.03):
        error = front_history.depth_at(share * tau) - front_depth(ratio, share * tau)
        assert np.max(np.abs(error)) < 0.15
        assert np.sqrt(np.mean(error**2)) < 0.03


def test_one_layer_that_holds_the_front_is_a_uniform_face_of_its_factor():
    ratio, tau, factor, cut = faces(100, seed=3)
    behind = np.ones(100)
    whole = solve_fronts(
        ratio, tau, layers=FaceLayers(np.full((1, 100), 1e4), np.array([factor, behind]))
    )
    exact = front_depth(ratio, factor * tau)
    assert_allclose(whole.depth_at(tau), exact, rtol=0, atol=0.15)
    # cut in two of the same factor, wherever, it is one layer still
    thickness, three = np.array([cut, 1e4 - cut]), np.array([factor, factor, behind])
    parts = solve_fronts(ratio, tau, layers=FaceLayers(thickness, three))
    assert_allclose(parts.depth_at(tau), whole.depth_at(tau), rtol=1e-9)


def test_a_penalty_of_one_over_a_skin_is_no_skin():
    ratio, tau, _, skin = faces(100, seed=3)
    bare = solve_fronts(ratio, tau, layers=FaceLayers(np.zeros((0, 100)), np.ones((1, 100))))
    same = solve_fronts(ratio, tau, layers=skinned(np.ones(100), skin))
    assert_allclose(same.depth_at(tau), bare.depth_at(tau), rtol=1e-9)


def test_two_layers_are_the_image_series():
    # Carslaw and Jaeger, 2nd ed., 1959, section 12.8; Crank, composite media (recalled).
    ratio, tau, penalty, skin = faces(400)
    front_history = solve_fronts(ratio, tau, layers=skinned(penalty, skin))
    for share in (1.0, 0.3, 0.03):
        exact = layered_front_depth(ratio, share * tau, penalty=penalty, skin=skin)
        error = front_history.depth_at(share * tau) - exact
        assert np.max(np.abs(error)) < 0.15
        assert np.sqrt(np.mean(error**2)) < 0.03
    depth = layered_front_depth(ratio, 0.3 * tau, penalty=penalty, skin=skin)
    exact = layered_critical_tau(depth, ratio, penalty=penalty, skin=skin)
    assert_allclose(front_history.tau_at(depth), exact, rtol=6e-3, atol=0)


def test_a_profile_of_two_layers_at_printed_depths():
    # Computed values of the series, agreed with finite volumes to 1e-4.
    depths = np.array([5.0, 15.0, 19.9, 20.1, 30.0, 50.0, 70.0])
    printed = [0.96991, 0.91016, 0.88129, 0.87924, 0.73728, 0.48025, 0.28196]
    found = solve_content(
        depths[:, None], np.array([1500.0]), layers=stack((20.0, 2.5), behind=1.0)
    )
    assert_allclose(found[:, 0], printed, rtol=0, atol=5e-4)


def test_order_of_convergence_is_two():
    ratio, tau, penalty, skin = faces(300, seed=2)
    face_layers = skinned(penalty, skin)
    exact = layered_front_depth(ratio, tau, penalty=penalty, skin=skin)
    shares = layered_relative_content(np.full(300, 30.0), tau, penalty=penalty, skin=skin)
    fronts_off, contents_off = [], []
    for grid in GRIDS:
        off = solve_fronts(ratio, tau, layers=face_layers, grid=grid).depth_at(tau) - exact
        fronts_off.append(np.sqrt(np.mean(off**2)))
        off = solve_content(np.full(300, 30.0), tau, layers=face_layers, grid=grid) - shares
        contents_off.append(np.sqrt(np.mean(off**2)))
    for errors in (fronts_off, contents_off):
        orders = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
        assert np.all((orders > 1.7) & (orders < 2.3)), orders


COATINGS = {
    "constant": (lambda s: 60.0 + 0.0 * s, 400.0),
    "less with time": (lambda s: 30.0 / np.sqrt(1.0 + s), 700.0),
    "to the end": (lambda s: 20.0 + 0.0 * s, 1000.0),
    "none left": (lambda s: 20.0 + 0.0 * s, 0.0),
}


@pytest.mark.parametrize("case", COATINGS)
def test_a_coated_face_of_three_layers_is_the_method_of_lines(case):
    # scipy.integrate.solve_ivp, BDF, 900 equal cells whose faces meet the layers' ends.
    coating_resistance, coating_end = COATINGS[case]
    layers = ((9.9, 2.4), (15.0, 1.5))
    middle, reference = lines(
        layers, 0.9, tau=1000.0, coating_resistance=coating_resistance, coating_end=coating_end
    )
    depths = np.array([2.7, 9.6, 10.5, 17.0, 24.6, 25.3, 40.0, 55.0, 70.0])
    wanted = np.interp(depths, middle, reference)
    errors = []
    for grid in GRIDS:
        found = solve_content(
            depths[:, None],
            np.array([1000.0]),
            layers=stack(*layers, behind=0.9),
            coating_resistance=lambda tau, _: coating_resistance(tau),
            coating_end=np.array([coating_end]),
            grid=grid,
        )[:, 0]
        errors.append(np.max(np.abs(found - wanted)))
    assert errors[1] < 6e-4
    assert errors[2] < 0.45 * errors[1] < 0.45 * 0.45 * errors[0]
    # the front by inverse interpolation is where the content of that grid equals its ratio
    ratio = np.interp(30.0, middle, reference)
    front_history = solve_fronts(
        np.array([ratio]),
        np.array([1000.0]),
        layers=stack(*layers, behind=0.9),
        coating_resistance=lambda tau, _: coating_resistance(tau),
        coating_end=np.array([coating_end]),
    )
    assert_allclose(front_history.depth_at(np.array([1000.0])), 30.0, rtol=0, atol=0.1)


def test_a_lasting_coating_is_the_closed_form_of_a_surface_resistance():
    # Carslaw and Jaeger, 2nd ed., 1959, section 2.7; Crank, 2nd ed., 1975, eq. 3.35 (recalled):
    # erfc(u) - exp(h x + h^2 tau) erfc(u + h sqrt(tau)), u = x / (2 sqrt(tau)), h = 1 / W.
    x, tau, resistance = np.array([0.0, 5.0, 15.0, 40.0]), 800.0, 25.0
    u, h = x / (2.0 * np.sqrt(tau)), 1.0 / resistance
    exact = erfc(u) - np.exp(-u * u) * erfcx(u + h * np.sqrt(tau))
    found = solve_content(
        x[:, None],
        np.array([tau]),
        layers=stack(behind=1.0),
        coating_resistance=lambda s, _: resistance + 0.0 * s,
        coating_end=np.array([np.inf]),
        grid=Grid(120, 10, 40),
    )
    assert_allclose(found[:, 0], exact, rtol=0, atol=1e-4)


def test_limits_of_a_coating():
    ratio, tau, penalty, skin = faces(50, seed=5)
    face_layers = skinned(penalty, skin)
    bare = solve_fronts(ratio, tau, layers=face_layers).depth_at(tau)

    def under(resistance, coating_end):
        return solve_fronts(
            ratio,
            tau,
            layers=face_layers,
            coating_resistance=lambda s, _: resistance + 0.0 * s,
            coating_end=coating_end,
        )

    assert_allclose(under(1e-9, 0.5 * tau).depth_at(tau), bare, rtol=0, atol=0.1)
    # one without resistance is none, before it ends and after
    for coating_end in (0.5 * tau, 2.0 * tau):
        assert_allclose(
            under(0.0, coating_end).depth_at(tau), under(1e3, 0.0 * tau).depth_at(tau), atol=0.1
        )
    tight = under(1e9, 0.5 * tau)
    assert np.all(tight.depth_at(0.5 * tau) < 0.0)
    # nothing came in before: the rest is a younger bare face
    assert_allclose(
        tight.depth_at(tau),
        layered_front_depth(ratio, 0.5 * tau, penalty=penalty, skin=skin),
        rtol=0,
        atol=0.15,
    )
    assert np.all(under(1e9, tau).depth_at(tau) < 0.0)
    assert np.all(np.isinf(under(1e9, tau).tau_at(10.0)))
    for later in (0.2, 0.6):
        assert np.all(under(20.0, later * tau).depth_at(tau) <= bare + 0.1)


def test_at_and_reached_are_inverse_and_fronts_never_retreat():
    ratio, tau, penalty, skin = faces(200, seed=6)
    front_history = solve_fronts(
        ratio,
        tau,
        layers=skinned(penalty, skin),
        coating_resistance=lambda s, _: 15.0 + 0.0 * s,
        coating_end=0.4 * tau,
    )
    for share in (0.2, 0.5, 0.9):
        depth = front_history.depth_at(share * tau)
        there = depth > 0.0
        assert_allclose(front_history.tau_at(depth)[there] / tau[there], share, rtol=1e-9)
    steps = np.array([front_history.depth_at(s * tau) for s in np.linspace(0.01, 1.0, 60)])
    assert np.all(np.diff(steps, axis=0) >= -1e-12)


def test_many_blocks_are_the_samples_alone():
    ratio, tau, penalty, skin = faces(2100, seed=7)
    together = solve_fronts(ratio, tau, layers=skinned(penalty, skin), grid=GRIDS[0]).depth_at(tau)
    for i in (0, 2047, 2048, 2099):
        one = slice(i, i + 1)
        alone = solve_fronts(
            ratio[one], tau[one], layers=skinned(penalty[one], skin[one]), grid=GRIDS[0]
        )
        assert_allclose(alone.depth_at(tau[one]), together[one], rtol=1e-12)


def test_measures_of_depth_invert_each_other():
    face_layers = stack((10.0, 2.5), (0.0, 7.0), (15.0, 0.4), behind=1.0)
    depth = np.array([-3.0, 0.0, 4.0, 10.0, 18.0, 25.0, 80.0])[:, None]
    assert_allclose(
        face_layers.depth_from_resistance(face_layers.resistance_from_depth(depth)),
        depth,
        atol=1e-12,
    )
    travel = np.array([2.0, 8.0, 30.0, 90.0])[:, None]
    assert_allclose(
        face_layers.resistance_from_depth(face_layers.depth_from_travel(travel)),
        face_layers.resistance_from_travel(travel),
    )


def test_the_default_grid_is_the_one_told():
    assert (DEFAULT_GRID.cells, DEFAULT_GRID.steps) == (60, 200)
    assert (DEFAULT_GRID.finer().cells, DEFAULT_GRID.finer().steps) == (120, 400)
