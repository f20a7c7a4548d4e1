"""Drying tests against scipy's regression and rank correlation, and what they may not say."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from stripwise.errors import EvidenceError, InputError
from stripwise.evidence.drying_rates import (
    analyse_drying,
    initial_rate,
    mass_loss_at,
    rank_correlation,
)

TIMES = (0.0, 0.25, 0.5, 1.0, 3.0, 7.0, 28.0)
HEAD = "specimen,strategy,time_d,mass_loss_pct\n"


def rows(name, strategy, losses, times=TIMES):
    return "".join(f"{name},{strategy},{t:g},{m:.6f}\n" for t, m in zip(times, losses, strict=True))


def curve(final):
    return [final * -np.expm1(-((t / 9.0) ** 0.6)) for t in TIMES]


def three(spread=0.05):
    rng = np.random.default_rng(2)
    return HEAD + "".join(
        rows(f"{s[0]}{k}", s, curve(final * np.exp(spread * rng.standard_normal())))
        for s, final in (("Short", 2.5), ("Middle", 2.0), ("Long", 1.4))
        for k in range(3)
    )


def result_of(data_file, text, **more):
    return analyse_drying(data_file(text), rng=np.random.default_rng(1), **more)


@pytest.mark.parametrize("window", [0.1, 1.0, 3.0])
def test_initial_rate_against_scipy(window):
    loss = np.array([0.0, 0.21, 0.30, 0.52, 0.9, 1.2, 1.7])
    count = {0.1: 3, 1.0: 4, 3.0: 5}[window]
    line = stats.linregress(TIMES[:count], loss[:count])
    rate, error, used = initial_rate(TIMES, loss, window=window)
    assert used == count
    assert_allclose([rate, error], [line.slope, line.stderr], rtol=1e-12, atol=0)


def test_loss_at_an_age_is_interpolated_and_never_extrapolated():
    assert mass_loss_at([0, 2, 6], [0, 1, 2], age=4.0) == 1.5
    assert np.isnan(mass_loss_at([0, 2, 6], [0, 1, 2], age=6.1))
    assert np.isnan(mass_loss_at([1, 2, 6], [0, 1, 2], age=0.5))


@pytest.mark.parametrize(
    ("x", "y"),
    [
        ([1, 2, 3], [3, 1, 2]),
        ([1, 2, 3, 4, 5, 6], [1, 3, 2, 6, 5, 4]),
        ([1, 2, 2, 4, 5], [2, 1, 3, 3, 9]),
    ],
)
def test_rank_correlation_of_few_pairs_against_scipy(x, y):
    value, p, exact = rank_correlation(x, y)
    other = stats.permutation_test(
        (x,),
        lambda s: stats.spearmanr(s, y).statistic,
        permutation_type="pairings",
        n_resamples=np.inf,
    )
    assert exact
    assert_allclose(value, stats.spearmanr(x, y).statistic, rtol=1e-12)
    # scipy doubles the smaller tail; on both sides of 0 the tails are counted here
    both = np.mean(np.abs(other.null_distribution) >= abs(value) - 1e-12)
    assert_allclose(p, both, rtol=1e-12)


def test_rank_correlation_of_many_pairs_against_scipy():
    rng = np.random.default_rng(4)
    x = rng.standard_normal(30)
    y = x + rng.standard_normal(30)
    value, p, exact = rank_correlation(x, y)
    assert not exact
    assert_allclose((value, p), stats.spearmanr(x, y), rtol=1e-10)


def test_rank_correlation_at_its_ends():
    assert np.isnan(rank_correlation([1, 1, 1], [1, 2, 3])[0])
    assert rank_correlation(range(20), range(20))[:2] == (1.0, 0.0)
    with pytest.raises(InputError, match="needs 3 pairs"):
        rank_correlation([1, 2], [1, 2])


def test_means_and_intervals_by_the_pooled_scatter(data_file):
    result = result_of(data_file, three())
    rates = result.specimens.groupby("strategy")["rate_pct_d"]
    pooled = np.sqrt(rates.var().mean())
    half = stats.t.ppf(0.975, 6) * pooled / np.sqrt(3)
    for row in result.ranked("initial rate"):
        mean = rates.mean()[row["strategy"]]
        assert_allclose([row["low95"], row["high95"]], [mean - half, mean + half], rtol=1e-12)
    assert [row["strategy"] for row in result.ranked("initial rate")] == ["Long", "Middle", "Short"]
    assert [row["rank"] for row in result.ranked("loss at age")] == [1.0, 2.0, 3.0]
    assert result.age == 28.0


def test_intervals_of_ranks_widen_with_the_scatter(data_file):
    tight, loose = (
        [
            (row["rank_low95"], row["rank_high95"])
            for row in result_of(data_file, text).ranked("initial rate")
        ]
        for text in (three(0.01), three(0.6))
    )
    assert tight == [(1, 1), (2, 2), (3, 3)]
    assert loose != tight


def test_rank_correlation_with_diffusivities(data_file):
    known = pd.DataFrame(
        {
            "strategy": ["Short", "Middle", "Long", "Long"],
            "diffusivity": [9e-12, 6e-12, 5e-12, 4e-12],
        }
    )
    first, second = result_of(data_file, three(), diffusivities=known).correlations
    assert (first.quantity, first.level, first.pairs, first.coefficient) == (
        "initial rate",
        "strategy",
        3,
        1.0,
    )
    assert_allclose(first.p_value, 2.0 / 6.0)
    assert second.quantity == "loss at age"
    assert result_of(data_file, three(), diffusivities=known.head(2)).correlations == ()


def test_one_specimen_per_strategy(data_file):
    text = HEAD + rows("A", "Short", curve(2.5)) + rows("B", "Long", curve(1.4))
    result = result_of(data_file, text)
    assert result.strategies["low95"].isna().all()
    assert any("One specimen only for Long, Short" in text for text in result.warnings)
    assert any("there are no intervals" in text for text in result.warnings)


def test_identical_readings_are_a_finite_result(data_file):
    text = HEAD + rows("A", "Short", [0.5] * 7) + rows("B", "Short", [0.5] * 7)
    result = result_of(data_file, text)
    assert result.specimens["rate_pct_d"].tolist() == [0.0, 0.0]
    assert any("A, B: all readings are equal" in text for text in result.warnings)


def test_what_is_told(data_file):
    gain = HEAD + rows("A", "Short", [0, 0.3, 0.2, 0.4, 0.6, 0.9, 1.2])
    assert any("gains mass between two readings" in t for t in result_of(data_file, gain).warnings)
    sparse = HEAD + rows("A", "Short", [0, 0.5, 1.0], times=(0, 7, 28))
    assert any(
        "fewer than 3 readings in the first 1 d" in t for t in result_of(data_file, sparse).warnings
    )
    early = three() + rows("X", "Long", [0, 0.1, 0.2], times=(0, 0.5, 1.0))
    assert any(
        "X: has no reading on both sides of 7 d" in t
        for t in result_of(data_file, early, age=7.0).warnings
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            HEAD + rows("A", "Short", curve(2.5)) + "A,Long,30,3\n",
            'line 9, A, strategy = "Long": belongs to another strategy in an earlier row',
        ),
        (
            HEAD + rows("A", "Short", curve(2.5)) + "A,Short,1,3\n",
            'line 9, A, time_d = "1 d": is given twice for the specimen',
        ),
        (HEAD + "A,Short,0,0\nA,Short,1,1\n", "line 3, A = 2: has fewer than 3 readings"),
    ],
)
def test_what_a_drying_test_may_not_say(data_file, text, message):
    with pytest.raises(EvidenceError) as caught:
        result_of(data_file, text)
    assert message in str(caught.value)


def test_an_age_beyond_the_test(data_file):
    with pytest.raises(InputError, match="--age: = 90 d: the longest test ends at 28 d; nothing"):
        result_of(data_file, three(), age=90.0)
