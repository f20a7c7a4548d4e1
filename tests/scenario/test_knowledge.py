"""Joint draws beside a scenario: what is read, converted and refused."""

import hashlib

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import special

import stripwise
from stripwise.errors import InputError, ScenarioError

KNOWLEDGE = 'title = "Joint"\nknowledge = { from = "posterior.csv" }\n'
COEFFICIENT = "concrete.temperature_coefficient_K"
EXPONENT = "concrete.ageing_exponent"


@pytest.fixture(scope="module")
def garage():
    return stripwise.load("scenarios/garage-wall.toml")


@pytest.fixture(scope="module")
def draws(garage):
    return stripwise.epistemic_draws(garage, n=512)


def test_a_file_is_read_like_its_table(garage, draws, tmp_path):
    path = tmp_path / "posterior.csv"
    draws.to_csv(path, index=False)
    wall = tmp_path / "wall.toml"
    wall.write_text('knowledge = { from = "posterior.csv" }\n' + stripwise.as_toml(garage), "utf-8")
    case = stripwise.load(wall)
    assert dict(case.data_files)["posterior.csv"] == hashlib.sha256(path.read_bytes()).hexdigest()
    other = garage.replace({"knowledge": draws})
    assert case.draws.names == other.draws.names
    assert_allclose(case.draws.values, other.draws.values, rtol=1e-12, atol=0)
    item = case.input(EXPONENT)
    assert_allclose(item.distribution.mean, draws[EXPONENT].mean(), rtol=0.005, atol=0)
    assert any("512 joint draws of posterior.csv" in told for told in case.warnings)
    # a change elsewhere keeps them, and a case of the tables again has them
    assert other.replace({"target.probability": 0.05}).draws is not None
    assert_allclose(case.replace({"title": "y"}).draws.values, case.draws.values, rtol=0, atol=0)
    with pytest.raises(InputError, match="joint draws in memory; write them to a CSV"):
        stripwise.as_toml(other)


def test_units_in_the_heads_are_converted(garage, draws):
    case = stripwise.load("scenarios/quay-wall.toml")
    table = stripwise.epistemic_draws(case, n=512)
    assert "exposure.temperature_K" in table
    celsius = table.rename(columns={"exposure.temperature_K": "exposure.temperature_degC"})
    celsius["exposure.temperature_degC"] -= 273.15
    first, second = (case.replace({"knowledge": t}).draws for t in (table, celsius))
    assert_allclose(first.values, second.values, rtol=1e-12, atol=0)
    # contents are in per cent as the file writes them
    by_concrete = {
        "exposure.chloride_basis": "concrete",
        "exposure.binder_content": "400 kg/m^3",
        "exposure.density": "2400 kg/m^3",
        "exposure.surface_chloride.kind": "knowledge",
        "exposure.surface_chloride.mean": 0.5,
        "reinforcement.critical_chloride": 0.1,
        "exposure.initial_chloride": 0.01,
    }
    case = garage.replace(by_concrete)
    table = stripwise.epistemic_draws(case, n=512)
    assert_allclose(table["exposure.surface_chloride_pct"].mean(), 0.5, rtol=0.02, atol=0)
    inside = case.replace({"knowledge": table}).input("exposure.surface_chloride")
    assert_allclose(inside.distribution.mean, 0.5 * 2400 / 400, rtol=0.02, atol=0)


def test_a_score_between_walls_has_a_column_of_its_own(garage):
    case = garage.replace({"reinforcement.cover.between_walls": 0.4})
    table = stripwise.epistemic_draws(case, n=512)
    assert "reinforcement.cover.wall_score" in table
    assert case.replace({"knowledge": table}).draws.is_score.count(True) == 1


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda d: d.drop(columns=COEFFICIENT), f'lacks "{COEFFICIENT}"; joint draws must hold'),
        (lambda d: d.assign(colour=1.0), 'column "colour": names no input of the scenario'),
        (
            lambda d: d.rename(columns={COEFFICIENT: COEFFICIENT + "q"}),
            "'Kq' is no unit of a temperature coefficient",
        ),
        (
            lambda d: d.rename(columns={COEFFICIENT: COEFFICIENT[:-2]}),
            f'needs its unit K; write "{COEFFICIENT}"',
        ),
        (
            lambda d: d.rename(columns={EXPONENT: EXPONENT + ".wall_score"}),
            f'does not fit the input\'s between_walls; write "{EXPONENT}"',
        ),
        (lambda d: d.assign(**{EXPONENT: np.nan}), "has nan in draw 1; must be a finite number"),
        (lambda d: d.assign(**{EXPONENT: 1.5}), "has 1.5 in draw 1, outside the bounds 0 to 1"),
        (lambda d: d.head(399), "holds 399 draws; at least 400 are needed"),
        (
            lambda d: pd.concat([d.head(300)] * 4),
            "repeats draws so often that its 1,200 are worth 300 different ones",
        ),
        (
            lambda d: d.assign(**{"concrete.diffusivity_mm2/yr": 90.0}),
            "is aleatory in the scenario: it varies along the wall",
        ),
        (
            lambda d: d.assign(**{"exposure.temperature_degC": 9.0}),
            "is fixed in the scenario; give it a distribution, or leave it out",
        ),
        (
            lambda d: d.assign(**{f"{COEFFICIENT[:-2]} [K]": d[COEFFICIENT]}),
            "is a second column of that input",
        ),
        (lambda d: d.assign(**{EXPONENT: "many"}), "must hold numbers alone"),
    ],
)
def test_bad_draws_get_one_clear_line(garage, draws, make, text):
    with pytest.raises((ScenarioError, InputError)) as caught:
        garage.replace({"knowledge": make(draws)})
    assert "knowledge" in str(caught.value)
    assert text in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize(
    ("content", "text"),
    [
        ("", "holds nothing; its first line must name the columns"),
        ("a,b\n", "holds no draw below its first line"),
        ("a,b\n1,2\n3,four\n", 'line 3 has "four"; every cell must be a number'),
        ("a,b\n1,2\n3\n", "line 3 has 1 cells; there are 2 columns"),
        ("a,b\n1\n2\n", "has 1"),
    ],
)
def test_bad_files_name_the_line(garage, tmp_path, content, text):
    (tmp_path / "posterior.csv").write_text(content, "utf-8")
    wall = tmp_path / "wall.toml"
    wall.write_text('knowledge = { from = "posterior.csv" }\n' + stripwise.as_toml(garage), "utf-8")
    with pytest.raises(ScenarioError) as caught:
        stripwise.load(wall)
    assert 'knowledge.from = "posterior.csv": ' in str(caught.value)
    assert text in str(caught.value)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ({"from": "no.csv"}, "there is no such file beside the scenario"),
        ({"from": "../secret.csv"}, "lies outside the scenario's folder"),
        ({}, "is missing; such as"),
        ({"file": "posterior.csv"}, "unknown key; allowed here: from"),
        ("posterior.csv", "must be a table"),
    ],
)
def test_the_key_itself_is_checked(garage, value, text):
    with pytest.raises(ScenarioError, match=text):
        garage.replace({"knowledge": value})


def test_a_slip_of_units_is_told(garage, draws):
    case = garage.replace({"knowledge": draws.assign(**{COEFFICIENT: draws[COEFFICIENT] * 10})})
    assert any("temperature_coefficient: the middle of its draws" in told for told in case.warnings)


def from_file(garage, folder, table, *, others='others = "independent"'):
    """Load the garage wall with draws out of a file."""
    table.to_csv(folder / "draws.csv", index=False)
    head = f'knowledge = {{ from = "draws.csv"{others and ", " + others} }}\n'
    path = folder / "wall.toml"
    path.write_text(head + stripwise.as_toml(garage), "utf-8")
    return stripwise.load(path)


def test_inputs_that_draws_do_not_hold_are_drawn_from_their_own(garage, draws, tmp_path):
    some = draws[[EXPONENT]]
    with pytest.raises(ScenarioError, match='others = "independent" lets these have their own'):
        from_file(garage, tmp_path, some, others="")
    with pytest.raises(ScenarioError, match=r"knowledge\.others = .*: must be one of \"refused\""):
        from_file(garage, tmp_path, some, others='others = "indepedent"')
    case = from_file(garage, tmp_path, some)
    epistemic = {item.name for item in garage.inputs if item.epistemic_share > 0.0}
    assert set(case.draws.names) == epistemic
    values = dict(zip(case.draws.names, case.draws.values, strict=True))
    held = values[EXPONENT]
    assert_allclose(np.sort(held), np.sort(some[EXPONENT]), rtol=0, atol=0)
    drawn = values[COEFFICIENT[:-2]]
    law = garage.input(COEFFICIENT[:-2]).distribution
    # a Latin hypercube of 512: every 512th of the distribution once
    ranks = np.sort(law.to_normal(drawn))
    assert_allclose(special.ndtr(ranks), (np.arange(512) + 0.5) / 512, atol=0.51 / 512, rtol=0)
    # independent: the correlation of 512 pairs has an sd of 1 / sqrt(511)
    assert abs(np.corrcoef(held, drawn)[0, 1]) < 4.0 / np.sqrt(511)
    assert any(f"do not hold {COEFFICIENT[:-2]}" in told for told in case.warnings)


def test_repeated_draws_repeat_what_they_do_not_hold(garage, draws, tmp_path):
    twice = pd.concat([draws[[EXPONENT]]] * 2)
    case = from_file(garage, tmp_path, twice)
    rows = case.draws.thinned(1024)
    assert np.unique(rows, axis=1).shape[1] == 512


def test_what_is_correlated_cannot_be_independent(garage, draws, tmp_path):
    pair = [{"between": [EXPONENT, COEFFICIENT[:-2]], "rank": 0.5}]
    case = garage.replace({"correlation": pair})
    with pytest.raises(ScenarioError, match=r"which the scenario correlates with .*; it cannot be"):
        from_file(case, tmp_path, draws[[EXPONENT]])


def test_penalties_of_strategies_that_are_not_there_are_left_out(garage, draws, tmp_path):
    table = draws[[EXPONENT]].assign(**{"strategy.Forms 99 h.penalty": 1.5})
    case = from_file(garage, tmp_path, table)
    assert any('"strategy.Forms 99 h.penalty"' in told for told in case.warnings)
    with pytest.raises(ScenarioError, match="names no input of the scenario"):
        from_file(garage, tmp_path, table, others="")
