from dataclasses import replace

import numpy as np
import openturns as ot
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

from stripwise.distributions.distribution import distribution, fixed, with_shifted_moments
from stripwise.distributions.random_input import Correlation, Input
from stripwise.distributions.sampling import normal_block
from stripwise.errors import InputError, NumericalError
from stripwise.ingress.surface_history.surface_chloride import SurfaceHistory
from stripwise.ingress.transformed_time import AgeingLaw
from stripwise.risk.model.service_conditions import ServiceConditions
from stripwise.risk.model.wall import Plan
from stripwise.risk.reliability.elasticity import (
    elasticities,
    importance_factors,
)
from stripwise.risk.reliability.form import first_order
from stripwise.risk.reliability.importance_sampling import importance_sampling
from stripwise.risk.reliability.kink_search import search_on_kink
from stripwise.risk.reliability.limit_state import LimitState


def test_gaussian_resistance_and_load():
    # R - S with normal R and S: beta = (mu_R - mu_S) / sqrt(sd_R^2 + sd_S^2), alpha_i = sd_i over
    # that root; every textbook of structural reliability (recalled).
    found = first_order(lambda u: (50.0 + 5.0 * u[0]) - (30.0 + 8.0 * u[1]), 2)
    assert_allclose(found.index, 20.0 / np.sqrt(89.0), rtol=0, atol=1e-8)
    assert_allclose(found.alpha, np.array([-5.0, 8.0]) / np.sqrt(89.0), rtol=0, atol=1e-7)
    assert max(found.calls) <= 20
    assert found.disagreement == ""


def test_nearest_point_against_brute_force():
    # A plastic section, yield strength times modulus against a moment (invented numbers). The slow
    # twin bisects the distance to the surface along many directions around alpha.
    def g(u):
        return (38.0 + 3.8 * u[0]) * (54.0 + 2.7 * u[1]) - (1000.0 + 200.0 * u[2])

    found = first_order(g, 3)
    directions = np.random.default_rng(0).standard_normal((3, 4000)) * 0.02 + found.alpha[:, None]
    directions /= np.linalg.norm(directions, axis=0)
    low, high = np.zeros(4000), np.full(4000, 10.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        fails = g(middle * directions) <= 0.0
        low, high = np.where(fails, low, middle), np.where(fails, middle, high)
    assert_allclose(found.index, high.min(), rtol=0, atol=1e-3)


def test_two_design_points():
    # Der Kiureghian and Dakessian, Struct. Safety 20, 1998: b - x2 - kappa (x1 - e)^2 with b = 5,
    # kappa = 0.5, e = 0.1 has the design points (-2.741, 0.965) and (2.916, 1.036), at 2.906 and
    # 3.094 from the origin (recalled).
    def g(u):
        return 5.0 - u[1] - 0.5 * (u[0] - 0.1) ** 2

    found = first_order(g, 2, starts=[[1.0, 0.0], [-1.0, 0.0], [-2.0, 1.0]])
    reach = np.linalg.norm(found.design_points, axis=1)
    assert_allclose(reach, [2.906, 3.094], rtol=0, atol=6e-4)
    assert_allclose(found.design_points, [[-2.741, 0.965], [2.916, 1.036]], rtol=0, atol=3e-3)
    assert "different points" in found.disagreement
    assert_allclose(found.index, reach[0], rtol=0, atol=1e-9)


def test_hasofer_lind_cubic():
    # g = x1^3 + x2^3 - 18 with normal means 10, sd 5: beta = 2.24 (published as 2.2401 in studies
    # of FORM searches, among them Liu and Der Kiureghian 1991 and Santosh et al. 2006; recalled).
    found = first_order(lambda u: (10 + 5 * u[0]) ** 3 + (10 + 5 * u[1]) ** 3 - 18.0, 2)
    assert_allclose(found.index, 2.2401, rtol=0, atol=1e-3)


def test_origin_that_fails_has_a_negative_index():
    found = first_order(lambda u: -1.5 + u[0] + 0.0 * u[1], 2)
    assert found.origin_fails
    assert_allclose(found.index, -1.5, rtol=0, atol=1e-9)
    assert_allclose(found.probability, special.ndtr(1.5), rtol=1e-9)


def test_what_never_fails_is_refused():
    with pytest.raises(NumericalError, match="did not converge from any start"):
        first_order(lambda u: 2.0 + u[0] ** 2 + u[1] ** 2, 2)
    with pytest.raises(InputError, match="none is random"):
        first_order(lambda u: u[0], 0)


OPENTURNS_NAMES = (
    "exposure.surface_chloride",
    "exposure.convection_zone",
    "concrete.diffusivity",
    "concrete.ageing_exponent",
    "concrete.temperature_coefficient",
    "reinforcement.cover",
    "reinforcement.critical_chloride",
    "curing.law",
)


def openturns_form(state, start):
    """FORM of OpenTURNS on the content form, independent standard normal inputs."""

    def g(x):
        return [float(state.content_margin(np.array(x)[:, None])[0])]

    d = state.dimensions
    function = ot.PythonFunction(d, 1, g)
    vector = ot.RandomVector(ot.Normal(d))
    event = ot.ThresholdEvent(ot.CompositeRandomVector(function, vector), ot.LessOrEqual(), 0.0)
    solver = ot.AbdoRackwitz()
    solver.setMaximumCallsNumber(20_000)
    solver.setMaximumIterationNumber(1000)
    solver.setStartingPoint(ot.Point(start))
    solver.setMaximumAbsoluteError(1e-8)
    solver.setMaximumConstraintError(1e-8)
    solver.setMaximumRelativeError(1e-8)
    solver.setMaximumResidualError(1e-8)
    algorithm = ot.FORM(solver, event)
    algorithm.run()
    return algorithm.getResult()


@pytest.mark.parametrize("age", [20.0, 50.0])
@pytest.mark.parametrize("plan", [0, 3])
def test_agrees_with_openturns_on_a_wall(walls, plan, age):
    wall = walls.wall()
    state = LimitState.from_wall(wall, wall.plans[plan], age=age)
    found = first_order(state, state.dimensions)
    theirs = openturns_form(state, [0.0] * state.dimensions)
    assert_allclose(found.index, theirs.getGeneralisedReliabilityIndex(), rtol=0, atol=1e-3)
    shares = np.array(theirs.getStandardSpaceDesignPoint()) ** 2 / found.index**2
    assert_allclose(found.alpha**2, shares, rtol=0, atol=5e-3)
    assert max(found.calls) <= 150


def test_own_marginals_agree_with_those_of_openturns(walls):
    # The same problem written from scratch in physical space: the families are OpenTURNS's own.
    wall = walls.wall(changes={"curing.law": fixed(0.0), "curing.early_slope": fixed(0.0)})
    plan = wall.plans[3]
    state = LimitState.from_wall(wall, plan, age=50.0)
    values = state.sampler.values(np.zeros((state.dimensions, 1)))
    penalty = float(np.exp(np.max(state.wall.sample_block(values).log_penalty[0])))
    mean, sd = 157.788, 31.5576
    zone_shape = _beta_shape(8.9, 5.6, 0.0, 50.0)
    ageing, critical = _beta_shape(0.45, 0.12, 0.0, 1.0), _beta_shape(0.6, 0.15, 0.2, 2.0)
    truncated = ot.TruncatedDistribution
    spread = np.sqrt(np.log1p(0.35**2))
    laws = [
        ot.LogNormal(np.log(3.0) - 0.5 * spread**2, spread, 0.0),
        ot.Beta(*zone_shape, 0.0, 50.0),
        truncated(ot.Normal(mean, sd), 0.0, truncated.LOWER),
        ot.Beta(*ageing, 0.0, 1.0),
        ot.Normal(4800.0, 700.0),
        truncated(ot.Normal(60.0, 8.0), 0.0, truncated.LOWER),
        ot.Beta(*critical, 0.2, 2.0),
    ]
    formula = (
        f"ccrit - 0.1 - (cs - 0.1) * erfc(max(cover - dx, 0) / (2 * sqrt({penalty!r} * d"
        f" * exp(be * (1 / 293 - 1 / 283.15)) * (28 / 365.25 / 50)^a * 50)))"
    )
    function = ot.SymbolicFunction(["cs", "dx", "d", "a", "be", "cover", "ccrit"], [formula])
    vector = ot.RandomVector(ot.JointDistribution(laws))
    event = ot.ThresholdEvent(ot.CompositeRandomVector(function, vector), ot.LessOrEqual(), 0.0)
    solver = ot.AbdoRackwitz()
    solver.setStartingPoint(ot.JointDistribution(laws).getMean())
    solver.setMaximumConstraintError(1e-8)
    algorithm = ot.FORM(solver, event)
    algorithm.run()
    found = first_order(state, state.dimensions)
    theirs = algorithm.getResult().getGeneralisedReliabilityIndex()
    assert_allclose(found.index, theirs, rtol=0, atol=1e-3)


def _beta_shape(mean, sd, low, high):
    m, s = (mean - low) / (high - low), sd / (high - low)
    total = m * (1.0 - m) / s**2 - 1.0
    return m * total, (1.0 - m) * total


def test_logarithmic_and_content_form_share_sign(walls):
    for layered in (False, True):
        wall = walls.wall(layered=layered)
        state = LimitState.from_wall(wall, wall.plans[0], age=30.0)
        u = normal_block(state.dimensions, 5000, np.random.default_rng(3)) * 1.5
        assert np.array_equal(state(u) <= 0.0, state.content_margin(u) <= 0.0)


@pytest.mark.parametrize("rises", [False, True])
def test_a_penalty_of_one_over_a_skin_is_a_uniform_face(walls, rises):
    # stripped at the reference curing of 7 d the penalty is 1, whatever it acts on
    week = Plan("7 d", 168.0, 1.0)
    span = Input("exposure.surface_rise", "", fixed(20.0), "yr", "exposure")
    conditions = ServiceConditions(history=SurfaceHistory("linear"), duration=span.name)
    whole, skin = (
        replace(wall, inputs=(*wall.inputs, span), conditions=conditions if rises else None)
        for wall in (walls.wall(plans=(week,)), walls.wall(plans=(week,), layered=True))
    )
    other, state = (LimitState.from_wall(wall, week, age=12.0) for wall in (whole, skin))
    u = normal_block(state.dimensions, 2000, np.random.default_rng(6)) * 1.5
    values = state.sampler.values(u)
    gap = state.evaluate(values, size=2000)
    assert_allclose(gap, other.evaluate(values, size=2000), rtol=1e-9, atol=1e-9)
    assert 0.0 < np.mean(gap < 0.0) < 0.9


@pytest.mark.parametrize("layered", [False, True])
@pytest.mark.parametrize("shape", ["linear", "square root"])
def test_a_plateau_reached_at_once_is_a_constant_surface(walls, layered, shape):
    span = Input("exposure.surface_rise", "", fixed(1e-9), "yr", "exposure")
    conditions = ServiceConditions(history=SurfaceHistory(shape), duration=span.name)
    # with an exponent near 1 the first instant is a share of all transformed time
    plain = walls.wall(layered=layered, changes={"concrete.ageing_exponent": fixed(0.3)})
    plain = replace(plain, inputs=(*plain.inputs, span))
    rising = replace(plain, conditions=conditions)
    other, state = (LimitState.from_wall(wall, wall.plans[0], age=12.0) for wall in (plain, rising))
    u = normal_block(state.dimensions, 1000, np.random.default_rng(7)) * 1.5
    assert_allclose(state(u), other(u), rtol=1e-6, atol=1e-6)


def test_failure_of_the_limit_state_is_a_front_at_the_bars(walls):
    # Both forms name the same event: g <= 0 in content, cover <= x_c in depth.
    wall = walls.wall()
    state = LimitState.from_wall(wall, wall.plans[0], age=30.0)
    u = normal_block(state.dimensions, 5000, np.random.default_rng(4))
    values = state.sampler.values(u)
    from stripwise.risk.probability.integral import front_depths

    depth = front_depths(state.wall, state.wall.sample_block(values), 30.0)[0]
    assert np.array_equal(state(u) <= 0.0, values["reinforcement.cover"] <= depth)


def test_kink_of_two_planes():
    # Both planes must be passed: the nearest such point is their corner, at (2, 2) exactly.
    def h(u):
        return np.maximum(2.0 - u[0], 2.0 - u[1]) + 0.0 * u[2]

    found = first_order(h, 3)
    assert_allclose(found.index, np.sqrt(8.0), rtol=0, atol=1e-4)
    assert_allclose(found.alpha**2, [0.5, 0.5, 0.0], rtol=0, atol=1e-3)
    assert found.at_kink


def test_minimum_on_a_known_kink():
    # The same corner with its kink u0 = u1 known; and one that is no nearest point.
    def h(u):
        return np.maximum(2.0 - u[0], 2.0 - u[1]) + 0.0 * u[2]

    def kink(u):
        return u[0] - u[1]

    end, calls = run_kink_search(h, kink, [1.0, -0.5, 0.3], [1.0, -1.0, 0.0], False)
    assert_allclose(end.point, [2.0, 2.0, 0.0], rtol=0, atol=1e-6)
    assert calls <= 40
    # the smaller of two pieces fails as soon as one does: its corner is no nearest point
    smaller, _ = run_kink_search(
        lambda u: np.minimum(2.0 - u[0], 2.0 - u[1]), kink, [1.0, 0.5], [1.0, -1.0], False
    )
    assert smaller is None
    # seen from the failing side
    turned, _ = run_kink_search(
        lambda u: np.minimum(u[0] - 2.0, u[1] - 2.0), kink, [1.0, 0.5], [1.0, -1.0], True
    )
    assert_allclose(turned.point, [2.0, 2.0], rtol=0, atol=1e-6)
    flat, _ = run_kink_search(lambda u: 0.0 * u[0] + 1.0, kink, [0.0, 0.0], [1.0, -1.0], False)
    assert flat is None


def run_kink_search(h, kink, start, normal, origin_fails):
    """Answer the questions of the search until it ends."""
    search = search_on_kink(
        np.array(start),
        0,
        np.array(normal),
        active=np.ones(len(start), dtype=bool),
        origin_fails=origin_fails,
    )
    calls, points = 0, next(search)
    while True:
        calls += points.shape[1]
        try:
            points = search.send((h(points), kink(points)[None]))
        except StopIteration as stop:
            return stop.value, calls


def test_calls_are_those_of_the_model():
    # every point that the model sees is counted, those of finite differences too
    seen = [0]

    def h(u):
        seen[0] += u.shape[1]
        return 3.0 - u[0] - 0.3 * u[1] ** 2 + 0.1 * u[2] * u[0]

    assert sum(first_order(h, 3).calls) == seen[0]


def test_kink_of_a_skin_costs_little_and_is_that_of_quadratic_programming(walls):
    wall = walls.wall(layered=True)
    for age in (0.05, 0.3):
        state = LimitState.from_wall(wall, wall.plans[0], age=age)
        known = first_order(state, state.dimensions, model_with_kinks=state.with_kinks)
        sought = first_order(state, state.dimensions)
        assert known.at_kink
        assert_allclose(known.index, sought.index, rtol=0, atol=2e-3)
        assert_allclose(known.alpha, sought.alpha, rtol=0, atol=0.02)
        assert known.disagreement == ""
        assert sum(known.calls) < 0.25 * sum(sought.calls)
        assert np.min(np.abs(state.with_kinks(known.point[:, None])[1:])) < 1e-2


def test_young_wall_with_a_penalised_skin(walls, rare_estimates):
    # The content has a kink where the skin ends. Subset simulation needs no design point; a convex
    # corner makes the event rarer than its half-space.
    wall = walls.wall(layered=True)
    state = LimitState.from_wall(wall, wall.plans[0], age=2.0)
    found = first_order(state, state.dimensions)
    nested = rare_estimates.subset_simulation(state, state.dimensions, seed=2)
    around = importance_sampling(state, found, points=4096, seed=2)
    both = np.hypot(nested.cov, around.cov)
    assert abs(nested.probability / around.probability - 1.0) < 4.0 * both
    assert abs(found.index - around.index) < 0.5


def with_distribution(state, name, law):
    inputs = tuple(
        replace(item, distribution=law) if item.name == name else item for item in state.wall.inputs
    )
    changed = replace(state.wall, inputs=inputs)
    return LimitState.from_wall(changed, changed.plans[0], age=state.age)


def test_elasticities_against_a_search_with_changed_distributions(walls):
    wall = walls.wall()
    state = LimitState.from_wall(wall, wall.plans[2], age=50.0)
    found = first_order(state, state.dimensions)
    rows = elasticities(state, found)
    assert len(rows) == 2 * state.dimensions
    laws = {item.name: item.distribution for item in state.sampler.inputs}
    for row in rows:
        if row.name == "concrete.ageing_exponent":
            continue  # below, its effect is curved
        law = with_shifted_moments(laws[row.name], **{row.moment: row.step})
        other = with_distribution(state, row.name, law)
        again = first_order(other, other.dimensions)
        assert_allclose(row.change, again.index - found.index, rtol=0.03, atol=2e-5)
    cover = next(r for r in rows if r.name == "reinforcement.cover" and r.moment == "mean")
    assert cover.change > 0.0
    assert_allclose(cover.step, 0.6, rtol=1e-12)


def test_impossible_change_says_why():
    narrow = distribution("beta", mean=0.5, sd=0.499, low=0.0, high=1.0)
    with pytest.raises(InputError):
        with_shifted_moments(narrow, sd=0.01)
    wide = with_shifted_moments(distribution("uniform", low=1.0, high=3.0), mean=0.1, sd=0.0)
    assert_allclose([wide.low, wide.high], [1.1, 3.1], rtol=1e-12)


def test_importance_of_correlated_inputs_is_free_of_the_order():
    # Linear g = b'x of correlated normals: gamma^2 follows from the inverse factor (Der Kiureghian
    # 2005, recalled); reversing the columns must not change it.
    b, rho = np.array([1.0, 2.0, 0.5]), 0.6
    matrix = np.array([[1.0, rho, 0.0], [rho, 1.0, 0.0], [0.0, 0.0, 1.0]])
    shares = {}
    for order in ([0, 1, 2], [1, 0, 2]):
        factor = np.linalg.cholesky(matrix[np.ix_(order, order)])
        own = b[order]
        found = first_order(lambda u, own=own, factor=factor: 6.0 - own @ (factor @ u), 3)
        squared, gamma = importance_factors(found.alpha, factor)
        shares[tuple(order)] = (squared[np.argsort(order)], gamma[np.argsort(order)])
    assert_allclose(shares[0, 1, 2][1], shares[1, 0, 2][1], rtol=0, atol=1e-6)
    assert abs(shares[0, 1, 2][0][0] - shares[1, 0, 2][0][0]) > 0.01
    assert_allclose(shares[0, 1, 2][0][:2].sum(), shares[1, 0, 2][0][:2].sum(), rtol=0, atol=1e-6)


def test_ages_and_constant_inputs_are_refused(walls):
    wall = walls.wall()
    with pytest.raises(InputError, match="must be above 0 yr"):
        LimitState.from_wall(wall, wall.plans[0], age=0.0)
    all_fixed = {n: fixed(law.mean) for n, (law, _) in walls.DEFAULTS.items()}
    still = walls.wall(changes=all_fixed)
    with pytest.raises(InputError, match="none is random"):
        LimitState.from_wall(still, still.plans[0], age=10.0)


def test_one_random_input(walls):
    laws = {n: fixed(law.mean) for n, (law, _) in walls.DEFAULTS.items()}
    laws["reinforcement.cover"] = distribution("normal", mean=60.0, sd=8.0)
    wall = walls.wall(changes=laws)
    state = LimitState.from_wall(wall, wall.plans[2], age=50.0)
    found = first_order(state, 1)
    from stripwise.risk.probability.integral import front_depths

    depth = float(
        front_depths(state.wall, state.wall.sample_block(state.sampler.fixed), 50.0)[0].flat[0]
    )
    assert_allclose(found.index, (60.0 - depth) / 8.0, rtol=0, atol=1e-5)
    assert_allclose(found.alpha**2, [1.0], rtol=0, atol=1e-12)


def test_correlated_wall_against_the_plain_sample(walls):
    tie = Correlation("concrete.diffusivity", "exposure.surface_chloride", 0.7)
    wall = walls.wall(correlations=(tie,), ageing_law=AgeingLaw())
    state = LimitState.from_wall(wall, wall.plans[0], age=10.0)
    found = first_order(state, state.dimensions)
    sampled = importance_sampling(state, found, seed=5)
    u = normal_block(state.dimensions, 400_000, np.random.default_rng(6))
    plain = np.mean(state(u) <= 0.0)
    error = np.sqrt(plain / 400_000 + (sampled.cov * sampled.probability) ** 2)
    assert abs(plain - sampled.probability) < 4.0 * error


def test_rare_methods_agree_with_the_exact_answer(rare_estimates):
    # Phi(-beta) of a plane, which FORM gives exactly.
    for beta in (3.09, 4.75):

        def h(u, beta=beta):
            return beta - (0.48 * u[0] + 0.6 * u[1] - 0.64 * u[2])

        exact = stats.norm.sf(beta)
        found = first_order(h, 3)
        sampled = importance_sampling(h, found, seed=0)
        assert abs(sampled.probability / exact - 1.0) < 4.0 * sampled.cov
        assert sampled.cov < 0.02
        nested = rare_estimates.subset_simulation(h, 3, seed=0)
        assert abs(nested.probability / exact - 1.0) < 4.0 * nested.cov
        assert nested.cov < 0.15


def test_importance_sampling_sees_both_design_points():
    # Two half-spaces: P is the sum of both, less their overlap, exactly.
    def h(u):
        return np.minimum(3.5 - u[0], 3.6 + u[0]) + 0.0 * u[1]

    found = first_order(h, 2)
    sampled = importance_sampling(h, found, points=4096, seed=1)
    exact = stats.norm.sf(3.5) + stats.norm.sf(3.6)
    assert len(found.design_points) == 2
    assert abs(sampled.probability / exact - 1.0) < 4.0 * sampled.cov


def test_brute_force_at_one_in_a_thousand(walls):
    wall = walls.wall()
    state = LimitState.from_wall(wall, wall.plans[3], age=1.5)
    found = first_order(state, state.dimensions)
    sampled = importance_sampling(state, found, points=4096, seed=2)
    assert 3e-4 < sampled.probability < 3e-3
    n, hits = 600_000, 0
    rng = np.random.default_rng(7)
    for _ in range(20):
        hits += int(np.sum(state(normal_block(state.dimensions, n // 20, rng)) <= 0.0))
    error = np.sqrt(hits) / n
    both = np.hypot(error, sampled.cov * sampled.probability)
    assert abs(hits / n - sampled.probability) < 4.0 * both


def test_form_at_one_in_a_million(walls, rare_estimates):
    # With few and mild inputs the surface is nearly flat, and FORM is nearly exact at 1e-6.
    laws = {n: fixed(law.mean) for n, (law, _) in walls.DEFAULTS.items()}
    laws["reinforcement.cover"] = distribution("normal", mean=60.0, sd=5.0)
    laws["concrete.diffusivity"] = distribution("lognormal", mean=5.0 * walls.UNIT, cov=0.2)
    wall = walls.wall(changes=laws)
    state = LimitState.from_wall(wall, wall.plans[3], age=14.0)
    found = first_order(state, state.dimensions)
    sampled = importance_sampling(state, found, points=4096, seed=3)
    assert 1e-7 < sampled.probability < 1e-5
    assert abs(found.index - sampled.index) < 0.05
    nested = rare_estimates.subset_simulation(state, state.dimensions, seed=3)
    both = np.hypot(nested.cov, sampled.cov)
    assert abs(nested.probability / sampled.probability - 1.0) < 4.0 * both


def test_rare_methods_of_openturns_on_a_wall(walls):
    wall = walls.wall()
    state = LimitState.from_wall(wall, wall.plans[3], age=1.0)
    found = first_order(state, state.dimensions)
    ours = importance_sampling(state, found, points=4096, seed=8)
    assert ours.probability < 1e-3

    def g(sample):
        return state.content_margin(np.array(sample).T)[:, None].tolist()

    ot.RandomGenerator.SetSeed(1)
    d = state.dimensions
    function = ot.PythonFunction(d, 1, func_sample=g)
    vector = ot.CompositeRandomVector(function, ot.RandomVector(ot.Normal(d)))
    event = ot.ThresholdEvent(vector, ot.LessOrEqual(), 0.0)
    around = ot.Normal(ot.Point(found.point), ot.CovarianceMatrix(np.eye(d)))
    sampling = ot.ProbabilitySimulationAlgorithm(event, ot.ImportanceSamplingExperiment(around))
    sampling.setMaximumOuterSampling(100)
    sampling.setBlockSize(1000)
    sampling.setMaximumCoefficientOfVariation(0.0)
    sampling.run()
    subset = ot.SubsetSampling(event)
    subset.setMaximumOuterSampling(20)
    subset.setBlockSize(1000)
    subset.run()
    for name, result in (("sampling", sampling.getResult()), ("subset", subset.getResult())):
        theirs = result.getProbabilityEstimate()
        error = np.hypot(result.getCoefficientOfVariation() * theirs, ours.cov * ours.probability)
        assert abs(theirs - ours.probability) < 4.0 * error, name
