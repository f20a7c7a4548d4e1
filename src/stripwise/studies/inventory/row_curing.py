"""How the faces of a piece were cured: a strategy, or a strip age with what followed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stripwise.curing.curing_law import UNCURED_H
from stripwise.curing.follow_up import (
    FACES,
    FOLLOW_UPS,
    NO_FOLLOW_UP,
    REFERENCE_FACE,
    method_names,
    retention_name,
)
from stripwise.scenario.sections.follow_up_table import FREEZING
from stripwise.studies.inventory.face_classes import FaceClasses
from stripwise.studies.inventory.row_check import RowCheck
from stripwise.units.formatting import number

__all__ = ["read_curing"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


def read_curing(
    check: RowCheck, classes: FaceClasses, face_class: NDArray[np.intp], meant: Flags
) -> tuple[NDArray[np.intp], Array, Array, list[str]]:
    """Return strategy, equivalent hours until stripping and after it, and the retention."""
    names = [item.name for item in classes.case.strategies]
    wanted = check.words("strategy", names)
    position = {name: k for k, name in enumerate(names)}
    strategy = np.array([position.get(name, -1) for name in wanted], dtype=np.intp)
    strip = check.role_numbers("strip_age", meant)
    own = check.role_numbers("concrete_temperature", meant)
    duration = check.role_numbers("follow_up_duration", meant)
    warmth = check.role_numbers("follow_up_temperature", meant)
    method = check.words("follow_up", method_names())
    face = check.words("face", FACES)
    size = len(check.piece)
    retention = [""] * size
    strip_h, after_h = np.full(size, np.nan), np.full(size, np.nan)
    named = np.array([bool(name) for name in wanted])
    methods = np.array(method, dtype=object)
    given = {
        "strip_age": ~np.isnan(strip),
        "concrete_temperature": ~np.isnan(own),
        "follow_up": methods != "",
        "follow_up_duration": ~np.isnan(duration),
        "follow_up_temperature": ~np.isnan(warmth),
    }
    for name, there in given.items():
        for row in np.flatnonzero(check.good & named & there):
            rule = "is given beside strategy, which says it; leave one of them empty"
            check.bad(int(row), check.head(name), rule)
    column = "strategy" if check.header.has("strategy") else check.head("strip_age")
    for row in np.flatnonzero(check.good & ~named & ~given["strip_age"]):
        check.bad(int(row), column, "has no value; every face needs a strategy or a strip age")
    own_curing = check.good & ~named
    for row in np.flatnonzero(own_curing & ((methods != "") | given["follow_up_duration"])):
        duration[row], rule = _duration(method[row], float(duration[row]))
        if rule:
            check.bad(int(row), check.head("follow_up_duration"), rule)
        if method[row] not in ("", NO_FOLLOW_UP):
            retention[row] = retention_name(method[row], face[row] or REFERENCE_FACE)
    duration[own_curing & np.isnan(duration)] = 0.0
    lawful = check.good & (strategy < 0)
    for place in np.unique(face_class[lawful]):
        rows = np.flatnonzero(lawful & (face_class == place))
        one = classes.classes[place]
        warm = np.where(np.isnan(own[rows]), one.case.curing.temperature, own[rows])
        if np.isnan(warm).any():
            for row in rows[np.isnan(warm)]:
                rule = "has no value, and neither the scenario has [curing] concrete_temperature"
                check.bad(int(row), check.head("concrete_temperature"), rule)
            warm = np.where(np.isnan(warm), 20.0, warm)
        after = np.where(np.isnan(warmth[rows]), warm, warmth[rows])
        strip_h[rows] = strip[rows] * one.maturity_factor(warm)
        after_h[rows] = duration[rows] * one.maturity_factor(after)
        for row in rows[strip_h[rows] < UNCURED_H]:
            rule = f"is less than {number(UNCURED_H)} equivalent hour at its temperature: no curing"
            check.bad(int(row), check.head("strip_age"), rule)
        for k, row in enumerate(rows):
            if retention[row] and after[k] <= FREEZING:
                rule = "must be above 0 degC: nothing cures a face that freezes"
                check.bad(int(row), check.head("follow_up_temperature"), rule)
    return strategy, strip_h, after_h, retention


def _duration(method: str, hours: float) -> tuple[float, str]:
    """Return the duration of a follow-up [h] and what is wrong with it, "" for nothing."""
    if method in ("", NO_FOLLOW_UP):
        rule = "is given without a follow_up; leave it empty or name the method"
        return 0.0, "" if np.isnan(hours) else rule
    if not np.isnan(hours):
        return hours, ""
    published = FOLLOW_UPS[method].duration_d
    if published is None:
        return 0.0, f"has no value: how long the {method} stays"
    return 24.0 * published, ""
