"""The pages of a design: what stands on them, and that they are complete and safe."""

import csv
import io
import json
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

import stripwise
from stripwise.errors import OutputError
from stripwise.report.pages.design_page import render_design, render_strip_ages
from stripwise.report.write import DESIGN_FILES, design_tables
from stripwise.studies.design.design_result import DESIGN_COLUMNS, REQUIRED_COLUMNS

GATES = "Frost: strength against freezing reached"
PICTURE = '<svg xmlns="http://www.w3.org/2000/svg"></svg>'
FIGURES = dict.fromkeys(("map", "required", "cost", "pareto"), PICTURE)


class Texts(HTMLParser):
    def __init__(self):
        super().__init__()
        self.words, self.tags = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)

    def handle_data(self, data):
        self.words.append(data)


def read(html):
    parser = Texts()
    parser.feed(html)
    return " ".join(" ".join(parser.words).split()), parser.tags


@pytest.fixture(scope="module")
def page(pier):
    return read(render_design(pier, FIGURES))


def test_the_report_answers_and_cautions(page, pier):
    text, tags = page
    for sentence in pier.verdict:
        assert " ".join(sentence.split()) in text
    assert text.count(GATES) == 2  # at the head and beside the strip ages
    assert "never a permission to strip" in text
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


def test_a_design_without_prices_has_a_page(pier):
    bare = replace(
        pier, cost=None, pareto=None, choice=None, scenario=replace(pier.scenario, cost=None)
    )
    text, _ = read(render_design(bare, FIGURES))
    assert "What it costs" not in text
    assert GATES in text


def test_the_page_for_the_site_is_short_and_cautious(pier):
    text, tags = read(render_strip_ages(pier))
    assert text.count(GATES) == 1
    assert "These are not permissions to strip" in text
    assert "10 °C" in text
    assert tags.count("tr") == 1 + 6 * 4  # a head, six temperatures, four follow-ups
    table = pier.strip_ages
    row = table[
        (table["temperature_degC"] == 10.0)
        & (table["follow_up"] == "none")
        & (table["cover_mm"] == 70.0)
    ].iloc[0]
    assert f"{row['site_strip_age_h']:g} h" in text
    assert row["site_strip_age_h"] >= row["high95"]


def test_inches_and_fahrenheit(inch):
    text, _ = read(render_strip_ages(inch))
    assert "40 °F" in text
    assert " in " in text
    text, _ = read(render_design(inch, FIGURES))
    assert "1/4 in steps" in text


def test_tables_of_the_contract(pier):
    tables = design_tables(pier)
    assert set(tables) >= {"design.csv", "required.csv", "cost.csv"}
    for name, columns in (("design.csv", DESIGN_COLUMNS), ("required.csv", REQUIRED_COLUMNS)):
        rows = list(csv.reader(io.StringIO(tables[name])))
        assert rows[0] == columns
    assert len(rows) == 1 + len(pier.required)
    back = np.array([float(row[1]) for row in rows[1:]])
    assert np.array_equal(back, pier.required["required_cover_mm"])


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
        "figures/map.png",
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
