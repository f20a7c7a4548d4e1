"""The spread of cover readings beside the scenario's: compared, told, never changed."""

import numpy as np
import pandas as pd
import pytest
from inspected import sets_of, wall
from numpy.testing import assert_allclose
from scipy import stats

import stripwise
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.update.cover_spread import AS_EXPECTED, LESS, MORE, cover_spread
from stripwise.studies.update.update_sentences import update_sentences

ERROR = 2.0


def readings(sd, n=40, effective=40):
    scores = stats.norm.ppf((np.arange(n) + 0.5) / n)
    covers = 50.0 + np.hypot(sd, ERROR) * scores / scores.std(ddof=1)
    return pd.DataFrame({"cover_mm": covers, "error_mm": ERROR, "effective_points": effective})


def spread(table, case=None):
    case = case or wall()
    return cover_spread(sets_of(case, table), build_wall(case)).iloc[0]


@pytest.mark.parametrize(("sd", "status"), [(8.0, AS_EXPECTED), (13.0, MORE), (5.0, LESS)])
def test_the_error_of_the_meter_is_taken_off(sd, status):
    row = spread(readings(sd))
    assert_allclose(row["sd_mm"], sd)
    assert_allclose(row["sd_scenario_mm"], 8.0)
    assert row["status"] == status
    # variance of 40 normal readings: chi-squared with 39 degrees, 58.12 and 23.65 (any table)
    total = sd**2 + ERROR**2
    assert_allclose(row["low95"], np.sqrt(39.0 * total / 58.12 - ERROR**2), rtol=1e-3)
    assert_allclose(row["high95"], np.sqrt(39.0 * total / 23.65 - ERROR**2), rtol=1e-3)


def test_readings_that_are_alike_say_less_and_hide_what_they_share():
    alone, alike = spread(readings(8.0)), spread(readings(8.0, effective=10))
    assert alike["sd_mm"] > alone["sd_mm"]
    assert alike["low95"] < alone["low95"]
    rng = np.random.default_rng(3)
    r = (40.0 / 10.0 - 1.0) / 39.0  # forty readings of this correlation are worth ten
    drawn = 8.0 * (
        np.sqrt(r) * rng.standard_normal((2000, 1))
        + np.sqrt(1 - r) * rng.standard_normal((2000, 40))
    )
    assert_allclose(drawn.var(axis=1, ddof=1).mean() / (1.0 - r), 64.0, rtol=0.02)


def test_what_lies_between_walls_does_not_count():
    cover = {"family": "normal", "mean": "50 mm", "sd": "8 mm", "between_walls": 0.36}
    row = spread(readings(6.4), wall(**{"reinforcement.cover": cover}))
    assert_allclose(row["sd_scenario_mm"], 6.4, rtol=1e-6)


@pytest.mark.usefixtures("no_pictures")
def test_page_and_terminal_show_it(small_sizes, tmp_path):
    with small_sizes():
        result = stripwise.update(wall(), readings(13.0))
        report = result.write(tmp_path / "out")
    assert report
    page = (tmp_path / "out" / "report.html").read_text("utf-8")
    (told,) = [text for text in update_sentences(result) if "scatters along" in text]
    assert "a standard deviation of 13 mm, in the scenario with 8 mm" in told
    assert "Chance does not explain the difference" in page
    assert "more than the scenario" in page
    assert (tmp_path / "out" / "cover_spread.csv").exists()
