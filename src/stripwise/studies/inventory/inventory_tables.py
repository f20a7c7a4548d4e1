"""The tables of an inventory: which faces go first, groups side by side, targets, classes."""

from __future__ import annotations

import csv
import io

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.face_tables import index_of
from stripwise.studies.inventory.elements import SolvedClass
from stripwise.studies.inventory.inventory_plan import InventoryPlan, counted_targets
from stripwise.studies.inventory.inventory_run import Gathered
from stripwise.studies.inventory.part_jobs import result_header
from stripwise.studies.inventory.part_store import FolderStore, MemoryStore
from stripwise.units.result_columns import columns

__all__ = [
    "CRITERIA",
    "MONEY_SAVED",
    "MOVED",
    "class_table",
    "drivers",
    "group_table",
    "inspected_table",
    "next_faces",
    "target_counts",
]

CRITERIA = ("probability", "area x probability", "years left")
"""What the next faces are chosen by."""

MOVED = "moved by inspections"
"""A further criterion beside inspections: the change of P at the target life, whatever its sign."""

MONEY_SAVED = "money saved: "
"""Start of the criterion of an intervention, before its name."""

LEAST_FOR_DRIVERS = 10
"""Fewest faces whose differences are split."""

NEXT_FACES = 100
"""Faces listed by each of them."""


def drivers(got: Gathered) -> dict[str, float]:
    """Split the differences of the index between faces into those of cover and of curing.

    Shares of the variance by a straight line in cover and in ln of the equivalent curing; what both
    leave open is concrete, exposure and curvature.
    """
    p, cover, hours = (
        np.concatenate(x).astype(float) for x in (got.probability, got.cover, got.log_hours)
    )
    index = index_of(p)
    known = np.isfinite(hours)
    if known.sum() < LEAST_FOR_DRIVERS or np.std(index[known]) == 0.0:
        return {}
    columns_ = np.column_stack([cover[known], hours[known]])
    spread = columns_.std(axis=0)
    moving = spread > 0.0
    if not moving.any():
        return {}
    centred = columns_[:, moving] - columns_[:, moving].mean(axis=0)
    y = index[known] - index[known].mean()
    slopes = np.linalg.lstsq(centred, y, rcond=None)[0]
    shares = np.zeros(2)
    shares[moving] = slopes * (centred * y[:, np.newaxis]).mean(axis=0) / np.mean(y**2)
    return {"cover": float(max(shares[0], 0.0)), "curing": float(max(shares[1], 0.0))}


def next_faces(
    plan: InventoryPlan, got: Gathered, store: MemoryStore | FolderStore
) -> pd.DataFrame:
    """List the faces that go first by each criterion."""
    p, left, area = (np.concatenate(x) for x in (got.probability, got.left, got.area))
    values = {CRITERIA[0]: -p, CRITERIA[1]: -p * area, CRITERIA[2]: left}
    saved = np.concatenate(got.saved)
    for k, one in enumerate(plan.case.interventions):
        each = saved[:, k] * area if plan.header.has("area") else saved[:, k]
        values[MONEY_SAVED + one.name] = -each
    if not plan.header.has("area"):
        del values[CRITERIA[1]]
    change = np.zeros(0)
    if plan.learned is not None:
        change = p - np.concatenate(got.before)
        values[MOVED] = -np.abs(change)
    chosen = {name: np.argsort(x, kind="stable")[:NEXT_FACES] for name, x in values.items()}
    cells = _cells(np.unique(np.concatenate(list(chosen.values()))), got, store)
    head = result_header(plan)
    group = head.index("group") if "group" in head else None
    shown = {name: -x for name, x in values.items()} | {CRITERIA[2]: left, MOVED: change}
    records = []
    for name, places in chosen.items():
        for place, at in enumerate(places.tolist(), start=1):
            row = dict(zip(head, cells[at], strict=True))
            records.append(
                {
                    "criterion": name,
                    "place": place,
                    "element": row["element"],
                    "group": "" if group is None else row["group"],
                    "area_m2": area[at],
                    "probability_now": float(row["probability_now"]),
                    "probability_at_target": p[at],
                    "meets_target": row["meets_target"],
                    "years_left": left[at],
                    "value": shown[name][at],
                }
            )
    return pd.DataFrame(records, columns=columns("next_faces"))


def _cells(
    wanted: NDArray[np.int64], got: Gathered, store: MemoryStore | FolderStore
) -> dict[int, list[str]]:
    """Return the rows of elements of some faces by their places."""
    sizes = np.cumsum([0, *(x.size for x in got.probability)])
    cells: dict[int, list[str]] = {}
    for k, name in enumerate(got.names):
        own = wanted[(wanted >= sizes[k]) & (wanted < sizes[k + 1])]
        if own.size and (part := store.get(name)) is not None:
            text = io.StringIO(part.csv.decode("utf-8", "surrogatepass"))
            rows = list(csv.reader(text))
            cells |= {int(at): rows[int(at - sizes[k])] for at in own}
    return cells


def inspected_table(
    plan: InventoryPlan, got: Gathered, store: MemoryStore | FolderStore, checks: pd.DataFrame
) -> pd.DataFrame:
    """Put what was found on each inspected face beside its answer, as the columns of `inspected`."""
    sizes = np.cumsum([0, *(x.size for x in got.probability)])
    places = [at + start for at, start in zip(got.inspected, sizes[:-1], strict=True)]
    head = result_header(plan)
    rows = [
        dict(zip(head, row, strict=True))
        for row in _cells(np.concatenate(places), got, store).values()
    ]
    answers = pd.DataFrame(
        [
            {
                "element": row["element"],
                "probability_before": float(row["probability_before"]),
                "probability_at_target": float(row["probability_at_target"]),
                "meets_target_before": row["meets_target_before"],
                "meets_target": row["meets_target"],
            }
            for row in rows
        ]
    )
    return checks.merge(answers, on="element").reindex(columns=columns("inspected"))


def target_counts(plan: InventoryPlan, got: Gathered, size: int) -> pd.DataFrame:
    """Count the faces that meet each target."""
    records = [
        {
            "service_life_yr": one.life,
            "allowed_probability": one.probability,
            "reliability_index": one.index,
            "source": one.source,
            "faces_meeting": int(count),
            "share_meeting": count / size,
        }
        for one, count in zip(counted_targets(plan.case), got.met, strict=True)
    ]
    return pd.DataFrame(records, columns=columns("target_counts"))


def group_table(plan: InventoryPlan, got: Gathered) -> pd.DataFrame:
    """Put the groups side by side."""
    p, answer, group = (np.concatenate(x) for x in (got.probability, got.answer, got.group))
    area, now = np.concatenate(got.area), np.concatenate(got.now)
    records = []
    for g, name in enumerate(plan.groups):
        own = group == g
        if not own.any():
            continue
        records.append(
            {
                "group": name,
                "faces": int(own.sum()),
                "area_m2": float(area[own].sum()),
                "faces_meeting": int(np.sum(answer[own] == 0)),
                "share_meeting": float(np.mean(answer[own] == 0)),
                "probability_now": float(now[own].mean()),
                "probability_at_target": float(p[own].mean()),
            }
        )
    return pd.DataFrame(records, columns=columns("groups"))


def class_table(solved: dict[int, SolvedClass]) -> pd.DataFrame:
    """Tabulate the classes with the error of their tables."""
    records = []
    for one in solved.values():
        key = one.one.key
        records.append(
            {
                "concrete_type": key.types[0],
                "exposure_type": key.types[1],
                "keys": "; ".join(
                    [
                        *(f"{dotted} = {text}" for dotted, text, _ in key.overrides),
                        *((f"element = {key.element}",) if key.element else ()),
                    ]
                ),
                "faces": one.needs.faces,
                "rms_error": one.tables.error,
            }
        )
    return pd.DataFrame(records, columns=columns("classes"))
