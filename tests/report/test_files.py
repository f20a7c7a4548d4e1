import io
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stripwise.errors import OutputError
from stripwise.report import files
from stripwise.report.pages.run_page import run_tables
from stripwise.report.strict_json import json_text

# Columns of the published file formats; users' scripts depend on them.
CURVES = (
    "strategy,age_yr,probability,low95,high95,know_low,know_high,reliability_index,confidence,status,"
    "index_low95,index_high95"
)
STRATEGIES = (
    "strategy,strip_age_h,effective_curing_h,penalty_mean,penalty_sd,probability_at_target,low95,"
    "high95,know_low,know_high,confidence,meets_target,life_at_target_yr,life_low95,life_high95,"
    "median_initiation_yr,life_change_pct,life_change_low95,life_change_high95,life_status,"
    "life_change_know_low,life_change_know_high,confidence_low95,confidence_high95,"
    "know_low_low95,know_low_high95,know_high_low95,know_high_high95"
)
SENSITIVITY = (
    "analysis,strategy,quantity,age_yr,input,input2,group,first,first_low95,first_high95,total,"
    "total_low95,total_high95,second,second_low95,second_high95,status"
)


def test_columns_are_the_contract(six):
    heads = {name: ",".join(table.columns) for name, table in run_tables(six).items()}
    assert heads["curves.csv"] == CURVES
    assert heads["strategies.csv"] == STRATEGIES
    assert heads["sensitivity.csv"] == SENSITIVITY


@pytest.mark.parametrize("name", ["curves", "strategies", "sensitivity", "inputs"])
def test_csv_round_trip_loses_nothing(example, name):
    assessment = example.make_assessment(example.hostile(), knowledge=False, lift=0.5)
    table = getattr(assessment, name)
    text = files.csv_text(run_tables(assessment)[f"{name}.csv"])
    back = pd.read_csv(io.StringIO(text), keep_default_na=False, dtype=str)
    for column in table.columns:
        if table[column].dtype.kind in "fi":
            numbers = [float(cell) if cell else np.nan for cell in back[column]]
            assert np.array_equal(numbers, table[column].astype(float), equal_nan=True)
        else:
            assert back[column].tolist() == table[column].tolist()


def test_infinity_and_missing_in_csv():
    table = pd.DataFrame({"a": [np.inf, -np.inf, np.nan, 0.1 + 0.2]})
    text = files.csv_text(table)
    assert text == 'a\ninf\n-inf\n""\n0.30000000000000004\n'


def test_a_missing_column_is_named():
    table = pd.DataFrame({"strategy": ["a"], "specimens": [1], "mean": [1.0], "sd": [0.1]})
    with pytest.raises(OutputError, match="penalties: the table lacks low95, high95"):
        files.declared_tables({"penalties": table})


def test_tables_have_the_declared_columns_alone_and_a_missing_table_is_left_out():
    columns = ("low95", "strategy", "specimens", "mean", "sd", "high95", "more")
    table = pd.DataFrame({name: [1.0] for name in columns})
    chosen = files.declared_tables({"penalties": table, "cost": None})
    assert list(chosen) == ["penalties.csv"]
    assert list(chosen["penalties.csv"]) == [
        "strategy",
        "specimens",
        "mean",
        "sd",
        "low95",
        "high95",
    ]


def refuse(word):
    raise AssertionError(f"not JSON: {word}")


def test_json_is_strict(six):
    text = json_text(files.run_record(six))
    record = json.loads(text, parse_constant=refuse)
    assert record["odd"] is None
    assert record["scenario"]["sha256"] == six.scenario.digest
    assert record["scenario"]["file"] == "example.toml"
    assert "/somewhere/private" not in text
    cover = next(i for i in record["inputs"] if i["name"] == "reinforcement.cover")
    assert {"mean", "sd", "p05", "p95", "kind", "source"} <= set(cover)
    assert cover["mean"] == 60
    assert record["warnings"] == list(six.warnings)


def test_json_holds_numpy_and_infinity():
    record = {
        "a": np.float64(np.inf),
        "b": np.array([1.0, np.nan]),
        "c": np.int64(3),
        "d": Path("x/y"),
        "e": (np.bool_(True), -np.inf),
        5: None,
    }
    back = json.loads(json_text(record), parse_constant=refuse)
    assert back == {
        "a": "inf",
        "b": [1.0, None],
        "c": 3,
        "d": "x/y",
        "e": [True, "-inf"],
        "5": None,
    }


def test_json_refuses_what_it_cannot_hold():
    with pytest.raises(OutputError, match=r"run\.json: cannot hold a object"):
        json_text({"a": object()})
