"""The table of options: every refusal is reached, and an option that refuses is asked alone."""

import dataclasses

import pytest

from stripwise.errors import NumericalError
from stripwise.ingress.surface_history.surface_chloride import SurfaceHistory
from stripwise.risk.model import service_options
from stripwise.risk.model.service_conditions import CoatingInputs, LayerInputs, ServiceConditions
from stripwise.risk.model.service_options import OPTIONS, ServiceOption, combination, refusal
from stripwise.risk.reliability.limit_state import LimitState

QUESTIONS = ("rank", "design point", "rule")

ACTING = {
    "carbonation": ServiceConditions(carbonation=True),
    "history": ServiceConditions(history=SurfaceHistory("linear")),
    "layers": ServiceConditions(layers=(LayerInputs("layer[1].thickness"),)),
    "coating": ServiceConditions(coating=CoatingInputs("coating.life", "coating.resistance")),
    "seasons": ServiceConditions(first_month=3),
    "front factor": ServiceConditions(model_factor="model.front_factor"),
}


@pytest.mark.parametrize("name", ACTING)
def test_an_option_refuses_what_its_row_says_and_nothing_else(name):
    assert OPTIONS[name].acts(ACTING[name])
    assert {q for q in QUESTIONS if refusal(q, ACTING[name])} == set(OPTIONS[name].refusals)


def test_nothing_is_refused_without_options():
    assert [refusal(q, None) for q in QUESTIONS] == ["", "", ""]
    assert [refusal(q, ServiceConditions()) for q in QUESTIONS] == ["", "", ""]


def test_options_that_only_read_the_fronts_never_act():
    assert not any(OPTIONS[n].acts(c) for n in ("cracking", "extent") for c in ACTING.values())


def test_a_combination_names_the_other():
    told = combination("extent", "numerical", what="layer")
    assert told == "cannot be combined with a layer: a face would be solved cell by cell"


def test_a_study_takes_the_reason_from_the_table(monkeypatch, walls):
    row = ServiceOption("x", "invented", lambda _c: True, {"design point": "invented reason"})
    monkeypatch.setitem(service_options.OPTIONS, "invented", row)
    wall = dataclasses.replace(walls.wall(), conditions=ServiceConditions())
    with pytest.raises(NumericalError, match="invented reason"):
        LimitState.from_wall(wall, wall.plans[0], age=50.0)
