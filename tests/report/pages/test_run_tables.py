from scipy import optimize

from stripwise.report import formatting
from stripwise.report.pages.run_tables import hand_rows, input_rows, strategy_rows


def test_strategies_follow_the_scenario(six):
    rows = strategy_rows(six)
    assert [row.name for row in rows] == [s.name for s in six.scenario.strategies]
    first, reference = rows[0], rows[4]
    assert (first.strip_age, first.follow_up, first.penalty) == ("12 h", "none", "2.9")
    assert first.probability == "20.6 %"
    assert first.probability_knowledge.replace("\xa0", " ") == "8.5 to 37.4 %"
    assert first.life == "37 yr"
    assert first.meets == "no"
    assert reference.is_reference
    assert reference.status == ""
    assert rows[5].life == "more than 120 yr"
    assert rows[5].change == "\N{EN DASH}"


def test_the_range_of_a_life_is_over_the_knowledge_inputs(six, example):
    # the example's band is the curve moved by -0.5 and +0.55 of the index
    goal = six.scenario.target.reliability_index
    low, high = (
        optimize.brentq(lambda t, s=shift: example.index_at(t, 2.9, shift=s) - goal, 1.0, 500.0)
        for shift in (-0.5, 0.55)
    )
    first, last = (formatting.years(t, horizon=six.scenario.sampling.horizon) for t in (low, high))
    text = strategy_rows(six)[0].life_range.replace("\xa0", " ")
    assert text.removesuffix(" yr").split(" to ") == [first[:-3], last.removesuffix(" yr")]


def test_without_knowledge_the_range_of_a_life_is_the_sampling_interval(example):
    row = strategy_rows(example.make_assessment(knowledge=False))[0]
    assert row.life_range == ""  # 37.37 to 37.50: the same in words as the life


def test_index_is_that_of_the_curve_at_the_service_life(six):
    row = strategy_rows(six)[0]
    curve = six.curves[(six.curves["strategy"] == row.name) & (six.curves["age_yr"] == 75)]
    assert row.index == f"{curve['reliability_index'].iloc[0]:.2f}"


def test_inputs_in_customary_units(six):
    rows = {row.name: row for row in input_rows(six)}
    diffusivity = rows["concrete.diffusivity"]
    assert (diffusivity.mean, diffusivity.sd, diffusivity.unit) == ("1.9", "0.38", "10⁻¹² m²/s")
    fixed = rows["exposure.initial_chloride"]
    assert (fixed.mean, fixed.sd, fixed.p05, fixed.kind) == ("0.1", "", "", "")
    assert rows["concrete.ageing_exponent"].kind == "knowledge"


def test_hand_check_repeats_lengths_in_inches(example):
    rows = hand_rows(example.make_assessment(units="US"))
    assert (rows[2].value, rows[2].other) == ("35.2 mm", "1.39 in")
    assert rows[0].other == ""


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
        changed = example.with_changes(six, inputs=table, scenario=scenario)
        rows = {r.name: r for r in input_rows(changed)}
        found = rows["exposure.temperature"]
        assert (found.mean, found.sd, found.p05, found.unit) == expected
        assert rows["concrete.temperature_coefficient"].mean == "4800"


def test_a_name_alone_makes_no_temperature(six, example):
    inputs = tuple(
        example.replace(i, is_temperature=i.name == "concrete.temperature_coefficient")
        for i in six.scenario.inputs
    )
    changed = example.with_changes(six, scenario=example.replace(six.scenario, inputs=inputs))
    rows = {r.name: r for r in input_rows(changed)}
    assert (rows["exposure.temperature"].mean, rows["exposure.temperature"].unit) == ("282", "K")
    coefficient = rows["concrete.temperature_coefficient"]
    assert (coefficient.mean, coefficient.sd, coefficient.unit) == ("4527", "700", "°C")
