"""Slips of the hand in test data, told with their line, and penalties too wide to use."""

import numpy as np
import pandas as pd
import pytest
from scipy import special

from stripwise.evidence.tables.data_file import read_data_frame
from stripwise.evidence.tables.data_kinds import DRYING, MIGRATION, PROFILES, STRIP_LOG
from stripwise.report.pages.profile_text import warnings
from stripwise.studies.fit.drying_study import study_drying
from stripwise.studies.fit.fitted_inputs import unwritten_penalties
from stripwise.studies.fit.migration_study import study_migration
from stripwise.studies.fit.profiles_study import study_profiles
from stripwise.studies.fit.strip_log_study import study_strip_log


def migration(**columns):
    frame = pd.DataFrame(
        {
            "specimen": ["S1", "S2", "S3", "S4"],
            "strategy": ["A", "A", "B", "B"],
            "penetration_mm": [20.0, 21.0, 30.0, 31.0],
            "voltage_V": 30.0,
            "thickness_mm": 50.0,
            "temperature_degC": 22.0,
            "duration_h": 24.0,
            **columns,
        }
    )
    return read_data_frame(frame, kinds=[MIGRATION])


@pytest.mark.parametrize(
    ("columns", "told"),
    [
        # NT Build 492 (1999): 10 to 60 V, 6 to 96 h (recalled)
        ({"voltage_V": [30, 30, 30, 65]}, "10 to 60 V of NT Build 492: 1, the first S4 on line 5"),
        ({"duration_h": [24, 120, 24, 24]}, "6 to 96 h of NT Build 492: 1, the first S2 on line 3"),
        (
            {"voltage_V": [30, 30, 22, 30], "temperature_degC": [22, 22, 30, 22]},
            "look swapped for 1 specimens, the first S3 on line 4",
        ),
    ],
)
def test_ranges_of_the_migration_test(columns, told):
    notes = "\n".join(study_migration(migration(**columns)).tests.notes)
    assert told in notes
    assert told not in "\n".join(study_migration(migration()).tests.notes)


def test_a_penetration_a_power_of_ten_off():
    depths = [20.0, 21.0, 19.5, 2.1]
    tests = study_migration(migration(penetration_mm=depths, strategy=["A"] * 4)).tests
    assert tests.notes[0].startswith("Line 5, specimen S4: the penetration 2.1 mm is about a power")


def test_a_penalty_too_wide_is_written_only_if_accepted():
    wide = migration(penetration_mm=[8.0, 40.0, 9.0, 38.0])
    study = study_migration(wide, reference="A")
    k = study.penalties.strategies.index("B")
    assert study.penalties.high95[k] > 10.0 * study.penalties.low95[k]
    assert "penalties.toml" not in study.scenario_files
    assert "give --accept" in unwritten_penalties(study.penalties, study.scenario_files)[0]
    accepted = study_migration(wide, reference="A", accept=True)
    assert "penalties.toml" in accepted.scenario_files
    assert unwritten_penalties(accepted.penalties, accepted.scenario_files) == ()
    narrow = migration(penetration_mm=[20.0, 20.5, 30.0, 30.5])
    assert "penalties.toml" in study_migration(narrow, reference="A").scenario_files


def test_slips_in_profiles():
    depth = np.arange(1.0, 22.0, 2.0)
    noise = 1.0 + 0.02 * np.random.default_rng(3).standard_normal((6, depth.size))
    content = (0.02 + 0.58 * special.erfc(depth / 15.8)) * noise
    content[2, 5] *= 0.1
    frame = pd.DataFrame(
        {
            "specimen": np.repeat([f"S{n}" for n in range(6)], depth.size),
            "strategy": "A",
            "depth_mm": np.tile(depth, 6),
            "chloride_pct": content.ravel(),
            "exposure_d": np.repeat([90.0] * 5 + [28.0], depth.size),
            "initial_pct": 0.02,
        }
    )
    texts = warnings(study_profiles(read_data_frame(frame, kinds=[PROFILES])))
    line = 2 + 2 * depth.size + 5
    assert texts[0].startswith(f"Line {line}, S2: the content")
    # ASTM C1556: at least 35 d (recalled)
    place = f"35 d of ASTM C1556: S5 on line {2 + 5 * depth.size}."
    assert texts[1] == f"A specimen was exposed for less than the {place}"


def drying_test(losses, times=(0.0, 1.0, 7.0, 28.0)):
    return pd.concat(
        [
            pd.DataFrame({"specimen": name, "strategy": "A", "time_d": times, "mass_loss_pct": own})
            for name, own in zip("PQR", losses, strict=True)
        ]
    )


def test_slips_of_a_drying_test():
    good = [(0.0, 0.4, 1.0, 1.6), (0.0, 0.41, 1.1, 1.7), (0.0, 0.39, 0.9, 1.5)]
    told = study_drying(read_data_frame(drying_test(good), kinds=[DRYING])).warnings
    assert not any("power of ten" in text or "swapped" in text for text in told)
    slip = [(0.0, 0.4, 10.0, 1.6), *good[1:]]
    told = study_drying(read_data_frame(drying_test(slip), kinds=[DRYING])).warnings
    assert "Line 4, specimen P: the mass loss 10 % is about a power of ten" in told[0]
    swapped = drying_test(good).rename(
        columns={"time_d": "mass_loss_pct", "mass_loss_pct": "time_d"}
    )
    swapped.loc[swapped["mass_loss_pct"] == 28.0, "unusual"] = "yes"
    told = study_drying(read_data_frame(swapped, kinds=[DRYING])).warnings
    assert any("the two columns look swapped" in text for text in told)


def test_a_swapped_date_of_a_strip_log():
    removed = [f"2026-03-{day:02d}T06:00Z" for day in (5, 6, 7, 28)]
    frame = pd.DataFrame(
        {
            "pour": ["W1", "W2", "W3", "W4"],
            "placed": [f"2026-03-{d:02d}T12:00Z" for d in (4, 5, 6, 7)],
            "removed": removed,
            "temperature_degC": 15.0,
        }
    )
    told = study_strip_log(read_data_frame(frame.iloc[:3], kinds=[STRIP_LOG])).log.warnings
    assert not any("check both dates" in text for text in told)
    told = study_strip_log(read_data_frame(frame, kinds=[STRIP_LOG])).log.warnings
    assert any(text.startswith("Line 5, pour W4: 498 h in the forms") for text in told)
