"""`stripwise fit` on chloride profiles, in process: exit code, stdout and stderr apart."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from stripwise import cli

pytestmark = pytest.mark.usefixtures("few_simulated")

DATA = Path(__file__).parents[3] / "scenarios" / "lab-wall" / "profiles.csv"
REFERENCE = ("--reference", "Forms 7 d")


def run(*words):
    return CliRunner().invoke(cli.app, ["fit", *map(str, words)])


@pytest.fixture
def changed(tmp_path):
    def inner(old, new):
        text = DATA.read_text("utf-8")
        assert old in text
        path = tmp_path / "changed.csv"
        path.write_text(text.replace(old, new), encoding="utf-8")
        return path

    return inner


@pytest.fixture(scope="module")
def twice(tmp_path_factory):
    folders = [tmp_path_factory.mktemp("fit") / name for name in ("text", "json")]
    plain = run(DATA, *REFERENCE, "--out", folders[0])
    machine = run(DATA, *REFERENCE, "--out", folders[1], "--json")
    return folders, plain, machine


def test_a_fit_writes_its_folder_and_says_what_came_out(twice):
    (folder, _), result, _ = twice
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("Penalty factors against Forms 7 d, with 95 % intervals: ")
    assert "strength, stability and frost" in result.stdout
    written = json.loads((folder / "run.json").read_text("utf-8"))["files"]
    assert {
        "report.html",
        "specimens.csv",
        "penalties.csv",
        "penalty_covariance.csv",
        "penalties.toml",
        "diffusivity.toml",
        "surface_chloride.toml",
        "figures/profiles.svg",
    } <= set(written)
    assert all((folder / name).is_file() for name in written)


def test_the_same_file_gives_the_same_bytes(twice):
    folders, _, _ = twice
    for name in ("penalties.toml", "specimens.csv", "report.html", "figures/profiles.svg"):
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes()


def test_json(twice):
    record = json.loads(twice[2].stdout)
    assert record["reference"] == "Forms 7 d"
    assert [row["strategy"] for row in record["penalties"]][-1] == "Forms 7 d"
    assert 0 < record["between_specimens_sd_ln"] < 0.5


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (",3,5,", ",5,3,", "changed.csv: line 5, specimen L01, depth_to_mm = 3.0: must be above"),
        (",3,5,", ",2,5,", "overlaps another layer of its specimen"),
        ("chloride_pct", "chloride", "needs the unit of a chloride content"),
        ("Forms 7 d", "Forms 28 d", 'no specimen has the reference strategy "Forms 7 d"'),
        ("specimen,", "sample,", "specimen"),
    ],
)
def test_bad_input_leaves_no_trace(tmp_path, changed, old, new, words):
    result = run(changed(old, new), *REFERENCE, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert words in result.stderr
    assert "Traceback" not in result.stderr
    assert result.stdout == ""
    assert not (tmp_path / "out").exists()


def test_an_option_of_another_kind_of_data_is_wrong_usage(tmp_path):
    result = run(DATA, "--age", "3 d", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "--age" in result.stderr


@pytest.mark.usefixtures("no_figures")
def test_the_options_reach_the_fit(tmp_path):
    result = run(
        DATA,
        *REFERENCE,
        "--out",
        tmp_path / "out",
        "--affected-depth",
        "2 in",
        "--keep-first",
        "--fit-initial",
    )
    assert result.exit_code == 0, result.stderr
    assert "16 of 16 profiles end within the depth of 50.8 mm that curing changed" in result.stdout
    assert "Where no initial content was given it is fitted" in result.stdout
    table = (tmp_path / "out" / "specimens.csv").read_text("utf-8")
    # the washed-out first layer takes part, and so makes a maximum inside
    assert "maximum inside: layers before 1 mm left out" in table


@pytest.fixture(scope="module")
def skins(tmp_path_factory):
    """Write profiles of a skin of 8 mm on a core; penalty 2.5 for the early strip."""
    import numpy as np

    from stripwise.evidence.profiles.two_layer_averages import mean_two_layer_content

    rng = np.random.default_rng(2)
    edges = np.array([0, 1, 3, 5, 7, 10, 13, 17, 22, 28, 34], dtype=float)
    lines = ["specimen,strategy,depth_from_mm,depth_to_mm,chloride_pct,exposure_d,initial_pct"]
    for number in range(8):
        ratio, name = (1.0, "Forms 7 d") if number < 4 else (2.5, "Forms 12 h")
        tau = 6e-12 * 8.64e10 * 180.0 * np.exp(0.08 * rng.standard_normal())
        share = mean_two_layer_content(edges[:-1], edges[1:], core=tau, ratio=ratio, skin=8.0)
        for a, b, x in zip(edges[:-1], edges[1:], share, strict=True):
            reading = 0.01 + 0.5 * x + 0.003 * rng.standard_normal()
            lines.append(f"S{number},{name},{a:g},{b:g},{max(reading, 0):.4f},180,0.01")
    path = tmp_path_factory.mktemp("skins") / "skins.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


@pytest.mark.usefixtures("no_figures")
def test_a_skin_reaches_the_files_of_a_scenario(tmp_path, skins):
    out = tmp_path / "out"
    result = run(skins, *REFERENCE, "--layered", "--out", out)
    assert result.exit_code == 0, result.stderr
    assert "on a core of another diffusivity is supported for Forms 12 h." in result.stdout
    assert "The profiles of Forms 7 d show no skin of their own" in result.stdout
    record = json.loads((out / "run.json").read_text("utf-8"))
    assert record["models"] == {"Forms 7 d": "uniform", "Forms 12 h": "layered"}
    assert record["skin_depth_low95"] < 8.0 < record["skin_depth_high95"]
    row = next(r for r in record["penalties"] if r["strategy"] == "Forms 12 h")
    assert row["low95"] < 2.5 < row["high95"]
    assert {"layered.csv", "affected_depth.toml", "figures/skin.svg"} <= set(record["files"])
    assert 'kind = "knowledge"' in (out / "affected_depth.toml").read_text("utf-8")


@pytest.mark.usefixtures("no_figures")
def test_a_scenario_takes_the_depth_and_the_penalties_of_the_skin(tmp_path, skins):
    from stripwise.scenario.loading import load

    result = run(skins, *REFERENCE, "--layered", "--affected-depth", "8 mm", "--out", tmp_path)
    assert result.exit_code == 0, result.stderr
    source = (DATA.parent / "lab-wall.toml").read_text("utf-8")
    head, _, _ = source.partition("[[strategy]]")
    head = head.replace('"whole cover"', '{ from = "affected_depth.toml" }')
    strategies = "".join(
        f'[[strategy]]\nname = "{name}"\nstrip_age = "{age}"\n'
        'penalty = { from = "penalties.toml" }\n'
        for name, age in (("Forms 12 h", "12 h"), ("Forms 7 d", "7 d"))
    )
    path = tmp_path / "wall.toml"
    path.write_text(head + strategies, encoding="utf-8")
    case = load(path)
    depth = next(i for i in case.inputs if i.name == "curing.affected_depth")
    assert depth.distribution.mean == 8.0
    assert case.curing.layered
