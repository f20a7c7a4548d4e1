"""Rows of the result tables: what they hold, and what they say where there is no number."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

import stripwise
from stripwise.distributions.random_input import Correlation
from stripwise.risk.model.wall import COVER
from stripwise.risk.probability.life_ratio import life_ratio_interval
from stripwise.risk.sensitivity.anova import anova
from stripwise.risk.sensitivity.margin_indices import margin_indices
from stripwise.studies.from_scenario import build_wall, compute_curves, target_from
from stripwise.studies.result_tables import (
    choice_rows,
    curve_table,
    estimates,
    margin_rows,
    strategy_table,
)
from stripwise.units.result_columns import columns


@pytest.fixture(scope="module")
def computed(pier_case):
    small = replace(pier_case, sampling=replace(pier_case.sampling, points=128))
    wall = build_wall(small)
    return wall, compute_curves(wall, small, workers=2, progress=None), target_from(small)


def test_curves_stand_at_every_year_and_at_the_target_life(computed):
    wall, curves, target = computed
    table = curve_table(wall, curves, target)
    assert list(table) == columns("curves")
    assert len(table) == len(wall.plans) * 121
    for name, rows in table.groupby("strategy", sort=False):
        assert list(rows["age_yr"]) == list(range(121)), name
        assert rows["probability"].is_monotonic_increasing
        assert (rows["low95"] <= rows["probability"] + 1e-12).all()
        assert (rows["know_low"] <= rows["know_high"]).all()
    assert_allclose(table["probability"], special.ndtr(-table["reliability_index"]), rtol=1e-12)
    # a life between two years has a row of its own
    other = curve_table(wall, curves, replace(target, life=33.5))
    assert 33.5 in set(other["age_yr"])


def test_strategies_against_the_curves(computed):
    wall, curves, target = computed
    table = strategy_table(wall, curves, target)
    assert list(table) == columns("strategies")
    rows = table.set_index("strategy")
    at_life = curve_table(wall, curves, target).query("age_yr == 75").set_index("strategy")
    for column in ("low95", "high95", "know_low", "know_high"):
        assert_allclose(rows[column], at_life[column], rtol=1e-9)
    assert_allclose(rows["probability_at_target"], at_life["probability"], rtol=1e-9)
    own = rows.loc[target.reference]
    assert own["life_status"] == "reference"
    assert np.isnan(own["life_change_pct"])
    late = rows[rows["life_status"].str.contains("keeps the limit up to 120 yr, the horizon")]
    given = rows[rows["life_status"] == "ok"]
    assert len(late) + len(given) == len(rows) - 1
    assert not given.empty
    ratio = given["life_at_target_yr"] / own["life_at_target_yr"] - 1.0
    assert_allclose(given["life_change_pct"], 100.0 * ratio, rtol=1e-9)
    assert (given["life_change_low95"] < given["life_change_pct"]).all()
    assert late["life_change_pct"].isna().all()
    assert late["life_status"].str.contains("differs from the reference's by").all()
    k = list(table["strategy"]).index(given.index[0])
    low, _ = life_ratio_interval(
        curves.mean.ages, curves.epistemic, reference=3, target=target.index
    )
    assert_allclose(given["life_change_know_low"].iloc[0], 100.0 * (low[k] - 1.0), rtol=1e-9)


def test_lives_end_where_the_curve_reaches_the_target(computed):
    wall, curves, target = computed
    table = strategy_table(wall, curves, target)
    for i, life in enumerate(table["life_at_target_yr"]):
        if np.isfinite(life):
            assert_allclose(curves.mean.at([life])[i, 0], target.index, rtol=0, atol=1e-6)
    # the upper curve reaches the target first
    finite = table[np.isfinite(table["life_high95"])]
    assert (finite["life_low95"] <= finite["life_at_target_yr"]).all()
    assert (finite["life_at_target_yr"] <= finite["life_high95"]).all()


def test_met_is_judged_by_the_predictive_probability(computed):
    wall, curves, target = computed
    bare = replace(curves, know_low=None, know_high=None, epistemic=None, at_target=None)
    # the table holds a t interval over 8 repeats, of 2.36 standard errors to each side; a decision
    # stands beyond a chance of 3.2e-5, by Student's t with 7 degrees of freedom
    factor = stats.t.isf(3.2e-5, 7) / stats.t.isf(0.025, 7)
    found = set()
    at_life = strategy_table(wall, curves, target)["probability_at_target"]
    for allowed in (0.02, 0.1, float(at_life.iloc[0]), 0.3):
        other = replace(target, probability=allowed, index=-special.ndtri(allowed))
        table, without = (strategy_table(wall, c, other) for c in (curves, bare))
        for row in table.to_dict("records"):
            p, reach = row["probability_at_target"], factor * (row["high95"] - row["low95"]) / 2.0
            answer = (
                "yes"
                if p + reach < allowed
                else "no"
                if p - reach > allowed
                else "too close to call"
            )
            assert row["meets_target"] == answer
            found.add(answer)
        # knowledge does not change the answer, only how sure it is
        assert list(without["meets_target"]) == list(table["meets_target"])
        assert without["confidence"].isna().all()
        assert without["life_change_know_low"].isna().all()
        assert table["confidence"].between(0.0, 1.0).all()
    assert found == {"yes", "no", "too close to call"}


def test_a_target_missed_from_the_start_has_no_life(computed):
    wall, curves, target = computed
    missed = strategy_table(wall, curves, replace(target, index=40.0))
    told = missed.loc[missed["strategy"] != target.reference, "life_status"]
    assert told.str.contains("this strategy exceeds the limit from the start").all()
    assert told.str.contains("the reference exceeds the limit from the start").all()


def test_margin_rows_leave_out_what_does_not_reach_a_strategy(quick_case):
    wall = build_wall(quick_case)
    sheet = replace(wall, plans=wall.plans[:1])
    unread = [
        i.name for i in sheet.inputs if i.group == "curing" and not sheet.plans[0].uses(i.name)
    ]
    rows = margin_rows(sheet, margin_indices(sheet, 75.0, repeats=4, seed=0), 75.0)
    names = {row["input"] for row in rows}
    assert not names & set(unread)
    assert {"", COVER, "concrete.diffusivity"} <= names
    cover = [row for row in rows if row["group"] == "cover"]
    assert len(cover) == 2  # the input and its group, with the same exact share
    assert cover[0]["first"] == cover[0]["total"] == cover[1]["total"]
    assert {row["status"] for row in rows} <= {"ok", "wide"}
    assert all(row["quantity"] == "depth margin" and row["age_yr"] == 75.0 for row in rows)


def test_margin_rows_of_correlated_inputs_say_so(quick_case):
    tie = Correlation("concrete.diffusivity", "exposure.surface_chloride", 0.4)
    wall = replace(build_wall(quick_case), correlations=(tie,))
    rows = margin_rows(wall, margin_indices(wall, 75.0, repeats=4, seed=0), 75.0)
    status = {row["input"] or row["group"]: row for row in rows}
    assert status["concrete.diffusivity"]["status"] == "undefined: correlated"
    assert "first" not in status["concrete.diffusivity"]
    assert status["correlated: exposure.surface_chloride + concrete.diffusivity"]["total"] > 0.0


def test_a_margin_without_variance_is_undefined(quick_case):
    wall = build_wall(quick_case)
    indices = margin_indices(wall, 75.0, repeats=4, seed=0)
    broken = replace(
        indices, estimates=replace(indices.estimates, first=indices.estimates.first * np.nan)
    )
    rows = margin_rows(wall, broken, 75.0)
    assert {row["status"] for row in rows} == {"undefined: the margin has no finite variance"}


HALF = np.array([0.5, 0.5])


def two_repeats():
    """Outcomes of 2 x 2 x 2 options: the first repeat varies, the second in one choice alone."""
    a, b, c = np.meshgrid([0.0, 1.0], [0.0, 3.0], [0.0, 1.0], indexing="ij")
    return np.stack([a + b + a * b * c, 2.0 * a])


def test_choice_rows_of_repeats_and_of_points():
    parts = {"own": anova(two_repeats(), [HALF] * 3)}
    names = ("first", "second", "third")
    rows = choice_rows(names, parts, ages={"own": 50.0}, epistemic=False, higher_order=True)
    assert len(rows) == 3 + 3 + 1
    assert rows[-1]["group"] == "interactions of three and more"
    first = parts["own"].first[:, 0]
    assert_allclose(rows[0]["first"], first.mean())
    half = 12.706205 * np.std(first, ddof=1) / np.sqrt(2.0)  # Student's t, one degree of freedom
    assert_allclose(rows[0]["first_high95"] - rows[0]["first"], half, rtol=1e-6)
    over = choice_rows(names, parts, ages={"own": 50.0}, epistemic=True)
    assert len(over) == 6
    assert {r["analysis"] for r in over} == {"choices by epistemic point"}
    low, high = sorted(first)  # of two points the range ends at both
    assert_allclose([over[0]["first_low95"], over[0]["first_high95"]], [low, high])
    assert [(r["input"], r["input2"]) for r in over[3:]] == [
        ("first", "second"),
        ("first", "third"),
        ("second", "third"),
    ]


def test_choice_rows_say_how_many_repeats_do_not_vary():
    flat = two_repeats()
    flat[1] = 7.0
    parts = {"own": anova(flat, [HALF] * 3)}
    for epistemic, points in ((False, "repeats"), (True, "epistemic points")):
        rows = choice_rows("abc", parts, ages={"own": np.nan}, epistemic=epistemic)
        assert {row["status"] for row in rows} == {
            f"undefined: the outcome does not vary over the options at 1 of 2 {points}"
        }
        assert not any("first" in row or "second" in row for row in rows)


def test_estimates_of_what_is_not_finite_are_left_out():
    assert estimates("first", np.array([1.0, np.nan])) == {}
    found = estimates("total", np.array([1.0, 2.0, 3.0]))
    assert set(found) == {"total", "total_low95", "total_high95"}
    assert_allclose(found["total_high95"] - 2.0, 4.302653 / np.sqrt(3.0), rtol=1e-6)
    assert estimates("x", np.arange(40.0), quantiles=True)["x_low95"] == pytest.approx(0.5)


def test_a_run_has_the_columns_in_order(quick_case):
    small = replace(quick_case, sampling=replace(quick_case.sampling, points=64), choices=None)
    result = stripwise.assess(small)
    assert list(result.sensitivity) == columns("sensitivity")
    text = ["analysis", "strategy", "quantity", "input", "input2", "group", "status"]
    assert not result.sensitivity[text].isna().any(axis=None)
    check = result.run["cover_share_check"]
    row = result.sensitivity.query(f"input == '{COVER}' and strategy == 'Forms 24 h'").iloc[0]
    assert row["first"] == row["total"] == pytest.approx(check["exact"], rel=1e-12)
    assert check["low95"] < check["total_minus_first"] < check["high95"]
    assert_allclose([check["first"], check["total"]], check["exact"], rtol=0, atol=0.02)
    assert any("No random input is epistemic" in text for text in result.warnings)
    assert any("Without a [choices] section" in text for text in result.warnings)
