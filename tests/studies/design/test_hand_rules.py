"""The margin on the hand calculation: when there is one, how it is rounded and how it is run back."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stripwise.risk.model.service_conditions import ServiceConditions
from stripwise.risk.probability.target_roots import NEVER, TargetRoot
from stripwise.studies.design import hand_rules
from stripwise.studies.design.break_even import find_break_even
from stripwise.studies.design.hand_rules import rule_table
from stripwise.studies.design.required_cover import RequiredCovers, find_required_covers
from stripwise.studies.design.setting import Setting
from stripwise.units.result_columns import columns


@pytest.fixture(scope="module")
def setting(closed):
    return Setting.from_scenario(closed.scenario, workers=1)


@pytest.fixture(scope="module")
def covers(setting):
    return find_required_covers(setting)


def test_required_covers_in_the_range_and_beyond_it(setting, covers, closed):
    for root, wide, plan in zip(
        covers.in_range, covers.in_wide_range, setting.wall.plans, strict=True
    ):
        exact = closed.front(setting.hours(plan)) + setting.rule.index * closed.sd
        assert_allclose([root.value, wide.value], exact, rtol=0, atol=1e-4)
    # a range that ends below the root has none, and twice the range has it still
    low = replace(setting, covers=np.linspace(30.0, covers.in_range[1].value - 1.0, 5))
    beyond = find_required_covers(low)
    assert beyond.in_range[1].status == NEVER
    assert beyond.in_range[1].value == np.inf
    assert_allclose(beyond.in_wide_range[1].value, covers.in_wide_range[1].value)


@pytest.mark.parametrize(("units", "step"), [("SI", 1.0), ("US", 25.4 / 8.0)])
def test_margins_are_rounded_up_to_the_step_of_the_unit(setting, covers, units, step):
    other = replace(setting, scenario=replace(setting.scenario, units=units))
    table = rule_table(other, covers)
    assert list(table) == columns("rules")
    steps = table["rule_margin_mm"] / step
    assert_allclose(steps, np.round(steps), rtol=0, atol=1e-9)
    gap = table["rule_margin_mm"] - table["margin_mm"]
    assert gap.between(-1e-9, step).all()


def test_a_rule_that_fails_its_run_back_is_refused(setting, covers, monkeypatch):
    # half the walls depassivate in the run back, where a tenth may: the rule must not be used
    monkeypatch.setattr(hand_rules, "monte_carlo_curves", lambda *_args, **_more: np.array([[0.5]]))
    table = rule_table(setting, covers)
    assert table["status"].eq("the run back misses the target: do not use this rule").all()
    assert_allclose(table["checked_error"], np.sqrt(0.25 / 200_000))


def test_no_rule_where_the_cover_lies_outside_twice_the_range(setting):
    never = (TargetRoot(np.inf, status=NEVER),) * 2
    table = rule_table(setting, RequiredCovers(never, never, np.empty((0, 0, 0))))
    assert table["status"].str.startswith("no rule: the cover needed lies outside").all()
    assert table["checked_probability"].isna().all()
    assert np.isfinite(table["hand_front_mm"]).all()


def test_no_rule_for_carbonation(setting, covers):
    wall = replace(setting.wall, conditions=ServiceConditions(carbonation=True))
    table = rule_table(replace(setting, wall=wall), covers)
    assert list(table["strategy"]) == [plan.name for plan in wall.plans]
    assert table["status"].str.startswith("no rule").all()
    assert table["margin_mm"].isna().all()


def test_break_even_of_two_lines_is_their_crossing():
    # 10 + p / 10 against 4 + 3 p / 10: equal at 30, by hand
    fixed, slope = np.array([10.0, 4.0]), np.array([0.1, 0.3])
    dear = find_break_even(fixed, slope, 40.0, max_price=100.0)
    assert (dear.choice_below, dear.choice_above) == (1, -1)
    assert_allclose(dear.below, 30.0)
    assert np.isnan(dear.above)
    parallel = find_break_even(np.array([1.0, 2.0]), np.array([0.2, 0.2]), 5.0, max_price=50.0)
    assert (parallel.choice_below, parallel.choice_above) == (-1, -1)
