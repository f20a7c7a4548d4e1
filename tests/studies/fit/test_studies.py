"""Results of the fits as numbers, without a report."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import KINDS
from stripwise.evidence.tables.timestamps import find_time_zone
from stripwise.studies.fit.cover_survey_study import study_cover_survey
from stripwise.studies.fit.profiles_study import study_profiles
from stripwise.studies.fit.strip_log_study import study_strip_log

SCENARIOS = Path(__file__).parents[3] / "scenarios"


def read(*parts):
    return read_data_file(SCENARIOS.joinpath(*parts), kinds=KINDS)


def test_the_profile_reaches_its_penetration_depth():
    """At that depth erfc, the share of the rise at the surface that is left, is 5 %."""
    study = study_profiles(read("lab-wall", "profiles.csv"))
    fits = study.fits
    depth = study.penetration_depth - fits.origin_depth
    time_s = fits.profiles.exposure * 86400.0
    from scipy.special import erfc

    left = erfc(depth / 1000.0 / (2.0 * np.sqrt(fits.diffusivity * time_s)))
    assert_allclose(left, 0.05, rtol=1e-9)


def test_without_a_reference_there_are_no_penalties():
    study = study_profiles(read("lab-wall", "profiles.csv"))
    assert study.penalties is study.penalty_table is study.covariance_table is None
    assert study.scenario_files == {}


def test_a_given_depth_of_the_skin_is_certain():
    study = study_profiles(
        read("lab-wall", "profiles.csv"), affected_depth=60.0, layered=True, reference="Forms 7 d"
    )
    # every profile ends within 60 mm, so that all measured the skin
    assert study.skin_depth.is_fixed
    assert study.skin_depth.mean == 60.0


def test_the_strip_age_for_a_scenario_is_the_family_fitted_by_scipy():
    study = study_strip_log(read("site-records", "strip-log.csv"), zone=find_time_zone("CET"))
    families = {"normal": stats.norm, "lognormal": stats.lognorm, "gamma": stats.gamma}
    families["weibull"] = stats.weibull_min
    fixed = {} if study.chosen == "normal" else {"floc": 0.0}
    fitted = families[study.chosen](*families[study.chosen].fit(study.ages, **fixed))
    # scipy's search stops at a relative 1e-4 or so of the parameters
    assert study.strip_age.mean == pytest.approx(fitted.mean(), rel=1e-3)
    assert study.strip_age.sd == pytest.approx(fitted.std(), rel=5e-3)


def test_a_survey_gives_the_cover_of_its_readings():
    study = study_cover_survey(read("site-records", "cover.csv"), limit=45.0)
    readings = study.survey.data["cover_mm"]
    rows = study.summary.set_index("quantity")
    assert rows.loc["mean_mm", "value"] == pytest.approx(np.mean(readings), rel=1e-12)
    assert rows.loc["share_below_limit_counted", "value"] == np.mean(readings < 45.0)
    assert study.families["family"].iloc[0] == study.cover.family
    assert study.comparison is None
