"""Which faces meet their target: read from tables, and computed directly near the limit.

Axes: e faces, k epistemic points.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.probability.face_grid import FaceGrid, Stencil
from stripwise.risk.probability.face_tables import LARGEST_INDEX, FaceTables
from stripwise.risk.probability.intervals import point_quantile
from stripwise.scenario.sections.target import Target
from stripwise.studies.decision import NO, TOO_CLOSE, YES
from stripwise.studies.inventory.check_rows import Faces, plan_of
from stripwise.studies.inventory.class_tables import face_covers
from stripwise.studies.inventory.face_classes import FaceClass
from stripwise.studies.inventory.near_limit import decide_directly

__all__ = ["ANSWERS", "answers_without_inspections", "decide_faces"]

Array = NDArray[np.float64]

ANSWERS = (YES, NO, TOO_CLOSE)

NEAR = 4.0
"""rms errors of a table within which a face is computed directly."""
LEAST_NEAR = 3e-3
"""Least such distance in P."""
NEAR_CONFIDENCE = 0.02
"""The same about a demanded confidence, as a distance in P."""


def decide_faces(  # noqa: PLR0917
    faces: Faces,
    one: FaceClass,
    tables: FaceTables,
    rows: NDArray[np.intp],
    p: Array,
    outer: NDArray[np.float32],
) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
    """Return the answers (e,) of some rows of a class, and which of them were computed directly.

    `p` (e,) at the target life is replaced there; `outer` (e, k) holds its index by epistemic point.
    """
    target = one.case.target
    answer = np.where(p <= target.probability, 0, 1).astype(np.int8)
    near = np.abs(p - target.probability) <= max(NEAR * tables.error, LEAST_NEAR)
    if outer.shape[1]:
        near |= _demand(outer, target, answer)
    _decide_near(faces, one, tables.grid, rows, np.flatnonzero(near), p, answer)
    return answer, near


def answers_without_inspections(
    faces: Faces,
    one: FaceClass,
    tables: FaceTables,
    rows: NDArray[np.intp],
    stencils: list[Stencil],
) -> tuple[Array, NDArray[np.int8]]:
    """Return P at the target life and the answer of some rows of a class without inspections."""
    target = one.case.target
    points = 0 if tables.outer is None else tables.outer.shape[-1]
    index = np.empty(rows.size)
    outer = np.empty((rows.size, points), dtype=np.float32)
    at_target = int(np.argmin(np.abs(tables.grid.ages - target.service_life)))
    for stencil in stencils:
        index[stencil.faces] = stencil.read(tables.index[:, :, at_target : at_target + 1])[:, 0]
        if tables.outer is not None:
            outer[stencil.faces] = stencil.read(tables.outer)
    p = special.ndtr(-index)
    p[index >= LARGEST_INDEX] = 0.0
    answer, _ = decide_faces(faces, one, tables, rows, p, outer)
    return p, answer


def _demand(
    outer: NDArray[np.float32], target: Target, answer: NDArray[np.int8]
) -> NDArray[np.bool_]:
    """Change answers by a demanded confidence; say which of them are near it."""
    if not target.confidence:
        return np.zeros(len(outer), dtype=bool)
    reached = special.ndtr(-point_quantile(outer, 1.0 - target.confidence, axis=1).astype(float))
    answer[reached > target.probability] = 1
    return np.asarray(np.abs(reached - target.probability) <= NEAR_CONFIDENCE)


def _decide_near(  # noqa: PLR0917
    faces: Faces,
    one: FaceClass,
    grid: FaceGrid,
    rows: NDArray[np.intp],
    near: NDArray[np.intp],
    p: Array,
    answer: NDArray[np.int8],
) -> None:
    """Compute the faces near the limit directly."""
    if near.size == 0:
        return
    own = rows[near]
    cover, sd = face_covers(one, faces, own)
    plans = [
        one.wall.plans[faces.strategy[k]] if faces.strategy[k] >= 0 else plan_of(faces, int(k))
        for k in own
    ]
    result = decide_directly(one, plans, cover, None if grid.spread is None else sd)
    p[near] = result.probability
    answer[near] = [ANSWERS.index(word) for word in result.meets_target]
