"""Specimens compared like with like, and the life that each strategy of a test costs."""

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import stripwise
from stripwise import cli
from stripwise.distributions.distribution import distribution, fixed
from stripwise.errors import EvidenceError, InputError
from stripwise.evidence.profiles.penalty_factors import penalty_factors
from stripwise.studies.fit.life_lost import life_lost, lives_with

FACES = {"steel": 1.0, "liner": 0.5}
CURINGS = {"none": 1.0, "sheet 3 d": 0.8}
TIMES = (0.0, 0.5, 1.0, 7.0, 28.0)
SCATTER = (0.97, 1.0, 1.03)


def drying(strategies=("Forms 24 h", "Forms 7 d"), **more):
    rows = []
    for at, strategy in enumerate(strategies):
        for face, share in FACES.items():
            for curing, factor in CURINGS.items():
                for number, own in enumerate(SCATTER):
                    loss = 2.0 / (1.0 + at) * share * factor * own
                    rows += [
                        {
                            "specimen": f"{strategy}-{face}-{curing}-{number}",
                            "strategy": strategy,
                            "time_d": time,
                            "mass_loss_pct": loss * (1.0 - np.exp(-time / 5.0)),
                            "form_face": face,
                            "follow_up": curing,
                        }
                        for time in TIMES
                    ]
    return pd.DataFrame(rows).assign(**more)


@pytest.fixture(scope="module")
def study():
    return stripwise.fit_drying(drying(), reference="Forms 7 d, liner, sheet 3 d", margin=0.1)


def test_like_is_compared_with_like(study):
    assert [item.quantity for item in study.comparisons] == ["initial rate", "loss at age"]
    loss = study.comparisons[1]
    assert loss.condition_kinds == ("form face", "curing after stripping", "strategy")
    faces = loss.of_kind("form face")
    # two strategies by two curings; scatter is in proportion, so that the ratio of the truth comes out
    assert len(faces) == 4
    assert {(pair.name, pair.name_against) for pair in faces} == {("steel", "liner")}
    assert {pair.shared for pair in faces} == {
        f"{strategy}, {curing}"
        for strategy in ("Forms 24 h", "Forms 7 d")
        for curing in ("no curing", "sheet 3 d")
    }
    np.testing.assert_allclose([pair.ratio.value for pair in faces], 2.0, rtol=1e-9)
    curings = loss.of_kind("curing after stripping")
    np.testing.assert_allclose([pair.ratio.value for pair in curings], 1.25, rtol=1e-9)
    assert next(iter(loss.means)) == "Forms 7 d, liner, sheet 3 d"
    assert set(loss.table["method"]) == {"Dunnett", "Tukey-Kramer"}
    assert len(loss.of_kind("reference")) == 7


def test_names_that_tell_all_apart_stay_and_give_the_strip_age():
    table = drying()
    table["strategy"] = table["strategy"] + " " + table["form_face"] + " " + table["follow_up"]
    found = stripwise.fit_drying(table).comparisons[1]
    assert "Forms 24 h steel none" in found.means
    ages = found.of_kind("strip age")
    assert {pair.name for pair in ages} == {"stripped at 24 h"}
    assert {pair.name_against for pair in ages} == {"stripped at 7 d"}
    assert {pair.shared for pair in found.of_kind("form face")} == {
        "no curing, stripped at 24 h",
        "no curing, stripped at 7 d",
        "sheet 3 d, stripped at 24 h",
        "sheet 3 d, stripped at 7 d",
    }


def test_bad_conditions_are_told():
    table = drying()
    table.loc[7, "follow_up"] = ""
    with pytest.raises(EvidenceError, match="every row needs one, none for no curing"):
        stripwise.fit_drying(table)
    table = drying()
    table.loc[7, "form_face"] = "plywood"  # one row of a specimen alone
    with pytest.raises(EvidenceError, match="a specimen has one strategy"):
        stripwise.fit_drying(table)
    with pytest.raises(InputError, match="is no strategy of the file"):
        stripwise.fit_drying(drying(), reference="Forms 3 d")


@pytest.mark.usefixtures("no_pictures")
def test_too_few_specimens_are_told(tmp_path):
    table = drying()
    table = table[table["specimen"].str.endswith("-0")]
    study = stripwise.fit_drying(table)
    assert study.comparisons == ()
    study.write(tmp_path / "out")
    assert "The strategies are not compared by initial rate" in (
        tmp_path / "out" / "report.html"
    ).read_text("utf-8")


@pytest.mark.usefixtures("no_pictures")
def test_the_page_names_differences_within_the_margin(tmp_path):
    path = tmp_path / "drying.csv"
    table = drying()
    path.write_text(table.to_csv(index=False), "utf-8")
    words = ["fit", str(path), "--margin", "40 %", "--out", str(tmp_path / "out")]
    result = CliRunner().invoke(cli.app, words)
    assert result.exit_code == 0, result.stderr
    said = r"Loss at age by form face, all else alike: steel [\d.]+( to [\d.]+)? times liner"
    assert re.search(said, result.stdout)
    page = (tmp_path / "out" / "report.html").read_text("utf-8")
    assert "higher, by less than 40\N{NO-BREAK SPACE}%" in page
    assert "Apart by less than" in page
    wrong = CliRunner().invoke(cli.app, [*words[:3], "2 mm", *words[4:]])
    assert wrong.exit_code == 1
    assert '--margin: "2 mm": must be a share from "1 %" to "100 %"' in wrong.stderr


@pytest.fixture(scope="module")
def flat_case(tmp_path_factory):
    """A wall with nothing random but the cover, so that lives are closed."""
    case = stripwise.load("scenarios/garage-wall.toml")
    inputs = tuple(
        dataclasses.replace(
            item,
            distribution=distribution("normal", mean=60.0, sd=8.0)
            if item.name == "reinforcement.cover"
            else fixed(item.distribution.mean),
        )
        for item in case.inputs
    )
    sampling = dataclasses.replace(case.sampling, points=256, repeats=8, horizon=400.0)
    return dataclasses.replace(case, inputs=inputs, correlations=(), sampling=sampling)


def test_the_truth_of_the_shipped_test_lies_within_all_intervals():
    """What make_data.py puts in: plywood 0.96 and a liner 0.6 of steel, a sheet 0.8 of no curing."""
    truth = {
        ("steel", "plywood"): 1.0 / 0.96,
        ("steel", "draining liner"): 1.0 / 0.6,
        ("plywood", "draining liner"): 0.96 / 0.6,
        ("no curing", "sheet 3 d"): 1.0 / 0.8,
        ("Forms 24 h", "Forms 7 d"): 2.2 / 1.4,
    }
    found = stripwise.fit_drying("scenarios/site-records/form-faces.csv", margin=0.25)
    loss = found.comparisons[1]
    pairs = [pair for kind in loss.condition_kinds for pair in loss.of_kind(kind)]
    assert len(pairs) == 12 + 6 + 6
    for pair in pairs:
        assert pair.ratio.low <= truth[pair.name, pair.name_against] <= pair.ratio.high
    # a difference of 4 % cannot be shown; that it is less than 25 % can, mostly
    findings = {p.ratio.finding(0.25) for p in pairs if p.name_against == "plywood"}
    assert findings == {"no difference shown", "differs by less than the margin"}


def alone():
    return penalty_factors(
        np.log([5e-12, 6e-12]), np.zeros(2), strategies=["A", "A"], reference="A"
    )


def test_the_life_lost_against_the_closed_form(flat_case):
    """With nothing but the cover random k_c t^(1-a) is the same at every life: L / L_ref = k^(-1/(1-a))."""
    names = ["A", "A", "B", "B"]
    factors = penalty_factors(
        np.log([5e-12, 5e-12, 7.5e-12, 7.5e-12]),
        np.full(4, 1e-12),
        strategies=names,
        reference="A",
    )
    with pytest.raises(InputError, match="needs --reference, the strategy that lives are"):
        lives_with(None, flat_case, source="made")
    with pytest.raises(InputError, match="the reference is the only strategy"):
        lives_with(alone(), flat_case, source="made")
    assert flat_case.ageing_convention == "apparent"
    found = life_lost(factors, flat_case, source="made", workers=1)
    row = found.table.set_index("strategy").loc["B"]
    ageing = flat_case.input("concrete.ageing_exponent").distribution.mean
    expected = 100.0 * (1.5 ** (-1.0 / (1.0 - ageing)) - 1.0)
    assert row["life_status"] == "ok"
    assert row["life_change_pct"] == pytest.approx(expected, abs=0.05)
    assert found.table.set_index("strategy")["life_status"]["A"] == "reference"
