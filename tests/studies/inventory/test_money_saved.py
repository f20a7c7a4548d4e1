"""Money saved by interventions, against the expected repair of each face by its own curve."""

import numpy as np
import pandas as pd
import pytest

from stripwise.report.write_inventory import write_inventory
from stripwise.risk.probability.expected_cost import expected_repair_cost
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.inventory.inventory_study import inventory

RATE, REPAIR, HORIZON = 0.02, 900.0, 80.0
COST = {
    "forms": "1 EUR/m^2/h",
    "cover": "1 EUR/m^2/mm",
    "repair": f"{REPAIR} EUR/m^2",
    "real_rate": RATE,
    "horizon": f"{HORIZON} yr",
}
NOW = {"name": "At once", "price": "20 EUR/m^2", "year": "0 yr", "effect": 0.5}
LATER = {"name": "Later", "price": "60 EUR/m^2", "year": "10 yr", "effect": 0.9}


@pytest.fixture(scope="module")
def priced(case):
    return case.replace({"cost": COST, "intervention": [NOW, LATER]})


@pytest.fixture(scope="module")
def table():
    return pd.DataFrame(
        {
            "element": [*"ABCDE"],
            "strategy": ["Forms 24 h", "Forms 12 h", "Forms 24 h", "Forms 12 h", "Forms 24 h"],
            "nominal_cover_mm": [45, 55, 60, 50, 70],
            "age_yr": [0, 12, 30, 85, -4],
            "area_m2": [10, 40, 25, 30, 5],
        }
    )


@pytest.fixture(scope="module")
def result(priced, table):
    return inventory(priced, table)


def by_hand(case, row, start, effect, price):
    """Sum year by year what is saved per m2, from the probability of the face at every year."""
    wall = build_wall(case)
    plan = [plan.name for plan in wall.plans].index(row["strategy"])
    offsets = np.arange(start, HORIZON - row["age_yr"] + 0.5)
    ages = row["age_yr"] + offsets
    later = 0.0
    if ages.size > 1:
        sample = SamplingOptions(2048, 8, 1, workers=1)
        p = probability_by_repeat(
            wall, np.array([float(row["nominal_cover_mm"])]), np.maximum(ages, 0.0), sample=sample
        )
        mean = np.where(ages <= 0.0, 0.0, p[:, plan, :, 0].mean(axis=0))
        # what was depassivated by the start is no growth after it
        later = expected_repair_cost(mean[1:] - mean[0], offsets[1:], rate=RATE)
    return effect * REPAIR * later - price * (1.0 + RATE) ** -start


def test_each_face_by_its_own_curve(priced, table, result):
    found = result.next_faces
    for name, start, effect, price in (("At once", 0.0, 0.5, 20.0), ("Later", 10.0, 0.9, 60.0)):
        own = found[found["criterion"] == f"money saved: {name}"].set_index("element")["value"]
        assert own.is_monotonic_decreasing
        for row in table.to_dict("records"):
            expected = row["area_m2"] * by_hand(priced, row, start, effect, price)
            # tables at 256 points against 2048: .003 in P of a repair
            assert own[row["element"]] == pytest.approx(
                expected, abs=0.003 * REPAIR * row["area_m2"]
            )
    # past the horizon of the costs nothing is left to save
    past = found[(found["element"] == "D") & found["criterion"].str.endswith("At once")]
    assert past["value"].iloc[0] == pytest.approx(-20.0 * 30)


def test_totals_are_the_sums_of_the_faces(result):
    found = result.next_faces
    for row in result.interventions.to_dict("records"):
        own = found[found["criterion"] == f"money saved: {row['intervention']}"]
        worth = own[own["value"] > 0.0]
        assert row["faces_saving"] == len(worth)
        assert row["saved_total"] == pytest.approx(worth["value"].sum())
        assert row["saved_on_all"] == pytest.approx(own["value"].sum())
        assert row["area_m2"] == worth["area_m2"].sum()
    assert 0 < result.interventions["faces_saving"].max() < 5


def test_page_and_files(result, tmp_path):
    names = {path.name for path in write_inventory(result, tmp_path)}
    assert {"interventions.csv", "next_faces.csv"} <= names
    page = (tmp_path / "report.html").read_text("utf-8")
    assert "At once saves money on" in page
    assert "nothing here supports it" in page


def test_without_areas_money_is_per_area(priced, table, result):
    bare = inventory(priced, table.drop(columns="area_m2"))
    assert bare.interventions["saved_total"].isna().all()
    with_areas = result.next_faces.set_index(["criterion", "element"])["value"]
    each = bare.next_faces.set_index(["criterion", "element"])["value"]
    key = ("money saved: At once", "A")
    assert each[key] == pytest.approx(with_areas[key] / 10.0)


def test_without_interventions_nothing_changes(case, table):
    plain = inventory(case, table)
    assert plain.interventions is None
    assert not plain.next_faces["criterion"].str.startswith("money").any()
