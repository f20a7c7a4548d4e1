"""What hours in the forms, millimetres of cover and execution scatter are worth to each other."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.curves import interval
from stripwise.risk.probability.nominal_covers import by_knowledge, by_repeat
from stripwise.risk.probability.target_roots import at_strip_age, crossing, crossings, index_of_map
from stripwise.studies.design.design_result import EXCHANGE_COLUMNS
from stripwise.studies.design.setting import Setting

__all__ = ["DAY", "FASTER_H", "LINE", "POINT", "exchange_rows", "exchange_table", "row_of"]

Array = NDArray[np.float64]

DAY_H = 24.0
FASTER_H = 12.0
"""How much faster a cycle is whose price in cover is asked for [h]."""

LESS, MORE = 30.0, 60.0
"""Change of cover over which equal reliability is sought [mm]."""

ROUND_HOURS = (12.0, 16.0, 24.0, 36.0, 48.0, 72.0, 120.0, 168.0)
MOST_AGES = 5

POINT, LINE = "at the design point", "along the target line"

DAY = "cover worth 24 h more in the forms"


def exchange_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Tabulate rows of `row_of`."""
    return pd.DataFrame(rows, columns=EXCHANGE_COLUMNS)


def exchange_rows(setting: Setting) -> list[dict[str, object]]:
    """Find the exchange rates at the design point and along the target line.

    The design point is the reference strategy at the scenario's cover; on the target line the rate
    between t and t + 24 h is the difference of the two required covers.

    Parameters
    ----------
    setting
        The design.

    Returns
    -------
    Rows with `EXCHANGE_COLUMNS`.
    """
    rows = _scatter_rows(setting)
    if not setting.reference.penalty:
        rows = _point_rows(setting) + rows
    return rows + _line_rows(setting)


def row_of(  # noqa: PLR0917
    question: str,
    place: str,
    follow_up: str,
    cover: float,
    hours: float,
    by_repeat: Array,
    knowledge: Array | None,
    unit: str,
    middle: float = np.nan,
) -> dict[str, object]:
    """Write one answer with its intervals.

    Parameters
    ----------
    question, place, follow_up, unit
        Words of the row.
    cover
        Nominal cover [mm]; NaN where the row has none.
    hours
        Strip age [h]; NaN where the row has none.
    by_repeat
        (r,) answer of each repeat; infinite where it lies out of the looked-at range.
    knowledge
        (k,) answer of each knowledge point, or None.
    middle
        Answer from the mean over repeats, about which the interval lies; of a root it is nearer
        than the mean of the answers, which stands for it where there is none.

    Returns
    -------
    One row with `EXCHANGE_COLUMNS`.
    """
    finite = bool(np.isfinite(by_repeat).all())
    mean, low, high = (float(x) for x in interval(by_repeat)) if finite else (np.nan,) * 3
    if finite and np.isfinite(middle):
        mean, low, high = middle, low + middle - mean, high + middle - mean
    status = "ok"
    if not finite:
        above, below = np.any(by_repeat == np.inf), np.any(by_repeat == -np.inf)
        status = "beyond the looked-at range" if above or below else "no answer"
        mean = np.inf if above and not below else np.nan
    know = (np.nan, np.nan)
    if knowledge is not None:
        usable = knowledge[~np.isnan(knowledge)]
        if usable.size:
            know = tuple(np.quantile(usable, (0.025, 0.975), method="nearest"))
    return {
        "question": question,
        "place": place,
        "follow_up": follow_up,
        "cover_mm": cover,
        "strip_age_h": hours,
        "value": mean,
        "low95": low,
        "high95": high,
        "know_low": float(know[0]),
        "know_high": float(know[1]),
        "unit": unit,
        "status": status,
    }


def _root_row(  # noqa: PLR0917
    question: str,
    place: str,
    follow_up: str,
    cover: float,
    hours: float,
    plain: Array,
    knowledge: Array | None,
) -> dict[str, object]:
    """Write one answer in mm whose first row (1 + r,) is that of the mean over repeats."""
    return row_of(
        question, place, follow_up, cover, hours, plain[1:], knowledge, "mm", float(plain[0])
    )


def _with_mean(p: Array) -> Array:
    """Put the mean over repeats before them, (1 + r, ...): roots are sought on it too."""
    return np.concatenate([p.mean(axis=0, keepdims=True), p])


def _both(
    setting: Setting, work: Callable[[Wall, bool], Array | None], wall: Wall
) -> tuple[Array, Array | None]:
    """Compute by repeat and by knowledge point."""
    plain = work(wall, False)
    assert plain is not None
    return plain, work(wall, True)


def _index(setting: Setting, covers: Array) -> Callable[[Wall, bool], Array | None]:
    """Return how the index (m, p, c) over some covers is computed, the mean over repeats first."""

    def work(wall: Wall, doubted: bool) -> Array | None:
        if doubted:
            p = by_knowledge(wall, covers, setting.at_life, sample=setting.doubt)
        else:
            p = _with_mean(by_repeat(wall, covers, setting.at_life, sample=setting.full))
        return None if p is None else index_of_map(p)[:, :, 0]

    return work


def _extra(setting: Setting) -> Array:
    """Return changes of cover to look at, 0 among them, that leave some cover [mm]."""
    less = min(LESS, 0.6 * setting.mean_cover)
    return np.concatenate([np.linspace(-less, 0.0, 16)[:-1], np.linspace(0.0, MORE, 31)])


def _equal(extra: Array, now: Array, goal: Array) -> Array:
    """Extra cover at which each row of the index (m, c) reaches its own goal (m,) [mm]."""
    return np.array([crossing(extra, row, float(g)) for row, g in zip(now, goal, strict=True)])


def _point_rows(setting: Setting) -> list[dict[str, object]]:
    plan, hours = setting.reference, setting.hours(setting.reference)
    faster = min(FASTER_H, hours - setting.choices.strip_age[0])
    ages = [hours, hours + DAY_H] + ([hours - faster] if faster > 0.0 else [])
    wall, extra = setting.wall_with(tuple(at_strip_age(plan, h) for h in ages)), _extra(setting)
    both = _both(setting, _index(setting, setting.mean_cover + extra), wall)
    zero = int(np.argmin(np.abs(extra)))
    label, nominal = setting.label(plan), setting.nominal(setting.mean_cover)

    def answers(row: int, goal: int) -> list[Array | None]:
        return [None if b is None else _equal(extra, b[:, row], b[:, goal, zero]) for b in both]

    plain, know = answers(0, 1)
    assert plain is not None
    rows = [_root_row(DAY, POINT, label, nominal, hours, plain, know)]
    if faster > 0.0:
        plain, know = answers(2, 0)
        assert plain is not None
        rows.append(
            _root_row(
                f"cover that stripping {faster:.3g} h earlier must buy",
                POINT,
                label,
                nominal,
                hours,
                plain,
                know,
            )
        )
    return rows


def _scatter_rows(setting: Setting) -> list[dict[str, object]]:
    """Price less execution scatter, at the design point and on the target line."""
    if setting.wall.input("reinforcement.cover").distribution.is_fixed:
        return []
    plan = setting.reference
    narrow, wide = setting.steady().with_plans((plan,)), setting.wall.with_plans((plan,))
    question = f"cover worth {setting.length(setting.scatter_cut)} less scatter of the cover"
    hours, label = setting.hours(plan), setting.label(plan)
    extra = _extra(setting)
    near = _index(setting, setting.mean_cover + extra)
    zero = int(np.argmin(np.abs(extra)))
    now, then = _both(setting, near, wide), _both(setting, near, narrow)
    point = [
        None if a is None or b is None else _equal(extra, a[:, 0], b[:, 0, zero])
        for a, b in zip(now, then, strict=True)
    ]
    far = _index(setting, setting.wide)
    now, then = _both(setting, far, wide), _both(setting, far, narrow)
    line = [
        None
        if a is None or b is None
        else _less(
            crossings(setting.wide, a[:, 0], setting.target),
            crossings(setting.wide, b[:, 0], setting.target),
        )
        for a, b in zip(now, then, strict=True)
    ]
    rows = []
    for place, (plain, know), cover in (
        (POINT, point, setting.nominal(setting.mean_cover)),
        (LINE, line, np.nan),
    ):
        assert plain is not None
        rows.append(_root_row(question, place, label, cover, hours, plain, know))
    return rows


def _line_rows(setting: Setting) -> list[dict[str, object]]:
    ages = _looked_at(setting)
    hours = np.unique([*ages, *(h + DAY_H for h in ages)])
    wall = setting.wall_with(setting.every(hours))
    sets: list[Array | None] = []
    for doubted in (False, True):
        if doubted:
            p = by_knowledge(wall, setting.wide, setting.at_life, sample=setting.doubt)
        else:
            p = _with_mean(by_repeat(wall, setting.wide, setting.at_life, sample=setting.coarse))
        if p is None:
            sets.append(None)
            continue
        need = crossings(setting.wide, index_of_map(p)[:, :, 0], setting.target)
        sets.append(need.reshape(len(need), len(setting.plans), len(hours)))
    plain, know = sets
    assert plain is not None
    rows = []
    for f, plan in enumerate(setting.plans):
        for age in ages:
            i, j = (int(np.searchsorted(hours, h)) for h in (age, age + DAY_H))
            rows.append(
                _root_row(
                    DAY,
                    LINE,
                    plan.name,
                    setting.nominal(float(plain[0, f, i])),
                    age,
                    _less(plain[:, f, i], plain[:, f, j]),
                    None if know is None else _less(know[:, f, i], know[:, f, j]),
                )
            )
    return rows


def _less(first: Array, second: Array) -> Array:
    """Difference of two roots; NaN where both are out of the range."""
    with np.errstate(invalid="ignore"):
        return np.asarray(first - second)


def _looked_at(setting: Setting) -> list[float]:
    low, high = setting.choices.strip_age
    inside = [h for h in ROUND_HOURS if low <= h <= high] or [low]
    picks = np.unique(np.round(np.linspace(0, len(inside) - 1, min(len(inside), MOST_AGES))))
    return [inside[int(i)] for i in picks]
