"""Lives under a demanded confidence against a closed form, and against `run`."""

import io

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

import stripwise
from stripwise.scenario.toml_text import parse_toml
from stripwise.studies.candidate_targets import STATED
from stripwise.studies.inventory.inventory_study import inventory

CONFIDENCE, ALLOWED, SD, MEAN_SD = 0.9, 0.10, 6.0, 4.0

BASE = f"""
title = "Own cover"

[target]
service_life = "50 yr"
probability = {ALLOWED}
confidence = {CONFIDENCE}

[exposure]
temperature = "20 degC"
chloride_basis = "binder"
surface_chloride = 2.0
initial_chloride = 0.1
convection_zone = "0 mm"

[concrete]
diffusivity = "5.0e-12 m^2/s"
specimens = "cured as the face"
ageing_exponent = 0.45
temperature_coefficient = "4800 K"

[reinforcement]
cover = {{ family = "normal", nominal = "55 mm", bias = "0 mm", sd = "{SD} mm", mean_sd = "{MEAN_SD} mm" }}
critical_chloride = 0.6

[curing]
reference = "7 d"
concrete_temperature = "20 degC"

[[strategy]]
name = "Forms 24 h"
strip_age = "24 h"
penalty = 1.4

[sampling]
points = 256
repeats = 8
horizon = "120 yr"
"""

COVERS = np.array([40.0, 46.0, 50.0, 53.0, 56.0])


@pytest.fixture(scope="module")
def case():
    return stripwise.case(parse_toml(BASE))


@pytest.fixture(scope="module")
def result(case):
    rows = "\n".join(f"F{k},Forms 24 h,{cover}" for k, cover in enumerate(COVERS))
    text = f"element,strategy,nominal_cover_mm\n{rows}"
    faces = pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
    return inventory(case, faces)


def depth(age):
    """Depth at which the content is critical, by the error function solution [mm]."""
    z = special.erfcinv((0.6 - 0.1) / (2.0 - 0.1))
    diffusivity = 5.0e-12 * 1e6 * 365.25 * 86_400.0
    return 2.0 * z * np.sqrt(1.4 * diffusivity * (28.0 / 365.25 / age) ** 0.45 * age)


def age_of(reached):
    """Age at which the front has a depth [yr]: it grows with a power of age."""
    return (reached / depth(1.0)) ** (2.0 / (1.0 - 0.45))


def test_life_counts_the_own_uncertainty_of_a_face(result):
    """The nine tenths of possible mean covers: cover - x - z_c sd_mean = z_p sd, in closed form.

    Nothing is shared here, so that a life by what faces share alone would lack that margin.
    """
    elements = result.elements
    life = elements["life_at_target_yr"].to_numpy()
    z_p, z_c = stats.norm.isf(ALLOWED), stats.norm.ppf(CONFIDENCE)
    expected = age_of(COVERS - z_c * MEAN_SD - z_p * SD)
    assert life == pytest.approx(expected, rel=0.02)
    predictive = age_of(COVERS - z_p * np.hypot(SD, MEAN_SD))
    assert (life < 0.9 * predictive).all()
    assert elements["year_reached"].to_numpy() == pytest.approx(life)
    assert (elements["meets_target"] == np.where(expected >= 50.0, "yes", "no")).all()


def test_counts_of_targets_follow_both_conditions(result):
    counts = result.target_counts
    stated = counts[counts["source"] == STATED]
    assert stated["faces_meeting"].tolist() == [result.meeting]
    for row in counts.to_dict("records"):
        z_p, z_c = row["reliability_index"], stats.norm.ppf(CONFIDENCE)
        expected = age_of(COVERS - z_c * MEAN_SD - z_p * SD)
        expected = np.minimum(expected, age_of(COVERS - z_p * np.hypot(SD, MEAN_SD)))
        clear = np.abs(expected / row["service_life_yr"] - 1.0) > 0.03
        met = expected > row["service_life_yr"]
        assert met[clear].sum() <= row["faces_meeting"] <= (met | ~clear).sum()


def test_life_agrees_with_a_run(case, result):
    cover = COVERS[1]
    run = stripwise.assess(
        case.replace({"reinforcement.cover.nominal": f"{cover} mm", "sampling.points": 1024})
    )
    expected = run.strategies["life_at_target_yr"].iloc[0]
    found = result.elements["life_at_target_yr"][1]
    assert found == pytest.approx(expected, rel=0.05)  # 256 points of its band: 0.02 in the index
