import pytest
from scipy import optimize

from stripwise.report.pages.run_tables import (
    hand_table,
    input_table,
    strategy_rows,
    strategy_table,
    terminal_table,
)
from stripwise.units import formatting


def cells(table):
    """Cells of each row by the head of their column."""
    return [{c.header: c.cell(row) for c in table.columns} for row in table.rows]


def inputs(assessment):
    """Mean, sd, 5 % and unit of each input by its label."""
    heads = ("Mean", "sd", "5 %", "Unit")
    rows = cells(input_table(assessment))
    return {row["Input"].text: tuple(row[head].text for head in heads) for row in rows}


def test_strategies_follow_the_scenario(six):
    rows = cells(strategy_table(six))
    assert [row["Strategy"].text for row in rows] == [s.name for s in six.scenario.strategies]
    first, reference = rows[0], rows[4]
    assert first["Strip age, curing after stripping"].text == "12 h"
    assert first["Strip age, curing after stripping"].small == "none"
    assert first["Probability at 75 yr"].text == "20.6 %"
    assert first["Probability at 75 yr"].small == "8.5 to 37.4 %"
    assert first["Years until the 10 % limit is exceeded"].text == "37 yr"
    assert first["Meets the limit"].text == first["Meets the limit"].kind == "no"
    # the limit is met at 70 % of the epistemic points: a narrow no, and a narrow yes
    assert first["Meets the limit"].small == "narrowly"
    assert first["Confidence"].text == "70 %"
    assert (rows[5]["Meets the limit"].text, rows[5]["Meets the limit"].small) == (
        "yes",
        "narrowly",
    )
    assert reference["Strategy"].small == "reference"
    assert rows[5]["Years until the 10 % limit is exceeded"].text == "more than 120 yr"
    assert rows[5]["Change of life"].text == formatting.DASH
    table = strategy_table(six)
    assert [table.bold(row) for row in table.rows] == [False] * 4 + [True, False]


def test_the_terminal_has_the_texts_of_the_page(six):
    page = cells(strategy_table(six))
    head, second, *lines = terminal_table(six).texts()
    assert head == ("strategy", "probability", "uncertainty", "years until", "confi-", "")
    assert second == ("", "at 75 yr", "range", "10 %", "dence", "meets")
    for line, row in zip(lines, page, strict=True):
        life = row["Years until the 10 % limit is exceeded"].text.replace("more than", "over")
        assert line[1:] == (
            row["Probability at 75 yr"].text,
            row["Probability at 75 yr"].small,
            life,
            row["Confidence"].text,
            row["Meets the limit"].text,
        )


def test_the_range_of_a_life_is_over_the_knowledge_inputs(six, example):
    # the example's band is the curve moved by -0.5 and +0.55 of the index
    goal = six.scenario.target.reliability_index
    exact = [
        optimize.brentq(lambda t, s=shift: example.index_at(t, 2.9, shift=s) - goal, 1.0, 500.0)
        for shift in (-0.5, 0.55)
    ]
    # the ages of the example are up to 4 yr apart, and the curve is straight between them
    assert strategy_rows(six)[0]["life"] == pytest.approx(tuple(exact), abs=0.5)


def test_without_knowledge_the_range_of_a_life_is_the_sampling_interval(example):
    row = strategy_rows(example.make_assessment(knowledge=False))[0]
    assert row["life"] == (row["life_low95"], row["life_high95"])
    assert row["change"] == (row["life_change_low95"], row["life_change_high95"])


def test_index_is_that_of_the_curve_at_the_service_life(six):
    row = strategy_rows(six)[0]
    curve = six.curves[(six.curves["strategy"] == row["strategy"]) & (six.curves["age_yr"] == 75)]
    assert row["index"] == curve["reliability_index"].iloc[0]


def test_inputs_in_customary_units(six):
    rows = {row["Input"].text: row for row in cells(input_table(six))}
    assert inputs(six)["diffusivity at 28 d"][:2] == ("1.9", "0.38")
    assert rows["diffusivity at 28 d"]["Unit"].text == "10⁻¹² m²/s"
    fixed = rows["initial chloride"]
    assert [fixed[head].text for head in ("Mean", "sd", "5 %", "Kind")] == ["0.1", "", "", ""]
    assert fixed["Source"].text == "not stated"
    assert rows["ageing exponent"]["Kind"].text == "epistemic"
    assert not any("strip_age" in label for label in rows)


def test_hand_check_repeats_lengths_in_inches(example):
    rows = cells(hand_table(example.make_assessment(units="US")))
    assert (rows[2]["Result"].text, rows[2]["Result"].small) == ("35.2 mm", "1.39 in")
    assert rows[0]["Result"].small == rows[0]["Result"].text or not rows[0]["Result"].small
    assert rows[0]["Step"].text.startswith("1. ")


def test_a_temperature_in_kelvin_is_shown_in_degrees(six, example):
    table = six.inputs.copy()
    row = table["name"] == "exposure.temperature"
    values = {"family": "normal", "mean": 283.15, "sd": 5.0, "p05": 274.93, "unit": "K"}
    for column, value in values.items():
        table.loc[row, column] = value
    for units, expected in {
        "SI": ("10", "5", "1.78", "°C"),
        "US": ("50", "9", "35.2", "°F"),
    }.items():
        scenario = example.replace(six.scenario, units=units)
        found = inputs(example.with_changes(six, inputs=table, scenario=scenario))
        assert found["temperature"] == expected
        assert found["temperature coefficient"][0] == "4800"


def test_a_name_alone_makes_no_temperature(six, example):
    changed = tuple(
        example.replace(i, is_temperature=i.name == "concrete.temperature_coefficient")
        for i in six.scenario.inputs
    )
    scenario = example.replace(six.scenario, inputs=changed)
    found = inputs(example.with_changes(six, scenario=scenario))
    assert (found["temperature"][0], found["temperature"][3]) == ("282", "K")
    assert found["temperature coefficient"][0] == "4527"
    assert found["temperature coefficient"][1::2] == ("700", "°C")
