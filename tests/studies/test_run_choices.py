"""What a run says about the choices, on the closed wall and beside a design of the same wall."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from stripwise.risk.model.wall import COVER
from stripwise.risk.probability.curves import probability_curves
from stripwise.risk.probability.nominal_covers import shifted_cover
from stripwise.studies.from_scenario import build_plan, build_wall
from stripwise.studies.run_choices import analyse_choices

NAMES = ["follow-up", "strip age", "cover"]


@pytest.fixture(scope="module")
def found(closed):
    return analyse_choices(closed.scenario, workers=1)


@pytest.fixture(scope="module")
def pier_choices(pier_case):
    return analyse_choices(pier_case, workers=2)


def by_input(rows, analysis="choices"):
    return {r["input"]: r for r in rows if r["analysis"] == analysis and not r["input2"]}


def test_rows_are_three_choices_and_their_pairs(found):
    assert [r["input"] for r in found.rows if not r["input2"]] == NAMES
    pairs = [(r["input"], r["input2"]) for r in found.rows if r["input2"]]
    assert pairs == [(NAMES[0], NAMES[1]), (NAMES[0], NAMES[2]), (NAMES[1], NAMES[2])]
    assert {r["quantity"] for r in found.rows} == {"reliability index"}
    assert {r["age_yr"] for r in found.rows} == {75.0}
    assert {r["status"] for r in found.rows} == {"ok"}
    # one follow-up alone explains nothing
    assert by_input(found.rows)["follow-up"]["total"] == pytest.approx(0.0, abs=1e-12)


def test_shares_are_those_of_draws_from_the_ranges(found, closed):
    # The contract by another method: cover uniform in mm and strip age uniform in ln h drawn at
    # random, index (c - x) / s clipped to -4 and 6, Saltelli's estimator of scipy on 2^13 points.
    case = closed.scenario
    (thin, thick, _), ends = case.choices.cover, np.log(case.choices.strip_age)
    at = np.linspace(*ends, 400)
    fronts = np.array([closed.front(float(h)) for h in np.exp(at)])

    def func(u):
        x = np.interp(ends[0] + (ends[1] - ends[0]) * u[0], at, fronts)
        return np.clip((thin + (thick - thin) * u[1] - x) / closed.sd, -4.0, 6.0)[None]

    theirs = stats.sobol_indices(
        func=func, n=2**13, dists=[stats.uniform()] * 2, rng=np.random.default_rng(5)
    )
    rows = by_input(found.rows)
    for i, name in enumerate(NAMES[1:]):
        assert_allclose(rows[name]["first"], np.ravel(theirs.first_order)[i], rtol=0, atol=5e-3)
        assert_allclose(rows[name]["total"], np.ravel(theirs.total_order)[i], rtol=0, atol=5e-3)


def test_map_holds_the_closed_index(found, closed):
    grid = found.map
    low, high, step = closed.scenario.choices.cover
    assert_allclose(grid.cover, np.arange(low, high + 1e-9, step))
    assert_allclose(grid.strip_age[[0, -1]], closed.scenario.choices.strip_age)
    assert grid.index.shape == (1, 15, len(grid.cover))
    for t, hours in enumerate(grid.strip_age):
        exact = (grid.cover - closed.front(float(hours))) / closed.sd
        near = np.abs(exact) < 4.0
        assert_allclose(grid.index[0, t, near], exact[near], rtol=0, atol=1e-3)


def test_exchange_rate_is_the_difference_of_two_fronts(found, closed):
    rate = found.exchange
    assert (rate.cover, rate.strip_age) == (60.0, 24.0)
    assert_allclose(rate.rate, closed.front(24.0) - closed.front(48.0), rtol=0, atol=1e-4)
    assert_allclose([rate.low95, rate.high95], rate.rate, rtol=0, atol=1e-6)
    assert np.isnan([rate.know_low, rate.know_high]).all()
    # of a front of one depth the way back is the same
    assert_allclose(rate.saved, rate.rate, rtol=0, atol=1e-4)


def test_cover_to_draw_is_the_next_step_above_the_closed_one(found, closed):
    index = closed.scenario.target.reliability_index
    for name, hours in (("Forms 14 h", 14.0), ("Forms 24 h", 24.0)):
        exact = closed.front(hours) + index * closed.sd
        assert found.drawn[name] == 5.0 * np.ceil(exact / 5.0)
    thin = replace(closed.scenario.choices, cover=(45.0, 56.0, 1.0))
    drawn = analyse_choices(replace(closed.scenario, choices=thin), workers=1).drawn
    assert drawn == {"Forms 14 h": np.inf, "Forms 24 h": 55.0}
    code = replace(closed.scenario.choices, least_cover=57.0)
    drawn = analyse_choices(replace(closed.scenario, choices=code), workers=1).drawn
    assert drawn == {"Forms 14 h": 60.0, "Forms 24 h": 60.0}


def test_exchange_rate_is_the_one_of_a_design(pier_choices, pier):
    table = pier.exchange
    row = table[table["question"].str.startswith("cover to add instead of 24 h")].iloc[0]
    rate = pier_choices.exchange
    for name, column in (("rate", "value"), *((n, n) for n in ("low95", "high95", "know_low"))):
        assert getattr(rate, name) == row[column]
    saved = table[table["question"].str.startswith("cover to take off after 24 h")].iloc[0]
    assert rate.saved == saved["value"]
    assert rate.know_low < rate.rate < rate.know_high


def test_intervals_over_what_is_not_known(pier_choices):
    own, over = (by_input(pier_choices.rows, a) for a in ("choices", "choices by epistemic point"))
    assert list(own) == list(over) == NAMES
    for name in NAMES:
        assert own[name]["total_low95"] <= own[name]["total"] <= own[name]["total_high95"]
        spread = over[name]["total_high95"] - over[name]["total_low95"]
        assert spread > own[name]["total_high95"] - own[name]["total_low95"]
    parts = sum(r.get("first", 0.0) + r.get("second", 0.0) for r in pier_choices.rows[:6])
    assert 0.98 < parts <= 1.0 + 1e-9  # the interaction of all three is the rest


def test_map_of_a_sampled_wall_holds_the_curves_of_its_points(pier_choices, pier_case):
    grid, f, t, c = pier_choices.map, 0, 7, 6
    wall, follow_up = build_wall(pier_case), pier_case.choices.follow_up[f]
    inputs = tuple(
        replace(item, distribution=shifted_cover(wall, float(grid.cover[c])))
        if item.name == COVER
        else item
        for item in wall.inputs
    )
    plan = build_plan(
        pier_case,
        "own",
        strip_age=float(grid.strip_age[t]),
        temperature=pier_case.curing.temperature,
        follow_up=follow_up,
    )
    curves = probability_curves(
        replace(wall, inputs=inputs, plans=(plan,)),
        horizon=80.0,
        kinks=(75.0,),
        points=4096,
        repeats=8,
        seed=9,
        band=False,
    )
    assert grid.follow_up[f] == follow_up.label
    assert_allclose(grid.index[f, t, c], curves.mean.at([75.0])[0, 0], rtol=0, atol=5e-3)


def test_order_that_belongs_to_the_ranges_is_told(closed):
    # Variance of x(t) over the whole range of ln h and, four times, over its middle half. A cover
    # whose w^2 / 12 lies between the two leads on one and not on the other. The law is flat from
    # 28 d on, so that the middle of 12 h to 60 d varies in another way than its ends.
    hours = (12.0, 1440.0)
    ends = np.log(hours)
    u = (np.arange(400) + 0.5) / 400
    over = [
        np.var([closed.front(float(np.exp(h))) for h in ends[0] + (ends[1] - ends[0]) * v])
        for v in (u, 0.25 + 0.5 * u)
    ]
    parts = np.array([over[0], 4.0 * over[1]])
    assert abs(np.log(parts[0] / parts[1])) > 0.05
    width = float(np.sqrt(12.0 * parts.mean()))
    for factor, flips in ((1.0, True), (3.0, False), (0.2, False)):
        half = 0.5 * factor * width
        choices = replace(
            closed.scenario.choices, cover=(65.0 - half, 65.0 + half, half), strip_age=hours
        )
        found = analyse_choices(replace(closed.scenario, choices=choices), workers=1)
        assert found.flips == flips
        total = {name: row["total"] for name, row in by_input(found.rows).items()}
        share = (factor * width) ** 2 / 12.0
        assert (total["cover"] > total["strip age"]) == (share > parts[0])


def test_index_beyond_the_ends_varies_with_nothing(closed):
    deep = replace(closed.scenario.choices, cover=(300.0, 320.0, 5.0))
    found = analyse_choices(replace(closed.scenario, choices=deep), workers=1)
    for row in found.rows:
        assert row["status"].startswith("undefined: the outcome does not vary over the options")
        assert "first" not in row
    assert not found.flips


def test_without_ranges_there_is_nothing_to_analyse(closed):
    assert analyse_choices(replace(closed.scenario, choices=None), workers=1) is None
