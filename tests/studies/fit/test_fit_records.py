"""`stripwise fit` on site records and `stripwise plan-tests`, in process."""

import json
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

import stripwise
from stripwise import cli
from stripwise.units.caution import CAUTION

FOLDER = Path(__file__).parents[3] / "scenarios" / "site-records"
ALWAYS = {"report.html", "run.json", "figures"}


pytestmark = pytest.mark.usefixtures("few_samples")


def call(*arguments):
    return CliRunner().invoke(cli.app, [str(argument) for argument in arguments])


@pytest.mark.parametrize(
    ("arguments", "files", "said"),
    [
        (
            [
                "fit",
                FOLDER / "drying.csv",
                "--profiles",
                FOLDER / "diffusivities.csv",
                "--age",
                "7 d",
            ],
            {"specimens.csv", "strategies.csv", "correlations.csv", "comparisons.csv"},
            [
                "Mass loss at 7 d (%)",
                "fitted diffusivity, by strategy: 1 over 4 pairs",
                "gives no diffusivity",
            ],
        ),
        (
            ["fit", FOLDER / "strip-log.csv", "--zone", "CET", "--specified", "16 h"],
            {"pours.csv", "families.csv", "strip-age.toml", "strip-age-clock.toml"},
            [
                "6 of 24 pours missed the specified equivalent age of 16 h.",
                "Missed by: W09 (8.85 h), W05",
                "not ages at which they may be",
            ],
        ),
        (
            ["fit", FOLDER / "cover.csv", "--limit", "45 mm"],
            {"families.csv", "summary.csv", "cover.toml"},
            ["Mean cover 55.5 mm (", "Below 45 mm: 7.5 % (", "readings tell the mean as well as"],
        ),
        (
            [
                "plan-tests",
                FOLDER / "as-specified.toml",
                "--cover",
                FOLDER / "cover.csv",
                "--limit",
                "45 mm",
                "--allowed",
                "0.1",
            ],
            {"plan.csv"},
            ["Migration tests at 28 d:", "Covermeter, mean:", "you have 160"],
        ),
    ],
    ids=["drying", "strip-log", "cover-survey", "plan-tests"],
)
def test_each_kind_from_file_to_report(  # noqa: PLR0917
    tmp_path, monkeypatch, empty_svg, arguments, files, said
):
    out = tmp_path / "out"
    result = call(*arguments, "--out", out)
    assert (result.exit_code, result.stderr) == (0, "")
    for text in [*said, f"Caution: {CAUTION}", "Report: "]:
        assert text in result.stdout
    assert {path.name for path in out.iterdir()} == ALWAYS | files
    record = json.loads((out / "run.json").read_text("utf-8"))
    assert set(record["files"]) == {
        path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()
    }
    html = (out / "report.html").read_text("utf-8")
    assert CAUTION in html
    assert html.count("<svg") == len(list((out / "figures").glob("*.svg")))
    # a second run replaces what the first one wrote
    monkeypatch.setattr("stripwise.report.figures.sheet.svg", empty_svg)
    assert call(*arguments, "--out", out, "--quiet").stdout == ""


@pytest.mark.usefixtures("no_figures")
def test_json(tmp_path):
    result = call("fit", FOLDER / "strip-log.csv", "--zone", "CET", "--out", tmp_path, "--json")
    record = json.loads(result.stdout)
    assert record["kind"] == "strip-log"
    assert (record["pours"], record["missed"]) == (24, [])
    assert record["specified_h"] is None
    assert record["caution"] == CAUTION


@pytest.mark.usefixtures("no_figures")
def test_files_for_a_scenario_are_the_ones_in_the_folder(tmp_path):
    call("fit", FOLDER / "strip-log.csv", "--zone", "CET", "--out", tmp_path / "a")
    call("fit", FOLDER / "cover.csv", "--out", tmp_path / "b")
    for out, name in (("a", "strip-age.toml"), ("b", "cover.toml")):
        text = (tmp_path / out / name).read_text("utf-8")
        assert text == (FOLDER / name).read_text("utf-8")
        made = tomllib.loads(text)
        more = {"mean_sd"} if name == "cover.toml" else set()
        assert set(made["input"]) == {"family", "mean", "sd", "kind", "source"} | more


@pytest.mark.parametrize("name", ["as-built", "as-specified"])
def test_the_scenarios_of_the_folder(name):
    result = call("check", FOLDER / f"{name}.toml", "--json")
    assert result.exit_code == 0
    inputs = {item["name"]: item for item in json.loads(result.stdout)["inputs"]}
    cover = inputs["reinforcement.cover"]
    assert cover["mean"] == pytest.approx({"as-built": 55.5, "as-specified": 60.0}[name])
    if name == "as-built":
        assert "160 readings of cover.csv" in cover["source"]


def test_the_data_are_what_the_script_makes(tmp_path, monkeypatch):
    import importlib.util

    import numpy as np

    spec = importlib.util.spec_from_file_location("make_records", FOLDER / "make_data.py")
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    monkeypatch.setattr(script, "HOME", tmp_path)
    makers = (script.drying, script.strip_log, script.cover, script.form_faces)
    for seed, make in enumerate(makers):
        make(np.random.default_rng(20261125 + seed))
    made = {path.relative_to(tmp_path) for path in tmp_path.rglob("*.csv")}
    assert made == {path.relative_to(FOLDER) for path in FOLDER.rglob("*.csv")}
    for name in made:
        text = (FOLDER / name).read_text("utf-8")
        assert text == (tmp_path / name).read_text("utf-8")
        assert "Invented data" in text.splitlines()[0]


@pytest.mark.usefixtures("no_figures")
def test_surveyed_cover_against_the_specified_one(tmp_path):
    case = tmp_path / "case.toml"
    text = (FOLDER / "as-specified.toml").read_text("utf-8")
    case.write_text(text.replace("points = 4096", "points = 256"), "utf-8")
    out = tmp_path / "out"
    result = call("fit", FOLDER / "cover.csv", "--scenario", case, "--out", out)
    assert result.exit_code == 0
    table = pd.read_csv(out / "probability.csv")
    assert table["cover"].tolist() == ["specified"] * 2 + ["surveyed"] * 2
    assert table["cover_mean_mm"].round(2).tolist() == [60.0, 60.0, 55.5, 55.5]
    before, after = (table[table["cover"] == name] for name in ("specified", "surveyed"))
    # less cover with more scatter
    assert (after["probability_at_target"].array > before["probability_at_target"].array).all()
    assert (
        "The survey changes whether the limit is met: Forms 24 h of equivalent age (yes to no)."
        in (result.stdout)
    )
    # the same as a scenario with the file for it
    built = tmp_path / "built.toml"
    lines = [
        'cover = { from = "cover.toml" }' if line.startswith("cover = ") else line
        for line in case.read_text("utf-8").splitlines()
    ]
    built.write_text("\n".join(lines), "utf-8")
    (tmp_path / "cover.toml").write_bytes((out / "cover.toml").read_bytes())
    run = stripwise.assess(stripwise.load(built), only="curves").strategies
    assert run["probability_at_target"].tolist() == pytest.approx(
        after["probability_at_target"].tolist(), rel=1e-4
    )


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["strip-log.csv"], 1, "has no zone; give --zone NAME"),
        (["strip-log.csv", "--zone", "Nowhere"], 1, "--zone: 'Nowhere' is no zone"),
        (
            ["strip-log.csv", "--zone", "CET", "--specified", "16"],
            1,
            '--specified: "16" needs the unit of a time, such as "12 h"',
        ),
        (["strip-log.csv", "--zone", "CET", "--specified", "0 h"], 1, "must be above 0"),
        (
            ["strip-log.csv", "--zone", "CET", "--maturity", "sadgrove"],
            1,
            "--maturity: 'sadgrove': must be one of arrhenius, nurse-saul",
        ),
        (["strip-log.csv", "--zone", "CET", "--loggers", "none"], 1, "--loggers: none is no fol"),
        (["cover.csv", "--limit", "45 h"], 1, "'h' is no unit of a length"),
        (["cover.csv", "--scenario", "none.toml"], 1, "none.toml: there is no such file"),
        (["drying.csv", "--age", "90 d"], 1, "the longest test ends at 28 d"),
        (["drying.csv", "--limit", "45 mm"], 2, "is not used by a drying test, which takes --age"),
        (["cover.csv", "--zone", "CET"], 2, "is not used by a cover survey"),
        (["none.csv"], 1, "none.csv: there is no such file"),
    ],
)
def test_wrong_use_writes_nothing(tmp_path, monkeypatch, arguments, code, said):
    monkeypatch.chdir(tmp_path)
    file, *rest = arguments
    result = call("fit", FOLDER / file, *rest, "--out", tmp_path / "out")
    assert result.exit_code == code
    assert said in " ".join(result.stderr.split())
    assert result.stdout == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--strategy", "Forms 9 h"], "'Forms 9 h' is no strategy of the scenario; use one of"),
        (["--strategy", "Forms 24 h of equivalent age"], "is the reference itself; use one of"),
        (["--power", "1.5"], "--power: 1.5 must be above the significance of 0.05 and at most"),
        (["--power", "0.01"], "--power: 0.01 must be above the significance of 0.05"),
        (
            ["--significance", "1e-300"],
            "1e-300 must be at least 1e-06 and below 0.5",
        ),
        (["--allowed", "nan"], "--allowed: nan must be above 0 and below 1"),
        (["--allowed", "0"], "--allowed: 0 must be above 0 and below 1"),
        (["--shift", "1e300 mm"], '--shift: "1e300 mm" must be at most 500 mm'),
        (["--limit", "50 m"], '--limit: "50 m" must be at most 500 mm'),
        (["--specimens", FOLDER / "diffusivities.csv"], "one specimen per strategy"),
    ],
)
def test_wrong_use_of_a_plan(tmp_path, arguments, said):
    result = call("plan-tests", FOLDER / "as-specified.toml", *arguments, "--out", tmp_path / "o")
    assert result.exit_code == 1
    assert said in result.stderr
    assert not (tmp_path / "o").exists()


def test_a_file_name_that_is_no_text(tmp_path):
    path = tmp_path / "cover\udcff.csv"
    path.write_text("cover_mm\n50\n")
    result = call("fit", path, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert result.stderr == "cover\\udcff.csv: the name of the file is not UTF-8; rename it\n"
    assert not (tmp_path / "out").exists()


def test_a_limit_that_no_cover_has(tmp_path):
    path = tmp_path / "cover.csv"
    path.write_text("cover_mm\n50\n51\n53\n49\n55\n")
    result = call("fit", path, "--limit", "1e99 mm", "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert result.stderr == '--limit: "1e99 mm" must be at most 500 mm\n'
