"""`stripwise list`: what it lists is what the package declares, for readers and for programs."""

import json
import tomllib
from importlib import resources

import pytest
from typer.testing import CliRunner

from stripwise import cli
from stripwise.scenario.key_table import key_rows
from stripwise.units.result_columns import column_rows


def listed(*words):
    result = CliRunner().invoke(cli.app, ["list", *words])
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    return result.stdout


def test_every_cited_value_with_unit_source_and_mark():
    raw = tomllib.loads(
        resources.files("stripwise.published").joinpath("values.toml").read_text("utf-8")
    )
    records = json.loads(listed("values", "--json"))["values"]
    assert [record["key"] for record in records] == list(raw)
    for record in records:
        told = raw[record["key"]]
        assert {k: record[k] for k in ("unit", "source", "mark")} == {
            k: told[k] for k in ("unit", "source", "mark")
        }
        value = told["value"]
        assert record["numbers"] == (value if isinstance(value, dict) else {"value": value})
    lines = listed("values").splitlines()
    assert len(lines) == len(raw)
    start = "fib34.chloride.temperature_coefficient "
    line = next(line for line in lines if line.startswith(start))
    assert "normal, mean 4800, sd 700 K" in line
    assert line.endswith("fib Bulletin 34, Annex B2, 2006 (recalled)")


def test_every_key():
    rows = json.loads(listed("keys", "--json"))["keys"]
    assert [row["key"] for row in rows] == [row.key for row in key_rows()]
    line = next(x for x in listed("keys").splitlines() if x.startswith("curing.reference "))
    assert " d " in line
    assert "12 h to 365 d" in line


def test_every_column_under_its_file():
    rows = json.loads(listed("columns", "--json"))["columns"]
    assert rows == [row._asdict() for row in column_rows()]
    blocks = listed("columns").split("\n\n")
    assert [block.splitlines()[0] for block in blocks][:2] == ["curves.csv", "strategies.csv"]
    assert sum(len(block.strip().splitlines()) - 1 for block in blocks) == len(rows)


def test_the_schema_is_one_json_object():
    schema = json.loads(listed("schema"))
    assert schema["$schema"].startswith("https://json-schema.org/")
    assert "curing" in schema["properties"]
    assert listed("schema", "--json") == listed("schema")


@pytest.mark.parametrize("words", [[], ["prices"]])
def test_a_wrong_word_is_a_usage_error(words):
    result = CliRunner().invoke(cli.app, ["list", *words])
    assert result.exit_code == 2
    assert "keys" in result.stderr or "WHAT" in result.stderr


def test_the_starter_names_the_schema(tmp_path):
    path = tmp_path / "wall.toml"
    assert CliRunner().invoke(cli.app, ["new", str(path)]).exit_code == 0
    assert "stripwise list schema > scenario.schema.json" in path.read_text("utf-8")
