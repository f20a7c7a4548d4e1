from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, optimize, special

from stripwise.errors import EvidenceError
from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S
from stripwise.evidence.profiles.fitted_curves import curve_band
from stripwise.evidence.profiles.profile_fit import fit_profiles

pytestmark = pytest.mark.usefixtures("few_simulated")


def noisy(made, count, *, seed=1, error=0.02, diffusivity=8e-12):
    clean = made.layer_content(diffusivity)
    rng = np.random.default_rng(seed)
    return made.profiles(clean + error * 0.6 * rng.standard_normal((count, len(clean))))


@pytest.mark.parametrize("diffusivity", [3e-13, 2e-12, 8e-12, 4e-11])
def test_an_exact_profile_gives_back_what_made_it(made, diffusivity):
    edges = made.EDGES * np.sqrt(diffusivity / 4e-12)
    content = made.layer_content(diffusivity, edges=edges)
    result = fit_profiles(made.profiles(content, edges=edges))
    assert_allclose(result.diffusivity, diffusivity, rtol=1e-6)
    assert_allclose(result.surface, 0.6, rtol=1e-7)
    # zero residuals are valid: the errors are numbers, and next to nothing
    assert np.isfinite(result.diffusivity_se).all()
    assert result.diffusivity_se[0] < 1e-5 * diffusivity
    assert result.notes == ("",)


def test_the_fit_of_scipy_on_layers_by_quadrature(made):
    """An independent path: scipy's curve_fit, with layer averages by numerical quadrature."""
    data = noisy(made, 6)
    result = fit_profiles(data, error="constant", maximum="off")
    layers = list(zip(made.EDGES[1:-1], made.EDGES[2:], strict=True))

    def model(_, log_d, surface):
        length = 2 * np.sqrt(np.exp(log_d) * 90.0)
        share = [
            integrate.quad(lambda x: special.erfc(x / length), a, b)[0] / (b - a) for a, b in layers
        ]
        return 0.02 + (surface - 0.02) * np.array(share)

    for row in range(6):
        values, covariance = optimize.curve_fit(
            model, None, data.content[row, 1:], p0=(np.log(0.5), 0.5)
        )
        # both stop at a relative step of about 1e-8; scipy's Jacobian is by differences
        assert result.diffusivity[row] * MM2_D_PER_M2_S == pytest.approx(
            np.exp(values[0]), rel=1e-5
        )
        assert result.surface[row] == pytest.approx(values[1], rel=1e-5)
        # scipy scales by the specimen's own scatter, we by that of all
        sd = np.sqrt(np.diag(covariance)) * result.scales.scale[row] / result.rmse[row]
        assert np.sqrt(result.log_variance[row]) == pytest.approx(sd[0], rel=1e-4)
        assert result.surface_se[row] == pytest.approx(sd[1], rel=1e-4)
        own = np.sqrt(np.diag(covariance))
        assert result.correlation[row] == pytest.approx(covariance[0, 1] / own.prod(), rel=1e-4)


def test_with_the_initial_content_fitted_against_scipy(made):
    data = noisy(made, 3, seed=4)
    result = fit_profiles(data, fit_initial=True, error="constant", maximum="off")
    upper, lower = made.EDGES[1:-1], made.EDGES[2:]
    nodes, weights = np.polynomial.legendre.leggauss(20)
    x = 0.5 * (upper + lower)[:, None] + 0.5 * (lower - upper)[:, None] * nodes

    def model(_, log_d, surface, initial):
        share = special.erfc(x / (2 * np.sqrt(np.exp(log_d) * 90.0))) @ weights / 2
        return initial + (surface - initial) * share

    held = 0
    for row in range(3):
        values, covariance = optimize.curve_fit(
            model, None, data.content[row, 1:], p0=(np.log(0.5), 0.5, 0.02)
        )
        if values[2] < 0:  # the program holds it at 0 and says so
            assert result.initial[row] == 0.0
            assert "held at 0" in result.notes[row]
            held += 1
            continue
        assert result.diffusivity[row] * MM2_D_PER_M2_S == pytest.approx(
            np.exp(values[0]), rel=1e-4
        )
        assert result.initial[row] == pytest.approx(values[2], rel=1e-3, abs=1e-6)
        own = result.initial_se[row] * result.rmse[row] / result.scales.scale[row]
        assert own == pytest.approx(np.sqrt(covariance[2, 2]), rel=1e-3)
        assert "initial content fitted" in result.notes[row]
    assert held < 3


def test_standard_errors_are_those_of_repeated_profiles(made):
    result = fit_profiles(noisy(made, 4000, error=0.02), error="constant", maximum="off")
    # standard error of an sd from 4000 values: 1.1 %; curvature adds about as much
    assert np.log(result.diffusivity).std() == pytest.approx(
        np.sqrt(result.log_variance.mean()), rel=0.04
    )
    assert result.surface.std() == pytest.approx(np.sqrt((result.surface_se**2).mean()), rel=0.04)
    # the bias is below a tenth of the scatter
    assert abs(np.log(result.diffusivity / 8e-12).mean()) < 0.1 * np.sqrt(
        result.log_variance.mean()
    )


def test_the_middle_of_layers_would_be_biased(made):
    """Why the average matters: points in the middle of thick layers do not give back D."""
    edges = np.array([0, 1, 11, 21, 31, 41], dtype=float)
    content = made.layer_content(8e-12, edges=edges)
    layers = made.profiles(content, edges=edges)
    middle = 0.5 * (layers.upper + layers.lower)
    points = fit_profiles(replace(layers, upper=middle, lower=middle))
    assert fit_profiles(layers).diffusivity[0] == pytest.approx(8e-12, rel=1e-6, abs=0)
    assert abs(points.diffusivity[0] / 8e-12 - 1) > 0.02
    assert "readings at points" in points.notes[0]


def test_the_shallowest_layer_is_left_out_unless_kept(made):
    content = made.layer_content(8e-12)
    content[0] *= 0.8
    data = made.profiles(content)
    assert fit_profiles(data).diffusivity[0] == pytest.approx(8e-12, rel=1e-6, abs=0)
    assert fit_profiles(data, keep_first=True).diffusivity[0] != pytest.approx(
        8e-12, rel=1e-2, abs=0
    )


def test_a_maximum_inside_is_handled_and_told(made):
    edges = np.array([0, 2, 4, 6, 8, 10, 13, 16, 20, 25], dtype=float)
    inner = made.layer_content(8e-12, edges=edges[3:] - 6.0)
    data = made.profiles(np.concatenate(([0.1, 0.2, 0.4], inner)), edges=edges)
    result = fit_profiles(data)
    assert result.origin_depth[0] == 6.0
    assert result.layers_used[0] == 6
    assert result.diffusivity[0] == pytest.approx(8e-12, rel=1e-6, abs=0)
    assert result.notes[0].startswith(
        "maximum inside: layers before 6 mm left out, depths counted from there"
    )


def test_scatter_at_the_surface_is_no_maximum_inside(made):
    content = made.layer_content(8e-12)
    content[2] = 1.04 * content[1]
    assert fit_profiles(made.profiles(content)).origin_depth[0] == 0.0


def test_a_wrong_reading_is_flagged_and_kept(made):
    data = noisy(made, 8, error=0.01)
    content = data.content.copy()
    content[3, 4] *= 1.5
    result = fit_profiles(replace(data, content=content))
    assert result.flagged[3, 4]
    assert result.flagged.sum() == 1
    assert result.layers_used[3] == 7  # it stays in the fit
    assert "far off the fit, kept in it: 7 to 10 mm" in result.notes[3]
    # the robust fit is nearer to the truth than least squares
    least = abs(np.log(result.diffusivity[3] / 8e-12))
    assert abs(np.log(result.robust_diffusivity[3] / 8e-12)) < 0.5 * least


def test_few_sound_readings_are_flagged(made):
    result = fit_profiles(noisy(made, 2000), error="constant", maximum="off")
    assert result.flagged.sum() / (2000 * 7) < 0.02


def test_the_band_covers_the_true_curve(made):
    result = fit_profiles(noisy(made, 400, seed=9))
    truth = 0.02 + 0.58 * special.erfc(6.0 / (2 * np.sqrt(8e-12 * MM2_D_PER_M2_S * 90)))
    hits = 0
    for row in range(400):
        content, half = curve_band(result, row, depth=6.0)
        hits += abs(content - truth) <= half
    # 95 %, standard error 1.1 %
    assert 0.91 <= hits / 400 <= 0.985


def test_a_short_profile_says_that_it_measured_the_skin(made):
    data = made.profiles(made.layer_content(8e-12))
    assert "the skin's diffusivity" in fit_profiles(data, affected_depth=40.0).notes[0]
    assert fit_profiles(data, affected_depth=10.0).notes == ("",)


@pytest.fixture(scope="module")
def four(made):
    data = noisy(made, 4, seed=6)
    return data, fit_profiles(data)


@pytest.mark.parametrize("factor", [0.03, 40.0])
def test_units_change_nothing(four, factor):
    """Contents scale Cs and not D_a, depths D_a by their square, time D_a by its inverse."""
    data, base = four
    content = fit_profiles(
        replace(data, content=factor * data.content, initial=factor * data.initial)
    )
    assert_allclose(content.diffusivity, base.diffusivity, rtol=1e-6)
    assert_allclose(content.surface, factor * base.surface, rtol=1e-6)
    assert_allclose(content.correlation, base.correlation, rtol=1e-5)
    depth = fit_profiles(replace(data, upper=factor * data.upper, lower=factor * data.lower))
    assert_allclose(depth.diffusivity, factor**2 * base.diffusivity, rtol=1e-6)
    time = fit_profiles(replace(data, exposure=factor * data.exposure))
    assert_allclose(time.diffusivity, base.diffusivity / factor, rtol=1e-6)
    assert (content.flagged == base.flagged).all()


def test_one_specimen_is_fitted_as_among_many(made):
    data = noisy(made, 5, seed=8)
    one = replace(
        data,
        specimens=("S4",),
        strategies=("A",),
        **{
            name: getattr(data, name)[3:4]
            for name in ("upper", "lower", "content", "present", "exposure", "initial")
        },
    )
    assert_allclose(fit_profiles(one).diffusivity[0], fit_profiles(data).diffusivity[3], rtol=1e-8)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (np.zeros(8), "specimen S1: every reading is 0; chloride below detection has no profile"),
        (np.full(8, 0.3), "specimen S1: all readings are 0.3; a flat profile has no D_a"),
        (np.linspace(0.019, 0.001, 8), "specimen S1: no reading is above the initial content 0.02"),
        (np.linspace(0.7, 0.69, 8), "specimen S1: no diffusivity fits; the content must fall"),
        (np.linspace(0.1, 0.8, 8), "specimen S1: no diffusivity fits; the content must fall"),
    ],
)
def test_profiles_without_a_diffusivity(made, content, problem):
    with pytest.raises(EvidenceError) as caught:
        fit_profiles(made.profiles(content))
    assert caught.value.problems[0].startswith(f"made.csv: {problem}")


def test_too_few_layers(made):
    edges = made.EDGES[:4]
    with pytest.raises(EvidenceError, match="has 2 layers for the fit, the shallowest"):
        fit_profiles(made.profiles(made.layer_content(8e-12, edges=edges), edges=edges))
    edges = made.EDGES[:5]
    data = made.profiles(made.layer_content(8e-12, edges=edges), edges=edges)
    assert fit_profiles(data).layers_used[0] == 3
    with pytest.raises(EvidenceError, match="at least 4 are needed"):
        fit_profiles(data, fit_initial=True)


def test_many_bad_specimens_are_counted(made):
    with pytest.raises(EvidenceError) as caught:
        fit_profiles(made.profiles(np.zeros((50, 8))))
    assert len(caught.value.problems) == 21
    assert caught.value.problems[-1] == "made.csv: ... and 30 more specimens"


def test_the_fit_of_lmfit_on_layers_by_gauss_legendre(made):
    """A second independent least-squares library, on layer averages by quadrature."""
    import lmfit

    data = noisy(made, 3, seed=8)
    result = fit_profiles(data, error="proportional", maximum="off")
    upper, lower = made.EDGES[1:-1], made.EDGES[2:]
    nodes, weights = np.polynomial.legendre.leggauss(20)
    depth = 0.5 * (upper + lower)[:, None] + 0.5 * (lower - upper)[:, None] * nodes

    def content(x, log_d, surface):
        share = special.erfc(x / (2 * np.sqrt(np.exp(log_d) * 90.0))) @ weights / 2
        return 0.02 + (surface - 0.02) * share

    for row in range(3):
        known = lmfit.Model(content).fit(
            data.content[row, 1:],
            x=depth,
            log_d=np.log(0.5),
            surface=0.5,
            weights=np.sqrt(result.layers.weight[row, 1:]),
            fit_kws={"xtol": 1e-12, "ftol": 1e-12},
        )
        log_d, surface = known.params["log_d"], known.params["surface"]
        assert result.diffusivity[row] * MM2_D_PER_M2_S == pytest.approx(
            np.exp(log_d.value), rel=1e-6
        )
        assert result.surface[row] == pytest.approx(surface.value, rel=1e-6)
        # lmfit scales the covariance by the specimen's own scatter, we by that of all
        ours = result.scales.scale[row] / np.sqrt(known.redchi)
        assert np.sqrt(result.log_variance[row]) == pytest.approx(log_d.stderr * ours, rel=1e-3)
        assert result.surface_se[row] == pytest.approx(surface.stderr * ours, rel=1e-3)
        assert result.correlation[row] == pytest.approx(log_d.correl["surface"], rel=1e-3)
        # at the ends of an interval the least squares of lmfit have risen by t^2 scale^2
        level = (result.scales.t_quantile[row] * result.scales.scale[row]) ** 2
        for name, ends in (
            ("log_d", (result.intervals.log_d_low[row], result.intervals.log_d_high[row])),
            ("surface", (result.intervals.surface_low[row], result.intervals.surface_high[row])),
        ):
            for end in ends:
                held = known.model.make_params(log_d=log_d.value, surface=surface.value)
                held[name].set(value=end, vary=False)
                there = known.model.fit(data.content[row, 1:], held, x=depth, weights=known.weights)
                assert there.chisqr - known.chisqr == pytest.approx(level, rel=2e-3)
