"""Files of inspections whose rows name the face of an inventory that they belong to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from stripwise.errors import EvidenceError
from stripwise.evidence.inspections.inspection_kinds import INSPECTIONS
from stripwise.evidence.inspections.inspection_rows import EffectivePoints, read_set
from stripwise.evidence.inspections.inspection_sets import InspectionSet
from stripwise.evidence.tables.columns import Column, FileKind
from stripwise.evidence.tables.data_file import LINE, DataFile, read_data_file, read_data_frame

__all__ = ["ELEMENT", "element_set", "read_element_files"]

ELEMENT = "element"
"""Column with the name of the face."""


def _of_elements(kind: FileKind) -> FileKind:
    """Return a kind whose rows name an element, which says the strategy."""
    rest = (
        replace(column, required=False) if column.stem == "strategy" else column
        for column in kind.columns
    )
    return replace(kind, columns=(Column(ELEMENT, is_name=True), *rest))


KINDS = tuple(_of_elements(kind) for kind in INSPECTIONS)
PLAIN = {kind.name: kind for kind in INSPECTIONS}


def read_element_files(tables: Sequence[str | Path | pd.DataFrame]) -> tuple[DataFile, ...]:
    """Read files of inspections with a column `element`; EvidenceError with what is wrong of each."""
    files, texts, digests = list[DataFile](), list[str](), dict[str, str]()
    for place, table in enumerate(tables, start=1):
        try:
            one = (
                read_data_frame(table, kinds=KINDS, name=f"table-{place}.csv")
                if isinstance(table, pd.DataFrame)
                else read_data_file(table, kinds=KINDS)
            )
        except EvidenceError as error:
            texts += error.problems
            continue
        if one.digest in digests:
            texts.append(f"{one.name}: is the same file as {digests[one.digest]}; data count once")
        digests.setdefault(one.digest, one.name)
        files.append(one)
    if texts:
        raise EvidenceError(texts)
    return tuple(files)


def element_set(
    data_file: DataFile,
    element: str,
    *,
    strategy: str,
    named: bool,
    effective: EffectivePoints | None,
    first_exposure: date | None,
) -> InspectionSet:
    """Check what a file holds of one element.

    Parameters
    ----------
    strategy
        Strategy of the face, or a name that stands for its own curing.
    named
        Whether that is a strategy of the scenario, which rows may repeat.
    effective, first_exposure
        As `read_set`.
    """
    data = data_file.data
    rows: pd.DataFrame = data[data[ELEMENT] == element].reset_index(drop=True)
    problems = data_file.problems()
    if "strategy" in rows:
        rule = (
            f"must be {strategy}, the strategy of the face, or empty"
            if named
            else "must be empty: the face has a strip age of its own, and no strategy"
        )
        given = rows["strategy"].to_numpy(dtype=object)
        for at in np.flatnonzero((given != "") & ((given != strategy) | (not named))):
            problems.add(
                rule,
                line=int(rows[LINE].iloc[at]),
                about=f"element {element}",
                column=data_file.headers["strategy"],
                found=given[at],
            )
    if "date" in rows and first_exposure is None:
        problems.add(
            "needs the date of first exposure of the face: a column built in the table of faces",
            line=int(rows[LINE].iloc[0]),
            about=f"element {element}",
            column=data_file.headers["date"],
        )
    problems.raise_all()
    kind = PLAIN[data_file.kind.name]
    if any(column.stem == "strategy" for column in kind.columns):
        rows = rows.assign(strategy=strategy)
    own = replace(data_file, kind=kind, data=rows)
    return read_set(own, effective=effective, first_exposure=first_exposure)
