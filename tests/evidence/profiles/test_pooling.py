import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize, stats

from stripwise.errors import InputError
from stripwise.evidence.profiles.pooling import compare_with_reference, equal_means_p_value, pool

GROUP = np.repeat([0, 1, 2], 4)


def draw(seed=0, *, between=0.15, errors=(0.03, 0.12)):
    rng = np.random.default_rng(seed)
    variance = rng.uniform(*errors, GROUP.size) ** 2
    values = np.array([0.0, 0.5, 0.9])[GROUP]
    values = values + rng.normal(0, np.sqrt(between**2 + variance))
    return values, variance


def test_without_errors_of_fits_it_is_the_pooled_t_interval():
    """Two strategies and exact fits: Student's interval with pooled variance, from scipy."""
    values, _ = draw()
    first, second = values[:4], values[4:8]
    result = compare_with_reference(pool(values[:8], np.zeros(8), group=GROUP[:8]), 0)
    known = stats.ttest_ind(second, first).confidence_interval(0.95)
    assert result.log_mean[1] == pytest.approx(second.mean() - first.mean(), rel=1e-10)
    assert_allclose([result.low95[1], result.high95[1]], [known.low, known.high], rtol=1e-8)


def test_without_errors_of_fits_the_test_of_equal_means_is_the_analysis_of_variance():
    values, _ = draw(3)
    known = stats.f_oneway(values[:4], values[4:8], values[8:]).pvalue
    assert equal_means_p_value(pool(values, np.zeros(12), group=GROUP)) == pytest.approx(
        known, rel=1e-8
    )


def test_with_equal_errors_it_is_restricted_maximum_likelihood():
    """Where all errors are equal Paule-Mandel and REML agree; the likelihood is maximised anew."""
    values, _ = draw(5)
    variance = np.full(12, 0.05**2)
    design = (GROUP[:, None] == np.arange(3)).astype(float)

    def deviance(log_between):
        v = variance + np.exp(log_between)
        information = design.T @ (design / v[:, None])
        mean = np.linalg.solve(information, design.T @ (values / v))
        rest = values - design @ mean
        return np.log(v).sum() + np.linalg.slogdet(information)[1] + (rest**2 / v).sum()

    best = optimize.minimize_scalar(
        deviance, bounds=(np.log(1e-5), 0.0), method="bounded", options={"xatol": 1e-10}
    )
    result = pool(values, variance, group=GROUP)
    assert result.between_variance == pytest.approx(np.exp(best.x), rel=1e-5)


def test_the_estimate_solves_the_moment_equation():
    """Paule and Mandel's definition, spelt out group by group (recalled)."""
    values, variance = draw(7)
    result = pool(values, variance, group=GROUP)
    assert result.between_variance > 0
    q = 0.0
    for k in range(3):
        own = np.equal(GROUP, k)
        w = 1 / (variance[own] + result.between_variance)
        y = values[own]
        mean = np.average(y, weights=w)
        assert result.mean[k] == pytest.approx(mean, rel=1e-12)
        assert result.variance[k] == pytest.approx(1 / w.sum(), rel=1e-8)
        q += (w * (y - mean) ** 2).sum()
    assert q == pytest.approx(12 - 3, rel=1e-8)


def test_no_variance_between_specimens_is_a_valid_input():
    rng = np.random.default_rng(1)
    variance = np.full(12, 0.2**2)
    values = np.array([0.0, 0.5, 0.9])[GROUP] + 0.05 * rng.standard_normal(12)
    result = pool(values, variance, group=GROUP)
    assert result.between_variance == 0.0
    # the factor of Knapp and Hartung is never below 1: the variance of a mean of four stays
    assert_allclose(result.variance, 0.2**2 / 4, rtol=1e-12)


def test_nothing_scatters_at_all():
    values = np.array([0.0, 0.5, 0.9])[GROUP]
    result = pool(values, np.zeros(12), group=GROUP)
    compared = compare_with_reference(result, 0)
    assert_allclose(compared.log_mean, [0, 0.5, 0.9], atol=1e-12)
    assert np.isfinite(compared.covariance).all()
    assert_allclose(compared.high95, [0, 0.5, 0.9], atol=1e-5)


def test_the_error_of_the_reference_is_in_every_ratio():
    values, variance = draw(2)
    result = pool(values, variance, group=GROUP)
    covariance = compare_with_reference(result, 1).covariance
    assert covariance[0, 2] == pytest.approx(result.variance[1])
    assert covariance[2, 2] == pytest.approx(result.variance[1] + result.variance[2])
    assert not covariance[1].any()


def test_one_specimen_per_strategy_takes_the_published_scatter():
    result = pool([0.0, 0.7], [0.01, 0.01], group=[0, 1])
    assert result.between_assumed
    # fib Bulletin 34 (2006), Annex B2: sd of the diffusivity 0.2 of its mean (recalled)
    assert result.between_variance == pytest.approx(0.04)
    assert np.isinf(result.degrees_of_freedom)
    half = 1.959964 * np.sqrt(2 * (0.01 + 0.04))
    compared = compare_with_reference(result, 0)
    assert compared.high95[1] - compared.log_mean[1] == pytest.approx(half, rel=1e-6)


def test_one_strategy_has_no_test_of_equal_means():
    assert np.isnan(equal_means_p_value(pool([0.0, 0.1], [0.0, 0.0], group=[0, 0])))


def test_shift_and_order_change_nothing_but_the_means():
    values, variance = draw(4)
    result, moved = (pool(v, variance, group=GROUP) for v in (values, values - 25.0))
    assert_allclose(moved.mean, result.mean - 25.0, rtol=1e-12)
    assert moved.between_variance == pytest.approx(result.between_variance, rel=1e-6)
    order = np.random.default_rng(0).permutation(12)
    again = pool(values[order], variance[order], group=GROUP[order])
    assert_allclose(again.variance, result.variance, rtol=1e-9)


@pytest.mark.parametrize(("value", "variance"), [(np.nan, 0.1), (0.1, -0.1), (0.1, np.inf)])
def test_values_that_are_none(value, variance):
    with pytest.raises(InputError, match="needs finite values"):
        pool([0.0, value], [0.1, variance], group=[0, 0])


@pytest.mark.parametrize("seed", range(4))
def test_one_strategy_is_the_meta_analysis_of_statsmodels(seed):
    """Paule-Mandel with the interval of Hartung, Knapp, Sidik and Jonkman, by statsmodels."""
    from statsmodels.stats.meta_analysis import combine_effects

    rng = np.random.default_rng(seed)
    variance = rng.uniform(0.03, 0.2, 8) ** 2
    values = 0.4 + rng.normal(0.0, np.sqrt(0.2**2 + variance))
    # finer than this, its Newton steps may pass the root by rounding, which it takes for tau2 = 0
    known = combine_effects(values, variance, method_re="iterated", use_t=True, atol=1e-9)
    result = pool(values, variance, group=np.zeros(8, dtype=int))
    assert result.between_variance == pytest.approx(known.tau2, rel=1e-6)
    assert result.mean[0] == pytest.approx(known.mean_effect_re, rel=1e-7)
    assert result.cochran_q == pytest.approx(known.q, rel=1e-9)
    # its factor is not held at 1 from below, as ours is: they agree where it is above
    factor = max(1.0, known.scale_hksj_re)
    assert result.variance[0] == pytest.approx(known.var_eff_w_re * factor, rel=1e-6)
    if known.scale_hksj_re >= 1.0:
        low, high = known.conf_int(use_t=True)[3]
        half = result.t_quantile * np.sqrt(result.variance[0])
        assert_allclose([result.mean[0] - half, result.mean[0] + half], [low, high], rtol=1e-6)


def test_several_strategies_are_the_weighted_regression_of_statsmodels():
    """With the variance between specimens known, statsmodels' WLS on one column per strategy."""
    from statsmodels.regression.linear_model import WLS

    values, variance = draw(2)
    result = pool(values, variance, group=GROUP)
    design = (GROUP[:, None] == np.arange(3)).astype(float)
    known = WLS(values, design, weights=1.0 / (variance + result.between_variance)).fit()
    assert_allclose(result.mean, known.params, rtol=1e-10)
    # at the solution the weighted squares equal their degrees of freedom: the scale is 1
    assert known.scale == pytest.approx(1.0, rel=1e-8)
    assert_allclose(result.variance, np.diag(known.cov_params()), rtol=1e-8)
    compared = compare_with_reference(result, 0)
    contrast = known.t_test(np.array([[-1.0, 1.0, 0.0], [-1.0, 0.0, 1.0]]))
    assert_allclose(compared.log_mean[1:], contrast.effect, rtol=1e-10)
    assert_allclose(np.diag(compared.covariance)[1:], contrast.sd**2, rtol=1e-8)
    cross = np.array([-1.0, 1.0, 0.0]) @ known.cov_params() @ np.array([-1.0, 0.0, 1.0])
    assert compared.covariance[1, 2] == pytest.approx(cross, rel=1e-8)
    ends = contrast.conf_int(0.05)
    assert_allclose(np.column_stack([compared.low95, compared.high95])[1:], ends, rtol=1e-8)


def test_between_and_within_specimens_as_a_mixed_model_of_statsmodels():
    """Balanced repeats on every specimen: REML of statsmodels' MixedLM and our moments agree."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(3)
    specimens, repeats = 12, 3
    effect = np.array([0.0, 0.5, 0.9])[GROUP] + 0.3 * rng.standard_normal(specimens)
    readings = effect[:, None] + 0.1 * rng.standard_normal((specimens, repeats))
    design = np.repeat((GROUP[:, None] == np.arange(3)).astype(float), repeats, axis=0)
    model = MixedLM(readings.ravel(), design, groups=np.repeat(np.arange(specimens), repeats))
    known = model.fit(reml=True, method="lbfgs")
    within = readings.var(axis=1, ddof=1).mean()  # the REML estimate in a balanced design
    result = pool(readings.mean(axis=1), np.full(specimens, within / repeats), group=GROUP)
    assert known.scale == pytest.approx(within, rel=1e-4)
    assert result.between_variance == pytest.approx(float(known.cov_re[0, 0]), rel=1e-3)
    assert_allclose(result.mean, known.fe_params, rtol=1e-8)
    assert_allclose(np.sqrt(result.variance), known.bse_fe, rtol=1e-3)
