"""A design of a wall with one front and a normal cover, where every answer is a formula.

P = Phi((x - c) / s) with the front x, mean cover c and sd s: the definition of the normal cover.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize, special

import stripwise
from stripwise.studies.design.exchange_rates import (
    AT_DESIGN_POINT,
    COVER_PER_DAY,
    COVER_SAVED,
    ON_TARGET_LINE,
    design_point_rows,
)
from stripwise.studies.design.setting import Setting
from stripwise.units.drawing_steps import round_cover_up

BETA = -special.ndtri(0.10)


@pytest.fixture(scope="module")
def found(closed_design):
    return closed_design


def test_probability_of_every_design_point(found, closed):
    for hours, rows in found.design.groupby("strip_age_h"):
        exact = special.ndtr((closed.front(hours) - rows["nominal_cover_mm"]) / closed.sd)
        assert_allclose(rows["probability"], exact, rtol=0, atol=1e-7)
        assert_allclose(rows["reliability_index"], -special.ndtri(exact), rtol=0, atol=1e-4)
    # nothing is sampled, so that the interval closes
    assert_allclose(found.design["low95"], found.design["high95"], rtol=0, atol=1e-12)


def test_required_cover_is_the_front_and_beta_deviations(found, closed):
    rows = found.required.set_index("strategy")
    for name, hours in (("Forms 14 h", 14.0), ("Forms 24 h", 24.0)):
        exact = closed.front(hours) + BETA * closed.sd
        row = rows.loc[name]
        assert_allclose(row["required_cover_mm"], exact, rtol=0, atol=1e-4)
        assert_allclose([row["low95"], row["high95"]], exact, rtol=0, atol=1e-4)
        assert row["drawn_cover_mm"] == round_cover_up(exact, units="SI")
        assert np.isnan(row["know_low"])


def test_earliest_strip_age_is_the_root_of_the_front(found, closed):
    rows = found.earliest.set_index("nominal_cover_mm")
    met = 0
    for cover, row in rows.iterrows():
        limit = float(cover) - BETA * closed.sd
        if row["status"] == "ok":
            met += 1
            exact = optimize.brentq(lambda h, x=limit: closed.front(h) - x, 10.0, 168.0)
            assert_allclose(row["earliest_strip_age_h"], exact, rtol=1e-5, atol=0)
        elif row["status"].startswith("any"):
            assert closed.front(10.0) <= limit
            assert row["earliest_strip_age_h"] == 10.0
        else:
            assert row["status"] == "no strip age in the range meets it"
            assert closed.front(168.0) > limit
            assert row["earliest_strip_age_h"] == np.inf
    assert met >= 2


def test_exchange_rates_are_differences_of_fronts(found, closed):
    table = found.exchange
    days = table[table["question"] == COVER_PER_DAY]
    point = days[days["place"] == AT_DESIGN_POINT].iloc[0]
    assert (point["strip_age_h"], point["nominal_cover_mm"]) == (24.0, 60.0)
    assert_allclose(point["value"], closed.front(24.0) - closed.front(48.0), rtol=0, atol=1e-4)
    line = days[days["place"] == ON_TARGET_LINE]
    assert len(line) >= 3
    for row in line.to_dict("records"):
        hours = row["strip_age_h"]
        exact = closed.front(hours) - closed.front(hours + 24.0)
        assert_allclose(row["value"], exact, rtol=0, atol=1e-4)
        assert_allclose(
            row["nominal_cover_mm"], closed.front(hours) + BETA * closed.sd, rtol=0, atol=1e-4
        )
    earlier = table[table["question"] == "cover to add for stripping 12 h earlier"].iloc[0]
    assert_allclose(earlier["value"], closed.front(12.0) - closed.front(24.0), rtol=0, atol=1e-4)


def test_less_scatter_is_worth_its_closed_share_of_the_margin(found, closed):
    # (c + d - x) / s = (c - x) / (s - 5) gives d = (c - x) (s / (s - 5) - 1); on the target line
    # x + beta s less x + beta (s - 5) is 5 beta.
    rows = found.exchange[found.exchange["question"].str.contains("less scatter")]
    rows = rows.set_index("place")["value"]
    margin = 60.0 - closed.front(24.0)
    exact = margin * (8.0 / 3.0 - 1.0)
    assert_allclose(rows[AT_DESIGN_POINT], exact, rtol=0, atol=1e-3)
    assert_allclose(rows[ON_TARGET_LINE], 5.0 * BETA, rtol=0, atol=1e-3)


def test_rules_have_the_margin_of_the_law(found, closed):
    # the hand calculation takes the characteristic penalty, so that its front is another one
    setting = Setting.from_scenario(closed.scenario, workers=1)
    for row, plan in zip(found.rules.to_dict("records"), setting.wall.plans, strict=True):
        need = closed.front(setting.hours(plan)) + BETA * closed.sd
        assert_allclose(row["hand_front_mm"] + row["margin_mm"], need, rtol=0, atol=1e-4)
        exact = special.ndtr((closed.front(setting.hours(plan)) - row["rule_cover_mm"]) / closed.sd)
        assert abs(row["checked_probability"] - exact) < 4.0 * row["checked_error"]
        assert row["status"] == "ok"


def test_site_table_strips_by_equal_maturity(found):
    # Without a follow-up only the equivalent age counts: hours stand as the Arrhenius factors of
    # ASTM C1074 with Q = 5000 K (recalled).
    rows = found.strip_ages[found.strip_ages["status"] == "ok"]
    table = rows.pivot_table(
        index="nominal_cover_mm", columns="temperature_degC", values="earliest_strip_age_h"
    )
    pairs = table[[15.0, 20.0]].dropna()
    assert not pairs.empty
    factor = np.exp(5000.0 * (1.0 / 288.15 - 1.0 / 293.15))
    assert_allclose(pairs[15.0] / pairs[20.0], factor, rtol=1e-4)
    assert np.all(rows["site_strip_age_h"] >= rows["earliest_strip_age_h"] - 1e-9)


def test_present_cost_of_repairs_is_the_sum_over_the_years(found, closed):
    # The price of a year's new repairs is paid at its end, each instalment some years later and
    # within the horizon: NIST Handbook 135 discounts year by year (recalled).
    cost = closed.scenario.cost
    v, exact = 1.0 / (1.0 + cost.rate), 0.0
    p = [closed.probability(60.0, 24.0, float(year)) if year else 0.0 for year in range(101)]
    for year in range(1, 101):
        for after, share in cost.instalments:
            if year + after <= cost.horizon:
                exact += cost.repair * (p[year] - p[year - 1]) * share * v ** (year + after)
    row = found.cost[found.cost["option"] == "Forms 24 h"].iloc[0]
    assert row["kind"] == "strategy"
    assert_allclose(row["repair"], exact, rtol=2e-3)  # the rule has sixteen ages
    assert_allclose(row["first_cost"], 24.0 * 0.30 + 15.0 * 0.45, rtol=1e-12)


def test_one_hour_more_saves_the_difference_of_two_repair_costs(found, closed):
    row = found.exchange[found.exchange["question"].str.startswith("most that one hour")].iloc[0]
    # to first order: dP/dt of the forms at the target life, the largest age that weighs
    less = closed.probability(60.0, 24.0, 100.0) - closed.probability(60.0, 25.0, 100.0)
    assert 0.0 < row["value"] < 380.0 * less
    assert row["unit"] == "EUR/m2/h"


def test_design_point_rows_need_no_whole_design(found, closed):
    rows = design_point_rows(Setting.from_scenario(closed.scenario, workers=1))
    assert [row["question"] for row in rows] == [
        COVER_PER_DAY,
        COVER_SAVED,
        "cover to add for stripping 12 h earlier",
    ]
    own = found.exchange[found.exchange["question"] == COVER_PER_DAY].iloc[0]
    assert rows[0]["value"] == own["value"]
    # forms that are the earliest of the range cannot go earlier
    first = replace(closed.scenario.choices, strip_age=(24.0, 168.0))
    late = Setting.from_scenario(replace(closed.scenario, choices=first), workers=1)
    assert len(design_point_rows(late)) == 2


def test_every_cover_is_nominal(closed):
    """The mean lies above the nominal by the bias, on the map, in the table and at the price."""
    case, bias = closed.scenario, -4.0
    biased, plain = stripwise.design(replace(case, cover_bias=bias)), stripwise.design(case)
    assert_allclose(biased.design["nominal_cover_mm"], plain.design["nominal_cover_mm"])
    for hours, rows in biased.design.groupby("strip_age_h"):
        mean = rows["nominal_cover_mm"] + bias
        exact = special.ndtr((closed.front(hours) - mean) / closed.sd)
        assert_allclose(rows["probability"], exact, rtol=0, atol=1e-7)
    need, without = biased.required["required_cover_mm"], plain.required["required_cover_mm"]
    assert_allclose(need - without, -bias, rtol=0, atol=1e-4)
    assert_allclose(biased.required["drawn_cover_mm"] % 5.0, 0.0)
    # the owner pays for what is drawn: a worse bias costs more
    drawn = [r.cost[r.cost["kind"] == "strategy at drawn cover"] for r in (biased, plain)]
    assert np.all(drawn[0]["first_cost"].to_numpy() > drawn[1]["first_cost"].to_numpy() - 1e-9)
    assert drawn[0]["first_cost"].sum() > drawn[1]["first_cost"].sum()
