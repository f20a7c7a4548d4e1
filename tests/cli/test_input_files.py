"""run.json names every file that a command reads, with its hash."""

import hashlib
import json
import os
import shutil
import sys
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from stripwise import cli

SCENARIOS = Path(__file__).parents[2] / "scenarios"
TEMPERATURE = 'temperature = "10 degC"'
SERIES = "date,temperature_degC\n" + "".join(f"2025-{m:02d}-15,{m}\n" for m in range(1, 13))
STRIP = 'name = "Forms 12 h"\nstrip_age = "12 h"'
COVER = """[input]
family = "normal"
mean = "55 mm"
sd = "8 mm"
mean_sd = "3 mm"
"""
SURVEY = "cover_mm\n" + "".join(f"{50 + i % 7}\n" for i in range(40))
DRYING = "specimen,strategy,time_d,mass_loss_pct\n" + "".join(
    f"{s}{i},{s},{t},{(0.9 + 0.1 * i) * rate * t**0.5}\n"
    for s, rate in (("early", 0.5), ("late", 0.3), ("last", 0.2))
    for i in range(3)
    for t in (0, 1, 3, 7, 28)
)
CORES = "strategy,diffusivity_m2_s\n" + "".join(
    f"{s},{d * (0.9 + 0.1 * i)}\n"
    for s, d in (("early", 6e-12), ("late", 4e-12), ("last", 3e-12))
    for i in range(3)
)
GAUGE = "cover_mm,error_mm,effective_points\n" + "".join(f"{50 + i % 7},2,9\n" for i in range(9))
SITE = {"site.csv", "inputs/cover.toml"}

JOBS = {
    "run": (
        "run wall.toml --against earlier",
        {"wall.toml", *SITE, "earlier/run.json", "earlier/strategies.csv", "earlier/inputs.csv"},
    ),
    "design": ("design wall.toml", {"wall.toml", *SITE}),
    "target": ("target wall.toml", {"wall.toml", *SITE}),
    "rank": ("rank wall.toml", {"wall.toml", *SITE}),
    "stripped": (
        "stripped wall.toml --after 16h --logger loggers/w01.csv",
        {"wall.toml", *SITE, "w01.csv"},
    ),
    "fit-drying": ("fit drying.csv --profiles cores.csv", {"drying.csv", "cores.csv"}),
    "fit-cover": ("fit survey.csv --scenario wall.toml", {"survey.csv", "wall.toml", *SITE}),
    "fit-log": (
        "fit strip-log.csv --zone CET --loggers loggers",
        {"strip-log.csv", *(f"w{n:02d}.csv" for n in range(1, 24, 2))},
    ),
    "fit-maps": (
        "fit maps.csv --aggregate low --profiles ground.csv",
        {"maps.csv", "ground.csv", "F3.npz"},
    ),
    "inventory": (
        "inventory faces.csv --scenario wall.toml --workers 1",
        {"faces.csv", "wall.toml", *SITE},
    ),
    "update": ("update wall.toml gauge.csv", {"wall.toml", *SITE, "gauge.csv"}),
    "plan-tests": (
        "plan-tests wall.toml --specimens cores.csv --cover survey.csv",
        {"wall.toml", *SITE, "cores.csv", "survey.csv"},
    ),
}

opened = set()
watched = []


def watch(event, arguments):
    """Collect what is opened to be read below the watched folder, but for the results."""
    if watched and event == "open" and isinstance(arguments[0], str | bytes | os.PathLike):
        path, flags = Path(os.fsdecode(arguments[0])).absolute(), arguments[2]
        below = path.is_relative_to(watched[0]) and not path.is_relative_to(watched[0] / "out")
        if below and not flags & (os.O_WRONLY | os.O_RDWR | os.O_DIRECTORY):
            opened.add(path)


@pytest.fixture(scope="session")
def watching():
    """Begin to watch; a hook cannot be taken out again, and slows all that follows."""
    sys.addaudithook(watch)


@pytest.fixture(scope="module")
def home(watching, tmp_path_factory):
    folder = tmp_path_factory.mktemp("home")
    for name in ("loggers", "strip-log.csv"):
        copy = shutil.copytree if name == "loggers" else shutil.copy
        copy(SCENARIOS / "site-records" / name, folder / name)
    for name in ("F3.npz", "ground.csv"):
        shutil.copy(SCENARIOS / "face-maps" / name, folder / name)
    (folder / "inputs").mkdir()
    for name, text in {
        "site.csv": SERIES,
        "inputs/cover.toml": COVER,
        "survey.csv": SURVEY,
        "drying.csv": DRYING,
        "gauge.csv": GAUGE,
        "maps.csv": "specimen,strategy,exposure_d,map_file\nF3,Forms 24 h,90,F3.npz\n",
        "cores.csv": CORES,
        "faces.csv": "element,strip_age_h,age_yr\nA,24,10\nB,36,20\n",
    }.items():
        (folder / name).write_text(text)
    return folder


def call(line):
    return CliRunner().invoke(cli.app, line.split())


@pytest.mark.parametrize("job", JOBS)
@pytest.mark.usefixtures("few_samples", "no_figures")
def test_every_file_that_is_read_is_named_with_its_hash(job, home, wall, monkeypatch):
    scenario = wall.write(
        (TEMPERATURE, 'temperature_series = "site.csv"'),
        (
            'cover = { family = "normal", mean = "55 mm", sd = "8 mm" }',
            'cover = { from = "inputs/cover.toml" }',
        ),
        ("points = 256", "points = 64"),
    )
    shutil.copy(scenario, home / "wall.toml")
    monkeypatch.chdir(home)
    line, names = JOBS[job]
    if "--against" in line and not (home / "earlier").exists():
        assert call("run wall.toml --out earlier --quiet").exit_code == 0
    opened.clear()
    watched.append(home)
    try:
        result = call(f"{line} --out out/{job}")
    finally:
        watched.clear()
    assert result.exit_code == 0, result.stderr
    told = json.loads((home / "out" / job / "run.json").read_text())["input_files"]
    assert {item["file"] for item in told} == names
    assert len(told) == len(names)
    hashes = {
        path: hashlib.sha256(path.read_bytes()).hexdigest() for path in opened if path.is_file()
    }
    assert {item["sha256"] for item in told} == set(hashes.values())
    page = (home / "out" / job / "report.html").read_text()
    for item in told:
        assert item["sha256"] in page or item["file"].startswith("earlier/")


def test_every_command_that_writes_has_a_job():
    commands = typer.main.get_command(cli.app).commands
    writing = {
        name
        for name, command in commands.items()
        if any("--out" in parameter.opts for parameter in command.params)
    }
    assert writing == {line.split()[0] for line, _ in JOBS.values()}
