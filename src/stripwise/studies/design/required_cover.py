"""Required cover of each strategy and earliest strip age of each cover."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.nominal_covers import by_knowledge, by_repeat
from stripwise.risk.probability.target_roots import (
    ANY,
    NEVER,
    Found,
    crossings,
    earliest_strip_ages,
    found_root,
    index_of_map,
)
from stripwise.studies.design.design_result import EARLIEST_COLUMNS, REQUIRED_COLUMNS
from stripwise.studies.design.setting import Setting

__all__ = ["Needs", "earliest_table", "needs_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Needs:
    """Mean cover that each strategy needs.

    Attributes
    ----------
    found
        s roots in the range of the choices, by mean cover [mm].
    anywhere
        s roots wherever they are, within twice the range.
    p
        (r, s, w) probability over `Setting.wide`.
    """

    found: tuple[Found, ...]
    anywhere: tuple[Found, ...]
    p: Array

    def table(self, setting: Setting) -> pd.DataFrame:
        """Tabulate the nominal covers."""
        low = setting.nominal(float(setting.covers[0]))
        rows = []
        for plan, found in zip(setting.wall.plans, self.found, strict=True):
            if found.status == ANY:
                required, sides = low, (np.nan, np.nan)
            elif found.status == NEVER:
                required, sides = np.inf, (np.nan, np.nan)
            else:
                required = setting.nominal(found.value)
                sides = setting.nominal(found.low95), setting.nominal(found.high95)
            rows.append(
                {
                    "strategy": plan.name,
                    "required_cover_mm": required,
                    "low95": sides[0],
                    "high95": sides[1],
                    "drawn_cover_mm": setting.drawn(required),
                    "status": cover_status(found.status),
                    "know_low": setting.nominal(found.know_low),
                    "know_high": setting.nominal(found.know_high),
                }
            )
        return pd.DataFrame(rows, columns=[*REQUIRED_COLUMNS, "know_low", "know_high"])


def cover_status(status: str) -> str:
    """Return the status of a root over cover in words."""
    return {
        ANY: "any cover in the range meets it",
        NEVER: "no cover in the range meets it",
    }.get(status, status)


def strip_status(status: str) -> str:
    """Return the status of a root over strip age in words."""
    return {
        ANY: "any strip age in the range meets it",
        NEVER: "no strip age in the range meets it",
    }.get(status, status)


def needs_of(setting: Setting) -> Needs:
    """Find the mean cover that meets the target, for every strategy of the scenario.

    Parameters
    ----------
    setting
        The design.

    Returns
    -------
    The `Needs`, from all points of the scenario.
    """
    p = by_repeat(setting.wall, setting.wide, setting.at_life, sample=setting.full)[:, :, 0]
    known = by_knowledge(setting.wall, setting.wide, setting.at_life, sample=setting.doubt)
    anywhere = tuple(
        found_root(
            setting.wide,
            p[:, s],
            setting.target,
            knowledge=None if known is None else known[:, s, 0],
        )
        for s in range(p.shape[1])
    )
    return Needs(tuple(_within(f, setting.covers) for f in anywhere), anywhere, p)


def _within(found: Found, covers: Array) -> Found:
    """Judge a root against the range of the choices."""
    know = {"know_low": found.know_low, "know_high": found.know_high}
    if found.value <= covers[0]:
        return Found(-np.inf, **know, status=ANY)
    if found.value > covers[-1] + 1e-9:
        return Found(np.inf, **know, status=NEVER)
    return found


def earliest_table(setting: Setting, p: Array, knowledge: Array | None) -> pd.DataFrame:
    """Tabulate the earliest strip age over follow-ups and covers that a drawing holds.

    Parameters
    ----------
    setting
        The design.
    p
        (r, f, t, d) probability on the map's strip ages and the drawn covers.
    knowledge
        (k, f, t, d) the same over the knowledge inputs, or None.

    Returns
    -------
    DataFrame of `EARLIEST_COLUMNS`.
    """
    covers = setting.drawn_covers()
    found = earliest_strip_ages(
        setting.wall,
        setting.plans,
        covers=covers,
        strip_ages=setting.choices.strip_age,
        age=setting.life,
        target=setting.target,
        sample=setting.coarse,
        known=(setting.strip_ages, p),
    )
    doubted = None
    if knowledge is not None:
        index = np.moveaxis(index_of_map(knowledge), 2, 3)
        doubted = crossings(np.log(setting.strip_ages), index, setting.target)
    rows = []
    for f, label in enumerate(setting.labels):
        for c, cover in enumerate(covers):
            one = found[f][c]
            know = (np.nan, np.nan)
            if doubted is not None:
                ends = np.quantile(doubted[:, f, c], (0.025, 0.975), method="nearest")
                know = (_hours(ends[0], setting), _hours(ends[1], setting))
            rows.append(
                {
                    "follow_up": label,
                    "cover_mm": setting.nominal(float(cover)),
                    "earliest_strip_age_h": _first(one, setting),
                    "low95": one.low95,
                    "high95": one.high95,
                    "know_low": know[0],
                    "know_high": know[1],
                    "status": strip_status(one.status),
                }
            )
    return pd.DataFrame(rows, columns=EARLIEST_COLUMNS)


def _first(found: Found, setting: Setting) -> float:
    """Strip age of a root; the shortest of the range where any will do."""
    return setting.choices.strip_age[0] if found.status == ANY else found.value


def _hours(log_age: float, setting: Setting) -> float:
    if np.isfinite(log_age):
        return float(np.exp(log_age))
    return setting.choices.strip_age[0] if log_age < 0.0 else np.inf
