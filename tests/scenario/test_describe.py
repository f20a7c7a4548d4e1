import json
from pathlib import Path

import pytest

from stripwise.scenario.describe import as_record, describe, inputs_table, shown
from stripwise.scenario.loading import load

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def test_the_table_has_the_columns_of_the_contract(wall):
    table = inputs_table(wall.load())
    assert list(table.columns) == [
        "name",
        "label",
        "family",
        "mean",
        "sd",
        "p05",
        "p50",
        "p95",
        "unit",
        "kind",
        "between_walls",
        "kind_reason",
        "group",
        "source",
    ]
    row = table.set_index("name").loc["exposure.surface_chloride"]
    # lognormal median = mean / sqrt(1 + cov^2), closed form
    assert row["p50"] == pytest.approx(2.0 / (1 + 0.35**2) ** 0.5, rel=1e-12)
    assert row["group"] == "exposure"


def test_a_reader_sees_the_units_of_the_report():
    metric = describe(load(SCENARIOS / "quay-wall.toml"))
    inch = describe(load(SCENARIOS / "quay-wall-inch.toml"))
    assert "in the forms 24 h at 15 degC, then kept wet 4 d, vertical face" in metric
    assert "in the forms 24 h at 59 degF, then kept wet 4 d, vertical face" in inch
    assert "Forms 72 h [reference]" in inch
    (row,) = [line for line in inch.splitlines() if line.strip().startswith("reinforcement.cover ")]
    assert row.split()[1:4] == ["normal", "2.25", "0.3125"]
    assert "  in  " in row


def test_the_notes_tell_of_the_extrapolation_and_of_the_cut(wall):
    text = describe(wall.load())
    assert "Below 1 d the curing law is an extrapolation" in text
    assert "reinforcement.cover: before mean 55, sd 8 mm; after mean 55, sd 8 mm" in text


def test_a_temperature_spread_has_no_offset(wall):
    item = wall.load().input("exposure.temperature")
    assert shown(5.0, item, units="US", difference=True)[0] == pytest.approx(9.0, rel=1e-12)
    assert shown(283.15, item, units="US")[0] == pytest.approx(50.0, abs=1e-9)


def test_only_a_temperature_is_a_point_of_the_scale(wall):
    inputs = wall.load().inputs
    assert [i.name for i in inputs if i.is_temperature] == ["exposure.temperature"]
    (coefficient,) = [i for i in inputs if i.name == "concrete.temperature_coefficient"]
    assert shown(4800.0, coefficient, units="US") == (4800.0, "K")


def test_the_record_is_json_and_complete(wall):
    record = json.loads(json.dumps(as_record(wall.load()), allow_nan=False))
    assert len(record["inputs"]) == 13
    assert record["target"]["service_life_yr"] == 50.0
