"""Joint draws of a fit: the marginals of its files, and the error of the reference once."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

import stripwise
from stripwise.evidence.profiles.penalty_factors import penalty_factors
from stripwise.studies.fit.fitted_inputs import diffusivity_spread, joint_hint
from stripwise.studies.fit.joint_table import joint_draws

LAB = Path(__file__).parents[3] / "scenarios" / "lab-wall"
SCORE = "concrete.diffusivity.wall_score"


@pytest.fixture(scope="module")
def study():
    return stripwise.fit_profiles(LAB / "profiles.csv", reference="Forms 7 d")


def test_the_marginals_are_those_of_the_files(study):
    found = study.joint_draws
    levels = (0.025, 0.25, 0.5, 0.75, 0.975)
    assert_allclose(found[SCORE].quantile(levels), special.ndtri(levels), atol=0.005)
    table = study.penalty_table.set_index("strategy")
    for name, row in table.drop("Forms 7 d").iterrows():
        drawn = found[f"strategy.{name}.penalty"]
        assert_allclose(drawn.mean(), row["mean"], rtol=1e-3)
        assert_allclose(drawn.std(), row["sd"], rtol=5e-3)
        assert_allclose(drawn.quantile([0.025, 0.975]), row[["low95", "high95"]], rtol=2e-3)


def test_the_error_of_the_reference_is_there_once(study):
    """ln D_ref + ln k_c is ln D of the strategy, whose error knows nothing of the reference."""
    penalties = study.penalties
    between, error = diffusivity_spread(penalties)
    own = penalties.log_diffusivity.variance * error / penalties.log_diffusivity.variance[3]
    assert penalties.strategies[3] == "Forms 7 d"
    for k, name in enumerate(penalties.strategies[:3]):
        log_factor = np.log(study.joint_draws[f"strategy.{name}.penalty"])
        log_reference = np.sqrt(error) * study.joint_draws[SCORE]
        assert_allclose(np.var(log_factor + log_reference), own[k], rtol=0.01)
        # drawn apart it would be three times that where all have as many specimens
        assert_allclose(np.var(log_factor) + error, own[k] + 2.0 * error, rtol=0.01)
    assert between > 0.0


@pytest.mark.usefixtures("no_figures")
def test_a_scenario_takes_them_by_the_names_of_the_fit(study, tmp_path):
    study.write(tmp_path)
    text = (LAB / "lab-wall.toml").read_text("utf-8")
    assert 'knowledge = { from = "joint_draws.csv", others = "independent" }' in (
        tmp_path / "diffusivity.toml"
    ).read_text("utf-8")
    assert '\nknowledge = { from = "joint_draws.csv", others = "independent" }\n' in text
    old = 'name = "Forms 12 h"\nstrip_age = "12 h"\npenalty = { from = "penalties.toml" }'
    assert old in text
    new = 'name = "Half a day"\nstrip_age = "12 h"\n'
    new += 'penalty = { from = "penalties.toml", as = "Forms 12 h" }'
    path = tmp_path / "wall.toml"
    path.write_text(text.replace(old, new), "utf-8")
    case = stripwise.load(path)
    values = dict(zip(case.draws.names, case.draws.values, strict=True))
    pair = np.corrcoef(
        values["concrete.diffusivity"], np.log(values["strategy.Half a day.penalty"])
    )
    # -var(e_r) / sqrt(var(e_r) (var(e_r) + var(e_i))), as many specimens each
    assert_allclose(pair[0, 1], -np.sqrt(0.5), atol=0.02)


def test_where_nothing_is_drawn_twice_there_are_none():
    alone = penalty_factors(
        np.log([5e-12, 6e-12]), np.zeros(2), strategies=["A", "A"], reference="A"
    )
    assert joint_draws(alone) is None
    assert joint_hint(alone) == []


def test_specimens_that_do_not_scatter_give_the_value_itself():
    """With no scatter between specimens all of the reference's spread is epistemic."""
    log = np.log([5.0e-12, 5.0e-12, 9e-12, 9e-12])
    factors = penalty_factors(log, np.full(4, 0.01), strategies=[*"AABB"], reference="A")
    found = joint_draws(factors)["concrete.diffusivity_mm2/yr"]
    assert_allclose(found.median() / 31.5576e12, 5.0e-12, rtol=1e-3)


def test_lives_take_the_penalties_of_the_test_and_the_other_draws_of_the_wall(study):
    """The draws of lab-wall.toml are those of the same fit, so the lives are as with its files."""
    case = stripwise.load(LAB / "lab-wall.toml").replace({"sampling.points": 256})
    lost = stripwise.fit_profiles(LAB / "profiles.csv", reference="Forms 7 d", scenario=case)
    table = lost.life_lost.table.set_index("strategy")
    whole = stripwise.assess(case, only="curves").strategies.set_index("strategy")
    for name in ("Forms 12 h", "Forms 24 h"):
        error = (whole.loc[name, "life_high95"] - whole.loc[name, "life_low95"]) / 4.26
        gap = table.loc[name, "life_at_target_yr"] - whole.loc[name, "life_at_target_yr"]
        assert abs(gap) <= 4.0 * np.sqrt(2.0) * error
        # the error of the reference stands in both, apart from each other here
        assert table.loc[name, "penalty_sd"] == pytest.approx(
            whole.loc[name, "penalty_sd"], rel=0.02
        )
