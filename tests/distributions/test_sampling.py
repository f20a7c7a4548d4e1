import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats
from scipy.special import ndtr

from stripwise.distributions import sampling, sobol_sequence
from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Correlation, Input
from stripwise.distributions.sampling import (
    BLOCK_SIZE,
    InputSampler,
    copula,
    normal_block,
    random_stream,
    sobol_blocks,
)
from stripwise.errors import InputError

LAWS = {
    "cover": distribution("normal", mean=60.0, sd=8.0, low=0.0),
    "surface": distribution("lognormal", mean=3.0, cov=0.35),
    "critical": distribution("beta", mean=0.6, sd=0.15, low=0.2, high=2.0),
}


def inputs(**laws):
    return tuple(Input(name, name, law, "", "concrete") for name, law in laws.items())


def points(seed, *, dimensions=3, count=2 * BLOCK_SIZE, start=0):
    cells = sobol_blocks(dimensions, count, random_stream(seed, stage="main"), start=start)
    return np.concatenate(list(cells), axis=1)


def test_same_seed_gives_the_same_points():
    assert_array_equal(points(3), points(3))
    again = [normal_block(2, 50, random_stream(3, stage="plain", index=(1, 4))) for _ in range(2)]
    assert_array_equal(*again)


def test_seed_zero_is_a_seed_like_any_other():
    assert_array_equal(points(0), points(0))
    assert np.all(np.isfinite(points(0)))
    assert np.mean(points(0) != points(1)) > 0.999


def test_no_stage_repeat_or_cell_shares_a_stream():
    keys = [(stage, index) for stage in sampling.STAGES for index in ((), (0,), (1,), (0, 0))]
    first = [random_stream(0, stage=stage, index=index).random() for stage, index in keys]
    assert len(set(first)) == len(keys)


def test_every_point_lies_in_the_middle_of_its_cell():
    # Odd multiples of 2^-31: neither 0 nor 1 is among them.
    u = ndtr(points(0))
    steps = u * 2.0**30 - 0.5
    # one rounding of u is 2^-53, which is 2^-23 of a step; the normal variate adds a few more
    assert_allclose(steps, np.round(steps), rtol=0, atol=1e-5)
    assert u.min() > 0.0
    assert u.max() < 1.0


def test_a_point_at_zero_stays_a_number(monkeypatch):
    # Sobol' points without scrambling begin at the origin (Sobol', USSR Comput. Maths. Math.
    # Phys. 7, 1967, recalled); a scrambling can put any point there.
    def bare(dimensions, _rng):
        plain = sobol_sequence._plain_directions(dimensions)
        return sobol_sequence.SobolSequence(plain, np.zeros(dimensions, dtype=np.uint32), 0)

    assert_array_equal(bare(2, None).draw(1), [[0.0], [0.0]])
    monkeypatch.setattr(sampling.SobolSequence, "scrambled", bare)
    z = points(0, dimensions=2, count=1024)
    assert_allclose(z[:, 0], stats.norm.ppf(2.0**-31), rtol=1e-12, atol=0)


def test_points_fill_every_column_evenly():
    # A (t, m, s) net in base 2: each of the 2^m equal intervals holds one of the 2^m points.
    u = ndtr(points(5, dimensions=4, count=4096))
    for column in u:
        counts = np.bincount((column * 4096).astype(int), minlength=4096)
        assert_array_equal(counts, np.ones(4096))


def test_start_gives_the_tail_of_the_whole_sequence():
    whole = points(2, count=4 * BLOCK_SIZE)
    for start in (1, 1000, BLOCK_SIZE, 3 * BLOCK_SIZE):
        tail = points(2, count=4 * BLOCK_SIZE - start, start=start)
        assert_array_equal(tail, whole[:, start:])


def test_no_column_still_counts_its_points():
    assert [
        z.shape for z in sobol_blocks(0, 2 * BLOCK_SIZE + 5, random_stream(0, stage="main"))
    ] == [
        (0, BLOCK_SIZE),
        (0, BLOCK_SIZE),
        (0, 5),
    ]


def test_copula_reproduces_the_rank_correlation():
    ranks = {("cover", "surface"): -0.6, ("cover", "critical"): 0.3, ("surface", "critical"): 0.4}
    ties = [Correlation(*pair, rank) for pair, rank in ranks.items()]
    sampler = InputSampler.from_inputs(inputs(**LAWS), ties)
    count = 20_000
    values = sampler.values(normal_block(3, count, random_stream(0, stage="plain")))
    for (first, second), rank in ranks.items():
        found = stats.spearmanr(values[first], values[second]).statistic
        # standard error of atanh of Spearman's rho: Bonett and Wright, Psychometrika 65, 2000
        # (recalled)
        error = np.sqrt((1.0 + 0.5 * rank**2) / (count - 3))
        assert abs(np.arctanh(found) - np.arctanh(rank)) < 4.0 * error


def test_copula_leaves_each_distribution_as_it_was():
    sampler = InputSampler.from_inputs(inputs(**LAWS), [Correlation("cover", "critical", -0.8)])
    values = sampler.values(normal_block(3, 20_000, random_stream(0, stage="plain")))
    for name, law in LAWS.items():
        assert stats.kstest(values[name], law.cdf).pvalue > 1e-3


@pytest.mark.parametrize(("rank", "sign"), [(1.0, 1), (-1.0, -1)])
def test_full_rank_correlation_moves_the_columns_together(rank, sign):
    sampler = InputSampler.from_inputs(inputs(**LAWS), [Correlation("cover", "critical", rank)])
    values = sampler.values(normal_block(3, 2000, random_stream(0, stage="plain")))
    order = np.argsort(values["cover"])[::sign]
    assert np.all(np.diff(values["critical"][order]) >= 0.0)
    assert abs(stats.spearmanr(values["cover"], values["surface"]).statistic) < 0.1


def test_impossible_correlations_are_refused_with_the_eigenvalue():
    # a, b and b, c together, a, c against each other: the eigenvalues are 1 + r, 1 + r, 1 - 2 r.
    ties = [
        Correlation("cover", "surface", 0.9),
        Correlation("surface", "critical", 0.9),
        Correlation("cover", "critical", -0.9),
    ]
    r = 2.0 * np.sin(np.pi * 0.9 / 6.0)
    with pytest.raises(InputError) as refusal:
        InputSampler.from_inputs(inputs(**LAWS), ties)
    assert f"eigenvalue {1.0 - 2.0 * r:.3g}; none may be below 0" in str(refusal.value)
    assert "-0.816" in str(refusal.value)


def test_copula_takes_only_pairs_it_has_columns_for():
    ties = [Correlation("b", "a", 0.5), Correlation("a", "elsewhere", 0.9)]
    # 2 sin(pi/12) = (sqrt 6 - sqrt 2) / 2
    r = 0.5 * (np.sqrt(6.0) - np.sqrt(2.0))
    assert_allclose(copula(["a", "b"], ties), [[1.0, r], [r, 1.0]], rtol=1e-15)


def test_fixed_inputs_take_no_column_and_given_values_win():
    sampler = InputSampler.from_inputs(inputs(**LAWS, age=fixed(28.0)), [])
    assert sampler.names == tuple(LAWS)
    assert sampler.factor is None
    values = sampler.values(np.zeros((3, 4)), given={"cover": 40.0})
    assert values["age"] == 28.0
    assert values["cover"] == 40.0
    assert sampler.values(np.zeros((3, 4)))["cover"].shape == (4,)
