"""The shipped maps from file to penalties, page and tables."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from stripwise import cli
from stripwise.units.result_columns import fits

FOLDER = Path(__file__).parents[3] / "scenarios" / "face-maps"
# The truth of scenarios/face-maps/make_data.py (invented)
TRUE_PENALTIES = {"Forms 24 h": 11.0 / 6.0, "Forms 12 h": 16.0 / 6.0}


def run(*words):
    return CliRunner().invoke(cli.app, ["fit", str(FOLDER / "maps.csv"), *map(str, words)])


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("maps")
    result = run(
        "--aggregate", "low", "--reference", "Forms 7 d", "--profiles", FOLDER / "ground.csv",
        "--binder-share", 0.7, "--out", out, "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    return out


def rows(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_penalties_hold_the_truth(folder):
    found = {row["strategy"]: row for row in rows(folder / "penalties.csv")}
    for name, truth in TRUE_PENALTIES.items():
        assert float(found[name]["low95"]) < truth < float(found[name]["high95"])
        assert float(found[name]["high95"]) < 10.0 * float(found[name]["low95"])


def test_contents_are_by_binder_where_its_share_is_stated(folder):
    (first, *_) = rows(folder / "specimens.csv")
    assert float(first["surface_pct_binder"]) == pytest.approx(3.0 / 0.7, rel=0.1)
    assert 'basis = "binder"' in (folder / "surface_chloride.toml").read_text("utf-8")


def test_tables_have_their_declared_columns(folder):
    for name in ("specimens", "layers", "methods"):
        head = list(rows(folder / f"{name}.csv")[0])
        assert fits(f"face-maps/{name}", head)


def test_the_methods_agree_up_to_the_unit(folder):
    """Ground contents are by mass of concrete, 0.30 of it paste, 0.7 of that binder."""
    ratios = [float(row["ratio"]) for row in rows(folder / "methods.csv")]
    assert np.exp(np.mean(np.log(ratios))) == pytest.approx(1.0 / (0.3 * 0.7), rel=0.05)


def test_the_page_says_what_was_done(folder):
    page = (folder / "report.html").read_text("utf-8")
    for text in (
        "the form kept grains away",
        "Map against ground profile",
        "The units differ, so that this ratio holds their conversion.",
        "Before any form is stripped",
        "data:image/png;base64",
    ):
        assert text in page
    assert "img-src data:" in page
    for absent in ("Readings scatter", "--robust", "indicative: the file"):  # not of maps
        assert absent not in page
    record = json.loads((folder / "run.json").read_text("utf-8"))
    assert record["kind"] == "face-maps"
    assert record["aggregate_near_face"] < record["aggregate_behind"]


@pytest.mark.usefixtures("no_pictures")
def test_contents_stay_by_paste_without_it(tmp_path):
    result = run("--aggregate", "low", "--reference", "Forms 7 d", "--out", tmp_path / "out")
    assert result.exit_code == 0, result.stderr
    assert "Contents are by mass of paste" in result.stdout
    assert not (tmp_path / "out" / "surface_chloride.toml").exists()
    assert (tmp_path / "out" / "penalties.toml").exists()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "--aggregate: must say whether aggregate is high or low"),
        (("--aggregate", "hihg"), 'must be high or low; the nearest spelling is "high"'),
        (("--aggregate", "low", "--binder-share", "70"), "must be from 0.4 to 1"),
        (("--aggregate", "low", "--layer", "10 mm"), "at least 5 are needed"),
        (("--aggregate", "low", "--limit", "50 mm"), "is not used by a list of chloride maps"),
    ],
)
def test_slips_are_refused(words, message, tmp_path):
    result = run(*words, "--out", tmp_path / "out")
    assert result.exit_code in (1, 2)
    assert message in " ".join(result.stderr.replace("│", " ").split())
    assert not (tmp_path / "out").exists()
