"""The [cost] section: prices with a currency, discounting, and what is refused."""

import numpy_financial as npf
import pytest
from numpy.testing import assert_allclose

from stripwise.errors import ScenarioError
from stripwise.scenario.describe import as_record, describe
from stripwise.scenario.loading import load

BASE = """
title = "Small wall"
reference_strategy = "Forms 24 h"
[target]
service_life = "50 yr"
probability = 0.1
[exposure]
temperature = "10 degC"
chloride_basis = "binder"
surface_chloride = { family = "lognormal", mean = 1.5, cov = 0.3 }
convection_zone = "8.9 mm"
[concrete]
diffusivity = { family = "normal", mean = "3e-12 m^2/s", cov = 0.2 }
specimens = "cured as the face"
ageing_exponent = 0.35
[reinforcement]
cover = { family = "normal", nominal = "55 mm", bias = "2 mm", sd = "8 mm" }
critical_chloride = { family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }
[curing]
reference = "7 d"
concrete_temperature = "20 degC"
affected_depth = "whole cover"
[[strategy]]
name = "Forms 24 h"
strip_age = "24 h"
[choices]
cover = { low = "COVER_LOW", high = "COVER_HIGH", step = "5 mm" }
strip_age = { low = "STRIP_LOW", high = "STRIP_HIGH" }
follow_up = [ { method = "none" }, { method = "sheet", duration = "3 d" } ]
"""
RANGES = {"COVER_LOW": "45 mm", "COVER_HIGH": "75 mm", "STRIP_LOW": "10 h", "STRIP_HIGH": "5 d"}
COST = {
    "forms": '"1.2 EUR/m^2/h"',
    "follow_up": '{ sheet = "2.4 EUR/m^2/d" }',
    "cover": '"0.5 EUR/m2/mm"',
    "repair": '"400 EUR/m²"',
    "real_rate": '"3 %"',
}


@pytest.fixture
def wall(tmp_path):
    def write(cost=None, **ranges):
        text = BASE
        for key, value in {**RANGES, **ranges}.items():
            text = text.replace(key, value)
        if cost is not None:
            lines = [f"{key} = {value}" for key, value in {**COST, **cost}.items() if value]
            text += "[cost]\n" + "\n".join(lines) + "\n"
        path = tmp_path / "wall.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def problems(path):
    with pytest.raises(ScenarioError) as caught:
        load(path)
    return [line.removeprefix("wall.toml: ") for line in caught.value.problems]


def test_no_section_no_cost(wall):
    case = load(wall())
    assert case.cost is None
    assert case.cover_bias == 2.0
    assert as_record(case)["cost"] is None


def test_prices_in_internal_units(wall):
    cost = load(wall({})).cost
    assert (cost.currency, cost.forms, cost.cover, cost.repair) == ("EUR", 1.2, 0.5, 400.0)
    assert cost.follow_up["sheet"] == (0.0, pytest.approx(0.1))
    assert cost.instalments == ((0.0, 1.0),)
    assert (cost.rate, cost.horizon) == (0.03, 50.0)


def test_other_units_of_area_time_and_length(wall):
    cost = load(
        wall(
            {
                "forms": '"2.4 USD/ft^2/d"',
                "follow_up": '{ sheet = "1 USD/ft2" }',
                "cover": '"1 USD/ft^2/in"',
                "repair": '"900 USD/yd^2"',
            }
        )
    ).cost
    foot = 0.3048**2  # exact since 1959
    assert_allclose(cost.forms, 0.1 / foot)
    assert_allclose(cost.follow_up["sheet"], (1.0 / foot, 0.0))
    assert_allclose(cost.cover, 1.0 / foot / 25.4)
    assert_allclose(cost.repair, 100.0 / foot)


def test_forms_in_parts_add_up(wall):
    parts = '{ hire = "0.1 EUR/m^2/h", crew = "0.2 EUR/m^2/h", delay = "7.2 EUR/m^2/d" }'
    assert_allclose(load(wall({"forms": parts})).cost.forms, 0.6)


def test_nominal_rate_and_inflation_make_a_real_one(wall):
    rates = {"real_rate": "", "nominal_rate": '"5 %"', "inflation": "0.02"}
    rate = load(wall(rates)).cost.rate
    # worth of a payment that grows with prices, by numpy-financial
    assert_allclose((1 + rate) ** -10, -npf.pv(0.05, 10, 0, 1.02**10), rtol=1e-12)


def test_a_repair_in_parts(wall):
    parts = '[ { after = "8 yr", share = 0.6 }, { after = "20 yr", share = "40 %" } ]'
    case = load(wall({"repair_parts": parts, "horizon": '"100 yr"'}))
    assert case.cost.instalments == ((8.0, 0.6), (20.0, pytest.approx(0.4)))
    assert case.cost.horizon == 100.0
    text = describe(case)
    assert "repair: 400 EUR/m² (60 % after 8 yr, 40 % after 20 yr)" in text
    assert "real discount rate 3 % a year, horizon 100 yr" in text


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            {"repair": '"400 USD/m^2"'},
            'cost.repair = "400 USD/m^2": is in USD, but cost.forms is in EUR; use one currency for '
            "all prices (line 34)",
        ),
        ({"forms": '"-1.2 EUR/m^2/h"'}, 'cost.forms = "-1.2 EUR/m^2/h": must be at least 0'),
        (
            {"forms": '"1.2 EUR/m^2"'},
            'cost.forms = "1.2 EUR/m^2": must be a price such as "1.2 EUR/m^2/h": a currency by its '
            "code of three capital letters, then /m^2, /ft^2 or /yd^2, then /h or /d",
        ),
        ({"forms": '"1.2 eur/m^2/h"'}, "a currency by its code of three capital letters"),
        ({"forms": '"1.2 €/m^2/h"'}, "is not a number followed by a unit; write a price such as"),
        ({"forms": "1.2"}, 'cost.forms = 1.2: must be a price such as "1.2 EUR/m^2/h"'),
        ({"forms": ""}, "cost.forms: is missing; write a price"),
        ({"forms": '{ hiring = "1 EUR/m^2/h" }'}, 'the nearest spelling is "hire"'),
        ({"cover": '"0.5 EUR/m^2/h"'}, "then /m^2, /ft^2 or /yd^2, then /mm or /cm or /in"),
        ({"repair": '"400 EUR/m"'}, "then /m^2, /ft^2 or /yd^2"),
        ({"repair": '"1e999 EUR/m^2"'}, "must be a finite number"),
        (
            {"follow_up": ""},
            "cost.follow_up.sheet: is missing; the scenario cures so after stripping; write its price",
        ),
        (
            {"follow_up": '{ sheet = "1 EUR/m^2", sheets = "1 EUR/m^2" }'},
            'the nearest spelling is "sheet"',
        ),
        ({"real_rate": '"-100 %"'}, 'cost.real_rate = "-100 %": must be above -100 %'),
        (
            {"real_rate": "3"},
            "cost.real_rate = 3: must be between -10 % and 50 %; a plain number is a share, 0.03 is "
            '"3 %"',
        ),
        ({"real_rate": ""}, "cost.real_rate: is missing"),
        (
            {"nominal_rate": '"5 %"'},
            'cost.nominal_rate = "5 %": is given beside real_rate; give exactly one of them',
        ),
        (
            {"real_rate": "", "nominal_rate": '"5 %"'},
            "cost.inflation: is missing; a nominal rate needs it",
        ),
        ({"inflation": '"2 %"'}, "is not used by a real rate"),
        ({"horizon": '"0 yr"'}, "must be between 1 yr and 500 yr"),
        ({"repair_parts": "[]"}, "cost.repair_parts: has 0 entries"),
        ({"repair_parts": '[ { after = "-1 yr", share = 0.5 } ]'}, "must be between 0 yr"),
        ({"repair_parts": '[ { after = "1 yr", share = 1.5 } ]'}, "must be between 0 and 1"),
        ({"repair_parts": "[ { share = 0.5 } ]"}, "cost.repair_parts[1].after: is missing"),
        ({"repairs": '"1 EUR/m^2"'}, "repair"),
    ],
)
def test_bad_prices_are_refused_in_one_line(wall, change, message):
    found = problems(wall(change))
    assert len(found) == 1, found
    assert message in found[0]


@pytest.mark.parametrize(
    ("ranges", "message"),
    [
        (
            {"COVER_LOW": "75 mm", "COVER_HIGH": "45 mm"},
            'choices.cover.low = "75 mm": must be below high = "45 mm"',
        ),
        ({"COVER_LOW": "75 mm"}, 'choices.cover.low = "75 mm": must be below high = "75 mm"'),
        ({"STRIP_LOW": "5 d"}, 'choices.strip_age.low = "5 d": must be below high = "5 d"'),
        (
            {"COVER_LOW": "6 mm"},
            'choices.cover.low = "6 mm": must be above the mean convection zone of 8.9 mm less the '
            "bias of the cover, 2 mm; bars inside it are not covered by the model",
        ),
    ],
)
def test_bad_ranges_are_refused(wall, ranges, message):
    found = problems(wall(**ranges))
    assert len(found) == 1, found
    assert found[0].startswith(message)
