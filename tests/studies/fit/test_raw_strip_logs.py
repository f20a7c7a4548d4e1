"""Strip logs as sites keep them: own zone, own constants, rows not yet filled in."""

import json

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from stripwise import cli

LOG = """pour,placed,removed,temperature_degC
P1,2026-03-09 08:00,2026-03-10 08:00,10
P2,2026-03-09 09:00,2026-03-10 21:00,10
P3,2026-03-10 09:00,,10
"""


def fit(folder, *options, text=LOG):
    path = folder / "log.csv"
    path.write_text(text)
    out = folder / "out"
    words = ["fit", path, "--out", out, "--json", *options]
    return CliRunner().invoke(cli.app, [str(word) for word in words]), out


def test_offset_constants_and_open_pours(tmp_path):
    result, out = fit(
        tmp_path,
        *("--zone", "+01:00", "--skip-bad"),
        *("--activation-temperature", "4000 K", "--datum-temperature", "-10 degC"),
    )
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["warnings"][:2] == [
        "log.csv: 1 row left out (--skip-bad), line 4.",
        "Left out: log.csv: line 4, removed: has no value; every row needs one.",
    ]
    pours = pd.read_csv(out / "pours.csv")
    assert pours["placed_utc"].tolist() == ["2026-03-09T07:00:00Z", "2026-03-09T08:00:00Z"]
    assert pours["placed_log"].tolist() == ["2026-03-09 08:00", "2026-03-09 09:00"]
    # EN 1992-1-1:2004 (B.10), recalled: Q 4000 K against 20 degC
    factor = np.exp(4000.0 * (1.0 / 293.15 - 1.0 / 283.15))
    assert pours["equivalent_arrhenius_h"].to_numpy() == pytest.approx([24 * factor, 36 * factor])
    # (10 + 10) / (20 + 10) by the ratio of temperature-time factors of ASTM C1074
    assert pours["equivalent_nurse_saul_h"].to_numpy() == pytest.approx([16.0, 24.0])
    assert "2026-03-09 08:00" in (out / "report.html").read_text()


def test_the_offer_and_what_is_out_of_bounds(tmp_path):
    result, _ = fit(tmp_path, "--zone", "+01:00")
    assert result.exit_code == 1
    assert "--skip-bad leaves out this row, and tells which" in result.stderr
    result, _ = fit(tmp_path, "--zone", "+25:00", "--skip-bad")
    assert "no offset from UTC" in result.stderr
    result, _ = fit(tmp_path, "--zone", "CET", "--skip-bad", "--activation-temperature", "500 K")
    assert "must lie within 1000 K to 15000 K" in result.output
