"""Simultaneous intervals against scipy's Tukey and Dunnett, a printed table, and simulated tests."""

import numpy as np
import pytest
from scipy import stats

from stripwise.errors import InputError
from stripwise.evidence.statistics.simultaneous_intervals import (
    DUNNETT,
    TUKEY,
    Ratio,
    all_pairs,
    read_groups,
    with_reference,
)

SIZES = (4, 3, 6, 2)
NAMES = [name for name, size in zip("ABCD", SIZES, strict=True) for _ in range(size)]


def values(rng, ratios=(1.0, 1.0, 1.4, 0.8)):
    return np.concatenate(
        [
            ratio * np.exp(0.1 * rng.standard_normal(size))
            for ratio, size in zip(ratios, SIZES, strict=True)
        ]
    )


@pytest.fixture(scope="module")
def groups():
    return read_groups(values(np.random.default_rng(5)), NAMES)


def test_all_pairs_against_scipy(groups):
    ends = stats.tukey_hsd(*groups.logs).confidence_interval(0.95)
    for pair in all_pairs(groups):
        i, j = groups.names.index(pair.strategy), groups.names.index(pair.against)
        np.testing.assert_allclose(
            np.log([pair.low, pair.high]), [ends.low[i, j], ends.high[i, j]], rtol=1e-6
        )
        assert pair.method == TUKEY
        back = pair.turned()
        assert back.low == pytest.approx(1.0 / pair.high)
        assert back.apart == pytest.approx(pair.apart)


def test_with_a_reference_against_scipy(groups):
    ends = stats.dunnett(
        *groups.logs[1:], control=groups.logs[0], rng=np.random.default_rng(11)
    ).confidence_interval(0.95)
    found = with_reference(groups, "A")
    np.testing.assert_allclose(np.log([p.low for p in found]), ends.low, atol=1e-3)
    assert {pair.method for pair in found} == {DUNNETT}
    assert with_reference(groups, "no such strategy") == ()


def test_dunnett_by_his_table():
    # two-sided, joint 95 %, three treatments, equal numbers, 12 degrees of freedom: t = 2.68
    # (Dunnett 1964, table II, recalled)
    rng = np.random.default_rng(2)
    equal = read_groups(np.exp(rng.standard_normal(16)), [n for n in "ABCD" for _ in range(4)])
    for pair in with_reference(equal, "A"):
        t = np.log(pair.high / pair.value) / np.sqrt(equal.variance * 2.0 / 4.0)
        assert t == pytest.approx(2.68, abs=0.01)


def test_many_strategies_take_the_wider_intervals():
    rng = np.random.default_rng(3)
    names = [f"S{k}" for k in range(27) for _ in range(2)]
    many = read_groups(np.exp(0.1 * rng.standard_normal(54)), names)
    found = with_reference(many, "S3")
    assert len(found) == 26
    assert {pair.against for pair in found} == {"S3"}
    assert {pair.method for pair in found} == {TUKEY}


def test_the_intervals_hold_together():
    """All true ratios at once in 95 of 100 tests: the share over 400 within 3 standard errors.

    Tukey and Kramer are a little wide for unequal numbers (Hayter 1984), so one side alone.
    """
    rng, ratios, held = np.random.default_rng(8), np.array([1.0, 1.0, 1.4, 0.8]), 0
    quantile = None
    for _ in range(400):
        found = read_groups(values(rng, ratios), NAMES)
        if quantile is None:  # sizes, and so the quantile, are always the same
            pair = all_pairs(found)[0]
            error = np.sqrt(found.variance * (1.0 / SIZES[0] + 1.0 / SIZES[1]))
            quantile = np.log(pair.high / pair.value) / error
        gap = (found.means - np.log(ratios))[:, None] - (found.means - np.log(ratios))
        counts = 1.0 / np.array(SIZES)
        half = quantile * np.sqrt(found.variance * (counts[:, None] + counts))
        held += bool((np.abs(gap) <= half).all())
    assert 0.95 - 3.0 * np.sqrt(0.95 * 0.05 / 400.0) <= held / 400.0 <= 0.99


@pytest.mark.parametrize(
    ("low", "high", "margin", "finding"),
    [
        (1.1, 1.5, None, "higher"),
        (0.6, 0.9, None, "lower"),
        (0.9, 1.1, None, "no difference shown"),
        (0.9, 1.1, 0.2, "differs by less than the margin"),
        (0.9, 1.3, 0.2, "no difference shown"),
        (1.02, 1.1, 0.2, "higher, by less than the margin"),
        # 0.82 is 22 % below 1 as the smaller mean counts
        (0.82, 1.0, 0.2, "no difference shown"),
    ],
)
def test_what_a_ratio_shows(low, high, margin, finding):
    assert Ratio("B", "A", 1.0, low, high, TUKEY).finding(margin) == finding


def test_what_cannot_be_compared():
    assert read_groups([1.0, 2.0], ["A", "B"]) is None
    assert read_groups([1.0, 1.0, 1.0, 1.0], [*"AABB"]) is None
    found = read_groups([1.0, 1.1, 2.0, 2.2, 5.0], [*"AABBC"])
    assert found.left_out == ("C",)
    with pytest.raises(InputError, match="needs values above 0"):
        read_groups([1.0, 0.0], ["A", "B"])
