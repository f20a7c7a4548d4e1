"""Two runs side by side: what a revision changed, on terminal, page and in against.csv."""

import json

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from stripwise import cli

pytestmark = pytest.mark.usefixtures("few_samples", "no_figures")

QUICK = (("points = 256", "points = 64"), ('horizon = "100 yr"', 'horizon = "60 yr"'))


def call(*arguments):
    return CliRunner().invoke(cli.app, [str(argument) for argument in arguments])


def test_a_deeper_cover_stands_beside_the_run_before(wall, tmp_path):
    old, new = tmp_path / "old", tmp_path / "new"
    first = call("run", wall.write(*QUICK), "--out", old, "--quiet")
    assert first.exit_code == 0, first.stderr
    changed = wall.write(
        *QUICK,
        ('mean = "55 mm"', 'mean = "70 mm"'),
        ('name = "Forms 12 h"', 'name = "Early, 12 h"'),
    )
    result = call("run", changed, "--out", new, "--against", old)
    assert result.exit_code == 0, result.stderr
    table = pd.read_csv(new / "against.csv").set_index("strategy")
    assert list(table["status"]) == ["new", "both", "gone"]
    before, now = (pd.read_csv(x / "strategies.csv").set_index("strategy") for x in (old, new))
    row = table.loc["Forms 24 h"]
    assert row["probability_before"] == before.loc["Forms 24 h", "probability_at_target"]
    assert row["probability_now"] == now.loc["Forms 24 h", "probability_at_target"]
    assert row["probability_now"] < row["probability_before"]
    assert np.isnan(table.loc["Early, 12 h", "probability_before"])
    run = json.loads((new / "run.json").read_text())
    changes = {each["what"]: (each["before"], each["now"]) for each in run["against"]["changes"]}
    assert [what for what in changes if not what.startswith("strip age")] == ["cover, mean"]
    assert changes["cover, mean"] == pytest.approx((55.0, 70.0), abs=1e-6)
    page = (new / "report.html").read_text()
    assert "What the revision changed" in page
    sentence = "Compared with the results in old, "
    assert sentence in page
    assert sentence in result.stdout
    # what was edited by hand is no result to compare with
    (old / "strategies.csv").write_text("strategy\n")
    refused = call("run", changed, "--out", new, "--against", old)
    assert (refused.exit_code, refused.stdout) == (1, "")
    assert refused.stderr == (
        f"--against: {old / 'strategies.csv'}: was changed since stripwise wrote it\n"
    )


def test_the_same_run_differs_in_nothing(wall, tmp_path):
    path = wall.write(*QUICK)
    assert call("run", path, "--out", tmp_path / "one", "--quiet").exit_code == 0
    result = call("run", path, "--out", tmp_path / "two", "--against", tmp_path / "one")
    assert "No probability changes. No input differs." in " ".join(result.stdout.split())


def test_a_folder_without_results_is_refused_before_computing(wall, tmp_path):
    result = call("run", wall.write(*QUICK), "--out", tmp_path / "out", "--against", tmp_path)
    assert result.exit_code == 1
    assert result.stderr == (
        f"--against: {tmp_path}: must hold the results of `stripwise run`; it holds none\n"
    )
    assert not (tmp_path / "out").exists()
