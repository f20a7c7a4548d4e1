"""The choices on the table: shares of the variance, and each option alone."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

from stripwise.distributions.distribution import fixed
from stripwise.report.pages.choice_text import choice_sentences, choice_spans
from stripwise.risk.probability.nested_sampling import NestedSample
from stripwise.risk.probability.nominal_covers import SamplingOptions
from stripwise.risk.sensitivity.anova import anova
from stripwise.studies import run_choices
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.rank import choice_tables as choice_tables_module
from stripwise.studies.rank import factorial
from stripwise.studies.rank.choice_tables import INDEX, LOG_LIFE, PROBABILITY, choice_tables
from stripwise.studies.rank.factorial import FactorialDesign, outcomes
from stripwise.studies.rank.target_lives import target_lives
from stripwise.studies.run import assess

RUN_POINTS, RANK_NODES, RANK_POINTS = (
    run_choices.SHARE_POINTS,
    factorial.NODES,
    factorial.POINTS,
)
OPEN = """
[choices]
cover = { low = "45 mm", high = "70 mm", step = "5 mm" }
strip_age = { low = "12 h", high = "72 h" }
follow_up = [ { method = "none" }, { method = "sheet", duration = "3 d" } ]
"""
MORE = """cover_sd = [ "6 mm", "8 mm", "11 mm" ]
[[choices.concrete]]
name = "finer"
diffusivity = { family = "normal", mean = "2e-12 m^2/s", cov = 0.2 }
"""


def tables_of(case, name="Forms 24 h"):
    wall = build_wall(case)
    return choice_tables(wall, case, next(p for p in wall.plans if p.name == name))


@pytest.fixture(scope="module")
def full(tmp_path_factory, wall_text):
    from stripwise.scenario.loading import load

    path = tmp_path_factory.mktemp("wall") / "wall.toml"
    path.write_text(wall_text + OPEN + MORE)
    case = load(path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(choice_tables_module, "KNOWLEDGE_POINTS", 64)
        patch.setattr(choice_tables_module, "AGE_COUNT", 6)
        return case, tables_of(case)


def totals(tables, quantity=INDEX, analysis="choices"):
    table = tables.indices
    here = (table["analysis"] == analysis) & (table["quantity"] == quantity)
    return table[here & (table["input"] != "") & (table["input2"] == "")].set_index("input")


def test_every_choice_has_rows_with_intervals(full):
    _, tables = full
    names = ["cover", "strip age", "follow-up", "execution scatter", "concrete"]
    assert [c.name for c in tables.design.choices] == names
    assert tables.combinations == 10 * 10 * 2 * 3 * 2
    for analysis in ("choices", "choices by epistemic point"):
        for quantity in (INDEX, PROBABILITY, LOG_LIFE):
            rows = totals(tables, quantity, analysis)
            assert list(rows.index) == names
            if quantity == LOG_LIFE and analysis != "choices":
                # at some points all lives lie beyond the short horizon of this wall
                assert rows["status"].str.startswith("undefined: the outcome does not vary").all()
                assert rows["total"].isna().all()
                continue
            assert (rows["total"] >= rows["first"] - 1e-9).all()
            assert (rows["total_low95"] <= rows["total"] + 1e-12).all()
            assert (rows["total_high95"] >= rows["total_low95"]).all()
    table = tables.indices
    own = table[(table["analysis"] == "choices") & (table["quantity"] == INDEX)]
    whole = own["first"].sum() + own["second"].sum()
    assert_allclose(whole, 1.0, rtol=0, atol=1e-9)
    assert len(own[own["input2"] != ""]) == 10


def test_shares_are_those_of_a_run(case, few_samples, monkeypatch):
    monkeypatch.setattr(run_choices, "SHARE_POINTS", RUN_POINTS)
    monkeypatch.setattr(factorial, "NODES", RANK_NODES)
    monkeypatch.setattr(factorial, "POINTS", RANK_POINTS)
    # A run takes three of the choices, more nodes and more points.
    scenario = case(extra=OPEN + 'cover_sd = [ "7.999 mm", "8.001 mm" ]')
    rows = totals(tables_of(scenario))
    theirs = assess(scenario).sensitivity
    theirs = theirs[(theirs["analysis"] == "choices") & (theirs["input2"] == "")]
    theirs = theirs.set_index("input")
    for name in ("cover", "strip age", "follow-up"):
        assert_allclose(rows.loc[name, "first"], theirs.loc[name, "first"], rtol=0, atol=0.01)
        assert_allclose(rows.loc[name, "total"], theirs.loc[name, "total"], rtol=0, atol=0.01)
    assert rows.loc["execution scatter", "total"] < 1e-5


def test_shares_against_scipy_on_the_same_table(full):
    # scipy draws options at random from the table that is analysed exactly.
    case, tables = full
    design = tables.design
    sample = SamplingOptions(256, 2, 3, "choices", 1)
    p = outcomes(design, np.array([50.0]), sample=sample)
    y = -special.ndtri(p[0, 0])
    weights = [c.weights for c in design.choices]
    ends = [np.cumsum(w)[:-1] for w in weights]

    def func(u):
        return y[
            tuple(np.searchsorted(e, row, side="right") for e, row in zip(ends, u, strict=True))
        ]

    exact = anova(y[None], weights)
    theirs = stats.sobol_indices(
        func=func, n=2**14, dists=[stats.uniform()] * 5, rng=np.random.default_rng(3)
    )
    assert_allclose(exact.first[0], np.ravel(theirs.first_order), rtol=0, atol=0.01)
    assert_allclose(exact.total[0], np.ravel(theirs.total_order), rtol=0, atol=0.01)
    assert not case.warnings or all(isinstance(w, str) for w in case.warnings)


@pytest.mark.usefixtures("few_samples")
def test_options_alone_are_separate_runs(full, case):
    _, tables = full
    run = assess(case()).strategies.set_index("strategy")["probability_at_target"]
    options = tables.options
    plan = options[options["choice"] == ""].iloc[0]
    assert_allclose(plan["probability"], run["Forms 24 h"], rtol=0, atol=4e-3)
    twelve = options[(options["choice"] == "strip age") & (options["value"] == 12.0)].iloc[0]
    assert_allclose(twelve["probability"], run["Forms 12 h"], rtol=0, atol=4e-3)
    other = assess(case(('mean = "55 mm", sd = "8 mm"', 'mean = "45 mm", sd = "8 mm"')))
    thin = options[(options["choice"] == "cover") & np.isclose(options["value"], 45.0)].iloc[0]
    expected = other.strategies.set_index("strategy").loc["Forms 24 h", "probability_at_target"]
    assert_allclose(thin["probability"], expected, rtol=0, atol=4e-3)
    other = assess(case(("3e-12 m^2/s", "2e-12 m^2/s"), ('"8 mm"', '"8 mm"')))
    finer = options[options["option"] == "finer"].iloc[0]
    row = other.strategies.set_index("strategy").loc["Forms 24 h"]
    assert_allclose(finer["probability"], row["probability_at_target"], rtol=0, atol=4e-3)
    assert_allclose(finer["life_yr"], row["life_at_target_yr"], rtol=0.03, atol=0)
    planned = options[options["planned"] == "yes"]
    assert set(planned["choice"]) == {"", "follow-up", "execution scatter", "concrete"}
    assert_allclose(planned["probability"], plan["probability"], rtol=0, atol=1e-6)


def test_without_ranges_the_strategies_are_the_options(case):
    tables = tables_of(case())
    assert [c.name for c in tables.design.choices] == ["cover", "strategy", "execution scatter"]
    assert [c.assumed for c in tables.design.choices] == [True, False, True]
    assert_allclose([tables.design.covers[0], tables.design.covers[-1]], [45.0, 65.0])
    told = choice_sentences(tables, strategy="Forms 24 h", life=50.0, allowed=0.1, units="SI")
    assert "45 to 65 mm of nominal cover (assumed), 2 strategies" in told[1]
    assert "uncertainty range" in told[1]
    assert "Halving the ranges" in told[1]
    assert "10 % allowed" in told[0]
    assert choice_spans(tables)[0].span >= choice_spans(tables)[1].span


def test_a_fixed_cover_has_no_scatter_to_choose(case):
    tables = tables_of(case(('{ family = "normal", mean = "55 mm", sd = "8 mm" }', '"55 mm"')))
    assert [c.name for c in tables.design.choices] == ["cover", "strategy"]
    assert np.isnan(tables.options["life_yr"]).all()


def test_lives_by_a_line_in_the_logarithm():
    # index = 3 - ln t: reaches 1 at e^2
    ages = np.geomspace(1.0, 100.0, 9)
    p = special.ndtr(-(3.0 - np.log(ages)))[None, :, None]
    found = target_lives(p, ages, target=1.0, horizon=100.0)
    assert_allclose(found, np.exp(2.0), rtol=1e-9, atol=0)
    assert_allclose(target_lives(p, ages, target=4.0, horizon=100.0), 1.0)
    assert_allclose(target_lives(p, ages, target=-3.0, horizon=100.0), 100.0)


def test_halved_ranges_keep_their_middles(full):
    case, tables = full
    half = FactorialDesign.from_scenario(build_wall(case), case, nodes=5, shrink=0.5)
    assert_allclose(half.covers[[0, -1]], [51.25, 63.75])
    ages = [p.strip_age for p in half.plans]
    assert_allclose(np.sqrt(min(ages) * max(ages)), np.sqrt(12.0 * 72.0))
    assert [c.name for c in half.choices] == [c.name for c in tables.design.choices]


def test_a_knowledge_point_is_the_same_for_concretes_of_other_kinds(full):
    # one concrete whose exponent is in doubt, one whose exponent is known: what the curing law
    # turns out to be is the same for both at every point
    case, tables = full
    plain = build_wall(case)
    name = "concrete.ageing_exponent"

    def with_exponent(**change):
        return replace(
            plain,
            inputs=tuple(replace(i, **change) if i.name == name else i for i in plain.inputs),
        )

    epistemic, known = with_exponent(kind="knowledge"), with_exponent(distribution=fixed(0.3))
    some = tuple(c for c in tables.design.choices if c.name != "execution scatter")
    design = replace(tables.design, walls=(epistemic, known), wall_shape=(1, 2), choices=some)
    sample = SamplingOptions(256, 1, 1, "choices", 1)
    p = outcomes(design, np.array([50.0]), sample=sample, epistemic=True)
    law = NestedSample.from_wall(
        epistemic, points=256, seed=1, stage="choices", prefer_cover=True
    ).epistemic_values
    assert set(law) >= {name, "curing.law"}
    # stripped at 12 h, with the exponent known, the probability follows the law alone
    early = p[:, 0, 5, 0, 0, 1]
    assert abs(stats.spearmanr(early, law["curing.law"]).statistic) > 0.9
    assert abs(stats.spearmanr(early, law[name]).statistic) < 0.3
