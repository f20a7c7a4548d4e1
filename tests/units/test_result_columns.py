"""Every CSV that a command writes has the columns that the registry declares, in their order."""

import csv
import json
import os
import re
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from stripwise import cli
from stripwise.units.result_columns import COLUMNS, TABLES, column_rows, columns, fits

ROOT = Path(__file__).parents[2]
SCENARIOS = ROOT / "scenarios"

SMALL = "[sampling]\npoints = 64\nrepeats = 8\n"


MIGRATION = """specimen,strategy,penetration_mm,voltage_V,thickness_mm,temperature_degC,duration_h,age_d
M1,Forms 7 d,18.2,30,50,22,24,28
M2,Forms 7 d,17.2,30,50,22,24,28
M3,Forms 12 h,30.2,30,50,22,24,28
M4,Forms 12 h,31.2,30,50,22,24,28
"""

PRICES = """
[cost]
forms = "1 EUR/m^2/h"
cover = "1 EUR/m^2/mm"
follow_up = { sheet = "2 EUR/m^2", membrane = "1 EUR/m^2", "wet covering" = "3 EUR/m^2" }
repair = "400 EUR/m^2"
real_rate = "3 %"
[[intervention]]
name = "Impregnation"
price = "20 EUR/m^2"
year = "1 yr"
effect = 0.5
"""

SHARED = {"penalties", "penalty_covariance", "comparisons", "life_lost", "joint_draws"}
"""Files of one meaning for several kinds of data."""

OF_OPTIONS = {"cracking", "extent", "layers", "mechanisms"}
"""Tables of a run with options; the tests of their numbers hold their columns."""

pytestmark = pytest.mark.usefixtures("few_samples", "no_pictures")


def invoke(*words):
    result = CliRunner().invoke(cli.app, [str(word) for word in words])
    assert result.exit_code == 0, result.stderr
    return result


def small(name, folder):
    """Write a shipped scenario with a small sample.

    Of its strategies the first and the reference are left, of its follow-ups to choose from two.
    """
    text = (SCENARIOS / name).read_text("utf-8")
    text = re.sub(r"^\[sampling\]\n(?:.+\n)*", "", text, flags=re.MULTILINE)
    text = re.sub(r"(?s)(follow_up = \[\n.*?\n.*?\n).*?(?=^\]$)", r"\1", text, flags=re.MULTILINE)
    scenario = tomllib.loads(text)
    reference = f'name = "{scenario["reference_strategy"]}"'
    blocks, first = [], True
    for block in re.split(r"(?=^\[)", text, flags=re.MULTILINE):
        if not block.startswith("[[strategy]]") or first or reference in block.splitlines():
            blocks.append(block)
        first = first and not block.startswith("[[strategy]]")
    path = folder / Path(name).name
    path.write_text("".join(blocks).rstrip() + "\n\n" + SMALL, "utf-8")
    return path


def heads(folder):
    found = {}
    for path in folder.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            found[path.stem] = next(csv.reader(stream))
    return found


def check(folder, kind="", more=()):
    """Hold the head of every CSV of a folder against its declaration; return their names."""
    found = heads(folder)
    assert found
    names = {
        f"{kind}/{stem}" if kind and stem not in SHARED | {"pours"} else stem: head
        for stem, head in found.items()
    }
    for name, head in names.items():
        assert fits(name, head), (name, head)
    assert set(more) <= set(names)
    return set(names)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Tables that the other tests of this module have seen."""
    return set()


def test_a_revision(tmp_path, written):
    path, out = small("garage-wall.toml", tmp_path), tmp_path / "out"
    invoke("run", path, "--out", out, "--quiet")
    invoke("run", path, "--out", out, "--against", out, "--quiet")
    usual = {"curves", "strategies", "sensitivity", "inputs"}
    written |= check(out, more={*usual, "against"})


def test_a_design(tmp_path, written):
    path = small("pier-wall-cost.toml", tmp_path)
    invoke("design", path, "--out", tmp_path / "out", "--quiet")
    written |= check(tmp_path / "out", more=("design", "strip-ages", "cost", "pareto", "choice"))


def test_a_study_of_targets(tmp_path, written):
    path = small("pier-wall-cost.toml", tmp_path)
    invoke("target", path, "--out", tmp_path / "out", "--quiet")
    written |= check(tmp_path / "out", more=("targets", "target-costs", "annual"))


def test_a_ranking(tmp_path, written):
    path = small("pier-wall-cost.toml", tmp_path)
    text = path.read_text("utf-8")
    correlation = '[[correlation]]\nbetween = [ "exposure.surface_chloride", "concrete.diffusivity" ]\nrank = 0.3\n'
    path.write_text(text.replace(SMALL, f"{correlation}\n{SMALL}"), "utf-8")
    invoke("rank", path, "--ages", "60", "--out", tmp_path / "out", "--quiet")
    written |= check(tmp_path / "out", more=("form", "worth", "options", "choices", "shapley"))


def test_an_answer_to_the_site(tmp_path, written):
    path = small("garage-wall.toml", tmp_path)
    answer = invoke("stripped", path, "--after", "20 h", "--at", "18 degC", "--json").stdout
    for row in json.loads(answer)["outcomes"]:
        assert list(row) == columns("outcomes")
    written |= {"outcomes"}


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("profiles", ("lab-wall/profiles.csv", "--reference", "Forms 7 d", "--layered")),
        ("profiles", ("lab-wall/profiles.csv",)),
        (
            "face-maps",
            (
                *("face-maps/maps.csv", "--aggregate", "low", "--reference", "Forms 7 d"),
                *("--profiles", SCENARIOS / "face-maps/ground.csv"),
            ),
        ),
        ("strip-log", ("site-records/strip-log.csv", "--zone", "CET")),
        ("cover", ("site-records/cover.csv", "--limit", "45 mm")),
        ("cover", ("site-records/cover.csv", "--bounds", "20 mm to 100 mm")),
        (
            "drying",
            ("site-records/drying.csv", "--profiles", SCENARIOS / "site-records/diffusivities.csv"),
        ),
    ],
)
def test_a_fit(kind, words, tmp_path, written):
    invoke("fit", SCENARIOS / words[0], *words[1:], "--out", tmp_path / "out")
    written |= check(tmp_path / "out", kind)


def test_a_fit_of_migration_tests(tmp_path, written):
    data = tmp_path / "migration.csv"
    data.write_text(MIGRATION, "utf-8")
    wall = small("garage-wall.toml", tmp_path)
    words = ("--reference", "Forms 7 d", "--scenario", wall, "--out", tmp_path / "out")
    invoke("fit", data, *words)
    more = ("comparisons", "life_lost")
    written |= check(tmp_path / "out", "migration", more=more)


def test_a_survey_against_a_scenario(tmp_path, written):
    data = tmp_path / "cover.csv"
    rows = "".join(f"{40 + i % 17},{'north' if i % 2 else 'south'}\n" for i in range(60))
    data.write_text(f"cover_mm,area\n{rows}", "utf-8")
    path = small("garage-wall.toml", tmp_path)
    invoke("fit", data, "--scenario", path, "--out", tmp_path / "out")
    written |= check(tmp_path / "out", "cover", more=("cover/areas", "cover/probability"))


def test_a_strip_log_against_a_scenario(tmp_path, written):
    path = small("site-records/as-specified.toml", tmp_path)
    log = tmp_path / "strip-log.csv"
    rows = (SCENARIOS / "site-records" / "strip-log.csv").read_text("utf-8").splitlines()
    some = [row for row in rows if "loggers" not in row]  # whose temperature is a number
    log.write_text("\n".join(some[:6]), "utf-8")
    invoke("fit", log, "--zone", "CET", "--scenario", path, "--out", tmp_path / "out")
    written |= check(tmp_path / "out", "strip-log", more=("strip-log/assessed",))


def test_an_inventory(tmp_path, written):
    path = small("garage-wall.toml", tmp_path)
    faces = tmp_path / "faces.csv"
    faces.write_text("element,strategy\nA,Forms 24 h\nB,Forms 72 h\nC,Forms 99 h\n", "utf-8")
    path.write_text(path.read_text("utf-8") + PRICES, "utf-8")
    words = ("--scenario", path, "--skip-bad", "--workers", "1", "--out", tmp_path / "out")
    invoke("inventory", faces, *words)
    more = (
        "interventions",
        "elements",
        "totals",
        "next_faces",
        "target_counts",
        "groups",
        "classes",
        "left-out",
    )
    written |= check(tmp_path / "out", more=more)


def test_an_inventory_with_inspections(tmp_path, written):
    cover = SCENARIOS / "faces" / "cover.csv"
    names = {row.split(",")[0] for row in cover.read_text("utf-8").splitlines()[2:]}
    faces = tmp_path / "faces.csv"
    rows = [f"{name},Forms 48 h" for name in sorted(names)]
    faces.write_text("\n".join(["element,strategy", *rows]), "utf-8")
    words = ("--scenario", small("faces/faces.toml", tmp_path), "--workers", "1")
    invoke("inventory", faces, "--inspections", cover, *words, "--out", tmp_path / "out")
    more = ("elements", "inspected", "learned", "interventions", "next_faces")
    written |= check(tmp_path / "out", more=(*more, "totals", "target_counts", "groups", "classes"))


def test_an_update(tmp_path, written):
    folder = SCENARIOS / "inspections"
    path = small("inspections/inspected-wall.toml", tmp_path)
    path.write_text(path.read_text("utf-8").replace("points = 64", "points = 512"), "utf-8")
    core = tmp_path / "core.csv"
    rows = (folder / "cores-year-10.csv").read_text("utf-8").splitlines()[1:6]
    core.write_text("\n".join(rows).replace("Forms 24 h", "Forms 72 h"), "utf-8")
    invoke("update", path, core, folder / "cover.csv", "--next", "20", "--out", tmp_path / "out")
    more = (
        "next_inspections",
        "updated",
        "answers",
        "learned",
        "inspections",
        "surprise",
        "cover_spread",
        "contents",
        "posterior",
    )
    written |= check(tmp_path / "out", more=more)


def test_planned_tests(tmp_path, written):
    path = small("garage-wall.toml", tmp_path)
    invoke("plan-tests", path, "--out", tmp_path / "out")
    written |= check(tmp_path / "out", more=("plan",))


def test_no_table_is_declared_that_nothing_writes(written):
    if os.environ.get("PYTEST_XDIST_WORKER"):
        pytest.skip("the tests above run in other processes")
    assert set(TABLES) - written == OF_OPTIONS


def test_every_column_is_declared_once_and_used():
    used = {name for table in TABLES for name in columns(table)}
    assert used == set(COLUMNS)
    rows = column_rows()
    assert len(rows) == sum(len(names) for names in TABLES.values())
    assert all(row.meaning and not row.meaning.endswith(".") for row in rows)


def test_a_meaning_of_one_file_alone():
    meanings = {row.table: row.meaning for row in column_rows() if row.column == "effect"}
    assert "difference to be shown" in meanings["plan"]
    assert "Shapley" in meanings["shapley"]
