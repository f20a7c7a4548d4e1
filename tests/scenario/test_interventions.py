"""[[intervention]]: what is read, and what is refused with one clear line."""

import pytest

import stripwise
from stripwise.errors import ScenarioError
from stripwise.scenario.describe import as_record, describe
from stripwise.scenario.sections.interventions import INTERVENTION_NOTE

COST = {
    "forms": "1.2 EUR/m^2/h",
    "cover": "0.5 EUR/m^2/mm",
    "repair": "400 EUR/m^2",
    "real_rate": "3 %",
}
ONE = {"name": "Impregnation", "price": "2 EUR/ft^2", "year": "2 yr", "effect": 0.4}


@pytest.fixture(scope="module")
def garage():
    case = stripwise.load("scenarios/garage-wall.toml")
    methods = {item.follow_up.method for item in case.strategies} - {"none"}
    prices = dict.fromkeys(methods, "2 EUR/m^2")
    return case.replace({"cost": {**COST, "follow_up": prices}, "choices": None})


def problems(case, *interventions, **changes):
    with pytest.raises(ScenarioError) as caught:
        case.replace({"intervention": list(interventions), **changes})
    return [line.removeprefix("garage-wall.toml: ") for line in caught.value.problems]


def test_an_intervention_is_read_told_and_recorded(garage):
    case = garage.replace({"intervention": [ONE]})
    (one,) = case.interventions
    assert one.name == "Impregnation"
    assert one.price == pytest.approx(2.0 / 0.3048**2)  # a foot is exactly 0.3048 m since 1959
    assert (one.year, one.effect) == (2.0, 0.4)
    assert INTERVENTION_NOTE in case.warnings
    assert "prevents 40 % of later depassivation" in describe(case)
    assert as_record(case)["interventions"][0]["year_yr"] == 2.0
    assert "interventions" not in as_record(garage)
    assert garage.interventions == ()


def test_it_needs_prices(garage):
    (text,) = problems(garage, ONE, cost=None)
    assert (
        text == "intervention: needs [cost], with the price of a repair that it prevents and a rate"
    )


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"price": "2 USD/ft^2"}, "is in USD, but cost.repair is in EUR; use one currency"),
        ({"price": "2 EUR/m^2/h"}, "letters, then /m^2, /ft^2 or /yd^2"),
        ({"price": "9000 EUR/m^2"}, "times the price of a repair per m^2; the usual share is"),
        ({"price": None}, "intervention[1].price: is missing; write a price such as"),
        ({"year": None}, "intervention[1].year: is missing; years from the state"),
        ({"year": 2031}, "intervention[1].year = 2031: "),
        ({"effect": 1.2}, "intervention[1].effect = 1.2: must be "),
        ({"effect": None}, "intervention[1].effect: is missing; the share of later depassivation"),
        ({"name": None}, "intervention[1].name: is missing"),
        ({"name": "Nothing"}, "stands for no intervention in the results; take another name"),
        ({"effects": 0.4}, "unknown key"),
    ],
)
def test_what_is_refused(garage, change, told):
    wrong = {key: value for key, value in {**ONE, **change}.items() if value is not None}
    texts = problems(garage, wrong)
    assert any(told in text for text in texts), texts
    assert len(texts) == 1


def test_names_and_number(garage):
    (text,) = problems(garage, ONE, ONE)
    assert "is used twice" in text
    (text,) = problems(garage, *({**ONE, "name": f"I{k}"} for k in range(11)))
    assert text == "intervention: stands 11 times; at most 10 are allowed"
