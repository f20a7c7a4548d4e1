"""The whole job by the command line: the same bytes whatever the number of workers."""

import json

import pytest
from typer.testing import CliRunner

import stripwise.studies.run
from stripwise import cli

REDUCED = (
    ("points = 256", "points = 64"),
    ('horizon = "100 yr"', 'horizon = "60 yr"'),
    ("high = 1 }", 'high = 1, kind = "knowledge" }'),
    ('step = "5 mm"', 'step = "15 mm"'),
)
"""Small sample, with a knowledge input and with choices, so that every stage has work to share."""


def files(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.threads
@pytest.mark.usefixtures("few_samples")
def test_a_run_writes_the_same_bytes_whatever_the_workers(wall, tmp_path, monkeypatch):
    scenario = wall.write(*REDUCED)
    asked, assess = [], stripwise.studies.run.assess

    def spy(case, *, workers, progress):
        asked.append(workers)
        return assess(case, workers=workers, progress=progress)

    monkeypatch.setattr(stripwise.studies.run, "assess", spy)
    runs = []
    for workers in (1, 3):
        out = tmp_path / f"out{workers}"
        arguments = ["run", str(scenario), "--out", str(out), "--workers", str(workers), "--quiet"]
        arguments.append("--png")
        result = CliRunner().invoke(cli.app, arguments)
        assert result.exit_code == 0, result.stderr
        found = files(out)
        assert json.loads(found.pop("times.json"))["seconds"]  # the only times of a run
        runs.append(found)
    assert asked == [1, 3]
    first = runs[0]
    tables = {"curves.csv", "inputs.csv", "sensitivity.csv", "strategies.csv"}
    pictures = {
        f"figures/{n}.{e}" for n in ("choices", "curves", "drivers") for e in ("png", "svg")
    }
    assert tables | pictures | {"report.html", "run.json"} <= set(first)
    for other in runs[1:]:
        assert set(other) == set(first)
        assert [name for name in first if other[name] != first[name]] == []
