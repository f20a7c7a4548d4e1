"""Every bad row is told, with its line and column."""

import numpy as np
import pandas as pd
import pytest

from stripwise.errors import EvidenceError, InputError
from stripwise.studies.inventory.face_columns import read_header
from stripwise.studies.inventory.face_rows import open_faces
from stripwise.studies.inventory.inventory_plan import prepare

GOOD = {
    "element": "F",
    "strategy": "",
    "strip_age_h": "24",
    "concrete_temperature_degC": "",
    "follow_up": "",
    "follow_up_d": "",
    "follow_up_temperature_degC": "",
    "face": "",
    "nominal_cover_mm": "50",
    "cover_sd_mm": "",
    "concrete_type": "",
    "exposure_type": "",
    "built": "2001-05",
    "area_m2": "12",
    "group": "north",
    "exposure.surface_chloride.mean": "",
    "note": "-3.5",
}

BAD = (
    ({"element": ""}, "element", "needs a name"),
    ({"element": "=1+1"}, "element", "spreadsheet"),
    ({"element": "x" * 81}, "element", "at most 80"),
    ({"element": "a\x1b[31m"}, "element", "control character"),
    ({"strategy": "Forms 99 h", "strip_age_h": ""}, "strategy", "must be one of"),
    ({"strategy": "Forms 24 h"}, "strip_age_h", "beside strategy"),
    ({"strip_age_h": ""}, "strategy", "every face needs"),
    ({"strip_age_h": "0.5"}, "strip_age_h", "must be between 1 h and 60 d"),
    ({"strip_age_h": "2"}, "strip_age_h", "the usual value is 4 h"),
    ({"strip_age_h": "1,5"}, "strip_age_h", "write decimals with a point"),
    ({"strip_age_h": "inf"}, "strip_age_h", "must be a finite number"),
    ({"strip_age_h": "4", "concrete_temperature_degC": "-9"}, "concrete_temperature_degC", "usual"),
    ({"concrete_temperature_degC": "200"}, "concrete_temperature_degC", "must be between"),
    ({"follow_up": "blanket", "follow_up_d": "3"}, "follow_up", "must be one of none, sheet"),
    ({"follow_up": "sheet"}, "follow_up_d", "how long the sheet stays"),
    ({"follow_up_d": "3"}, "follow_up_d", "without a follow_up"),
    (
        {"follow_up": "sheet", "follow_up_d": "3", "follow_up_temperature_degC": "-2"},
        "follow_up_temperature_degC",
        "above 0 degC",
    ),
    ({"face": "sloping"}, "face", "must be one of vertical, horizontal"),
    ({"nominal_cover_mm": "5"}, "nominal_cover_mm", "the usual value is 10 mm to 300 mm"),
    ({"nominal_cover_mm": "-5"}, "nominal_cover_mm", "must be at least 0 mm"),
    ({"cover_sd_mm": "80"}, "cover_sd_mm", "the usual sd is"),
    ({"cover_sd_mm": "0"}, "cover_sd_mm", "must be above 0"),
    ({"concrete_type": "slagg"}, "concrete_type", 'the nearest spelling is "slag"'),
    ({"exposure_type": "wild"}, "exposure_type", "must be one of mild"),
    ({"built": "31.05.2001"}, "built", "must be a date such as"),
    ({"built": "2001-02-30"}, "built", "must be a date such as"),
    ({"built": ""}, "built", "has no value"),
    ({"area_m2": "-1"}, "area_m2", "must be above 0"),
    ({"area_m2": "big"}, "area_m2", "must be a finite number"),
    ({"group": "@x"}, "group", "spreadsheet"),
    ({"exposure.surface_chloride.mean": "900"}, "exposure.surface_chloride.mean", "usual mean"),
    ({"note": "=cmd|x"}, "note", "spreadsheet"),
    ({"note": "a\x00b"}, "note", "printable"),
)


def rows_of(changes):
    return pd.DataFrame(
        [{**GOOD, "element": f"F{k}", **change} for k, change in enumerate(changes)]
    )


def test_each_kind_of_bad_row_is_told_with_line_and_column(case):
    frame = rows_of([*(change for change, _, _ in BAD), {}])
    plan, problems = prepare(case, open_faces(frame), year=2026.0, skip_bad=True)
    table = problems.table
    for line, (_, column, words) in enumerate(BAD, start=1):
        own = table[(table["line"] == line) & (table["column"] == column)]
        assert own["rule"].str.contains(words, regex=False).any(), (line, column, words)
    assert set(table["line"]) == set(range(1, len(BAD) + 1))
    assert plan.faces == 1
    assert problems.count == len(BAD)


def test_a_thousand_bad_rows_are_counted_and_every_kind_is_told(case):
    changes = [BAD[k % len(BAD)][0] for k in range(1000)]
    frame = rows_of([*changes, {}])
    with pytest.raises(EvidenceError) as caught:
        prepare(case, open_faces(frame), year=2026.0)
    told = "\n".join(caught.value.problems)
    for _, column, words in BAD:
        assert words in told, words
        assert column in told
    assert "more places like these" in told
    plan, problems = prepare(case, open_faces(frame), year=2026.0, skip_bad=True)
    assert problems.count == 1000
    assert plan.faces == 1


def test_names_that_stand_twice_are_told_by_their_later_line(case):
    frame = rows_of([{}, {}, {"element": "F0"}])
    with pytest.raises(EvidenceError, match=r'line 3, element = "F0": is used twice'):
        prepare(case, open_faces(frame), year=2026.0)


def test_ragged_rows_of_a_file_are_told(case, tmp_path):
    path = tmp_path / "faces.csv"
    path.write_text('# made\nelement;strategy\nA;Forms 24 h\nB\n"C\nc";Forms 24 h\nD;;x\n')
    with pytest.raises(EvidenceError) as caught:
        prepare(case, open_faces(path))
    told = "\n".join(caught.value.problems)
    assert "line 4 = " in told
    assert "another number of cells than the head, which has 2" in told
    assert "line 6, element" in told  # the line on which the cell with a line break ends


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (["element", "strategy", "sampling.seed"], "is one for the whole inventory"),
        (["element", "strategy", "exposure.temperature"], "needs the unit of a temperature"),
        (["element", "strategi"], "the nearest spelling is 'strategy'"),
        (["element", "strategy", "nominal_cover"], "such as nominal_cover_mm"),
        (["element", "strategy", "area"], "area_m2"),
        (["element", "strategy", "=x"], "spreadsheet"),
        (["strategy"], "needs a column element"),
        (["element"], "needs a column strategy"),
        (["element", "strategy", "built", "age_yr"], "has built and age"),
        (["element", "strategy", "strategy"], "stands beside"),
    ],
)
def test_a_head_that_cannot_be_read_is_refused(names, words):
    with pytest.raises(EvidenceError, match=words):
        read_header(names, file="faces.csv")


def test_keys_and_blocks_make_classes_and_units_convert(case):
    frame = rows_of(
        [
            {},
            {"concrete_type": "slag"},
            {"exposure_type": "mild", "concrete_type": "slag"},
            {"exposure.surface_chloride.mean": "2.5"},
        ]
    ).rename(columns={"nominal_cover_mm": "nominal_cover_in", "area_m2": "area_ft2"})
    frame["nominal_cover_in"] = "2"
    plan, _ = prepare(case, open_faces(frame), year=2026.0)
    assert [needs.faces for needs in plan.needs] == [1, 1, 1, 1]
    slag, mild, more = plan.classes.classes[1:]
    assert slag.case.input("concrete.diffusivity").distribution.mean == pytest.approx(
        94.67, abs=0.01
    )
    assert mild.case.input("exposure.surface_chloride").distribution.mean == 1.5
    assert more.case.input("exposure.surface_chloride").distribution.mean == 2.5
    piece = next(iter(open_faces(frame).pieces()))
    faces = plan.check(piece)
    assert faces.cover == pytest.approx(np.full(4, 50.8))
    assert faces.area == pytest.approx(np.full(4, 12 * 0.09290304))
    assert faces.age == pytest.approx(np.full(4, 2026.0 - (2001 + 120 / 365)))


def test_a_date_needs_the_year_of_the_state(case):
    with pytest.raises(InputError, match="--year"):
        prepare(case, open_faces(rows_of([{}])))


def test_parquet_reads_as_csv(case, tmp_path):
    frame = rows_of([{}, {"concrete_type": "slag"}])
    frame.to_csv(tmp_path / "faces.csv", index=False)
    typed = frame.assign(strip_age_h=24.0, area_m2=12)
    typed.to_parquet(tmp_path / "faces.parquet")
    plans = [
        prepare(case, open_faces(tmp_path / name), year=2026.0)[0]
        for name in ("faces.csv", "faces.parquet")
    ]
    assert [[n.faces for n in plan.needs] for plan in plans] == [[1, 1], [1, 1]]
    assert plans[0].needs[0].strip == plans[1].needs[0].strip
