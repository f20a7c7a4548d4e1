"""The tables of an inventory: which faces go first, groups side by side, targets, classes."""

from __future__ import annotations

import csv
import io

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.face_tables import index_of
from stripwise.studies.decision import YES
from stripwise.studies.inventory.elements import ANSWERS, SolvedClass
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

Array = NDArray[np.float64]

CRITERIA = ("probability", "area x probability", "years left")
"""What the next faces are chosen by."""

MOVED = "moved by inspections"
"""A further criterion beside inspections: the change of P at the target life, whatever its sign."""

MONEY_SAVED = "money saved: "
"""Start of the criterion of an intervention, before its name."""

BLOCK_FACES = 100_000
"""Faces whose differences are summed at once."""

LEAST_FOR_DRIVERS = 10
"""Fewest faces whose differences are split."""

NEXT_FACES = 100
"""Faces listed by each of them."""


def drivers(got: Gathered) -> dict[str, float]:
    """Split the differences of the index between faces into those of cover and of curing.

    Shares of the variance by a straight line in cover and in ln of the equivalent curing; what both
    leave open is concrete, exposure and curvature. Moments are summed by blocks of faces.
    """
    count, mean, moments = 0, np.zeros(3), np.zeros((3, 3))
    for start in range(0, got.faces.size, BLOCK_FACES):
        own = got.faces[start : start + BLOCK_FACES]
        known = own[np.isfinite(own["log_hours"])]
        cover, log_hours = (known[name].astype(float) for name in ("cover", "log_hours"))
        block = np.stack((cover, log_hours, index_of(known["probability"])))
        if not (more := block.shape[1]):
            continue
        gap = block.mean(axis=1) - mean
        centred = block - block.mean(axis=1, keepdims=True)
        moments += centred @ centred.T + np.outer(gap, gap) * (count * more / (count + more))
        count += more
        mean += gap * (more / count)
    spread = np.diagonal(moments)
    if count < LEAST_FOR_DRIVERS or spread[2] == 0.0:
        return {}
    moving = np.flatnonzero(spread[:2] > 0.0)
    if not moving.size:
        return {}
    # scaled to correlations, so that what is nearly one line is told from rounding
    scale = np.sqrt(spread[moving])
    alike, common = moments[np.ix_(moving, moving)] / np.outer(scale, scale), moments[moving, 2]
    slopes = np.linalg.lstsq(alike, common / scale, rcond=1e-10)[0] / scale
    shares = np.zeros(2)
    shares[moving] = slopes * common / spread[2]
    return {"cover": float(max(shares[0], 0.0)), "curing": float(max(shares[1], 0.0))}


def next_faces(
    plan: InventoryPlan, got: Gathered, store: MemoryStore | FolderStore
) -> pd.DataFrame:
    """List the faces that go first by each criterion."""
    p, left, area = (got.faces[name] for name in ("probability", "left", "area"))
    with_area = plan.header.has("area")
    chosen: dict[str, tuple[NDArray[np.intp], Array]] = {}

    def choose(name: str, order: Array, shown: Array) -> None:
        first = np.argsort(order, kind="stable")[:NEXT_FACES]
        chosen[name] = first, shown[first]

    choose(CRITERIA[0], -p, p)
    if with_area:
        choose(CRITERIA[1], -p * area, p * area)
    choose(CRITERIA[2], left, left)
    for k, one in enumerate(plan.case.interventions):
        each = got.faces["saved"][:, k] * (area if with_area else 1.0)
        choose(MONEY_SAVED + one.name, -each, each)
    if plan.learned is not None:
        change = p - got.faces["before"]
        choose(MOVED, -np.abs(change), change)
    cells = _cells(np.unique(np.concatenate([at for at, _ in chosen.values()])), got, store)
    head = result_header(plan)
    group = head.index("group") if "group" in head else None
    records = []
    for name, (places, values) in chosen.items():
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
                    "value": values[place - 1],
                }
            )
    return pd.DataFrame(records, columns=columns("next_faces"))


def _cells(
    wanted: NDArray[np.int64], got: Gathered, store: MemoryStore | FolderStore
) -> dict[int, list[str]]:
    """Return the rows of elements of some faces by their places."""
    cells: dict[int, list[str]] = {}
    for name, start, stop in zip(got.names, got.starts[:-1], got.starts[1:], strict=True):
        own = wanted[(wanted >= start) & (wanted < stop)]
        if own.size and (part := store.get(name)) is not None:
            text = io.StringIO(part.csv.decode("utf-8", "surrogatepass"))
            rows = list(csv.reader(text))
            cells |= {int(at): rows[int(at - start)] for at in own}
    return cells


def inspected_table(
    plan: InventoryPlan, got: Gathered, store: MemoryStore | FolderStore, checks: pd.DataFrame
) -> pd.DataFrame:
    """Put what was found on each inspected face beside its answer, as the columns of `inspected`."""
    head = result_header(plan)
    rows = [
        dict(zip(head, row, strict=True))
        for row in _cells(np.concatenate(got.inspected), got, store).values()
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
    records = []
    for g, name in enumerate(plan.groups):
        own = got.faces[got.faces["group"] == g]
        if not own.size:
            continue
        met = own["answer"] == ANSWERS.index(YES)
        records.append(
            {
                "group": name,
                "faces": own.size,
                "area_m2": float(own["area"].sum()),
                "faces_meeting": int(met.sum()),
                "share_meeting": float(met.mean()),
                "probability_now": float(own["now"].mean()),
                "probability_at_target": float(own["probability"].mean()),
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
