"""What inspections must not say twice, and data that a slip would turn into good news."""

import json
from hashlib import sha256

import numpy as np
import pandas as pd
import pytest
from inspected import problem, sets_of, wall
from numpy.testing import assert_allclose

import stripwise
from stripwise.errors import EvidenceError
from stripwise.evidence.inspections.inspection_sets import refuse_repeats
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.update import prior_predictive
from stripwise.studies.update.evidence_of_sets import check_sets
from stripwise.studies.update.prior_predictive import surprise_table
from stripwise.studies.update.update_study import read_sets

FACE = {"width": "6 m", "height": "3 m", "correlation_length": "1.5 m"}
X, Y = np.meshgrid(np.arange(0.25, 6.0, 0.5), np.arange(0.25, 3.0, 0.5))
POINTS = pd.DataFrame(
    {
        "x_m": X.ravel(),
        "y_m": Y.ravel(),
        "strategy": "Forms 24 h",
        "active": "no",
        "exposure_yr": 10.0,
        "detection": 0.85,
        "false_alarm": 0.05,
    }
)

AREA = pd.DataFrame(
    {
        "area": ["A"],
        "strategy": "Forms 24 h",
        "points": 100,
        "active_points": 3,
        "exposure_yr": 30.0,
        "detection": 0.9,
        "false_alarm": 0.05,
        "effective_points": 9,
    }
)


def independent_points(table):
    (found,) = sets_of(wall(extent=FACE), table)
    return sum(count.points * count.weight for count in found.counts)


def test_points_stay_alike_whatever_else_differs_between_their_rows():
    once = independent_points(POINTS)
    assert once < 15.0  # of 72
    by_point = POINTS.assign(detection=0.85 + 1e-4 * np.arange(len(POINTS)))
    assert_allclose(independent_points(by_point), once)
    two_days = POINTS.assign(exposure_yr=np.where(POINTS["x_m"] < 3.0, 10.0, 10.01))
    assert_allclose(independent_points(two_days), once)


def test_points_surveyed_twice_are_worth_hardly_more_than_once():
    twice = pd.concat([POINTS, POINTS.assign(exposure_yr=15.0)])
    # twice as much if each survey counted; a smaller share found is a little less alike
    assert independent_points(twice) < 1.2 * independent_points(POINTS)


def test_readings_without_a_name_count_once_in_whatever_order():
    case = wall(extent=FACE)
    refuse_repeats(sets_of(case, POINTS, POINTS.assign(exposure_yr=15.0)))
    with pytest.raises(EvidenceError, match=r"table-2.csv: holds the same readings as table-1.csv"):
        refuse_repeats(sets_of(case, POINTS, POINTS.iloc[::-1].assign(detection=0.9)))
    cover = pd.DataFrame({"cover_mm": [41, 44, 47, 41, 50], "error_mm": 2.0, "effective_points": 4})
    refuse_repeats(sets_of(case, cover, cover.assign(cover_mm=[41, 44, 47, 44, 50])))
    with pytest.raises(EvidenceError, match=r"table-2.csv: holds the same readings as table-1.csv"):
        refuse_repeats(sets_of(case, cover, cover.iloc[::-1]))
    # a few whole millimetres may be the same by chance
    refuse_repeats(sets_of(case, *(table.iloc[:4] for table in (cover, cover.iloc[::-1]))))


def test_a_name_in_other_letters_is_the_same_area():
    case = wall()
    with pytest.raises(
        EvidenceError, match=r"table-2.csv: area a in year 30 stands in table-1.csv too"
    ):
        refuse_repeats(sets_of(case, AREA, AREA.assign(area="a")))


def test_data_that_cannot_be_compared_end_in_one_line():
    table = pd.DataFrame(
        {
            "specimen": ["K1"],
            "strategy": "Forms 24 h",
            "carbonation_depth_mm": 12.0,
            "error_mm": 1.0,
            "exposure_yr": 10.0,
        }
    )
    with pytest.raises(EvidenceError) as caught:
        check_sets(sets_of(wall(), table), wall(), build_wall(wall()), as_scatter=False)
    assert [text.partition(": ")[2] for text in caught.value.problems] == [
        "depths of carbonation cannot be compared where the scenario has no carbonation"
    ]


def test_points_of_a_face_of_which_nothing_is_epistemic_teach_nothing(small_sizes):
    known = {"family": "lognormal", "mean": 1.2, "cov": 0.2, "kind": "knowledge"}
    case = wall(
        **{
            "concrete.ageing_exponent": 0.4,
            "exposure.surface_chloride.between_walls": None,
            "concrete.diffusivity.between_walls": None,
            "reinforcement.cover.mean_sd": None,
            "strategy": [
                {"name": "Forms 24 h", "strip_age": "24 h", "penalty": 1.5},
                {"name": "Forms 72 h", "strip_age": "72 h", "penalty": known},
            ],
        }
    )
    with small_sizes():
        result = stripwise.update(case, AREA)
    assert_allclose(result.inputs["sd_ratio"], 1.0, atol=0.02)
    first = result.strategies.iloc[0]
    error = sum(first[f"high95_{w}"] - first[f"low95_{w}"] for w in ("before", "after")) / 2.0
    assert_allclose(first["probability_after"], first["probability_before"], atol=error)
    assert error < 0.02


CORE = pd.DataFrame(
    {
        "specimen": "A1",
        "strategy": "Forms 24 h",
        "depth_mm": [5.0, 15.0, 25.0],
        "chloride_pct_binder": [2.4, 1.6, 0.8],
        "exposure_yr": 10.0,
    }
)


def refusal(*tables):
    with pytest.raises(EvidenceError) as told:
        refuse_repeats(sets_of(wall(), *tables))
    return str(told.value)


def test_per_cent_of_a_content_given_as_a_content_is_refused():
    told = refusal(CORE.assign(error_pct_binder=[6.0, 0.1, 0.1]))
    assert "error_pct_binder = 6.0: is above every content of the file" in told
    sets_of(wall(), CORE.assign(chloride_pct_binder=0.02, error_pct_binder=0.03))


def test_an_area_counts_once_a_year():
    twice = pd.concat([AREA, AREA.assign(active_points=4)])
    assert "area A in year 30 stands twice" in refusal(twice)
    assert "area A in year 30 stands in table-1.csv too" in refusal(
        AREA, AREA.assign(active_points=4)
    )
    refuse_repeats(sets_of(wall(), pd.concat([AREA, AREA.assign(exposure_yr=35.0)])))


def test_files_of_one_name_in_two_folders_do_not_hide_a_core_that_stands_twice(tmp_path):
    for folder, content in (("five", 2.4), ("ten", 2.3)):
        (tmp_path / folder).mkdir()
        table = CORE.assign(chloride_pct_binder=content, error_share=0.1)
        table.to_csv(tmp_path / folder / "cores.csv", index=False)
    paths = [tmp_path / folder / "cores.csv" for folder in ("five", "ten")]
    with pytest.raises(EvidenceError, match="specimen A1 stands in"):
        read_sets(paths, wall())


@pytest.mark.parametrize(
    ("record", "first", "words"),
    [
        ({"prior": {"knowledge": "fit.csv"}}, None, "was made from the joint draws of"),
        ({"first_exposure": "2021-05-20"}, "2012-05-20", "its dates count from"),
    ],
)
def test_a_second_update_starts_from_the_same_prior_and_date(tmp_path, record, first, words):
    case = wall()
    draws = tmp_path / "posterior.csv"
    stripwise.epistemic_draws(case, n=512).to_csv(draws, index=False)
    made = {"made_by": "stripwise update", "sha256": sha256(draws.read_bytes()).hexdigest()}
    (tmp_path / "posterior.json").write_text(json.dumps({**made, "data": [], **record}), "utf-8")
    (tmp_path / "wall.toml").write_text(stripwise.as_toml(case), "utf-8")
    later = stripwise.load(tmp_path / "wall.toml").replace({"knowledge": {"from": "posterior.csv"}})
    with pytest.raises(EvidenceError, match=words):
        stripwise.update(later, CORE.assign(error_share=0.1), first_exposure=first)


@pytest.mark.parametrize("error", ["error_share", "error_pct_binder"])
@pytest.mark.parametrize("factor", [1.0, 1.0 / 6.9, 6.9])
def test_contents_on_the_wrong_basis_surprise_on_both_sides(error, factor, monkeypatch):
    # 2350 kg/m3 of concrete over 340 kg/m3 of binder is 6.9; contents as the prior's median has them
    monkeypatch.setattr(prior_predictive, "SIMULATED", 500)
    table = pd.concat([CORE.assign(specimen=name) for name in ("A1", "A2", "A3")])
    table = table.assign(depth_mm=3 * [3.0, 9.0, 15.0], chloride_pct_binder=3 * [1.6, 1.1, 0.7])
    table["chloride_pct_binder"] *= factor
    table[error] = 0.08 if error == "error_share" else 0.1 * factor
    _, scores, likelihoods = problem(wall(), table)
    checks = surprise_table(sets_of(wall(), table), likelihoods, scores, seed=1)
    assert (checks["p_value"].iloc[0] < 0.01) == (factor != 1.0)


def test_surveys_of_the_same_points_are_told():
    case = wall(extent=FACE)
    told = check_sets(
        sets_of(case, AREA, AREA.assign(exposure_yr=35.0), POINTS),
        case,
        build_wall(case),
        as_scatter=False,
    )
    assert [note for note in told if "More than one survey holds area A." in note] == told


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"exposure_yr": 3650.0}, "exposure_yr = 3650.0: must be above 0 yr and at most 500 yr"),
        (
            {"exposure_yr": [10.0, 12.0, 10.0]},
            "exposure_yr = 12.0: a specimen has one exposure; give the other one a name of its own",
        ),
        ({"exposure_yr": 130.0}, "the usual value is 0.0192 to 100 yr"),
    ],
)
def test_ages_are_refused_in_the_unit_that_was_typed(change, words):
    table = CORE.assign(error_share=0.1, **change)
    with pytest.raises(EvidenceError) as told:
        sets_of(wall(), table)
    assert words in str(told.value)
    weeks = table.assign(exposure_yr=10.0).rename(columns={"exposure_yr": "exposure_wk"})
    sets_of(wall(), weeks)


def test_a_layered_face_says_why_its_cores_are_refused_and_what_it_takes():
    case = stripwise.load("scenarios/coated-wall.toml").replace(
        {
            "exposure.surface_chloride.between_walls": 0.5,
            "concrete.diffusivity.between_walls": 0.5,
            "reinforcement.cover.mean_sd": "4 mm",
        }
    )
    cover = pd.DataFrame({"cover_mm": [48.0, 52.0, 55.0], "error_mm": 2.0, "effective_points": 3})
    check_sets(sets_of(case, cover), case, build_wall(case), as_scatter=False)
    core = CORE.assign(strategy="Forms 48 h", error_share=0.1)
    with pytest.raises(EvidenceError) as told:
        check_sets(sets_of(case, core), case, build_wall(case), as_scatter=False)
    assert "a numerical solution, and one for every draw and specimen would take minutes" in str(
        told.value
    )
    assert "Cover readings, depths of carbonation and migration tests can be given" in str(
        told.value
    )
