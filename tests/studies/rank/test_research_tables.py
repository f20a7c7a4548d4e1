"""Indices over many scenarios and of own quantities, held to one ranking and to SALib."""

import io

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from SALib.analyze import sobol as salib

import stripwise
from stripwise.errors import InputError

COVER = "reinforcement.cover"


@pytest.fixture(scope="module")
def garage():
    case = stripwise.load("scenarios/garage-wall.toml")
    return case.replace({"sampling.repeats": 8, "choices": None})


@pytest.fixture(scope="module")
def table(garage):
    return stripwise.rank_sample(garage, "Forms 24 h", ages=[50.0], n=512, repeats=4)


def test_a_table_over_scenarios_and_strategies(garage):
    deep = garage.replace({f"{COVER}.nominal": "75 mm"})
    names = ["Forms 24 h", "Forms 7 d"]
    table = stripwise.rank_table(
        {"60 mm": garage, "75 mm": deep}, strategies=names, ages=[25.0], precision=0.3
    )
    assert list(table)[:4] == ["scenario", "analysis", "strategy", "quantity"]
    margin = table[(table["quantity"] == "depth margin") & (table["input"] == COVER)]
    keyed = margin.set_index(["scenario", "strategy", "age_yr"])
    assert keyed.index.is_unique
    assert len(keyed) == 2 * 2 * 2
    # the share of an independent cover is sd^2 / (sd^2 + Var x_c), whatever its nominal
    first = keyed["first"].to_xarray()
    assert first.sizes == {"scenario": 2, "strategy": 2, "age_yr": 2}
    assert_allclose(first.sel(scenario="60 mm"), first.sel(scenario="75 mm"), rtol=1e-6, atol=0)


def test_own_quantities_agree_with_salib(garage, table):
    """The design read by SALib gives SALib's indices of a quantity of one's own."""
    own = stripwise.own_indices(table, lambda t: np.log(t["front_mm_at_50"].clip(1.0, 1e3)))
    one = table[table["repeat"] == 0].assign(y=lambda t: np.log(t["front_mm_at_50"].clip(1.0, 1e3)))
    wide = one.pivot_table(index="point", columns="matrix", values="y")
    singles = [item for item in own["item"] if "group" not in item]
    columns = np.column_stack([wide["A"], *(wide[item] for item in singles), wide["B"]])
    problem = {"num_vars": len(singles), "names": singles, "bounds": [[0, 1]] * len(singles)}
    y = columns.ravel()
    found = salib.analyze(problem, y, calc_second_order=False, num_resamples=10, seed=1)
    half = own.set_index("item").loc[singles]
    assert np.max(np.abs(half["total"] - found["ST"])) < 0.06
    assert np.max(np.abs(half["first"] - found["S1"])) < 0.1


def test_the_design_comes_back_from_a_file(table):
    text = table.to_csv(index=False)
    again = pd.read_csv(io.StringIO(text))
    first, second = (stripwise.own_indices(t, "penalty") for t in (table, again))
    assert_allclose(first["total"], second["total"], rtol=1e-9, atol=1e-12)
    # the penalty depends on curing alone
    keyed = first.set_index("item")
    assert_allclose(keyed.loc["curing (group)", "total"], 1.0, rtol=0, atol=0.05)
    assert_allclose(keyed.loc[COVER, "total"], 0.0, rtol=0, atol=1e-12)


def test_the_cover_adds_to_the_margin_what_it_must(table):
    own = stripwise.own_indices(table, lambda t: t[COVER] - t["front_mm_at_50"].clip(upper=300.0))
    a = table[table["matrix"] == "A"]
    exact = a[COVER].var() / (a[COVER] - a["front_mm_at_50"].clip(upper=300.0)).var()
    row = own.set_index("item").loc[COVER]
    assert row["first_low95"] - 0.02 < exact < row["first_high95"] + 0.02


@pytest.mark.parametrize(
    ("quantity", "text"),
    [
        ("colour", "is no column of the table"),
        ("initiation_yr", "must be finite"),
        (lambda _t: 1.0, "must be one number per row"),
        (lambda t: np.zeros(len(t)), "does not vary"),
    ],
)
def test_a_quantity_that_is_none_is_refused(table, quantity, text):
    with pytest.raises(InputError, match=text):
        stripwise.own_indices(table, quantity)


def test_a_wrong_design_is_refused(garage):
    for options, text in (({"n": 100}, "power of two"), ({"repeats": 1}, "at least 2")):
        with pytest.raises(InputError, match=text):
            stripwise.rank_sample(garage, **options)
    with pytest.raises(InputError, match="is none of"):
        stripwise.rank_table(garage, strategies=["Forms 3 h"])
