"""Parts of a design alone: setting, statuses, prices, rounding and the rows of the tables."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stripwise.distributions.distribution import distribution, fixed
from stripwise.risk.model.wall import COVER
from stripwise.risk.probability.target_roots import ANY, NEVER, NOT_MONOTONE, TargetRoot
from stripwise.studies.decision import TOO_CLOSE, Decision
from stripwise.studies.design.exchange_rates import exchange_row
from stripwise.studies.design.prices import CostAges, Option, PricedOptions, first_cost
from stripwise.studies.design.required_cover import RequiredCovers, cover_status, strip_status
from stripwise.studies.design.setting import Setting
from stripwise.studies.design.site_table import reference_table
from stripwise.units.result_columns import columns


@pytest.fixture(scope="module")
def setting(quick_case):
    return Setting.from_scenario(quick_case, workers=1)


def with_cover(case, law):
    inputs = (replace(i, distribution=law) if i.name == COVER else i for i in case.inputs)
    return replace(case, inputs=tuple(inputs))


def test_map_holds_the_steps_of_the_choices(setting):
    low, high, step = setting.choices.cover
    steps = np.arange(low, high + 1e-9, step)
    assert np.all(np.min(np.abs(setting.covers[:, None] - steps), axis=0) < 1e-9)
    assert len(setting.covers) >= 31
    assert_allclose(setting.strip_ages[[0, -1]], setting.choices.strip_age)
    assert_allclose(np.diff(np.log(setting.strip_ages)), np.log(168.0 / 10.0) / 24.0)
    assert setting.wide_covers[0] < low
    assert setting.wide_covers[-1] == 2.0 * high


def test_drawn_covers_are_multiples_of_five(setting, quick_case):
    assert_allclose(setting.rounded_covers(), np.arange(45.0, 86.0, 5.0))
    # covers are nominal: a bias moves the means, not the drawing
    biased = Setting.from_scenario(replace(quick_case, cover_bias=2.0), workers=1)
    assert_allclose(biased.rounded_covers(), setting.rounded_covers())
    assert_allclose(biased.wall.nominal_cover, setting.wall.nominal_cover - 2.0)
    narrow = replace(quick_case.choices, cover=(51.0, 54.0, 1.0))
    assert_allclose(
        Setting.from_scenario(replace(quick_case, choices=narrow), workers=1).rounded_covers(),
        [51.0, 54.0],
    )


def test_lengths_and_steps_in_inches(quick_case):
    inch = Setting.from_scenario(replace(quick_case, units="US"), workers=1)
    assert inch.length(25.4) == "1 in"
    assert_allclose(inch.sd_reduction, 0.2 * 25.4)
    assert_allclose(inch.rounded_up(50.0), 50.8)


@pytest.mark.parametrize(
    ("law", "cut"),
    [
        (distribution("normal", mean=60.0, sd=8.0), 5.0),
        (distribution("lognormal", mean=60.0, sd=9.0), 5.0),
        (distribution("normal", mean=60.0, sd=4.0), 2.0),
        (distribution("uniform", low=40.0, high=80.0), 5.0),
        (distribution("beta", mean=60.0, sd=6.0, low=40.0, high=90.0), 5.0),
    ],
)
def test_less_scatter_keeps_the_mean_and_the_family(quick_case, law, cut):
    setting = Setting.from_scenario(with_cover(quick_case, law), workers=1)
    assert_allclose(setting.sd_reduction, cut)
    narrow = setting.with_less_scatter().input(COVER).distribution
    assert narrow.family == law.family
    assert_allclose(narrow.parent_mean, law.parent_mean, rtol=1e-12)
    assert_allclose(narrow.parent_sd, law.parent_sd - cut, rtol=1e-9)


def test_a_fixed_cover_has_no_scatter_to_take_away(quick_case):
    setting = Setting.from_scenario(with_cover(quick_case, fixed(60.0)), workers=1)
    assert setting.with_less_scatter().input(COVER).distribution == fixed(60.0)


def test_slow_walls_take_smaller_samples(quick_case):
    big = replace(quick_case, sampling=replace(quick_case.sampling, points=16384))
    usual = Setting.from_scenario(big, workers=1)
    slow = Setting.from_scenario(with_cover(big, fixed(60.0)), workers=1)
    assert (usual.map_sample.points, usual.strategy_sample.points) == (4096, 16384)
    assert (slow.map_sample.points, slow.strategy_sample.points) == (256, 2048)
    assert usual.strategy_sample.seed == big.sampling.seed


@pytest.mark.parametrize(
    ("least", "high", "covers"),
    [
        (0.0, 60.0, [45.0, 50.0, 55.0, 60.0]),
        (52.0, 60.0, [55.0, 60.0]),
        (57.0, 57.5, [57.5]),  # no step of drawings is left
    ],
)
def test_covers_to_draw_begin_at_a_least_cover(quick_case, least, high, covers):
    choices = replace(quick_case.choices, cover=(45.0, high, 2.5), least_cover=least)
    setting = Setting.from_scenario(replace(quick_case, choices=choices), workers=1)
    assert_allclose(setting.rounded_covers(), covers)
    anywhere = TargetRoot(-np.inf, status=ANY, safe=-np.inf)
    assert setting.drawn_cover(anywhere) == covers[0]


def test_statuses_in_words():
    assert cover_status(ANY) == "any cover in the range meets it"
    assert cover_status(NEVER) == "no cover in the range meets it"
    assert strip_status(ANY) == "any strip age in the range meets it"
    assert strip_status(NEVER) == "no strip age in the range meets it"
    assert cover_status(NOT_MONOTONE) == strip_status(NOT_MONOTONE) == NOT_MONOTONE


def test_table_of_required_covers(setting, quick_case):
    roots = (
        TargetRoot(61.2, 60.9, 61.5, 55.0, 70.0, safe=61.9),
        TargetRoot(-np.inf, know_low=30.0, know_high=50.0, status=ANY, safe=-np.inf),
    )
    table = RequiredCovers(roots, roots, np.empty((0, 0, 0))).table(setting)
    first, second = table.to_dict("records")
    assert first["strategy"] == setting.wall.plans[0].name
    assert (first["required_cover_mm"], first["drawn_cover_mm"]) == (61.2, 65.0)
    assert (first["know_low"], first["know_high"], first["status"]) == (55.0, 70.0, "ok")
    # the least of the range is enough, and there is no root to have an interval
    assert (second["required_cover_mm"], second["drawn_cover_mm"]) == (45.0, 45.0)
    assert np.isnan([second["low95"], second["high95"]]).all()
    never = (TargetRoot(np.inf, status=NEVER),) * 2
    table = RequiredCovers(never, never, np.empty((0, 0, 0))).table(setting)
    assert np.isinf(table[["required_cover_mm", "drawn_cover_mm"]].to_numpy(dtype=float)).all()


def row(by_repeat, epistemic=None, **more):
    arguments = ("question", "place", "none", 60.0, 24.0, np.array(by_repeat), epistemic, "mm")
    return exchange_row(*arguments, **more)


def test_exchange_row_says_when_there_is_no_number():
    fine = row([6.9, 7.0, 7.1])
    assert (fine["status"], fine["value"]) == ("ok", pytest.approx(7.0))
    assert_allclose(fine["high95"] - 7.0, 4.302653 * 0.1 / np.sqrt(3.0), rtol=1e-6)  # t table
    assert np.isnan(fine["know_low"])
    beyond = row([7.0, np.inf, np.inf])
    assert (beyond["status"], beyond["value"]) == ("beyond the looked-at range", np.inf)
    assert np.isnan([beyond["low95"], beyond["high95"]]).all()
    both = row([-np.inf, np.inf])
    assert both["status"] == "beyond the looked-at range"
    assert np.isnan(both["value"])
    assert row([7.0, np.nan])["status"] == "no answer"


def test_exchange_row_lies_about_the_answer_of_the_mean():
    # the interval of the repeats is moved, with its width, to the answer of the mean over repeats
    moved, plain = row([6.9, 7.0, 7.1], middle=7.5), row([6.9, 7.0, 7.1])
    assert moved["value"] == 7.5
    for end in ("low95", "high95"):
        assert_allclose(moved[end] - plain[end], 0.5)
    bounds = row([7.0, 7.0], np.concatenate([np.arange(40.0), [np.nan]]))
    assert_allclose((bounds["know_low"], bounds["know_high"]), (0.5, 38.5))


def test_references_by_temperature_band():
    # EN 13670:2009, Annex F, class 3, medium development: 2.5, 4, 7 and 9 d; ACI 318: 7 d of moist
    # curing (both recalled).
    for temperature, days in ((26.0, 2.5), (16.0, 4.0), (12.0, 7.0), (6.0, 9.0)):
        table = reference_table(temperature).set_index("name")
        assert table.at["EN class 3", "hours"] == 24.0 * days
        assert table.at["ACI 318", "hours"] == 7 * 24.0
        assert (table["low_h"] <= table["hours"]).all()
        assert (table["hours"] <= table["high_h"]).all()
    assert not any(name.startswith("EN") for name in reference_table(3.0)["name"])


@pytest.fixture(scope="module")
def option(setting):
    plan, follow_up = setting.plans[0], setting.choices.follow_up[0]
    return Option("own", "strategy", plan, follow_up, 60.0, 30.0)


def test_first_cost_adds_forms_follow_up_and_cover(setting, quick_case, pier_case, option):
    cost = quick_case.cost
    assert first_cost(setting, cost, option) == pytest.approx((30.0 * 0.30, 0.0, 15.0 * 0.45))
    by_label = {f.label: f for f in pier_case.choices.follow_up}
    sheet, membrane = (
        by_label["sheet 7 d"],
        next(f for f in by_label.values() if f.method == "membrane"),
    )
    assert first_cost(setting, cost, replace(option, follow_up=sheet))[1] == pytest.approx(3.5)
    assert first_cost(setting, cost, replace(option, follow_up=membrane))[1] == pytest.approx(2.2)


def test_weights_of_ages_stop_at_the_horizon_of_the_costs(setting, quick_case):
    ages = CostAges.from_setting(setting)
    weights = ages.weights(quick_case.cost)
    assert ages.ages[ages.life] == 75.0
    assert np.all(ages.ages[: ages.within_cost_horizon] <= 100.0)
    # depassivated from the start and paid at once, without interest: one repair
    flat = replace(quick_case.cost, instalments=((0.0, 1.0),))
    assert_allclose(ages.weights(flat, 0.0).sum(), 1.0, rtol=1e-12)
    assert 0.0 < weights.sum() < 1.0
    short = CostAges.from_setting(
        Setting.from_scenario(
            replace(quick_case, cost=replace(quick_case.cost, horizon=20.0)), workers=1
        )
    )
    own = short.weights(replace(quick_case.cost, horizon=20.0))
    assert np.all(own[short.within_cost_horizon :] == 0.0)
    free = Setting.from_scenario(replace(quick_case, cost=None), workers=1)
    assert CostAges.from_setting(free).ages.tolist() == [75.0]


def test_table_of_prices(setting, quick_case, option):
    ages = CostAges(np.array([50.0, 75.0]), 1, 2)
    cost = replace(quick_case.cost, rate=0.0, instalments=((0.0, 1.0),))
    p = np.array([[[0.02, 0.05]], [[0.02, 0.07]]])
    priced = PricedOptions(
        (option,),
        p,
        np.array([[[0.0, 0.01]], [[0.1, 0.5]]]),
        np.array([[9.0, 0.0, 6.75]]),
        (Decision(TOO_CLOSE, 0.5),),
    )
    table = priced.table(setting, ages, cost)
    assert list(table) == columns("cost")
    row = table.iloc[0]
    assert_allclose(row["probability"], 0.06)
    assert (row["meets_target"], row["confidence"]) == ("too close to call", 0.5)
    weights = ages.weights(cost)
    assert_allclose(row["repair"], cost.repair * (p[:, 0] @ weights).mean())
    assert_allclose(row["cost"], 15.75 + row["repair"])
    assert row["low95"] >= row["first_cost"]
    assert row["know_low"] < row["cost"] < row["know_high"]
