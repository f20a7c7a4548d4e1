"""What hours in the forms, millimetres of cover and execution scatter are worth to each other."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.intervals import RANGE_ENDS, point_quantile, t_interval
from stripwise.risk.probability.nominal_covers import (
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.target_roots import crossings, equivalent_cover, with_strip_age
from stripwise.risk.probability.target_rule import index_from_probability
from stripwise.studies.design.setting import Setting
from stripwise.units.formatting import number
from stripwise.units.result_columns import columns

__all__ = [
    "AT_DESIGN_POINT",
    "COVER_FOR_EARLIER",
    "COVER_PER_DAY",
    "COVER_SAVED",
    "EARLIER_H",
    "ON_TARGET_LINE",
    "design_point_rows",
    "exchange_row",
    "exchange_rows",
    "exchange_table",
]

Array = NDArray[np.float64]

DAY_H = 24.0
EARLIER_H = 12.0
"""How much earlier the forms go where the cover that makes up for it is sought [h]."""

LARGEST_COVER_CUT, LARGEST_EXTRA_COVER = 30.0, 60.0
"""Change of cover over which equal reliability is sought [mm]."""

ROUND_HOURS = (12.0, 16.0, 24.0, 36.0, 48.0, 72.0, 120.0, 168.0)
MAX_STRIP_AGES = 5

AT_DESIGN_POINT, ON_TARGET_LINE = "at the design point", "along the target line"

COVER_PER_DAY = "cover to add instead of 24 h more in the forms"
COVER_SAVED = "cover to take off after 24 h more in the forms"
COVER_FOR_EARLIER = "cover to add for stripping {} h earlier"


def exchange_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Tabulate rows of `exchange_row`."""
    return pd.DataFrame(rows, columns=columns("exchange"))


def exchange_rows(setting: Setting) -> list[dict[str, object]]:
    """Find the exchange rates at the design point and along the target line, as the columns of `exchange`.

    The design point is the reference strategy at the scenario's cover; on the target line the rate
    between t and t + 24 h is the difference of the two required covers.
    """
    rows = _scatter_rows(setting)
    if not setting.reference.penalty:
        rows = design_point_rows(setting) + rows
    return rows + _line_rows(setting)


def exchange_row(  # noqa: PLR0917
    question: str,
    place: str,
    follow_up: str,
    cover: float,
    hours: float,
    by_repeat: Array,
    epistemic: Array | None,
    unit: str,
    middle: float = np.nan,
) -> dict[str, object]:
    """Write one answer with its intervals; cover [mm] and hours are NaN where the row has none.

    `by_repeat` (r,) and `epistemic` (k,) are the answers of repeats and epistemic points, infinite
    outside the searched range. `middle` is the answer from the mean over repeats, about which the
    interval lies: of a root it is nearer than the mean of the answers, used where it is NaN.
    """
    finite = bool(np.isfinite(by_repeat).all())
    mean, low, high = (float(x) for x in t_interval(by_repeat)) if finite else (np.nan,) * 3
    if finite and np.isfinite(middle):
        mean, low, high = middle, low + middle - mean, high + middle - mean
    status = "ok"
    if not finite:
        above, below = np.any(by_repeat == np.inf), np.any(by_repeat == -np.inf)
        status = "beyond the looked-at range" if above or below else "no answer"
        mean = np.inf if above and not below else np.nan
    by_epistemic = (np.nan, np.nan)
    if epistemic is not None:
        usable = epistemic[~np.isnan(epistemic)]
        if usable.size:
            by_epistemic = tuple(point_quantile(usable, RANGE_ENDS))
    return {
        "question": question,
        "place": place,
        "follow_up": follow_up,
        "nominal_cover_mm": cover,
        "strip_age_h": hours,
        "value": mean,
        "low95": low,
        "high95": high,
        "know_low": float(by_epistemic[0]),
        "know_high": float(by_epistemic[1]),
        "unit": unit,
        "status": status,
    }


def _root_row(  # noqa: PLR0917
    question: str,
    place: str,
    follow_up: str,
    cover: float,
    hours: float,
    by_repeat_values: Array,
    epistemic: Array | None,
) -> dict[str, object]:
    """Write one answer in mm whose first row (1 + r,) is that of the mean over repeats."""
    return exchange_row(
        question,
        place,
        follow_up,
        cover,
        hours,
        by_repeat_values[1:],
        epistemic,
        "mm",
        float(by_repeat_values[0]),
    )


def _with_mean(p: Array) -> Array:
    """Put the mean over repeats before them, (1 + r, ...): roots are sought on it too."""
    return np.concatenate([p.mean(axis=0, keepdims=True), p])


def _by_repeat_and_epistemic(
    setting: Setting, compute: Callable[[Wall, bool], Array | None], wall: Wall
) -> tuple[Array, Array | None]:
    """Compute by repeat and by epistemic point."""
    by_repeat_values = compute(wall, False)
    assert by_repeat_values is not None
    return by_repeat_values, compute(wall, True)


def _index(setting: Setting, covers: Array) -> Callable[[Wall, bool], Array | None]:
    """Return how the index (m, p, c) over some covers is computed, the mean over repeats first."""

    def compute(wall: Wall, epistemic: bool) -> Array | None:
        if epistemic:
            p = probability_by_epistemic_point(
                wall, covers, setting.at_life, sample=setting.epistemic_sample
            )
        else:
            p = _with_mean(
                probability_by_repeat(wall, covers, setting.at_life, sample=setting.map_sample)
            )
        return None if p is None else index_from_probability(p)[:, :, 0]

    return compute


def _cover_changes(setting: Setting) -> Array:
    """Return changes of cover to look at, 0 among them, that leave some cover [mm]."""
    less = min(LARGEST_COVER_CUT, 0.6 * setting.wall.nominal_cover)
    return np.concatenate(
        [np.linspace(-less, 0.0, 16)[:-1], np.linspace(0.0, LARGEST_EXTRA_COVER, 31)]
    )


def design_point_rows(setting: Setting, *, earlier_too: bool = True) -> list[dict[str, object]]:
    """Price later and earlier stripping at the design point, 24 h more in the forms first."""
    plan, hours = setting.reference, setting.hours(setting.reference)
    earlier = min(EARLIER_H, hours - setting.choices.strip_age[0]) if earlier_too else 0.0
    ages = [hours, hours + DAY_H] + ([hours - earlier] if earlier > 0.0 else [])
    wall, cover_changes = (
        setting.wall_with(tuple(with_strip_age(plan, h) for h in ages)),
        _cover_changes(setting),
    )
    pairs = _by_repeat_and_epistemic(
        setting, _index(setting, setting.wall.nominal_cover + cover_changes), wall
    )
    zero = int(np.argmin(np.abs(cover_changes)))
    label, nominal = setting.label(plan), setting.wall.nominal_cover

    def answers(row: int, goal: int) -> list[Array | None]:
        return [
            None if b is None else equivalent_cover(cover_changes, b[:, row], b[:, goal, zero])
            for b in pairs
        ]

    by_repeat_values, by_epistemic = answers(0, 1)
    assert by_repeat_values is not None
    rows = [
        _root_row(
            COVER_PER_DAY, AT_DESIGN_POINT, label, nominal, hours, by_repeat_values, by_epistemic
        )
    ]
    # at t + 24 h, the cover that is as reliable as the full cover at t
    by_repeat_values, by_epistemic = answers(1, 0)
    assert by_repeat_values is not None
    rows.append(
        _root_row(
            COVER_SAVED,
            AT_DESIGN_POINT,
            label,
            nominal,
            hours + DAY_H,
            -by_repeat_values,
            None if by_epistemic is None else -by_epistemic,
        )
    )
    if earlier > 0.0:
        by_repeat_values, by_epistemic = answers(2, 0)
        assert by_repeat_values is not None
        rows.append(
            _root_row(
                COVER_FOR_EARLIER.format(number(earlier)),
                AT_DESIGN_POINT,
                label,
                nominal,
                hours,
                by_repeat_values,
                by_epistemic,
            )
        )
    return rows


def _scatter_rows(setting: Setting) -> list[dict[str, object]]:
    """Price less execution scatter, at the design point and on the target line."""
    if setting.wall.input("reinforcement.cover").distribution.is_fixed:
        return []
    plan = setting.reference
    narrow, wide = setting.with_less_scatter().with_plans((plan,)), setting.wall.with_plans((plan,))
    question = f"cover worth {setting.length(setting.sd_reduction)} less scatter of the cover"
    hours, label = setting.hours(plan), setting.label(plan)
    cover_changes = _cover_changes(setting)
    at_point = _index(setting, setting.wall.nominal_cover + cover_changes)
    zero = int(np.argmin(np.abs(cover_changes)))
    present, narrower = (
        _by_repeat_and_epistemic(setting, at_point, wide),
        _by_repeat_and_epistemic(setting, at_point, narrow),
    )
    point = [
        None if a is None or b is None else equivalent_cover(cover_changes, a[:, 0], b[:, 0, zero])
        for a, b in zip(present, narrower, strict=True)
    ]
    over_range = _index(setting, setting.wide_covers)
    present, narrower = (
        _by_repeat_and_epistemic(setting, over_range, wide),
        _by_repeat_and_epistemic(setting, over_range, narrow),
    )
    line = [
        None
        if a is None or b is None
        else _difference(
            crossings(setting.wide_covers, a[:, 0], setting.rule.index),
            crossings(setting.wide_covers, b[:, 0], setting.rule.index),
        )
        for a, b in zip(present, narrower, strict=True)
    ]
    rows = []
    for place, (by_repeat_values, by_epistemic), cover in (
        (AT_DESIGN_POINT, point, setting.wall.nominal_cover),
        (ON_TARGET_LINE, line, np.nan),
    ):
        assert by_repeat_values is not None
        rows.append(_root_row(question, place, label, cover, hours, by_repeat_values, by_epistemic))
    return rows


def _line_rows(setting: Setting) -> list[dict[str, object]]:
    ages = _tabulated_strip_ages(setting)
    hours = np.unique([*ages, *(h + DAY_H for h in ages)])
    wall = setting.wall_with(setting.plans_at(hours))
    sets: list[Array | None] = []
    for epistemic in (False, True):
        if epistemic:
            p = probability_by_epistemic_point(
                wall, setting.wide_covers, setting.at_life, sample=setting.epistemic_sample
            )
        else:
            p = _with_mean(
                probability_by_repeat(
                    wall, setting.wide_covers, setting.at_life, sample=setting.map_sample
                )
            )
        if p is None:
            sets.append(None)
            continue
        roots = crossings(
            setting.wide_covers, index_from_probability(p)[:, :, 0], setting.rule.index
        )
        sets.append(roots.reshape(len(roots), len(setting.plans), len(hours)))
    by_repeat_values, by_epistemic = sets
    assert by_repeat_values is not None
    rows = []
    for f, plan in enumerate(setting.plans):
        for age in ages:
            i, j = (int(np.searchsorted(hours, h)) for h in (age, age + DAY_H))
            rows.append(
                _root_row(
                    COVER_PER_DAY,
                    ON_TARGET_LINE,
                    plan.name,
                    float(by_repeat_values[0, f, i]),
                    age,
                    _difference(by_repeat_values[:, f, i], by_repeat_values[:, f, j]),
                    None
                    if by_epistemic is None
                    else _difference(by_epistemic[:, f, i], by_epistemic[:, f, j]),
                )
            )
    return rows


def _difference(first: Array, second: Array) -> Array:
    """Difference of two roots; NaN where both are out of the range."""
    with np.errstate(invalid="ignore"):
        return np.asarray(first - second)


def _tabulated_strip_ages(setting: Setting) -> list[float]:
    low, high = setting.choices.strip_age
    usual_ages = [h for h in ROUND_HOURS if low <= h <= high] or [low]
    indices = np.unique(
        np.round(np.linspace(0, len(usual_ages) - 1, min(len(usual_ages), MAX_STRIP_AGES)))
    )
    return [usual_ages[int(i)] for i in indices]
