import numpy as np
import openturns as ot
import pytest
from numpy.testing import assert_allclose
from scipy.stats import sobol_indices as scipy_sobol
from scipy.stats import uniform

from stripwise.distributions.distribution import fixed
from stripwise.distributions.random_input import Correlation
from stripwise.distributions.sampling import normal_block
from stripwise.risk.probability.integral import front_depths, initiation_ages
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.sensitivity import quantities_of_interest as q
from stripwise.risk.sensitivity.quantities_of_interest import QuantitiesOfInterest
from stripwise.risk.sensitivity.sobol import SobolDesign, accumulate_sums, indices_from_sums

AGES = np.array([5.0, 20.0, 50.0])


def ranked(wall, *, plan=0, reference=0, ages=AGES, points=1024, repeats=8):
    found = QuantitiesOfInterest.from_wall(
        wall, wall.plans[plan], reference=wall.plans[reference], ages=ages
    )
    d = found.sampler.dimensions
    layout = SobolDesign(d, tuple((i,) for i in range(d)), found.continuous, found.integrated)
    shift = np.zeros(len(found.names))
    sums = accumulate_sums(
        found, layout, start=0, points=points, repeats=repeats, seed=0, shift=shift
    )
    return found, indices_from_sums(sums, layout, shift=shift)


@pytest.mark.parametrize("layered", [False, True])
def test_outputs_are_what_the_physics_gives_one_by_one(walls, layered):
    wall = walls.wall(layered=layered)
    found = QuantitiesOfInterest.from_wall(wall, wall.plans[0], reference=wall.plans[3], ages=AGES)
    z = normal_block(found.sampler.dimensions, 64, np.random.default_rng(0))
    out = found(z)
    values = found.sampler.values(z)
    block = found.wall.sample_block(values)
    cover = values["reinforcement.cover"]
    rows = dict(zip(found.names, out, strict=True))
    for age in AGES:
        own, other = front_depths(found.wall, block, float(age))
        assert_allclose(rows[q.MARGIN, age], cover - own, rtol=1e-12)
        assert_allclose(rows[q.GAP, age], other - own, rtol=0, atol=1e-10)
    times = initiation_ages(found.wall, block, values)[0]
    index = [name for name, _ in found.names].index(q.TIME)
    assert_allclose(out[index], np.log(np.clip(times, q.EARLIEST_TIME, q.LATEST_TIME)), rtol=1e-9)


@pytest.mark.parametrize("layered", [False, True])
def test_mean_of_failure_is_the_share_of_failing_samples(walls, layered):
    wall = walls.wall(layered=layered)
    found = QuantitiesOfInterest.from_wall(wall, wall.plans[0], reference=wall.plans[0], ages=AGES)
    z = normal_block(found.sampler.dimensions, 20_000, np.random.default_rng(1))
    out = found(z)
    margin = out[: len(AGES)]
    failure = out[found.continuous :]
    # the same columns but for the integrated one: the counted event minus its expectation
    gap = (margin <= 0.0).astype(float) - failure
    error = gap.std(axis=1) / np.sqrt(gap.shape[1])
    assert np.all(np.abs(gap.mean(axis=1)) < 4.0 * error)
    assert np.all((failure >= 0.0) & (failure <= 1.0))


def test_cover_share_is_the_exact_ratio_of_variances(walls):
    # cover - x_c with an independent cover: first = total = sd^2 / (sd^2 + Var x_c).
    found, indices = ranked(walls.wall())
    cover = found.sampler.names.index("reinforcement.cover")
    margin = range(len(AGES))
    gap = indices.total[:, cover, margin] - indices.first[:, cover, margin]
    mean, _, high = t_interval(gap)
    assert np.all(np.abs(mean) <= 2.0 * (high - mean) + 1e-4)
    exact = 8.0**2 / indices.variance[:, margin]
    assert_allclose(indices.total[:, cover, margin].mean(axis=0), exact.mean(axis=0), rtol=0.02)
    # the cover cancels out of the margin's gain over another strategy
    found, indices = ranked(walls.wall(), reference=3)
    gain = [m for m, (name, _) in enumerate(found.names) if name == q.GAP]
    assert_allclose(indices.total[:, cover, gain], 0.0, rtol=0, atol=1e-20)


def test_agrees_with_scipy_on_a_wall(walls):
    wall = walls.wall()
    found, indices = ranked(wall, points=2048)
    d = found.sampler.dimensions

    def model(x):
        from scipy.special import ndtri

        return found(ndtri(np.clip(x, 1e-12, 1 - 1e-12)))[:1]

    theirs = scipy_sobol(func=model, n=4096, dists=[uniform()] * d, rng=np.random.default_rng(2))
    assert_allclose(indices.first.mean(axis=0)[:, 0], theirs.first_order, rtol=0, atol=0.02)
    assert_allclose(indices.total.mean(axis=0)[:, 0], theirs.total_order, rtol=0, atol=0.02)


def test_agrees_with_openturns_on_a_wall(walls):
    wall = walls.wall()
    found, indices = ranked(wall, points=2048)
    d = found.sampler.dimensions

    def model(sample):
        return found(np.array(sample).T)[2][:, None].tolist()

    ot.RandomGenerator.SetSeed(3)
    function = ot.PythonFunction(d, 1, func_sample=model)
    algorithm = ot.SaltelliSensitivityAlgorithm(ot.Normal(d), 8192, function, False)
    # Saltelli's plain estimator is not centred: its error is that of 8192 random points
    assert_allclose(
        indices.first.mean(axis=0)[:, 2], algorithm.getFirstOrderIndices(), rtol=0, atol=0.05
    )
    assert_allclose(
        indices.total.mean(axis=0)[:, 2], algorithm.getTotalOrderIndices(), rtol=0, atol=0.05
    )
    inputs = ot.Normal(d).getSample(20_000)
    by_rank = ot.RankSobolSensitivityAlgorithm(inputs, function(inputs)).getFirstOrderIndices()
    assert_allclose(indices.first.mean(axis=0)[:, 2], by_rank, rtol=0, atol=0.03)


def test_failure_indices_against_counted_events(walls):
    # The slow twin: a yes or no per sample, many of them, first index by the same pick-freeze.
    wall = walls.wall()
    found, indices = ranked(wall, points=2048)
    d, n = found.sampler.dimensions, 200_000
    rng = np.random.default_rng(5)
    a, b = normal_block(d, n, rng), normal_block(d, n, rng)
    one = QuantitiesOfInterest.from_wall(
        wall, wall.plans[0], reference=wall.plans[0], ages=AGES[1:2], quantities=(q.MARGIN,)
    )
    fails_a, fails_b = one(a)[0] <= 0.0, one(b)[0] <= 0.0
    p = 0.5 * (fails_a.mean() + fails_b.mean())
    m = found.continuous + 1
    for name in ("reinforcement.cover", "exposure.surface_chloride", "concrete.ageing_exponent"):
        i = found.sampler.names.index(name)
        mixed = a.copy()
        mixed[i] = b[i]
        fails = one(mixed)[0] <= 0.0
        first = np.mean((fails_b - p) * (fails * 1.0 - fails_a)) / (p * (1 - p))
        total = 0.5 * np.mean(fails != fails_a) / (p * (1 - p))
        error = 2.0 / np.sqrt(n * p)
        assert abs(indices.first[:, i, m].mean() - first) < 4.0 * error
        assert abs(indices.total[:, i, m].mean() - total) < 4.0 * error


def test_correlated_and_fixed_cover(walls):
    tie = Correlation("reinforcement.cover", "concrete.diffusivity", -0.5)
    wall = walls.wall(correlations=(tie,))
    found = QuantitiesOfInterest.from_wall(wall, wall.plans[0], reference=wall.plans[0], ages=AGES)
    z = normal_block(found.sampler.dimensions, 20_000, np.random.default_rng(7))
    out = found(z)
    counted = (out[: len(AGES)] <= 0.0).mean(axis=1)
    error = np.sqrt(2.0 * counted * (1.0 - counted) / z.shape[1])
    assert np.all(np.abs(out[found.continuous :].mean(axis=1) - counted) < 4.0 * error + 1e-4)
    still = walls.wall(changes={"reinforcement.cover": fixed(55.0)})
    found = QuantitiesOfInterest.from_wall(
        still, still.plans[0], reference=still.plans[0], ages=AGES
    )
    assert found.integral.name == "concrete.diffusivity"
