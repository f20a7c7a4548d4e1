"""What an update answers, and what it refuses."""

import numpy as np
import pandas as pd
import pytest
from inspected import problem, sets_of, wall
from numpy.testing import assert_allclose
from scipy import special, stats

import stripwise
from stripwise.distributions.distribution import distribution
from stripwise.distributions.posterior_points import posterior_points
from stripwise.errors import EvidenceError, NumericalError
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.posterior_notes import other_cover_note
from stripwise.studies.update import prior_predictive
from stripwise.studies.update.evidence_of_sets import check_sets, points_on_face
from stripwise.studies.update.point_likelihood import PointProbability
from stripwise.studies.update.update_sentences import update_sentences

EDGES = np.array([0.0, 8.0, 16.0, 26.0])
CONTENTS = {"A1": [2.4, 1.6, 0.8], "A2": [2.0, 1.3, 0.7], "B1": [2.8, 1.7, 1.0]}


def cores(names=("A1", "A2"), strategy="Forms 24 h", **more):
    frames = [
        pd.DataFrame(
            {
                "specimen": name,
                "strategy": strategy,
                "depth_from_mm": EDGES[:-1],
                "depth_to_mm": EDGES[1:],
                "chloride_pct_binder": CONTENTS[name],
                "error_share": 0.06,
                "exposure_yr": 10.0,
            }
        )
        for name in names
    ]
    return pd.concat(frames, ignore_index=True).assign(**more)


def survey(active=3, points=40, effective=10, **more):
    row = {
        "area": "north",
        "strategy": "Forms 24 h",
        "points": points,
        "active_points": active,
        "exposure_yr": 30.0,
        "detection": 0.9,
        "false_alarm": 0.05,
        "effective_points": effective,
    }
    return pd.DataFrame([{**row, **more}])


COVER = pd.DataFrame(
    {"cover_mm": [44.0, 47.0, 41.0, 50.0, 45.0], "error_mm": 2.0, "effective_points": 5}
)


@pytest.fixture(scope="module")
def result(small_sizes):
    """An update by all three kinds of data."""
    with small_sizes():
        return stripwise.update(wall(), [cores(), COVER, survey()])


def test_every_answer_stands_before_and_after(result, small_sizes):
    table = result.strategies.set_index("strategy")
    with small_sizes():
        before, after = (
            stripwise.assess(case, only="curves").strategies.set_index("strategy")
            for case in (result.case, result.after)
        )
    assert_allclose(table["probability_before"], before["probability_at_target"])
    assert_allclose(table["probability_after"], after["probability_at_target"])
    assert (table["confidence_after"] == after["confidence"]).all()
    assert_allclose(table["remaining_yr_after"], table["life_at_target_yr_after"] - 30.0)
    narrower = table["know_high_after"] - table["know_low_after"]
    assert (narrower < table["know_high_before"] - table["know_low_before"]).all()
    curves = result.curves[result.curves["age_yr"] == 50.0].set_index("strategy")
    assert_allclose(curves["probability_after"], table["probability_after"])


def test_the_posterior_file_gives_the_case_with_what_was_learned(result, tmp_path):
    path = tmp_path / "posterior.csv"
    result.posterior.to_csv(path, index=False)
    read = wall().replace({"knowledge": pd.read_csv(path)})
    assert_allclose(read.draws.values, result.after.draws.values)
    assert "exposure.surface_chloride.wall_score" in result.posterior
    assert result.run["effective_draws"] > 400.0


def test_what_would_be_without_a_file_is_an_update_without_it(result, small_sizes):
    row = result.data.iloc[1]
    with small_sizes():
        other = stripwise.update(wall(), [cores(), survey()])
    expected = other.strategies["probability_after"].iloc[0]
    # each from some thousand effective draws
    assert_allclose(row["probability_without"], expected, rtol=0.08)
    now = result.strategies["probability_after"].iloc[0]
    assert_allclose(row["probability_moved"], now - row["probability_without"], atol=0.02)


@pytest.mark.usefixtures("no_figures")
def test_the_page_says_what_changed(result, tmp_path):
    result.write(tmp_path / "out")
    page = (tmp_path / "out" / "report.html").read_text("utf-8")
    assert "The inspections up to year 30 " in page
    assert "no proof of corrosion, nor of its absence" in page
    assert "never a permission to strip" in page
    assert (tmp_path / "out" / "posterior.json").exists()
    assert "of what remains open is" in page or "What remains open is spread" in page


def test_order_and_split_of_the_data_change_nothing():
    case = wall()
    whole, apart = cores(("A1", "A2", "B1")), [cores(("B1",)), cores(("A1", "A2"))]
    _, scores, together = problem(case, whole, COVER)
    _, _, split = problem(case, COVER, *apart)
    draws = scores.draws(np.random.default_rng(1).standard_normal((scores.dimensions, 60)))
    assert_allclose(together(draws).sum(axis=0), split(draws).sum(axis=0), rtol=1e-10)


def test_perfect_detection_is_the_event_itself():
    case = wall()
    computed, scores, likelihoods = problem(case, survey(detection=1.0, false_alarm=0.0))
    draws = scores.draws(np.random.default_rng(2).standard_normal((scores.dimensions, 400)))
    p = PointProbability.of_face(computed, "Forms 24 h", seed=case.sampling.seed).at(draws, 30.0)
    expected = 0.25 * stats.binom.logpmf(3, 40, p)
    shift = likelihoods(draws)[0] - expected
    assert np.ptp(shift) < 1e-9


def test_the_probability_of_a_point_is_that_of_plain_sampling():
    case = wall()
    computed, scores, _ = problem(case, survey())
    z = np.zeros((scores.dimensions, 1))
    z[:4, 0] = [0.5, -0.3, 0.8, 1.2]
    draws = scores.draws(z)
    p = PointProbability.of_face(computed, "Forms 24 h", seed=1).at(draws, 30.0)[0]
    rng = np.random.default_rng(4)
    n = 400_000
    half = np.sqrt(0.5)

    def lognormal(mean, cov, score):
        s = np.sqrt(np.log1p(cov**2))
        return mean * np.exp(s * (half * score + half * rng.standard_normal(n)) - 0.5 * s * s)

    surface = lognormal(2.0, 0.4, draws.scores["exposure.surface_chloride"])
    diffusivity = lognormal(3e-12, 0.3, draws.scores["concrete.diffusivity"])
    critical = distribution("beta", mean=0.6, sd=0.15, low=0.2, high=2.0).from_normal(
        rng.standard_normal(n)
    )
    cover = 50.0 + draws.inputs["reinforcement.cover.mean_sd"] + 8.0 * rng.standard_normal(n)
    warmth = np.exp(4800.0 * (1.0 / 293.0 - 1.0 / 293.15))
    exponent = draws.inputs["concrete.ageing_exponent"]
    apparent = warmth * 1.5 * diffusivity * (28.0 / (365.25 * 30.0)) ** exponent
    depth = cover / (2e3 * np.sqrt(apparent * 30.0 * 365.25 * 86400.0))
    hit = 0.1 + (surface - 0.1) * special.erfc(np.maximum(depth, 0.0)) >= critical
    error = np.sqrt(hit.mean() * (1.0 - hit.mean()) / n)
    assert abs(p - hit.mean()) < 4.0 * error + 2e-3


def test_useless_detection_changes_nothing():
    case = wall()
    _, scores, likelihoods = problem(case, survey(detection=0.3, false_alarm=0.3))
    points = posterior_points(
        lambda z: likelihoods(scores.draws(z)), scores.dimensions, seed=1, points=4096
    )
    assert points.rungs == 0
    assert_allclose(points.weights(), 1.0 / 4096.0, rtol=1e-12)


def test_points_on_a_face_are_worth_what_their_correlation_leaves():
    # 144 points half a metre apart with a correlation length of 2 m are worth about nine
    face = {"width": "6 m", "height": "6 m", "correlation_length": "2 m"}
    x, y = np.meshgrid(np.arange(12) * 0.5, np.arange(12) * 0.5)
    effective = points_on_face(wall(extent=face))
    positions = np.column_stack([x.ravel(), y.ravel()])
    assert effective(positions, 0.05) == pytest.approx(9.0, abs=0.2)
    assert effective(positions[:1], 0.5) == 1.0
    far = points_on_face(wall(extent={**face, "correlation_length": "0.1 m"}))
    assert far(positions, 0.2) == pytest.approx(144.0, rel=0.01)


def test_simulation_based_calibration_of_small_walls(few_samples):
    """Ranks of true values among their posterior draws are uniform (Talts and others, 2018).

    Twenty walls of one core with three layers; the benchmark holds 200 of two cores.
    """
    case = wall(**{"reinforcement.cover.mean_sd": None})
    ranks = []
    for k in range(20):
        _, scores, likelihoods = problem(case, cores(("A1",)), points=16)
        rng = np.random.default_rng(100 + k)
        z = rng.standard_normal((scores.dimensions, 1))
        (core,) = likelihoods.likelihoods[0].specimens
        w = rng.standard_normal((core.scatter.dimensions, 1, 1))
        expected = core.expected(scores.draws(z), w)[:, 0, 0]
        read = expected * (1.0 + 0.06 * rng.standard_normal(3))
        table = cores(("A1",)).assign(chloride_pct_binder=read)
        _, _, own = problem(case, table, points=16)
        points = posterior_points(
            lambda u, own=own, scores=scores: own(scores.draws(u)),
            scores.dimensions,
            seed=k,
            points=1024,
        )
        ranks.append(
            [points.weights() @ (row < true) for row, true in zip(points.z, z[:, 0], strict=True)]
        )
    p = [stats.kstest(column, "uniform").pvalue for column in np.array(ranks).T]
    assert min(p) > 0.01 / len(p)


def bad(case, *tables, **options):
    with pytest.raises(EvidenceError) as caught:
        stripwise.update(case, list(tables), **options)
    return "\n".join(caught.value.problems)


SCATTER = {
    "exposure.surface_chloride.between_walls": None,
    "concrete.diffusivity.between_walls": None,
    "reinforcement.cover.mean_sd": None,
}


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ((cores(exposure_yr=-1.0),), "must be above 0"),
        ((cores(exposure_yr=90.0),), "beyond the horizon of 80 yr"),
        ((cores(depth_to_mm=[8.0, 16.0, 2600.0] * 2),), "must be above 0 mm and at most 1000 mm"),
        ((survey(detection=0.04),), "must be at least false_alarm"),
        ((cores(strategy="Forms 25 h"),), 'the nearest spelling is "Forms'),
        ((cores(), cores(("A2", "B1"))), "specimen A2 stands in table-1.csv too"),
        ((cores(), cores()), "is the same file as table-1.csv"),
        ((cores(error_pct_binder=0.1),), "give the error of a reading in one way"),
        ((cores(("A1",)).drop(columns="error_share").iloc[:2],), "no core has the 3 layers"),
        ((survey(active=41),), "must be at most points of its row"),
        ((survey(effective=50),), "must be at most points of its row"),
        ((COVER.drop(columns="effective_points"),), "needs x_m and y_m"),
        ((COVER.assign(effective_points=9),), "must be at most the number of readings, 5"),
        (
            (cores().rename(columns={"chloride_pct_binder": "chloride_pct"}),),
            "need exposure.binder_content and exposure.density",
        ),
    ],
)
def test_bad_data_are_told_in_a_line(tables, words):
    assert words in bad(wall(), *tables)


def test_measured_inputs_that_only_vary_along_the_wall_are_refused():
    case = wall(**SCATTER)
    text = bad(case, cores(), COVER)
    for name in ("exposure.surface_chloride", "concrete.diffusivity", "reinforcement.cover"):
        assert f"{name}: " in text
    assert "between_walls = 0.5" in text
    assert "--as-scatter" in text
    sets = sets_of(case, cores())
    told = check_sets(sets, case, build_wall(case), as_scatter=True)
    assert sum("varying along the wall alone" in note for note in told) == 2


def test_a_wall_without_anything_epistemic_learns_nothing():
    case = wall(**SCATTER, **{"concrete.ageing_exponent": 0.4})
    assert "nothing to change" in bad(case, survey())


def test_data_that_contradict_the_scenario_are_told(small_sizes, monkeypatch):
    wrong = cores(("A1",), chloride_pct_binder=[0.6, 1.3, 9.0], error_share=0.3)
    with small_sizes():
        monkeypatch.setattr(prior_predictive, "SIMULATED", 300)
        result = stripwise.update(wall(), wrong)
    assert result.checks["p_value"].iloc[0] < 0.01
    first = update_sentences(result)[0]
    assert first.startswith("The chloride contents of cores contradict the scenario")


def test_foreign_joint_draws_are_weighted_and_refused_when_too_few_are_left(small_sizes):
    case = wall()
    with small_sizes():
        few = case.replace({"knowledge": stripwise.epistemic_draws(case, n=512)})
        with pytest.raises(NumericalError, match="joint draws of `knowledge` keep only"):
            stripwise.update(few, cores())
        many = case.replace({"knowledge": stripwise.epistemic_draws(case, n=4096)})
        found = stripwise.update(many, COVER)
    mean = found.posterior["reinforcement.cover.mean_sd_mm"].mean()
    variance = (8.0**2 + 2.0**2) / 5.0  # the conjugate normal
    assert_allclose(mean, 25.0 / (25.0 + variance) * (45.4 - 50.0), atol=0.2)


@pytest.mark.usefixtures("no_figures")
def test_a_second_update_counts_all_data_from_the_prior(small_sizes, tmp_path):
    (tmp_path / "wall.toml").write_text(stripwise.as_toml(wall()), "utf-8")
    cores(("A1",)).to_csv(tmp_path / "cores.csv", index=False)
    COVER.to_csv(tmp_path / "cover.csv", index=False)
    case = stripwise.load(tmp_path / "wall.toml")
    with small_sizes():
        first = stripwise.update(case, tmp_path / "cores.csv")
        first.write(tmp_path / "out")
        for name in ("posterior.csv", "posterior.json"):
            (tmp_path / name).write_bytes((tmp_path / "out" / name).read_bytes())
        later = case.replace({"knowledge": {"from": "posterior.csv"}})
        second = stripwise.update(later, tmp_path / "cover.csv")
        joint = stripwise.update(case, [tmp_path / "cores.csv", tmp_path / "cover.csv"])
    assert_allclose(second.posterior, joint.posterior)
    assert any("counted anew" in note for note in second.notes)
    # what the draws were found with is told where it has changed
    told = "differs from the scenario that posterior.csv was made of"
    assert not any(told in warning for warning in later.warnings)
    moved = later.replace({"reinforcement.cover.sd": "9 mm"})
    (warning,) = [one for one in moved.warnings if told in one]
    assert warning.startswith("reinforcement.cover differs")
    with pytest.warns(UserWarning, match=f"reinforcement.cover {told.removesuffix('.')}") as swept:
        stripwise.sweep(later, {"reinforcement.cover.mean": ["45 mm", "50 mm", "55 mm"]}, points=64)
    assert len(swept) == 1
    stripwise.sweep(later, {"target.probability": [0.05]}, points=64)
    stripwise.sweep(moved, {"reinforcement.cover.mean": ["45 mm"]}, points=64)  # told already
    (note,) = other_cover_note(later)
    assert "a wall with 50 mm of nominal cover" in note
    assert other_cover_note(case) == []
    (tmp_path / "cores.csv").unlink()
    assert "was made with cores.csv" in bad(later, tmp_path / "cover.csv")


def test_close_cores_are_told():
    face = {"width": "6 m", "height": "3 m", "correlation_length": "2 m"}
    table = cores(x_m=[1.0] * 3 + [1.5] * 3, y_m=1.0)
    sets = sets_of(wall(extent=face), table)
    case = wall(extent=face)
    (note,) = check_sets(sets, case, build_wall(case), as_scatter=False)
    assert note.startswith("table-1.csv: two cores lie 0.5 m apart")
    later = cores(("B1",), x_m=1.2, y_m=1.4, exposure_yr=15.0)
    told = check_sets(sets_of(case, table, later), case, build_wall(case), as_scatter=False)
    assert told[0] == note
    assert told[1].startswith("table-1.csv and table-2.csv: two cores lie 0.447 m apart")
    far = later.assign(x_m=4.0)
    assert check_sets(sets_of(case, table, far), case, build_wall(case), as_scatter=False) == [note]
