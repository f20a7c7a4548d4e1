"""Cover surveys: intervals against scipy and by simulation, neighbours, what is refused."""

import functools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from stripwise.errors import EvidenceError, InputError
from stripwise.evidence.cover_survey import (
    _sd_interval,
    analyse_survey,
    rounding_step,
    wilson_interval,
)
from stripwise.evidence.statistics import effective_sample_size
from stripwise.evidence.statistics.effective_sample_size import (
    ORIGIN_CORRELATIONS,
    _independent_likelihood,
    _restricted_likelihood,
    area_effective_sample_size,
    design_effect,
    estimate_spatial_correlation,
    moran_p_value,
)

RNG = np.random.default_rng


def survey_of(data_file, text, **more):
    return analyse_survey(data_file(text), rng=RNG(1), **more)


def table_of(values, places=None, form=".2f"):
    if places is None:
        return "cover_mm\n" + "".join(f"{v:{form}}\n" for v in values)
    rows = "".join(
        f"{x:.3f},{y:.3f},{v:{form}}\n" for (x, y), v in zip(places, values, strict=True)
    )
    return "x_m,y_m,cover_mm\n" + rows


@pytest.mark.parametrize(("count", "number"), [(0, 40), (3, 40), (20, 40), (40, 40), (7, 320)])
def test_wilson_against_scipy(count, number):
    own = wilson_interval(count / number, float(number))
    other = stats.binomtest(count, number).proportion_ci(method="wilson")
    assert_allclose([own.low, own.high], [other.low, other.high], rtol=0, atol=1e-12)


def test_independent_readings_without_positions(data_file):
    x = RNG(3).normal(50.0, 7.0, 40)
    result = survey_of(data_file, table_of(x), limit=45.0)
    x = np.round(x, 2)
    t = stats.ttest_1samp(x, 0.0).confidence_interval(0.95)
    assert_allclose([result.mean.low, result.mean.high], [t.low, t.high], rtol=1e-12, atol=0)
    assert result.effective_sample_size == 40
    assert result.empirical_share.value == np.mean(x < 45.0)
    assert any("no positions (x_m, y_m) or areas" in text for text in result.warnings)
    assert result.chosen is result.fits[0]
    assert result.fits[0].aic == min(fit.aic for fit in result.fits)


GRID = np.stack(np.meshgrid(np.arange(14) * 0.7, np.arange(7) * 0.6), axis=-1).reshape(-1, 2)


@functools.cache
def root_of_grid(length):
    distance = np.hypot(*(GRID[:, None, :] - GRID[None]).transpose(2, 0, 1))
    return np.linalg.cholesky(np.exp(-distance / length) + 1e-9 * np.eye(len(GRID)))


def field(rng, length):
    return root_of_grid(length) @ rng.standard_normal(len(GRID))


@pytest.fixture
def one_grid(monkeypatch):
    """Take the spectra of the correlations over a grid once for all fields on it."""
    eigh, known = np.linalg.eigh, {}

    def kept(matrix):
        key = matrix.tobytes()
        if key not in known:
            known[key] = eigh(matrix)
        return known[key]

    monkeypatch.setattr(np.linalg, "eigh", kept)


def test_the_restricted_likelihood_is_that_of_the_contrasts():
    """scipy's multivariate normal on Helmert contrasts, which do not know the mean."""
    from scipy.linalg import helmert

    place, x = GRID[:30], RNG(5).normal(50.0, 6.0, 30)
    lengths = np.array([0.3, 1.0, 3.0])
    level, variance = _restricted_likelihood(x, place, lengths)
    distance = np.hypot(*(place[:, None, :] - place[None]).transpose(2, 0, 1))
    contrast = helmert(30)
    expected = np.empty_like(level)
    for i, length in enumerate(lengths):
        for j, share in enumerate(ORIGIN_CORRELATIONS):
            r = share * np.exp(-distance / length) + (1.0 - share) * np.eye(30)
            cover = variance[i, j] * contrast @ r @ contrast.T
            expected[i, j] = stats.multivariate_normal.logpdf(contrast @ x, cov=cover)
    shift = expected - level
    # equal but for a constant, which is also that of independent readings
    assert_allclose(shift, shift[0, 0], rtol=0, atol=1e-7)
    alone = stats.multivariate_normal.logpdf(contrast @ x, cov=np.var(x, ddof=1) * np.eye(29))
    assert alone - _independent_likelihood(x) == pytest.approx(shift[0, 0], abs=1e-7)


@pytest.fixture
def few_permutations(monkeypatch):
    """Permute seldom where the interval is read, on which the test of independence has no say."""
    monkeypatch.setattr(effective_sample_size, "PERMUTATIONS", 9)


@pytest.mark.usefixtures("few_permutations")
@pytest.mark.parametrize(("length", "share"), [(1.0, 1.0), (1.0, 0.6)])
def test_interval_of_the_mean_covers_it_where_neighbours_resemble_each_other(
    one_grid, length, share
):
    """Intervals that take readings as independent cover far too seldom here; ours must not.

    The benchmark of the evidence counts more fields of more kinds.
    """
    rng = RNG(12)

    def covers(x, number):
        half = stats.t.ppf(0.975, number - 1.0) * x.std(ddof=1) / np.sqrt(number)
        return abs(x.mean()) < half

    fields = [
        np.sqrt(share) * field(rng, length) + np.sqrt(1.0 - share) * rng.standard_normal(len(GRID))
        for _ in range(100)
    ]
    naive = sum(covers(x, len(x)) for x in fields)
    result = [estimate_spatial_correlation(GRID, x, rng=rng).effective_sample_size for x in fields]
    covered = sum(covers(x, n) for x, n in zip(fields, result, strict=True))
    assert naive < 0.65 * 100
    assert covered >= 0.90 * 100
    # what one field leaves open about its own correlation only takes away from the exact number
    distance = np.hypot(*(GRID[:, None, :] - GRID[None]).transpose(2, 0, 1))
    r = share * np.exp(-distance / length) + (1.0 - share) * np.eye(len(GRID))
    exact = len(GRID) ** 2 / r.sum()
    assert exact / 2.5 < np.median(result) < 1.25 * exact


@pytest.mark.usefixtures("few_permutations")
@pytest.mark.parametrize("length", [0.5, 2.0])
def test_interval_of_the_sd_covers_it_where_neighbours_resemble_each_other(one_grid, length):
    rng, inside, more = RNG(15), 0, 0
    for _ in range(120):
        x = field(rng, length)
        result = estimate_spatial_correlation(GRID, x, rng=rng)
        end = _sd_interval(x, result.effective_sample_size_sd, result.sd_inflation)
        inside += end.low < 1.0 < end.high
        more += result.effective_sample_size_sd > result.effective_sample_size
    # 95 % and 2 sd of the binomial; 96 to 98 % are measured over 200 fields
    assert inside >= 0.95 * 120 - 2 * 2.4
    # squares are less alike than the readings, so that the sd is told by more of them
    assert more > 0.9 * 120


def test_independent_readings_with_positions_keep_most_of_their_number(one_grid):
    rng = RNG(13)
    result = [
        estimate_spatial_correlation(GRID, rng.standard_normal(len(GRID)), rng=rng)
        for _ in range(40)
    ]
    # called correlated in 10 % of the cases, binomial with sd 1.9
    assert sum(item.correlated for item in result) <= 4 + 4 * 1.9
    assert np.median([item.effective_sample_size for item in result]) > 0.6 * len(GRID)


def test_interval_of_the_mean_from_areas_is_that_of_their_means():
    """For areas of equal size the interval is the t interval of the means of the areas (scipy)."""
    rng = RNG(7)
    codes = np.repeat(np.arange(8), 6)
    x = 3.0 * rng.standard_normal(8)[codes] + rng.standard_normal(48)
    number = area_effective_sample_size(x, codes)
    half = stats.t.ppf(0.975, number - 1.0) * x.std(ddof=1) / np.sqrt(number)
    means = x.reshape(8, 6).mean(axis=1)
    t = stats.ttest_1samp(means, 0.0).confidence_interval(0.95)
    assert 2.0 * half == pytest.approx(t.high - t.low, rel=1e-6)


def test_moran_of_a_slope_and_of_a_chessboard():
    assert moran_p_value(GRID, GRID[:, 0], rng=RNG(1)) == 1.0 / 200.0
    chess = (np.round(GRID[:, 0] / 0.7) + np.round(GRID[:, 1] / 0.6)) % 2
    assert moran_p_value(GRID, chess, rng=RNG(1)) > 0.95


def test_design_effect_of_areas(data_file):
    # all the scatter between areas: each area is worth one reading (Kish 1965)
    rho, effect = design_effect([1, 1, 1, 5, 5, 5, 3, 3, 3], list("aaabbbccc"))
    assert (rho, effect) == (1.0, 3.0)
    rows = "".join(f"{a},{50 + 4 * k + j % 3}\n" for k, a in enumerate("PQRS") for j in range(9))
    result = survey_of(data_file, "area,cover_mm\n" + rows)
    assert 3.5 < result.effective_sample_size < 5.0
    assert result.areas["readings"].tolist() == [9, 9, 9, 9]
    assert any("Readings of one area resemble each other" in text for text in result.warnings)


def test_intervals_of_the_sd_cover_it(data_file):
    rng, inside = RNG(14), 0
    for _ in range(200):
        x = rng.normal(50.0, 8.0, 60)
        kurtosis = stats.kurtosis(x, fisher=False)
        half = stats.t.ppf(0.975, 59) * np.sqrt((kurtosis - 1) / (4 * 60))
        inside += abs(np.log(x.std(ddof=1) / 8.0)) < half
    result = survey_of(data_file, table_of(x, form=".9f"))
    assert_allclose(
        [result.sd.low, result.sd.high], x.std(ddof=1) * np.exp([-half, half]), rtol=1e-6, atol=0
    )
    assert 0.90 * 200 <= inside <= 0.99 * 200


@pytest.mark.parametrize(
    ("step", "values"),
    [
        (1.0, [50, 51, 53]),
        (5.0, [50, 55, 45]),
        (25.4, [50.8, 25.4]),
        (0.0, [50.123]),
        (0.5, [50.5, 51]),
    ],
)
def test_rounding(step, values):
    assert rounding_step(values) == step


def test_coarse_readings_and_a_meter_that_ends_are_told(data_file):
    x = np.round(RNG(15).normal(50.0, 6.0, 80) / 5.0) * 5.0
    assert any("rounded to 5 mm" in text for text in survey_of(data_file, table_of(x)).warnings)
    x = np.minimum(RNG(15).normal(60.0, 8.0, 80), 66.0)
    assert any(
        "show the largest value, 66 mm" in text
        for text in survey_of(data_file, table_of(x)).warnings
    )


def test_readings_of_two_kinds_fit_badly(data_file):
    x = np.concatenate([RNG(16).normal(30.0, 2.0, 60), RNG(17).normal(70.0, 2.0, 60)])
    assert any(
        "fits the readings badly" in text for text in survey_of(data_file, table_of(x)).warnings
    )


def test_the_family_can_be_chosen(data_file):
    text = table_of(RNG(3).normal(50.0, 7.0, 40))
    assert survey_of(data_file, text, family="lognormal").chosen.family == "lognormal"
    with pytest.raises(InputError, match="--family: 'cauchy': must be one of normal, lognormal"):
        survey_of(data_file, text, family="cauchy")
    with pytest.raises(InputError, match="--family: 'beta': needs its bounds; state them"):
        survey_of(data_file, text, family="beta")
    result = survey_of(data_file, text, family="beta", bounds=(0.0, 120.0), limit=45.0)
    assert result.chosen.family == "beta"
    assert result.fitted_share.low < result.fitted_share.value < result.fitted_share.high
    with pytest.raises(InputError, match="--bounds: = 45 mm to 120 mm: must hold every reading"):
        survey_of(data_file, text, bounds=(45.0, 120.0))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("cover_mm\n" + "52\n" * 30, "cover_mm: shows 52 mm in all 30 readings; cover scatters"),
        ("cover_mm\n" + "52\n52.0000001\n" * 30, "cover_mm: shows 52 mm in all 60 readings"),
        ("x_m,cover_mm\n1e300,50\n", "line 2, x_m = 1e+300: must be at least -100000 m"),
        ("cover_mm\n52\n53\n54\n", "has 3 readings; a distribution needs at least 5"),
        ("cover_mm\n52\n0\n54\n", "line 3, cover_mm = 0.0: must be above 0 mm and at most 500 mm"),
        ("cover_in\n2\n52\n", "line 3, cover_in = 52.0: must be above 0 in and at most 19.685 in"),
        ("y_m,cover_mm\n1,50\n2,51\n3,52\n4,53\n5,55\n", "stands without x; give both"),
        ("x_m,cover_mm\n1,50\n2,51\n,52\n4,53\n5,55\n", "line 4, x_m: has no value; give the pos"),
    ],
)
def test_what_a_survey_may_not_say(data_file, text, message):
    with pytest.raises(EvidenceError) as caught:
        survey_of(data_file, text)
    assert message in str(caught.value)
