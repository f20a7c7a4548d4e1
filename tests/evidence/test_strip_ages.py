"""Strip logs: equivalent age against worked arithmetic, and what a log may not say."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad

from stripwise.errors import EvidenceError, InputError
from stripwise.evidence.strip_ages import analyse_strip_log
from stripwise.evidence.tables.logger_files import TemperatureRecord, clip_record, read_logger
from stripwise.evidence.tables.timestamps import find_time_zone

HEAD = "pour,placed,removed,temperature_degC\n"


def log_of(data_file, text, zone="UTC", **more):
    return analyse_strip_log(data_file(text), zone=find_time_zone(zone), **more)


@pytest.mark.parametrize(
    ("reference", "factors"),
    [
        # ASTM C1074 equivalent age function, Q 5000 K, at 5/10/15/20/30 degC (recalled,
        # recomputed): exp(-5000 (1/Ta - 1/Ts))
        (23.0, (0.3354, 0.4606, 0.6258, 0.8413, 1.4768)),
        (20.0, (0.3986, 0.5475, 0.7438, 1.0, 1.7553)),
    ],
)
def test_arrhenius_age_of_a_day_at_one_temperature(data_file, reference, factors):
    rows = "".join(f"P{t},2026-03-04 10:00,2026-03-05 10:00,{t}\n" for t in (5, 10, 15, 20, 30))
    log = log_of(data_file, HEAD + rows, reference_c=reference)
    assert_allclose(
        log.pours["equivalent_arrhenius_h"], 24.0 * np.array(factors), rtol=0, atol=24 * 6e-5
    )
    assert log.pours["clock_h"].tolist() == [24.0] * 5


def test_nurse_saul_age_is_a_ratio_of_temperature_time_factors(data_file):
    # ASTM C1074: M = sum (Ta - T0) dt, T0 0 degC; a day at 10 degC is 240 degC h, half of 480
    log = log_of(data_file, HEAD + "P,2026-03-04 10:00,2026-03-05 10:00,10\n")
    assert_allclose(log.pours["equivalent_nurse_saul_h"], [12.0], rtol=1e-12, atol=0)


def test_two_steps_of_temperature_from_a_logger(data_file, table):
    # 12 h at 20 and 12 h at 10 degC count 12 + 12 x 0.5475 = 18.57 h at 20 degC (C1074, Q 5000 K;
    # recalled, recomputed). The step takes a minute.
    series = ["time,temperature_degC", "2026-03-04 10:00Z,20"]
    series += [f"2026-03-04 {h}:00Z,20" for h in range(11, 23)]
    series += ["2026-03-04 22:01Z,17", "2026-03-04 22:20Z,12", "2026-03-04 22:40Z,10"]
    series += ["2026-03-04 23:00Z,10"] + [f"2026-03-05 {h:02d}:00Z,10" for h in range(11)]
    table("\n".join(series) + "\n", name="p.csv")
    text = "pour,placed,removed,temperature_file\nP,2026-03-04 10:00,2026-03-05 10:00,p.csv\n"
    age = log_of(data_file, text).pours["equivalent_arrhenius_h"].iloc[0]
    # beside the step, the ramp of 40 min counts a little more than 10 degC would
    assert 18.57 < age < 18.57 + 0.25


def test_half_hourly_readings_against_an_integral(table, data_file):
    def degrees(hours):
        return 8.0 + 14.0 * (hours / 12.0) * np.exp(1.0 - hours / 12.0)

    rows = [
        f"2026-03-04 {9 + (k // 2):02d}:{30 * (k % 2):02d}Z,{degrees(k / 2.0):.6f}"
        for k in range(29)
    ]
    table("time,temperature_degC\n" + "\n".join(rows) + "\n", name="loggers/p-1.csv")
    path = table("pour,placed,removed\nP 1,2026-03-04 09:00Z,2026-03-04 23:00Z\n", name="log.csv")
    log = log_of(
        lambda text: data_file(text, name="log.csv"),
        path.read_text(),
        zone=None,
        loggers=path.parent / "loggers",
    )
    exact, _ = quad(lambda h: np.exp(-5000.0 * (1 / (degrees(h) + 273.15) - 1 / 293.15)), 0.0, 14.0)
    assert_allclose(log.pours["equivalent_arrhenius_h"], [exact], rtol=1e-3, atol=0)
    linear, _ = quad(lambda h: degrees(h) / 20.0, 0.0, 14.0)
    assert_allclose(log.pours["equivalent_nurse_saul_h"], [linear], rtol=1e-3, atol=0)
    assert log.pours["temperature_source"].tolist() == ["p-1.csv"]


def test_a_night_in_which_the_clocks_change(data_file):
    rows = (
        "Spring,2026-03-28 20:00,2026-03-29 08:00,20\nAutumn,2026-10-24 20:00,2026-10-25 08:00,20\n"
    )
    log = log_of(data_file, HEAD + rows, zone="CET")
    assert log.pours["clock_h"].tolist() == [11.0, 13.0]
    assert_allclose(log.pours["equivalent_arrhenius_h"], [11.0, 13.0], rtol=1e-12, atol=0)


def test_pours_that_miss_a_specified_age(data_file):
    rows = "Cold,2026-03-04 10:00,2026-03-05 10:00,5\nWarm,2026-03-04 10:00,2026-03-05 10:00,20\n"
    log = log_of(data_file, HEAD + rows, specified=20.0)
    assert dict(zip(log.pours["pour"], log.pours["misses"], strict=True)) == {
        "Cold": "yes",
        "Warm": "no",
    }
    assert log_of(data_file, HEAD + rows).pours["misses"].tolist() == ["", ""]


def test_equal_strip_ages_are_a_constant_and_few_pours_are_told(data_file):
    rows = "".join(f"P{k},2026-03-0{k} 10:00,2026-03-0{k} 22:00,20\n" for k in range(1, 5))
    log = log_of(data_file, HEAD + rows)
    assert log.distributions["arrhenius"] == ()
    assert any("4 pours are few" in text for text in log.warnings)


def test_frost_is_told(data_file):
    log = log_of(data_file, HEAD + "P,2026-03-04 10:00,2026-03-05 10:00,-1\n")
    assert any("at or below 0 degC before stripping: P" in text for text in log.warnings)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (
            "P,2026-03-05 10:00,2026-03-04 10:00,20\n",
            'line 2, P, removed = "2026-03-04 10:00 (placed 2026-03-05 10:00)": must be after placed',
        ),
        ("P,2026-03-05 10:00,2026-03-05 10:00,20\n", "must be after placed"),
        ("P,2026-03-05 10:00,2027-03-05 10:00,20\n", "is more than 60 d after placed; check"),
        (
            "P,2026-03-04 10:00,2026-03-05 10:00,150\n",
            "temperature_degC = 150.0: must be at least -40 degC and at most 100 degC",
        ),
        (
            "P,2026-03-04 10:00,2026-03-05 10:00,20\nP,2026-03-06 10:00,2026-03-07 10:00,20\n",
            'line 3, pour = "P": stands in an earlier row too; give each pour one row',
        ),
        ("P,2026-03-04 10:00,05.03.2026 10:00,20\n", "has dates in 2 formats"),
        ("P,2026-03-29 02:30,2026-03-29 20:00,20\n", "never happened in CET"),
        (
            "P,2026-03-04 10:00,2026-03-05 10:00,20\nQ,2026-03-04 10:00,2026-03-05 10:00,\n",
            "line 3, Q: temperature: has no value; give temperature_degC, temperature_file or --logg",
        ),
    ],
)
def test_what_a_log_may_not_say(data_file, rows, message):
    with pytest.raises(EvidenceError) as caught:
        log_of(data_file, HEAD + rows, zone="CET")
    assert message in str(caught.value)


SERIES = "time,temperature_degC\n"


def hourly(*degrees, start=0):
    return "".join(f"2026-03-04 {start + k:02d}:00Z,{d}\n" for k, d in enumerate(degrees))


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("2026-03-04 10:00Z,20\n2026-03-04 09:30Z,20\n", "is earlier than the reading before it"),
        ("2026-03-04 10:00Z,20\n2026-03-04 10:00Z,21\n", "is given twice with two temperatures"),
        (
            "2026-03-04 10:00Z,20\n2026-03-04 10:30Z,85\n",
            "line 3, temperature_degC = 85.0: differs from the reading before it by more than "
            "concrete can change (20 K per hour)",
        ),
        ("2026-03-04 10:00Z,20\n2026-03-04 10:30Z,-127\n", "must be at least -40 degC"),
        ("2026-03-04 10:00,20\n", "has no zone"),
    ],
)
def test_impossible_readings_of_a_logger(table, rows, message):
    with pytest.raises(EvidenceError) as caught:
        read_logger(table(SERIES + rows), zone=None)
    assert message in str(caught.value)


def test_gaps_are_bridged_told_or_refused():
    record = TemperatureRecord(
        np.array([0.0, 1.0, 5.0, 6.0]), np.array([10.0, 10.0, 14.0, 14.0]), "p.csv"
    )
    hours, degrees, notes = clip_record(record, start=0.0, end=8.0)
    assert_allclose(hours, [1.0, 4.0, 1.0, 2.0], rtol=0, atol=1e-12)
    assert_allclose(degrees, [10.0, 12.0, 14.0, 14.0], rtol=0, atol=1e-12)
    assert notes == [
        "readings end 2.0 h before stripping; the nearest one stands for that time",
        "a gap of 4.0 h between readings is bridged by a straight line",
    ]
    with pytest.raises(InputError, match=r"p.csv: its readings end 10.0 h before stripping"):
        clip_record(record, start=0.0, end=16.0)
    with pytest.raises(InputError, match=r"begin 7.0 h after placing; at most 6 h"):
        clip_record(record, start=-7.0, end=5.0)
    with pytest.raises(InputError, match="no reading between placing and stripping"):
        clip_record(record, start=20.0, end=30.0)
    wide = TemperatureRecord(np.array([0.0, 9.0]), np.array([10.0, 12.0]), "p.csv")
    with pytest.raises(InputError, match=r"has a gap of 9.0 h between readings"):
        clip_record(wide, start=1.0, end=8.0)


def test_a_sensor_that_never_moves_is_told():
    record = TemperatureRecord(np.arange(0.0, 31.0), np.full(31, 12.5), "p.csv")
    assert clip_record(record, start=0.0, end=30.0)[2] == [
        "the sensor shows one value throughout: check that it was working"
    ]


def test_one_file_for_several_pours_and_a_bad_one_told_once(data_file, table):
    table(
        "time,temperature_degC,pour\n2026-03-04 10:00Z,20,P\n2026-03-04 13:00Z,20,P\n"
        "2026-03-04 10:00Z,10,Q\n2026-03-04 13:00Z,10,Q\n",
        name="both.csv",
    )
    head = "pour,placed,removed,temperature_file\n"
    rows = "".join(f"{p},2026-03-04 10:00,2026-03-04 13:00,both.csv\n" for p in "PQ")
    pours = log_of(data_file, head + rows).pours
    assert pours["temperature_mean_degC"].tolist() == [20.0, 10.0]
    table(SERIES + "2026-03-04 10:00Z,hot\n", name="both.csv")
    with pytest.raises(EvidenceError) as caught:
        log_of(data_file, head + rows)
    first, second = str(caught.value).splitlines()
    assert 'both.csv: line 2, temperature_degC = "hot": must be a number' in first
    assert second == "data.csv: line 3, Q: both.csv: cannot be used; see above"


@pytest.mark.parametrize("name", ["../secret.csv", "/etc/hostname"])
def test_a_log_does_not_lead_out_of_its_folder(data_file, name):
    text = f"pour,placed,removed,temperature_file\nP,2026-03-04 10:00,2026-03-05 10:00,{name}\n"
    with pytest.raises(EvidenceError, match="must lie in the folder of the log"):
        log_of(data_file, text)


def test_mean_and_file_at_once(data_file):
    text = HEAD.replace("\n", ",temperature_file\n")
    with pytest.raises(EvidenceError, match=r"is given as a mean and as .*; keep one of them"):
        log_of(data_file, text + "P,2026-03-04 10:00,2026-03-05 10:00,20,p.csv\n")


def test_a_folder_of_loggers_without_the_pour(data_file, tmp_path):
    with pytest.raises(EvidenceError, match=r"--loggers: holds no file wall-7.csv"):
        log_of(
            data_file,
            "pour,placed,removed\nWall 7,2026-03-04 10:00,2026-03-05 10:00\n",
            loggers=tmp_path,
        )
