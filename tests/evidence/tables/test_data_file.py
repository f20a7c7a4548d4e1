"""Files of test data as people write them, good and bad."""

import re
import tracemalloc

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from stripwise.errors import EvidenceError
from stripwise.evidence.tables import data_file as data_file_module
from stripwise.evidence.tables.columns import normalise_name
from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import KINDS, LOGGER

DRYING = "specimen,strategy,time_d,mass_loss_pct\nA,Forms 24 h,0,0\nA,Forms 24 h,1.5,0.25\n"


def same(data):
    assert data["specimen"].tolist() == ["A", "A"]
    assert data["strategy"].tolist() == ["Forms 24 h", "Forms 24 h"]
    assert_allclose(data["time_d"], [0.0, 1.5], rtol=1e-12, atol=0)
    assert data["mass_loss_pct"].tolist() == [0.0, 0.25]


@pytest.mark.parametrize(
    "text",
    [
        DRYING,
        DRYING.replace("\n", "\r\n"),
        "\ufeff" + DRYING,
        DRYING.replace(",", "\t"),
        DRYING.replace(",", ";"),
        DRYING.replace(",", ";").replace(".", ","),
        DRYING.replace(",", "\t").replace(".", ","),
        DRYING.replace("A,", '"A",').replace("Forms 24 h", '"Forms 24 h"'),
        "# invented\n\n" + DRYING.replace("A,Forms 24 h,1.5", "\n  ,,,\nA,Forms 24 h,1.5"),
        DRYING.replace("time_d", " Time [d] ").replace("mass_loss_pct", "Mass loss (%)"),
        DRYING.replace("time_d", "time_h").replace("1.5", "36"),
        DRYING.replace("time_d", "time_min").replace("1.5", "2160"),
        DRYING.replace("pct\n", "pct,,\n").replace("0\nA", "0,,\nA").replace("0.25\n", "0.25,,\n"),
        DRYING.replace("pct\n", "pct,remarks\n")
        .replace("0\nA", "0,\nA")
        .replace("0.25\n", "0.25,wet\n"),
    ],
)
def test_every_usual_way_to_write_a_table_reads_the_same(data_file, text):
    result = data_file(text)
    assert (result.kind.name, result.notes) == ("drying", ())
    same(result.data)


def test_utf_16_as_spreadsheets_write_it(data_file):
    same(data_file(DRYING.replace(",", "\t"), encoding="utf-16").data)


@pytest.mark.parametrize(
    ("header", "value", "column", "expected"),
    [
        # 1 in = 25.4 mm exactly; 1 degF = 5/9 K; 1 lb = 0.45359237 kg, 1 yd = 0.9144 m exactly
        # (NIST Special Publication 811, 2008, B.8; recalled)
        ("cover_in", "2", "cover_mm", 50.8),
        ("cover_cm", "5.08", "cover_mm", 50.8),
        ("Cover (mm)", "50.8", "cover_mm", 50.8),
        ("cover_ft", "0.25", "cover_mm", 76.2),
    ],
)
def test_units_in_the_header(data_file, header, value, column, expected):
    data = data_file(f"{header}\n{value}\n").data
    assert_allclose(data[column], [expected], rtol=1e-12, atol=0)


@pytest.mark.parametrize(
    ("header", "value", "expected"),
    [
        ("temperature_degF", "50", 10.0),
        ("temperature [°C]", "10", 10.0),
        ("temperature_K", "283.15", 10.0),
    ],
)
def test_temperatures(data_file, header, value, expected):
    result = data_file(f"time,{header}\n2026-03-01 10:00,{value}\n", kinds=[LOGGER])
    assert_allclose(result.data["temperature_degC"], [expected], rtol=0, atol=1e-10)


PROFILE = "specimen,strategy,depth_from_mm,depth_to_mm,chloride_pct,exposure_d,initial_pct\n"


@pytest.mark.parametrize(
    ("unit", "basis", "factor"),
    [
        ("pct", "pct", 1.0),
        ("pct_concrete", "pct", 1.0),
        ("pct_binder", "pct_binder", 1.0),
        ("kg_m3", "kg_m3", 1.0),
        ("lb_yd3", "kg_m3", 0.45359237 / 0.9144**3),
    ],
)
def test_chloride_keeps_its_basis(data_file, unit, basis, factor):
    text = PROFILE.replace("chloride_pct", f"chloride_{unit}").replace(
        "initial_pct", f"initial_{unit}"
    )
    result = data_file(text + "A,B,0,2,0.5,90,0.01\n")
    assert result.bases == {"chloride": basis, "initial": basis}
    assert_allclose(
        result.data[["chloride", "initial"]], [[0.5 * factor, 0.01 * factor]], rtol=1e-12, atol=0
    )


def test_below_a_detection_limit(data_file):
    result = data_file(PROFILE + "A,B,0,2,0.5,90,<0.01\nA,B,2,4,<0.02,90,<0.01\n")
    assert result.data["chloride"].tolist() == [0.5, 0.02]
    assert result.data["chloride_below"].tolist() == [False, True]
    assert result.data["initial_below"].tolist() == [True, True]


def test_missing_optional_values_and_lines_of_the_file(data_file):
    result = data_file(PROFILE + "A,B,0,2,0.5,90,\n\n# a remark\nA,B,2,4,0.3,90,n/a\n")
    assert result.data["line"].tolist() == [2, 5]
    assert result.data["initial"].isna().all()


def test_columns_that_are_not_used_are_told(data_file):
    text = (
        DRYING.replace("pct\n", "pct,operator,mould\n")
        .replace("0\nA", "0,x,1\nA")
        .replace("0.25\n", "0.25,x,2\n")
    )
    assert data_file(text).notes == ('Not used: column "operator", "mould".',)


def test_an_empty_optional_column_is_told(data_file):
    assert data_file(PROFILE + "A,B,0,2,0.5,90,\n").notes == (
        'Column "initial_pct" is empty and not used.',
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        # nothing to go by
        ("", "data.csv: is empty; the first row names the columns"),
        (DRYING.splitlines()[0] + "\n", "data.csv: has a header and no rows"),
        ("\n# only a remark\n", "data.csv: is empty"),
        (b"\x50\x4b\x03\x04\x00\x00", "data.csv: is no text; save the table as CSV"),
        (DRYING.encode() + b"A,\x81,1,1\n", "data.csv: line 4: is neither UTF-8 nor"),
        ('specimen,strategy,time_d,mass_loss_pct\n"A,B,1,2\n', "line 2: has a quotation mark"),
        ("a,b\n1,2\n", "its columns tell no kind of data: a, b\n"),
        ("a,b\n1,2\n", "a drying test (drying) needs specimen, strategy, time_d, mass_loss_pct"),
        (
            "a,b\n1,2\n",
            "needs specimen, strategy, chloride_pct, exposure_d, and depth_from_mm and "
            "depth_to_mm or depth_mm (optional: initial_pct, form_face, follow_up, strip_age_h)",
        ),
        (DRYING.replace("mass_loss", "mas_loss"), 'is "mas_loss_pct" meant for mass_loss_pct?'),
        # columns
        (
            DRYING.replace("time_d", "tme_d"),
            "data.csv: line 1, tme_d: unknown column; the nearest spelling is 'time_d'",
        ),
        (
            DRYING.replace("time_d,", "").replace(",0,0", ",0").replace("1.5,", ""),
            "line 1, time_d: the column is missing; a drying test needs specimen",
        ),
        (
            DRYING.replace("time_d", "time"),
            "line 1, time: needs the unit of a duration at the end of its name: time_d, time_h",
        ),
        (DRYING.replace("time_d", "time_moons"), '"moons" is no unit of a duration; use time_d'),
        (DRYING.replace("Forms 24 h", ""), "line 1, strategy: the column is empty"),
        (
            DRYING.replace("pct\n", "pct,\n").replace("0\nA", "0,9\nA").replace("0.25", "0.25,"),
            "line 1, column 5: has no name; name the column or take it out",
        ),
        (
            DRYING.replace("pct\n", "pct,time_h\n")
            .replace("0\nA", "0,0\nA")
            .replace("0.25", "0.25,36"),
            'line 1, time_h: stands beside "time_d", which says the same',
        ),
        (
            PROFILE.replace("initial_pct", "intial_pct") + "A,B,0,2,0.5,90,\n",
            "intial_pct: unknown and empty column; the nearest spelling is 'initial_pct'",
        ),
        (
            PROFILE.replace("pct,exp", "kg_m3,exp") + "A,B,0,2,0.5,90,0.1\n",
            "chloride_kg_m3 and initial_pct have different bases; give all contents in one unit",
        ),
        (
            PROFILE.replace("initial_pct", "chloride_kg_m3") + "A,B,0,2,0.5,90,12\n",
            'chloride_kg_m3: stands beside "chloride_pct"',
        ),
        (
            PROFILE.replace("depth_from_mm", "depth_mm") + "A,B,0,2,0.5,90,0.1\n",
            "needs depth_from_mm and depth_to_mm or depth_mm, and has depth_mm, depth_to_mm",
        ),
        # cells
        (DRYING + "A,Forms 24 h,3\n", "line 4, 3 cells: has another number of cells than the head"),
        (DRYING + "A,Forms 24 h,3,1,5\n", "line 4, 5 cells: has another number of cells"),
        (DRYING + "A,Forms 24 h,three,1\n", 'line 4, time_d = "three": must be a number'),
        (DRYING + "A,Forms 24 h,,1\n", "line 4, time_d: has no value; every row needs one"),
        (DRYING + "A,Forms 24 h,inf,1\n", "line 4, time_d = inf: must be a number"),
        (DRYING + "A,Forms 24 h,-1,1\n", "time_d = -1.0: must be at least 0 d and at most 7305 d"),
        (DRYING + "A,Forms 24 h,3,90\n", "mass_loss_pct = 90.0: must be at least -5 % and at mo"),
        (DRYING + 'A,Forms 24 h,"3,5",1\n', "decimals are written with a point"),
        (
            DRYING.replace(",", ";") + "A;Forms 24 h;3;1,5\n",
            "data.csv: has decimal commas and decimal points; write all decimals in one way",
        ),
        (DRYING.replace(",", ";") + "A;Forms 24 h;3;1.234,5\n", "must be a number"),
        # names
        (DRYING + "A,forms 24  h,3,1\n", 'is also spelt "Forms 24 h"; write one name in one way'),
        (DRYING + "=1+1,Forms 24 h,3,1\n", "must not start with '='"),
        (DRYING + "A,Forms\x07,3,1\n", "holds the control character U+0007"),
    ],
)
def test_what_is_refused_and_how(problems, text, told):
    assert told in problems(text)


def test_all_problems_of_a_file_are_told_in_order_and_many_alike_are_counted(problems):
    rows = "".join(f"A,Forms 24 h,{t},x\n" for t in range(2, 12)) + "B,,1,1\n"
    lines = problems(DRYING + rows).splitlines()
    assert len(lines) == 7
    assert lines[0].startswith('data.csv: line 4, mass_loss_pct = "x": must be a number')
    assert lines[5] == "data.csv: mass_loss_pct: must be a number: 5 more places like these"
    assert lines[6] == "data.csv: line 14, strategy: has no value; every row needs one"


@pytest.mark.parametrize("make", ["missing", "folder"])
def test_no_file(tmp_path, make):
    path = tmp_path if make == "folder" else tmp_path / "none.csv"
    with pytest.raises(EvidenceError, match=r"no such file|is no file"):
        read_data_file(path, kinds=KINDS)


def test_more_rows_than_are_read_at_once(data_file):
    count = 2 * data_file_module.PIECE + 5_000
    loss = np.random.default_rng(1).uniform(0.0, 3.0, count).round(3)
    rows = "\n".join(f"S{i % 999},Forms {i % 5} h,{i},{x}" for i, x in enumerate(loss % 7305))
    text = "specimen,strategy,time_min,mass_loss_pct\n" + rows + "\n"
    result = data_file(text)
    assert_allclose(result.data["mass_loss_pct"], loss, rtol=0, atol=1e-12)
    assert result.data["line"].iloc[-1] == count + 1


@pytest.mark.parametrize(
    ("header", "name"),
    [
        ("depth_from_mm", "depth_from_mm"),
        ("Chloride [% binder]", "chloride_pct_binder"),
        ("Chloride (kg/m³)", "chloride_kg_m3"),
        ("T (° C)", "t_degc"),
    ],
)
def test_headers_made_for_people(header, name):
    assert normalise_name(header) == name


def test_pieces_read_as_the_whole(table, monkeypatch):
    rows = [f"W{i % 3},{50 + i % 7}.5,{i}" for i in range(50)]
    path = table("area,cover_mm,x_m\n" + "\n".join(rows))
    whole = read_data_file(path, kinds=KINDS)
    monkeypatch.setattr(data_file_module, "PIECE", 7)
    in_pieces = read_data_file(path, kinds=KINDS)
    pd.testing.assert_frame_equal(in_pieces.data, whole.data)
    assert (in_pieces.digest, in_pieces.notes) == (whole.digest, whole.notes)
    rows[3], rows[40] = "W0,thin,3", "w0,51,40"
    with pytest.raises(EvidenceError) as caught:
        read_data_file(table("area,cover_mm,x_m\n" + "\n".join(rows)), kinds=KINDS)
    assert caught.value.problems == (
        'data.csv: line 5, cover_mm = "thin": must be a number',
        'data.csv: line 42, area = "w0": is also spelt "W0"; write one name in one way',
    )


def test_a_cell_beyond_the_limit_is_told(table):
    path = table("cover_mm,area\n" + f"50,{'a' * 131_073}\n" * 12)
    with pytest.raises(EvidenceError, match=r"line 2: has a cell of more than 131,072 characters"):
        read_data_file(path, kinds=KINDS)


@pytest.mark.parametrize(
    ("cell", "rule"),
    [
        ("=1+1", "must not start with '='"),
        ("a" * 81, "has 81 characters; at most 80"),
        ("wet\x07", "holds the control character U+0007"),
    ],
)
@pytest.mark.parametrize("column", ["follow_up", "face"])
def test_texts_of_a_strip_log_keep_the_rules_of_names(table, column, cell, rule):
    row = "W1,2024-05-01T08:00Z,2024-05-02T08:00Z,12"
    path = table(f"pour,placed,removed,temperature_degC,{column}\n{row},{cell}\n")
    with pytest.raises(EvidenceError, match=re.escape(rule)) as caught:
        read_data_file(path, kinds=KINDS)
    assert f"line 2, {column} = " in str(caught.value)


def test_the_text_of_a_large_survey_is_not_held(table, monkeypatch):
    rows = [f"{i % 500},{i // 500},{50 + i % 9},West wall\n" for i in range(10_000)]
    monkeypatch.setattr(data_file_module, "PIECE", 500)
    head = "x_m,y_m,cover_mm,area\n"
    read_data_file(table(head + "".join(rows[:20])), kinds=KINDS)  # what is made once
    path = table(head + "".join(rows))
    tracemalloc.start()
    try:
        read_data_file(path, kinds=KINDS)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # a row of four texts takes some 400 bytes (CPython's own sizes), of the table 40
    assert peak < 10_000 * 200
