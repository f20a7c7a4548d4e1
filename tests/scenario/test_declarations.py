"""Keys declared once: the same object checks a scalar, a column and a sweep, and feeds the lists."""

import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Annotated

import jsonschema
import numpy as np
import pytest

from stripwise.distributions.random_input import GROUPS, KINDS
from stripwise.errors import InputError
from stripwise.scenario.engine import declared, key_fields, read_keys, read_shape
from stripwise.scenario.fields import KELVIN, MM, PLAIN, SHARE, Quantity, Random
from stripwise.scenario.json_schema import json_schema
from stripwise.scenario.key_table import key_rows
from stripwise.scenario.problems import Problems
from stripwise.scenario.scenario_table import ScenarioTable
from stripwise.scenario.sections.concrete import CONCRETE_DIFFUSIVITY
from stripwise.scenario.sections.curing import CuringTable
from stripwise.scenario.sections.follow_up_table import CONCRETE_TEMPERATURE
from stripwise.scenario.sections.reinforcement import ReinforcementTable
from stripwise.scenario.shapes import RandomInput, Scalar

SCENARIOS = sorted(
    path
    for path in (Path(__file__).parents[2] / "scenarios").rglob("*.toml")
    if not path.name.startswith(".") and "[target]" in path.read_text("utf-8")
)
COVER = declared(ReinforcementTable, "cover")


def every_declaration(model=ScenarioTable):
    for field in key_fields(model):
        if field.declared is not None:
            yield field.key, field.declared
        if field.holds_tables:
            yield from every_declaration(field.model)


def test_a_declaration_says_what_it_must():
    declared = list(every_declaration())
    assert len(declared) > 100
    for key, rule in declared:
        assert rule.meaning.endswith("."), key
        assert "\n" not in rule.meaning, key
        if isinstance(rule, Random):
            assert rule.group in GROUPS, key
            assert rule.kind in KINDS, key
            low, high = rule.usual
            assert low < high, key
            assert rule.bounds.low <= low, key
            assert rule.bounds.high >= high, key
            assert rule.ends[0] <= low, key
            assert rule.ends[1] >= high, key
        if isinstance(rule, Quantity) and rule.bounds:
            assert rule.limits.low < rule.limits.high, key


def test_units_wait_until_they_are_used():
    code = (
        "import sys, stripwise.scenario.scenario_table\n"
        "assert 'pint' not in sys.modules, 'declaring keys loads pint'"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


# 1 in = 25.4 mm by definition; degF = 32 + 1.8 degC
def test_scalar_column_and_sweep_agree_on_a_quantity():
    rule = CONCRETE_TEMPERATURE
    assert rule.read("59 degF") == pytest.approx(15.0, abs=1e-9)
    with pytest.raises(InputError, match="must be between -10 degC and 80 degC"):
        rule.read("200 degF")
    values, allowed = rule.column([59.0, 200.0, np.nan], "degF")
    np.testing.assert_allclose(values[:2], [15.0, 840.0 / 9.0], rtol=1e-12, atol=0.0)
    assert allowed.tolist() == [True, False, False]


def test_scalar_column_and_sweep_agree_on_an_input():
    assert COVER.read("2 in") == pytest.approx(50.8, rel=1e-12)
    values, allowed = COVER.column([2.0, -1.0, 0.1, 20.0, np.inf], "in")
    np.testing.assert_allclose(values[:4], [50.8, -25.4, 2.54, 508.0], rtol=1e-12, atol=0.0)
    assert allowed.tolist() == [True, False, False, False, False]
    _, meant = COVER.column([2.0, -1.0, 0.1, 20.0, np.inf], "in", unusual=True)
    assert meant.tolist() == [True, False, True, True, False]
    for number, good in zip([2.0, -1.0, 0.1, 20.0], [True, False, True, True], strict=True):
        if good:
            assert COVER.read(f"{number} in", unusual=True) == pytest.approx(25.4 * number)
        else:
            with pytest.raises(InputError, match="must be at least 0 mm"):
                COVER.read(f"{number} in", unusual=True)


def test_a_column_in_a_foreign_unit_is_refused():
    with pytest.raises(InputError, match="'h' is no unit of a length; use mm, cm, m, in, ft"):
        COVER.column([1.0], "h")


@pytest.mark.parametrize("unit", ["in^2/yr", "m^2/s", "mm^2/yr", "cm2/yr"])
def test_a_column_converts_as_one_value_does(unit):
    numbers = np.array([0.1, 0.7, 3.0]) * {"m^2/s": 1e-12}.get(unit, 1.0)
    values = CONCRETE_DIFFUSIVITY.measure.column(numbers, unit)
    one_by_one = [CONCRETE_DIFFUSIVITY.measure.number(f"{x!r} {unit}") for x in numbers.tolist()]
    np.testing.assert_array_equal(values, one_by_one)


def test_a_million_rows():
    values, allowed = COVER.column(np.linspace(-1.0, 9.0, 1_000_001), "in")
    # usual from 10 mm on: 10 / 25.4 in = 0.3937 in, row 139,371 of steps of 1e-5 in from -1 in
    assert allowed.argmax() == 139_371
    assert values.shape == (1_000_001,)


class WiderCuring(CuringTable):
    """A section with two keys more."""

    shade: Annotated[
        RandomInput | None,
        Random(
            "Share of shade.", "share of shade", PLAIN, "curing", usual=(0.1, 1.0), bounds=SHARE
        ),
    ] = None
    blanket: Annotated[
        Scalar | None, Quantity("Thickness of a blanket.", MM, "1 mm to 200 mm", default="10 mm")
    ] = None
    heat: Annotated[
        Scalar | None, Quantity("Heat.", KELVIN, "1 K to 9 K", needed="such as {}", example='"2 K"')
    ] = None


class WiderScenario(ScenarioTable):
    """A scenario with that section."""

    curing: WiderCuring = WiderCuring()


def wider(**keys):
    problems = Problems("wall.toml", {})
    raw = {"curing": {"affected_depth": "whole cover", **keys}}
    table = read_shape(WiderScenario, raw, problems).curing
    return read_keys(table, ("curing",), problems), problems.texts


def test_a_key_more_is_read():
    found, told = wider(reference="7 d", concrete_temperature="15 degC", shade=0.4, heat="2 K")
    assert told == ()
    assert found["shade"].name == "curing.shade"
    assert found["shade"].distribution.mean == 0.4
    assert (found["blanket"], found["heat"]) == (10.0, 2.0)


def test_what_is_wrong_with_a_key_more_is_told():
    _, told = wider(reference="7 d", concrete_temperature="15 degC", shade=2, blanket="9 d", shed=1)
    # without lines all problems stand in the order in which they were found
    assert told == (
        "wall.toml: curing.shed = 1: unknown key; allowed here: reference, concrete_temperature, "
        "affected_depth, maturity, activation_temperature, datum_temperature, "
        "reference_temperature, law, early_slope, model_factor, retention, shade, blanket, heat; "
        "the nearest spelling is 'shade'",
        "wall.toml: curing.shade = 2: must be between 0 and 1",
        "wall.toml: curing.blanket = \"9 d\": 'd' is no unit of a length; use mm, cm, m, in, ft",
        'wall.toml: curing.heat: is missing; such as "2 K"',
    )


def test_a_key_more_is_in_the_schema_and_among_the_rows():
    curing = json_schema(WiderScenario)["properties"]["curing"]
    assert curing["properties"]["blanket"] == {
        "type": ["string", "object"],
        "properties": {"value": {"type": ["string"]}, "unusual": {"type": "boolean"}},
        "required": ["value"],
        "additionalProperties": False,
        "default": "10 mm",
        "description": "Thickness of a blanket. A length. Allowed: 1 mm to 200 mm. Default: 10 mm.",
    }
    assert "heat" in curing["required"]
    assert curing["properties"]["shade"]["anyOf"][1] == {"$ref": "#/$defs/InputTable"}
    rows = {row.key: row for row in key_rows(WiderScenario)}
    assert rows["curing.blanket"][1:] == (
        "mm",
        "1 mm to 200 mm",
        "10 mm",
        "Thickness of a blanket.",
    )
    assert rows["curing.shade"].usual == "0.1 to 1"


def test_the_rows_name_every_key_once():
    keys = [row.key for row in key_rows()]
    assert len(keys) == len(set(keys))
    for key in ("target.service_life", "strategy[].penalty.as", "curing.retention.*.*", "INPUT.sd"):
        assert key in keys
    rows = {row.key: row for row in key_rows()}
    assert rows["concrete.temperature_coefficient"].default.startswith("normal, mean 4800, sd 700")
    assert rows["exposure.initial_chloride"].default == "0"


@pytest.fixture(scope="module")
def validator():
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.name)
def test_every_shipped_scenario_has_the_shape_of_the_schema(validator, path):
    raw = tomllib.loads(path.read_text("utf-8"))
    assert [error.message for error in validator.iter_errors(raw)] == []


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('title = "', 'titel = "', "'titel'"),
        ('service_life = "50 yr"', "", "'service_life' is a required property"),
        ('service_life = "50 yr"', "service_life = 50", "50 is not of type 'string'"),
        ('method = "sheet", dur', 'method = "sheets", dur', "'sheets' is not one of"),
        ("points = 16384", "points = 16384.5", "16384.5 is not of type 'integer'"),
        ('cover = { family = "normal", mean', 'cover = { family = "normal", meen', "is not valid"),
        ("ageing_exponent = { family", "ageing_exponent = { nominal = 1, family", "is not valid"),
    ],
)
def test_the_schema_refuses_what_reading_refuses(validator, old, new, message):
    path = next(path for path in SCENARIOS if path.name == "garage-wall.toml")
    text = path.read_text("utf-8")
    assert old in text
    errors = [
        error.message for error in validator.iter_errors(tomllib.loads(text.replace(old, new)))
    ]
    assert any(message in error for error in errors), errors
