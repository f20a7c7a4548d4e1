"""The list of faces: the verdict first, numbers as on every page, nothing of the data runs."""

import json
import re

from stripwise.report.face_list import face_list
from stripwise.units.caution import CAUTION
from stripwise.units.result_columns import columns

HEADER = [
    "element", "strategy", "owner", "probability_at_target", "confidence", "meets_target",
    "year_reached", "rank",
]  # fmt: skip
ROWS = (
    'F1,Forms 24 h,"</script><b>",0.319181,0.684,no,2006.2295,1\r\n'
    "F2,Forms 24 h,,0.0968,,yes,inf,2\r\n"
)


def listed():
    page = face_list(HEADER, ROWS, source="<faces>.csv")
    data = re.search(r'<script id="data" type="application/json">(.*?)</script>', page, re.S)[1]
    return page, json.loads(data)


def test_the_verdict_stands_first_and_what_was_given_last():
    _, data = listed()
    assert data["head"] == [
        "element", "meets_target", "probability_at_target", "confidence", "year_reached", "rank",
        "strategy", "owner",
    ]  # fmt: skip
    assert data["rows"][0] == [
        "F1", "no", "0.319181", "0.684", "2006.2295", "1", "Forms 24 h", "</script><b>",
    ]  # fmt: skip


def test_numbers_read_as_on_every_page():
    _, data = listed()
    assert data["shown"] == [
        {"2": "31.9 %", "3": "70 %", "4": "2006"},
        {"2": "9.7 %", "4": "unlimited"},
    ]


def test_nothing_of_the_data_ends_its_script_and_the_caution_is_there():
    page, _ = listed()
    assert "</script><b>" not in page
    assert "<faces>" not in page
    assert page.count("</script>") == 2
    assert CAUTION[:40] in page


def test_every_probability_of_a_face_is_a_percentage():
    names = [n for n in columns("elements") if n.startswith(("probability", "know_", "confidence"))]
    assert "probability_before" in names
    row = ",".join("0.319181" for _ in names)
    page = face_list(names, f"{row}\n", source="faces.csv")
    data = json.loads(re.search(r'"application/json">(.*?)</script>', page, re.S)[1])
    assert all(text.endswith(" %") for text in data["shown"][0].values())
    assert len(data["shown"][0]) == len(names)
