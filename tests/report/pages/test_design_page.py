"""The pages of a design: what stands on them, and that they are complete and safe."""

import csv
import io
import json
from dataclasses import replace

import numpy as np
import pytest

import stripwise
from stripwise.errors import OutputError
from stripwise.report.files import csv_text
from stripwise.report.pages.design_page import design_report
from stripwise.report.write import DESIGN_FILES
from stripwise.units.caution import CAUTION
from stripwise.units.result_columns import columns

GATES = "Frost: strength against freezing reached"


@pytest.fixture(scope="module")
def report(pier):
    return design_report(pier)


@pytest.fixture(scope="module")
def page(report, read_page):
    found = read_page(report)
    return found.words, found.tags


def site_page(report, read_page):
    found = read_page(report.pages["strip-ages.html"])
    return found.words, found.tags


def test_the_report_answers_and_cautions(page, pier):
    text, tags = page
    for sentence in pier.verdict:
        assert " ".join(sentence.split()) in text
    assert text.count(GATES) == 2  # at the head and beside the strip ages
    assert CAUTION in text
    assert "A stripping limit is not a curing period" in text
    assert "script" not in tags
    assert "nan" not in text.split()
    assert "inf" not in text.split()
    for word in (
        "Required nominal cover",
        "Earliest strip age",
        "Rules for a calculation by hand",
        "When the choice changes",
        "First cost against probability",
    ):
        assert word in text


def test_numbers_of_the_page_are_those_of_the_tables(page, pier):
    text, _ = page
    row = pier.required.iloc[3]
    assert f"{row['required_cover_mm']:.1f} mm" in text
    assert f"{pier.rules['rule_margin_mm'].max():.0f} mm serves all strategies" in text


def test_a_design_without_prices_has_a_page(pier, read_page):
    bare = replace(
        pier, cost=None, pareto=None, choice=None, scenario=replace(pier.scenario, cost=None)
    )
    text = read_page(design_report(bare)).words
    assert "What it costs" not in text
    assert GATES in text


def test_the_page_for_the_site_is_short_and_cautious(pier, report, read_page):
    text, tags = site_page(report, read_page)
    assert text.count(GATES) == 1
    assert "These are not permissions to strip" in text
    assert "10 °C" in text
    assert (
        tags.count("tr") == 1 + 6 * 4 + 1
    )  # a head, six temperatures, four follow-ups, a signature
    table = pier.strip_ages
    row = table[
        (table["temperature_degC"] == 10.0)
        & (table["follow_up"] == "none")
        & (table["nominal_cover_mm"] == 70.0)
    ].iloc[0]
    assert f"{row['site_strip_age_h']:g} h" in text
    assert row["site_strip_age_h"] >= row["high95"]


def test_inches_and_fahrenheit(inch, read_page):
    report = design_report(inch)
    text, _ = site_page(report, read_page)
    assert "40 °F" in text
    assert " in " in text
    text = read_page(report).words
    assert "1/4 in steps" in text


def test_tables_of_the_contract(pier, report):
    tables = {name: csv_text(table) for name, table in report.tables.items()}
    assert set(tables) >= {"design.csv", "required.csv", "cost.csv"}
    for name in ("design", "required"):
        rows = list(csv.reader(io.StringIO(tables[f"{name}.csv"])))
        assert rows[0] == columns(name)
    assert len(rows) == 1 + len(pier.required)
    back = np.array([float(row[1]) for row in rows[1:]])
    assert np.array_equal(back, pier.required["required_cover_mm"])


@pytest.mark.usefixtures("no_pictures")
def test_everything_is_written_or_nothing(pier, tmp_path):
    folder = tmp_path / "out"
    written = stripwise.write_design(pier, folder)
    names = {path.relative_to(folder).as_posix() for path in written}
    assert names >= {
        *DESIGN_FILES,
        "cost.csv",
        "pareto.csv",
        "choice.csv",
        "run.json",
        "figures/map.svg",
        "figures/pareto.svg",
    }
    record = json.loads((folder / "run.json").read_text())
    assert record["command"] == "design"
    assert record["map_shape"] == [4, 25, 33]
    assert set(record["files"]) == names
    other = tmp_path / "foreign"
    other.mkdir()
    (other / "design.csv").write_text("mine")
    with pytest.raises(OutputError, match="was not written by an earlier run"):
        stripwise.write_design(pier, other)
    assert [p.name for p in other.iterdir()] == ["design.csv"]
