"""The answer to the site: against a run, against hand arithmetic, and in its directions."""

import contextlib
import functools
import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

import stripwise
from stripwise.errors import ScenarioError
from stripwise.risk.probability import sampled_ages
from stripwise.studies.site_record import cautions, notes, read_record
from stripwise.studies.stripped import stripped_early
from stripwise.units.result_columns import columns

WALL = """
title = "Small wall (invented)"
reference_strategy = "Forms 24 h"
[target]
service_life = "50 yr"
probability = 0.1
[exposure]
temperature = "10 degC"
chloride_basis = "binder"
surface_chloride = { family = "lognormal", mean = 2.0, cov = 0.3 }
[concrete]
diffusivity = { family = "normal", mean = "3e-12 m^2/s", cov = 0.2 }
specimens = "cured as the face"
ageing_exponent = 0.4
[reinforcement]
cover = { family = "normal", mean = "55 mm", sd = "8 mm" }
critical_chloride = { family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }
[curing]
reference = "7 d"
concrete_temperature = "20 degC"
affected_depth = "whole cover"
[curing.retention]
"kept wet".vertical = 0.5
[[strategy]]
name = "Forms 24 h"
strip_age = "24 h"
[[strategy]]
name = "Forms 16 h, then sheet 5 d"
strip_age = "16 h"
follow_up = { method = "sheet", duration = "5 d", face = "horizontal" }
[[strategy]]
name = "Measured"
strip_age = "12 h"
penalty = { family = "lognormal", mean = 1.8, cov = 0.2 }
[sampling]
points = 256
repeats = 8
horizon = "120 yr"
"""

INTERPOLATION_TOLERANCE = sampled_ages.INTERPOLATION_TOLERANCE

pytestmark = pytest.mark.usefixtures("few_samples")


def load(folder: Path, *changes: tuple[str, str]):
    text = WALL
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    path = folder / "wall.toml"
    path.write_text(text, encoding="utf-8")
    return stripwise.load(path)


RECORD = {"after": "14 h", "at": "6 degC", "plan": None, "face": None, "follow_up_at": None}


def record(case, **words):
    return read_record(case, **{**RECORD, **words})


@contextlib.contextmanager
def exact_ages():
    """Interpolate as exactly as a user's run does: lives are compared."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sampled_ages, "INTERPOLATION_TOLERANCE", INTERPOLATION_TOLERANCE)
        yield


@pytest.fixture(scope="module")
def ask(case, small_sizes):
    """Ask the same wall; each question is answered once."""

    @functools.cache
    def answer(after="14 h", at="6 degC", **words):
        with small_sizes(), exact_ages():
            return stripped_early(case, after=after, at=at, **words)

    return answer


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return load(tmp_path_factory.mktemp("site"))


@pytest.fixture(scope="module")
def answer(ask):
    return ask()


@pytest.fixture(scope="module")
def run(case, small_sizes):
    with small_sizes(), exact_ages():
        return stripwise.assess(case, only="curves").strategies.set_index("strategy")


def by_follow_up(answer):
    return answer.outcomes[answer.outcomes["case"] == "stripped"].set_index("follow_up")


def test_the_table_has_its_columns_and_the_plan_first(answer):
    assert list(answer.outcomes.columns) == columns("outcomes")
    assert answer.outcomes["case"].tolist() == ["plan"] + ["stripped"] * 8
    assert answer.outcomes["follow_up"].tolist() == [
        "none",
        "none",
        "sheet 3 d",
        "sheet 5 d",
        "sheet 7 d",
        "membrane 3 d",
        "wet covering 3 d",
        "kept wet 3 d",
        "kept wet 7 d",
    ]
    assert set(answer.curves["strategy"]) == set(answer.outcomes["strategy"])


# ASTM C1074, equivalent age function with Q 5000 K, here at 20 degC: by hand,
# 14 h * exp(-5000 (1/279.15 - 1/293.15)) = 14 h * exp(-0.855403) = 14 h * 0.425112 = 5.95157 h;
# temperature-time factor with a datum of 0 degC: 14 h * 6 degC = 84 degC h, over 20 degC 4.2 h.
def test_equivalent_age_at_stripping_by_hand(answer):
    table = answer.maturity.set_index("function")
    assert table.loc["arrhenius", "equivalent_age_h"] == pytest.approx(5.9516, abs=1e-4)
    assert table.loc["nurse-saul", "equivalent_age_h"] == pytest.approx(4.2, rel=1e-12)
    assert table.loc["nurse-saul", "temperature_time_degCh"] == pytest.approx(84.0, rel=1e-12)
    assert table["used"].tolist() == [True, False]
    none = by_follow_up(answer).loc["none"]
    assert none["effective_curing_h"] == pytest.approx(5.9516, abs=1e-4)


# ASTM C1074, factors at 5 and 10 degC for 20 degC: .3986 and .5475, recalled, recomputed.
@pytest.mark.parametrize(("at", "factor"), [("5 degC", 0.3986), ("50 degF", 0.5475)])
def test_equivalent_age_by_the_factors_of_c1074(tmp_path, at, factor):
    found = stripped_early(load(tmp_path), after="1 d", at=at)
    age = found.maturity.set_index("function").loc["arrhenius", "equivalent_age_h"]
    assert age == pytest.approx(24.0 * factor, abs=24.0 * 0.5e-4)


def test_the_maturity_function_of_the_scenario_is_used(tmp_path):
    new = 'concrete_temperature = "20 degC"\nmaturity = "nurse-saul"'
    case = load(tmp_path, ('concrete_temperature = "20 degC"', new))
    found = stripped_early(case, after="30 h", at="10 degC")
    assert found.maturity["used"].tolist() == [False, True]
    assert by_follow_up(found).loc["none", "effective_curing_h"] == pytest.approx(15.0, rel=1e-12)


@pytest.mark.parametrize("plan", ["Forms 24 h", "Forms 16 h, then sheet 5 d", "Measured"])
def test_the_plan_has_the_numbers_of_a_run(ask, run, plan):
    run = run.loc[plan]
    row = ask(plan=plan).outcomes.iloc[0]
    same = [
        "penalty_mean",
        "effective_curing_h",
        "probability_at_target",
        "low95",
        "high95",
    ]
    assert row[same].tolist() == run[same].tolist()
    # the range is read from one curve for all strategies, which are others here
    ends = ["know_low", "know_high"]
    assert_allclose(row[ends].astype(float), run[ends].astype(float), rtol=0.0, atol=2e-6)
    lives = ["life_at_target_yr", "life_low95", "life_high95"]
    # the sampled ages differ, so the interpolated lives do by its error: 2e-6 in probability
    assert_allclose(row[lives].astype(float), run[lives].astype(float), rtol=1e-4)
    assert row["meets_target"] == run["meets_target"]


def test_stripping_as_planned_changes_nothing(ask):
    rows = ask("24 h", "20 degC").outcomes
    assert rows["probability_change"].iloc[1] == 0.0
    assert rows["life_change_pct"].iloc[1] == 0.0
    assert rows["penalty_p95"].iloc[1] == rows["penalty_p95"].iloc[0]


def test_the_strip_of_another_strategy_gives_its_numbers(ask, run):
    found = ask("16 h", "20 degC", face="horizontal")
    row = by_follow_up(found).loc["sheet 5 d"]
    other = run.loc["Forms 16 h, then sheet 5 d"]
    assert row["probability_at_target"] == other["probability_at_target"]
    assert row["effective_curing_h"] == other["effective_curing_h"]


def test_a_colder_or_an_earlier_strip_is_worse(ask):
    warm, cold, early = (
        ask(after, at).outcomes.iloc[1]
        for after, at in (("24 h", "20 degC"), ("24 h", "5 degC"), ("16 h", "20 degC"))
    )
    for worse in (cold, early):
        assert worse["effective_curing_h"] < warm["effective_curing_h"]
        assert worse["penalty_mean"] > warm["penalty_mean"]
        assert worse["penalty_p05"] > warm["penalty_p05"]
        assert worse["probability_at_target"] > warm["probability_at_target"]
        assert worse["life_at_target_yr"] < warm["life_at_target_yr"]


@pytest.mark.parametrize("face", ["vertical", "horizontal"])
def test_no_follow_up_worsens_and_longer_is_better(ask, face):
    rows = by_follow_up(ask(face=face))
    none = rows.loc["none"]
    assert (rows["effective_curing_h"] >= none["effective_curing_h"]).all()
    assert (rows["probability_at_target"] <= none["probability_at_target"]).all()
    assert (rows["life_at_target_yr"] >= none["life_at_target_yr"]).all()
    for short, long in (("sheet 3 d", "sheet 7 d"), ("kept wet 3 d", "kept wet 7 d")):
        assert rows.loc[long, "probability_at_target"] < rows.loc[short, "probability_at_target"]


def test_a_wet_covering_on_a_vertical_face_is_none_and_on_a_horizontal_one_is_not(ask):
    numbers = ["penalty_mean", "probability_at_target", "life_at_target_yr"]
    rows = by_follow_up(ask(face="vertical"))
    assert rows.loc["wet covering 3 d", numbers].tolist() == rows.loc["none", numbers].tolist()
    rows = by_follow_up(ask(face="horizontal"))
    assert rows.loc["wet covering 3 d", "penalty_mean"] < rows.loc["sheet 7 d", "penalty_mean"]


def test_the_retention_of_the_scenario_counts_though_no_strategy_uses_it(answer):
    # 3 d at 6 degC, half of it kept: 5.95157 + 0.5 * 72 * 0.425112 = 21.2556 h, by hand
    row = by_follow_up(answer).loc["kept wet 3 d"]
    assert row["effective_curing_h"] == pytest.approx(21.2556, abs=2e-4)


def test_days_of_water_that_match_the_plan(answer, ask):
    # by hand: (24 - 5.95157) h / (0.5 * 0.425112 * 24 h) = 3.5380 d
    assert answer.kept_wet_to_match_d == pytest.approx(3.5380, abs=2e-4)
    assert ask("24 h", "20 degC").kept_wet_to_match_d == 0.0
    measured = ask(plan="Measured")
    assert math.isnan(measured.kept_wet_to_match_d)
    assert any("is given" in note for note in measured.notes)


def test_the_quantiles_of_the_penalty_are_those_of_the_published_law(ask):
    # DuraCrete R9, 2000, k_c after 1 d: Beta(mean 2.4, sd 0.7) on [1, 4], recalled; shapes by
    # moments: m = 1.4/3, v = (0.7/3)^2, m (1 - m)/v - 1 = 3.57143, p = 1.66667, q = 1.90476.
    from scipy import stats

    row = ask("24 h", "20 degC").outcomes.iloc[1]
    law = stats.beta(1.66667, 1.90476, loc=1.0, scale=3.0)
    assert_allclose([row["penalty_p05"], row["penalty_p95"]], law.ppf([0.05, 0.95]), rtol=2e-3)


def test_changes_are_against_the_plan(answer):
    plan, rows = answer.outcomes.iloc[0], answer.outcomes.iloc[1:]
    assert_allclose(
        rows["probability_change"],
        rows["probability_at_target"] - plan["probability_at_target"],
        rtol=0,
        atol=1e-15,
    )
    ratio = rows["life_at_target_yr"] / plan["life_at_target_yr"]
    finite = np.isfinite(ratio)
    assert finite.any()
    assert_allclose(rows["life_change_pct"][finite], 100.0 * (ratio[finite] - 1.0), rtol=1e-12)


def test_the_cold_has_its_frost_line_and_a_mild_strip_a_shorter_one(case, answer):
    assert [text.split(":")[0] for text in answer.cautions[:3]] == [
        "Strength",
        "Stability",
        "Frost",
    ]
    frost = answer.cautions[2]
    assert "6 °C is cold" in frost
    assert "3.5 MPa (500 psi; ACI 306R) or 5 MPa (725 psi; EN 13670" in frost
    assert "may have frozen already" not in frost
    assert "licensed practice govern" in answer.cautions[3]
    assert "may have frozen already" in cautions(case, record(case, at="-2 degC"))[2]
    later = cautions(case, record(case, at="20 degC", follow_up_at="4 degC"))[2]
    assert "4 °C is cold" in later
    assert "ACI 347" not in later
    mild = cautions(case, record(case, at="20 degC"))[2]
    assert mild.startswith("Frost: if the face may meet 0 °C")


def test_a_strip_below_the_floor_says_so(case):
    text = "far beyond anything published"
    assert text in " ".join(notes(case, record(case), effective_h=4.0, equivalent_h=3.9))
    assert text not in " ".join(notes(case, record(case), effective_h=4.0, equivalent_h=4.0))


def test_no_follow_up_is_proposed_on_a_face_that_would_freeze(ask):
    cold = ask("20 h", "-2 degC")
    assert cold.outcomes["follow_up"].tolist() == ["none", "none"]
    assert math.isnan(cold.kept_wet_to_match_d)
    assert "no curing after stripping is counted or proposed" in " ".join(cold.notes)
    protected = ask("20 h", "-2 degC", follow_up_at="8 degC")
    assert "kept wet 7 d" in protected.outcomes["follow_up"].tolist()
    assert protected.kept_wet_to_match_d > 0.0
    assert "no curing after stripping is counted" not in " ".join(protected.notes)


def test_frost_and_a_skin_are_noted(case):
    def said(**words):
        return " ".join(notes(case, record(case, **words), effective_h=8.0, equivalent_h=8.0))

    assert "has not frozen" in said(at="-1 degC")
    assert "has not frozen" not in said()
    assert "affected depth alone" not in said()


def test_the_record_takes_both_systems_of_units(case):
    metric = record(case, after="14 h", at="5 degC")
    customary = record(case, after="840 min", at="41 degF")
    assert customary.strip_age_h == pytest.approx(metric.strip_age_h, rel=1e-12)
    assert customary.temperature == pytest.approx(metric.temperature, abs=1e-9)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ({"after": "0 h"}, 'site record: after = "0 h": must be between 1 h and 60 d'),
        ({"after": "10 yr"}, 'site record: after = "10 yr": must be between 1 h and 60 d'),
        ({"after": "14"}, 'site record: after = "14": needs the unit of a time, such as "12 h"'),
        (
            {"at": "-300 degC"},
            'site record: at = "-300 degC": must be between -10 degC and 80 degC',
        ),
        (
            {"follow_up_at": "6"},
            'site record: follow-up-at = "6": needs the unit of a temperature, such as "9 degC"',
        ),
        (
            {"plan": "Forms 24"},
            'site record: plan = "Forms 24": must be one of "Forms 24 h", "Forms 16 h, then sheet '
            '5 d", "Measured"; the nearest spelling is "Forms 24 h"',
        ),
        (
            {"face": "top"},
            'site record: face = "top": must be one of "vertical", "horizontal"',
        ),
    ],
)
def test_a_bad_record_is_refused_with_its_rule(case, words, message):
    with pytest.raises(ScenarioError) as caught:
        stripped_early(case, **{"after": "14 h", "at": "6 degC", **words})
    assert caught.value.problems == (message,)


def test_a_life_that_is_not_reached_has_no_change(tmp_path):
    found = stripped_early(
        load(tmp_path, ('mean = "55 mm"', 'mean = "130 mm"')), after="14 h", at="6 degC"
    )
    row = found.outcomes.iloc[1]
    assert found.outcomes["life_at_target_yr"].iloc[0] == np.inf
    assert np.isnan(row["life_change_pct"])
    assert "keeps the limit up to 120 yr, the horizon" in row["life_status"]
