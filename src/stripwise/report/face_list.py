"""The list of faces to sort and filter: one page, self-contained and without network."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Mapping, Sequence
from importlib import resources

from markupsafe import escape

from stripwise.units.caution import CAUTION
from stripwise.units.formatting import confidence, decimals, number, percent
from stripwise.units.result_columns import columns

__all__ = ["face_list"]

FIRST = ("element", "meets_target", "probability_at_target", "confidence", "group")
"""Columns that a narrow screen shows, in their order."""

WRITERS: Mapping[str, Callable[[float], str]] = {
    "probability_now": percent,
    "probability_at_target": percent,
    "probability_before": percent,
    "know_low": percent,
    "know_high": percent,
    "confidence": confidence,
    "confidence_low95": percent,
    "confidence_high95": percent,
    "life_at_target_yr": number,
    "year_reached": lambda year: decimals(year, 0),
}
"""How a result is shown; all else stands as in elements.csv."""


def face_list(header: Sequence[str], rows: str, *, source: str) -> str:
    """Write the page of all faces, given the rows of elements.csv and the name of the faces' file."""
    results = columns("elements")
    order = sorted(range(len(header)), key=lambda k: (_place(header[k], results), k))
    heads = [header[k] for k in order]
    cells = [[row[k] for k in order] for row in csv.reader(io.StringIO(rows))]
    shown = {k: WRITERS[name] for k, name in enumerate(heads) if name in WRITERS}
    texts = [{k: write(float(row[k])) for k, write in shown.items() if row[k]} for row in cells]
    data = json.dumps({"head": heads, "rows": cells, "shown": texts}, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":  # nothing of the data may end its script
        data = data.replace(sign, f"\\u{ord(sign):04x}")
    page = resources.files("stripwise.report.templates").joinpath("face_list.html")
    values = {"title": escape(f"Faces of {source}"), "caution": escape(CAUTION), "data": data}
    return re.sub(
        r"@(title|caution|data)@",
        lambda found: str(values[found[1]]),
        page.read_text(encoding="utf-8"),
    )


def _place(name: str, results: Sequence[str]) -> int:
    """Order what a narrow screen shows, then other results, then what was given."""
    if name in FIRST:
        return FIRST.index(name)
    return len(FIRST) + (name not in results or name == "strategy")
