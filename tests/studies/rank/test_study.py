import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stripwise.errors import InputError, NumericalError
from stripwise.risk.sensitivity.quantities_of_interest import (
    FAILURE,
    GAP,
    MARGIN,
    TIME,
    QuantitiesOfInterest,
)
from stripwise.risk.sensitivity.sobol import SobolDesign
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.rank import convergence, rank_study, value_of_information
from stripwise.studies.rank.choice_rule import order_of_preference
from stripwise.studies.rank.convergence import FIRST_POINTS, MAX_POINTS, converge
from stripwise.studies.rank.index_tables import LIFE
from stripwise.studies.rank.input_groups import RankedItems
from stripwise.studies.rank.rank_study import rank
from stripwise.studies.run import assess
from stripwise.units.result_columns import columns

few = pytest.mark.usefixtures("few_samples")

TIE = """
[[correlation]]
between = ["concrete.diffusivity", "exposure.surface_chloride"]
rank = 0.5
"""


@pytest.fixture(scope="module")
def ranking(tmp_path_factory, wall_text):
    from stripwise.scenario.loading import load

    path = tmp_path_factory.mktemp("wall") / "wall.toml"
    path.write_text(wall_text)
    with pytest.MonkeyPatch.context() as patch:  # no test here reads the worth of measurements
        patch.setattr(value_of_information, "OUTER_POINTS", 16)
        patch.setattr(value_of_information, "INNER_POINTS", 64)
        return rank(load(path), strategy="Forms 12 h", ages=[20, 35, 60], second_order=True)


def test_table_is_tidy_and_complete(ranking):
    table = ranking.indices
    assert list(table.columns) == columns("sensitivity")
    assert set(table["quantity"]) == {MARGIN, TIME, GAP, FAILURE, LIFE}
    assert set(table["age_yr"].dropna()) == {20.0, 35.0, 50.0, 60.0}
    assert table["status"].str.match("ok|wide|undefined: .+").all()
    defined = table[~table["status"].str.startswith("undefined") & (table["input2"] == "")]
    assert defined[["first", "total"]].notna().all(axis=None)
    assert (defined["first_low95"] <= defined["first"]).all()


def test_groups_and_pairs_fit_the_single_inputs(ranking):
    table = ranking.indices
    margin = table[(table["quantity"] == MARGIN) & (table["age_yr"] == 50.0)]
    single = margin[(margin["input"] != "") & (margin["input2"] == "")].set_index("input")
    group = margin[margin["input"] == ""].set_index("group")
    assert_allclose(group.loc["cover", "first"], single.loc["reinforcement.cover", "first"])
    concrete = list(single.index[single["group"] == "concrete"])
    pair = margin[margin["input"].isin(concrete) & margin["input2"].isin(concrete)]
    closed = single.loc[concrete, "first"]
    # the group's closed index is the sum of its inputs' and of their interactions
    gap = group.loc["concrete", "first"] - closed.sum()
    assert len(concrete) == 3
    assert_allclose(gap, pair["second"].sum(), rtol=0, atol=0.02)
    # second order and first order explain nearly everything
    second = margin[margin["input2"] != ""]["second"].sum()
    assert 0.95 < single["first"].sum() + second < 1.05


def test_index_over_the_life_lies_between_those_of_the_ages(ranking):
    table = ranking.indices
    for name in ("reinforcement.cover", "concrete.ageing_exponent"):
        own = table[(table["input"] == name) & (table["input2"] == "")]
        ages = own[(own["quantity"] == MARGIN) & (own["age_yr"] <= 50.0)]["first"]
        life = float(own[own["quantity"] == LIFE]["first"].iloc[0])
        assert ages.min() < life < ages.max()


def test_sampled_answer_is_that_of_a_run(ranking):
    run = assess(ranking.scenario).strategies.set_index("strategy")
    rows = ranking.methods[ranking.methods["age_yr"] == 50.0].set_index("method")
    exact = run.loc["Forms 12 h", "probability_at_target"]
    assert_allclose(rows.loc["sampled", "probability"], exact, rtol=0, atol=5e-3)
    around = rows.loc["importance sampling"]
    assert abs(around["probability"] - exact) < 4.0 * around["cov"] * exact + 5e-3
    beta = -special.ndtri(rows.loc["sampled", "probability"])
    gap = rows.loc["FORM", "reliability_index"] - beta
    assert_allclose(rows.loc["FORM", "gap_to_sampled"], gap, rtol=0, atol=1e-9)
    assert "model calls by start" in rows.loc["FORM", "note"]
    factors = ranking.form[ranking.form["age_yr"] == 50.0]["alpha_squared"]
    assert_allclose(factors.sum(), 1.0, rtol=0, atol=1e-6)


def test_sample_grows_until_the_interval_is_narrow(case, few_samples, monkeypatch):
    monkeypatch.setattr(convergence, "FIRST_POINTS", FIRST_POINTS)
    monkeypatch.setattr(rank_study, "MAX_POINTS", MAX_POINTS)
    small = case()
    loose = rank(small, ages=[30], precision=0.5)
    tight = rank(small, ages=[30], precision=0.06)
    assert tight.sample.last.points > loose.sample.last.points
    assert tight.sample.last.width < 0.06
    assert loose.sample.reached
    sizes = [step.points for step in tight.sample.steps]
    assert sizes == [256 * 2**i for i in range(len(sizes))]
    assert set(tight.convergence["points_per_repeat"]) == set(sizes)
    assert tight.run["model_runs"] == tight.sample.last.points * 8 * (
        2 + len({r.columns for r in _labels(small).items})
    )


def _labels(scenario):
    wall = build_wall(scenario)
    plan = next(p for p in wall.plans if p.name == scenario.reference_strategy)
    q = QuantitiesOfInterest.from_wall(wall, plan, reference=plan, ages=np.array([30.0, 50.0]))
    return RankedItems.from_quantities(q, second_order=False)


def test_precision_out_of_reach_is_refused_with_its_cost():
    def model(z):
        return (z[0] + 0.1 * np.sign(z[1] * z[2]))[None]

    layout = SobolDesign(3, ((0,), (1,), (2,)), 1)
    with pytest.raises(
        NumericalError, match=r"--precision 1e-07: not within the budget of 512"
    ) as e:
        converge(
            model,
            layout,
            is_required=lambda found: np.ones((3, 1), dtype=bool),
            precision=1e-7,
            repeats=8,
            seed=0,
            raise_if_missed=True,
            max_points=512,
            names=lambda k, m: f"input {k}",
        )
    assert "model runs" in str(e.value)
    assert "index of input" in str(e.value)
    kept = converge(
        model,
        layout,
        is_required=lambda found: np.ones((3, 1), dtype=bool),
        precision=1e-7,
        repeats=8,
        seed=0,
        max_points=512,
    )
    assert not kept.reached


@few
def test_correlated_inputs_get_shapley_effects_and_no_plain_indices(case):
    found = rank(case(extra=TIE), ages=[50])
    table = found.indices.set_index("input")
    rows = table.loc[["concrete.diffusivity"]]
    assert rows["status"].eq("undefined: correlated; see shapley.csv").all()
    assert rows["first"].isna().all()
    both = found.indices[found.indices["group"].str.startswith("correlated: ")]
    assert both[both["quantity"] == MARGIN]["first"].notna().all()
    margin = found.shapley[found.shapley["quantity"] == MARGIN]
    assert_allclose(margin["effect"].sum(), 1.0, rtol=0, atol=1e-9)
    assert set(margin[margin["correlated"] == "yes"]["input"]) == {
        "concrete.diffusivity",
        "exposure.surface_chloride",
    }
    assert found.form["alpha_squared"].isna().any()
    assert_allclose(
        found.form[found.form["age_yr"] == 50.0]["gamma_squared"].sum(), 1.0, rtol=0, atol=1e-9
    )


@few
def test_events_that_never_or_always_happen_have_no_indices(case):
    never = rank(case(('mean = "55 mm"', 'mean = "300 mm"')), ages=[50])
    rows = never.indices[never.indices["quantity"] == FAILURE]
    assert rows["status"].str.startswith("undefined").all()
    assert rows[["first", "total"]].isna().all(axis=None)
    # what is too rare to be sampled is no yardstick, and shares out no doubt
    sampled = never.methods.set_index("method").loc[["sampled"]]
    assert sampled["gap_to_sampled"].isna().all()
    assert sampled["note"].str.contains("too rare for this sample").all()
    assert never.value_of_information["variance_share"].isna().all()
    assert never.choices.top == ""
    assert never.choices.indices["status"].str.startswith("undefined").any()
    always = rank(
        case(
            (
                "mean = 0.6, sd = 0.15, low = 0.2, high = 2.0",
                "mean = 0.05, sd = 0.01, low = 0.0, high = 0.1",
            ),
            ('chloride_basis = "binder"', 'chloride_basis = "binder"\ninitial_chloride = 0.2'),
        ),
        ages=[50],
    )
    rows = always.indices[always.indices["quantity"] == FAILURE]
    assert rows["status"].str.contains("always happens").all()
    rows = always.indices[always.indices["quantity"] == MARGIN]
    assert rows["status"].str.contains("depassivated from the start").all()


def test_bad_requests(case):
    good = case()
    for arguments, message in (
        ({"strategy": "Forms 13 h"}, "'Forms 13 h' is none of the scenario's: Forms 12 h"),
        ({"ages": [0.0]}, "0 yr; must be above 0 and at most 60 yr"),
        ({"ages": [100.0]}, "100 yr; must be above 0"),
        ({"ages": [float("nan")]}, "finite numbers"),
        ({"precision": 2.0}, "must lie between 0 and 1"),
        ({"ages": np.linspace(0.1, 60, 600)}, "at most 501"),
    ):
        with pytest.raises(InputError, match=message):
            rank(good, **arguments)


@few
def test_worth_of_measurements(case):
    found = rank(case(), ages=[50])
    rows = found.value_of_information.set_index("measurement")
    ok = rows[rows["status"] == "ok"]
    assert "concrete.ageing_exponent" in ok.index
    assert ok["variance_share"].between(0.0, 1.05).all()
    assert ok["chance_of_another_choice"].between(0.0, 1.0).all()
    scatter = rows.loc["reinforcement.cover"]
    assert scatter["status"].startswith("undefined: scatter")
    wall = build_wall(found.scenario)
    assert [wall.plans[i].name for i in order_of_preference(wall)] == ["Forms 12 h", "Forms 24 h"]


@few
@pytest.mark.threads
def test_same_seed_same_tables(case):
    one, two = (rank(case(), ages=[30], workers=w) for w in (1, 2))
    for name in ("indices", "convergence", "form", "methods", "value_of_information", "elasticity"):
        assert getattr(one, name).equals(getattr(two, name)), name
