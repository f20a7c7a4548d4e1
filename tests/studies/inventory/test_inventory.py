"""Elements against direct computation, totals against plain Monte Carlo, parts against one run."""

import csv
import io
import json

import numpy as np
import pandas as pd
import pytest
from scipy import special

from stripwise.curing.curing_law import effective_duration, relative_log_penalty, sample_curing_law
from stripwise.distributions.sampling import InputSampler
from stripwise.errors import EvidenceError
from stripwise.report.write_inventory import LIST, working_folder, write_inventory
from stripwise.risk.model.wall import COVER, Plan
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.inventory import face_rows, inventory_run
from stripwise.studies.inventory.inventory_study import inventory
from stripwise.studies.inventory.part_store import FolderStore


@pytest.fixture(scope="module")
def tables():
    """Hold the tables of the classes, which the tests share."""
    return {}


@pytest.fixture(scope="module")
def result(case, faces, tables):
    solve = inventory_run.solve

    def keep(where, place):
        tables[place] = solve(where, place)
        return tables[place]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(inventory_run, "solve", keep)
        return inventory(case, faces)


@pytest.fixture
def solved(result, tables, monkeypatch):
    """Take the tables of the same rows as they are."""
    monkeypatch.setattr(inventory_run, "solve", lambda _where, place: tables[place])


@pytest.fixture(scope="module")
def elements(result):
    return result.elements


def face_plan(wall, row):
    if row["strategy"]:
        return next(plan for plan in wall.plans if plan.name == row["strategy"])
    retention = "curing.retention.sheet.vertical" if row["follow_up"] else ""
    factor = wall.plans[0].strip_factor
    hours = 24.0 * float(row["follow_up_d"] or 0.0)
    return Plan("face", float(row["strip_age_h"]), factor, hours, factor, retention)


def test_elements_agree_with_direct_computation_on_the_same_points(case, faces, elements):
    """Both take the same scramblings, so that reading between the nodes is all that differs."""
    sheet = next(i for i in case.retentions if i.name == "curing.retention.sheet.vertical")
    errors = []
    for k, row in enumerate(faces.to_dict("records")[:18]):
        block = {
            f"concrete.{key}": value
            for key, value in case.raw["concrete_type"][0].items()
            if key != "name"
        }
        wall = build_wall(case.replace(block) if row["concrete_type"] else case)
        plan = face_plan(wall, row)
        more = () if sheet in wall.inputs else tuple(case.retentions)
        one = type(wall)(
            **{
                **{name: getattr(wall, name) for name in wall.__slots__},
                "plans": (plan,),
                "inputs": (*wall.inputs, *more),
            }
        )
        found = probability_by_repeat(
            one,
            np.array([float(row["nominal_cover_mm"])]),
            np.array([50.0]),
            sample=SamplingOptions(256, 8, 1, workers=1),
        ).mean()
        errors.append(elements["probability_at_target"][k] - found)
    assert np.sqrt(np.mean(np.square(errors))) < 1e-3


def test_totals_agree_with_plain_monte_carlo_over_shared_inputs(case, faces, result):
    """Own draws and own formula of the front; block inputs are drawn once for each block."""
    rng = np.random.default_rng(11)
    draws, inner = 160, 256
    rows = faces.to_dict("records")
    slag = case.raw["concrete_type"][0]
    walls = {
        "": build_wall(case),
        "slag": build_wall(
            case.replace({f"concrete.{k}": v for k, v in slag.items() if k != "name"})
        ),
    }
    sheet = next(i for i in case.retentions if i.name == "curing.retention.sheet.vertical")
    covers = [
        walls[row["concrete_type"]]
        .input(COVER)
        .distribution.shifted(float(row["nominal_cover_mm"]) - 55.0)
        for row in rows
    ]
    plans = [face_plan(walls[row["concrete_type"]], row) for row in rows]
    totals = np.zeros(draws)
    for k in range(draws):
        z_law, z_slope, z_be, z_sheet = rng.standard_normal(4)
        own = {name: rng.standard_normal() for name in walls}
        law = sample_curing_law(np.full(inner, z_law), np.full(inner, z_slope))
        retained = float(sheet.distribution.from_normal(z_sheet))
        for name, wall in walls.items():
            faces_here = [
                face
                for face in zip(rows, plans, covers, strict=True)
                if face[0]["concrete_type"] == name
            ]
            values = dict(InputSampler.from_inputs(wall.inputs, ()).fixed)
            for item in wall.inputs:
                if not item.distribution.is_fixed:
                    values[item.name] = item.distribution.from_normal(rng.standard_normal(inner))
            be = wall.input("concrete.temperature_coefficient").distribution.from_normal(z_be)
            a = wall.input("concrete.ageing_exponent").distribution.from_normal(own[name])
            z = special.erfcinv(
                np.clip(
                    (values["reinforcement.critical_chloride"] - 0.1)
                    / (values["exposure.surface_chloride"] - 0.1),
                    0.0,
                    1.0,
                )
            )
            ke = np.exp(be * (1.0 / 293.0 - 1.0 / 283.15))
            for row, plan, cover in faces_here:
                age = float(row["age_yr"])
                days = face_days(plan, values, retained)
                k_c = np.exp(relative_log_penalty(days, 7.0, draws=law))
                tau = ke * values["concrete.diffusivity"] * (28.0 / 365.25 / age) ** a * age
                depth = 2.0 * z * np.sqrt(k_c * tau)
                totals[k] += np.mean(cover.cdf(depth))
    row = result.totals.query(
        "measure == 'equivalent_faces' and group == 'all faces' and year == 0"
    ).iloc[0]
    error = totals.std() / np.sqrt(draws)
    assert row["expected"] == pytest.approx(totals.mean(), abs=4.0 * error)
    # quantiles of 160 draws: about 10 % of the spread
    ends = np.quantile(totals, [0.025, 0.975])
    assert [row["know_low"], row["know_high"]] == pytest.approx(ends, abs=0.5 * totals.std())


def face_days(plan, values, retained):
    strip = values[plan.strip_age] if isinstance(plan.strip_age, str) else plan.strip_age
    return effective_duration(
        strip,
        strip_factor=plan.strip_factor,
        retention=retained if plan.retention else 0.0,
        follow_up_h=plan.follow_up_h,
        follow_up_factor=plan.follow_up_factor,
    )


def test_ranges_confidence_and_ranks_are_consistent(result, elements):
    p = elements["probability_at_target"]
    assert (elements["know_low"] <= elements["know_high"]).all()
    assert elements["confidence"].between(0.0, 1.0).all()
    assert (elements["rank"].to_numpy()[np.argsort(-p, kind="stable")] == np.arange(1, 61)).all()
    yes = elements["meets_target"] == "yes"
    assert (elements["life_at_target_yr"][yes] >= 50.0).all()
    assert (elements["life_at_target_yr"][~yes] <= 50.0).all()
    assert result.meeting == yes.sum()
    past = result.totals.query("measure == 'faces_past_target' and group == 'all faces'")
    age = elements["age_yr"].astype(float)
    assert past["expected"].iloc[0] == (elements["life_at_target_yr"] <= age).sum()


def test_bytes_do_not_depend_on_the_workers_or_on_an_earlier_run(  # noqa: PLR0917
    case, faces, result, solved, tmp_path, monkeypatch
):
    monkeypatch.setattr(face_rows, "PART_ROWS", 16)
    whole = b"".join(inventory(case, faces).parts())
    calls = []
    compute = inventory_run.compute_part
    monkeypatch.setattr(inventory_run, "compute_part", lambda *a: calls.append(1) or compute(*a))
    again = inventory(case, faces, folder=tmp_path)
    assert len(calls) == 4
    names = sorted(tmp_path.glob("*.npz"))
    names[0].unlink()
    names[1].write_bytes(names[1].read_bytes()[:100])  # cut off
    np.savez(names[2], csv=np.zeros(1, dtype=np.uint8))  # of another version
    third = inventory(case, faces, folder=tmp_path)
    assert len(calls) == 7
    assert b"".join(again.parts()) == b"".join(third.parts()) == whole
    pd.testing.assert_frame_equal(third.totals, again.totals)
    one = result.totals.query("measure == 'area'")["expected"]
    assert third.totals.query("measure == 'area'")["expected"].to_numpy() == pytest.approx(
        one.to_numpy(), rel=1e-9
    )


def test_another_scenario_in_the_same_folder_is_computed_anew(case, faces, tmp_path):
    few = faces[faces["concrete_type"] == ""].head(3)
    mild = case.replace({"sampling.points": 64})
    harsh = mild.replace({"exposure.surface_chloride.mean": 3.0})
    before, after = (inventory(one, few, folder=tmp_path).elements for one in (mild, harsh))
    assert (after["probability_at_target"] > before["probability_at_target"] + 0.05).all()


def test_hostile_names_stay_text_in_every_file(case, faces, solved, tmp_path):
    hostile = '</script><script>alert("1")</script>'
    frame = faces.copy()
    frame.loc[0, "element"] = hostile
    frame.loc[1, "note"] = 'a,"b"<img src=x onerror=alert(1)>'
    with working_folder(tmp_path / "out") as work:
        done = inventory(case, frame, folder=work)
        write_inventory(done, tmp_path / "out", work=work)
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / "elements.csv").read_text())))
    assert rows[0]["element"] == hostile
    assert rows[1]["note"] == frame.loc[1, "note"]
    for name in ("report.html", LIST):
        text = (tmp_path / "out" / name).read_text()
        assert "<img src=x" not in text
        assert "<script>alert" not in text
    data = text.split('type="application/json">')[1].split("</script>")[0]
    assert json.loads(data)["rows"][0][0] == hostile
    assert len(json.loads(data)["rows"]) == 60
    assert not (tmp_path / "out" / ".stripwise-inventory").exists()
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert record["table"]["faces"] == 60
    assert FolderStore(tmp_path).get("missing") is None


def test_a_table_without_good_rows_is_refused(case, faces):
    bad = faces.assign(strategy="Forms 99 h", strip_age_h="")
    with pytest.raises(EvidenceError, match="has no row that can be used"):
        inventory(case, bad, skip_bad=True)
