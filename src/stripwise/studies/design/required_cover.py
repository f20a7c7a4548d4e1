"""Which cover each strategy needs, and how early each cover may be stripped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.intervals import RANGE_ENDS, point_quantile
from stripwise.risk.probability.nominal_covers import (
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.target_roots import (
    ANY,
    NEVER,
    TargetRoot,
    crossings,
    earliest_strip_ages,
    find_target_root,
)
from stripwise.risk.probability.target_rule import index_from_probability
from stripwise.studies.design.setting import Setting
from stripwise.units.result_columns import columns

__all__ = ["RequiredCovers", "earliest_table", "find_earliest", "find_required_covers"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RequiredCovers:
    """Nominal cover that each strategy needs.

    Attributes
    ----------
    in_range
        s roots in the range of the choices, by nominal cover [mm].
    in_wide_range
        s roots within twice the range.
    probability
        (r, s, w) probability over `Setting.wide_covers`.
    """

    in_range: tuple[TargetRoot, ...]
    in_wide_range: tuple[TargetRoot, ...]
    probability: Array

    def table(self, setting: Setting) -> pd.DataFrame:
        """Tabulate the covers."""
        low = float(setting.covers[0])
        rows = []
        for plan, root in zip(setting.wall.plans, self.in_range, strict=True):
            if root.status == ANY:
                required, bounds = low, (np.nan, np.nan)
            elif root.status == NEVER:
                required, bounds = np.inf, (np.nan, np.nan)
            else:
                required = root.value
                bounds = root.low95, root.high95
            rows.append(
                {
                    "strategy": plan.name,
                    "required_cover_mm": required,
                    "low95": bounds[0],
                    "high95": bounds[1],
                    "drawn_cover_mm": setting.drawn_cover(root),
                    "status": cover_status(root.status),
                    "know_low": root.know_low,
                    "know_high": root.know_high,
                }
            )
        return pd.DataFrame(rows, columns=columns("required"))


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


def find_required_covers(setting: Setting, *, ranges: bool = True) -> RequiredCovers:
    """Find the nominal cover that meets the target, for every strategy, from all points.

    `ranges` False leaves out the epistemic range, unless a confidence is demanded.
    """
    p = probability_by_repeat(
        setting.wall, setting.wide_covers, setting.at_life, sample=setting.strategy_sample
    )[:, :, 0]
    epistemic = None
    if ranges or setting.rule.confidence:
        epistemic = probability_by_epistemic_point(
            setting.wall, setting.wide_covers, setting.at_life, sample=setting.epistemic_sample
        )
    anywhere = tuple(
        find_target_root(
            setting.wide_covers,
            p[:, s],
            setting.rule,
            points=setting.strategy_sample.points,
            epistemic=None if epistemic is None else epistemic[:, s, 0],
        )
        for s in range(p.shape[1])
    )
    return RequiredCovers(tuple(_within(f, setting.covers) for f in anywhere), anywhere, p)


def _within(root: TargetRoot, covers: Array) -> TargetRoot:
    """Judge a root against the range of the choices."""
    epistemic_bounds = {"know_low": root.know_low, "know_high": root.know_high}
    if root.value <= covers[0]:
        return TargetRoot(-np.inf, **epistemic_bounds, status=ANY, safe=root.safe)
    if root.value > covers[-1] + 1e-9:
        return TargetRoot(np.inf, **epistemic_bounds, status=NEVER)
    return root


def find_earliest(
    setting: Setting, p: Array, epistemic_p: Array | None, *, corrected: bool = True
) -> list[list[TargetRoot]]:
    """Find the earliest strip age of every follow-up at every cover that can be drawn.

    `p` (r, f, t, d) is the probability on the map's strip ages and the rounded covers, `epistemic_p`
    (k, f, t, d) the same over the epistemic points; `corrected` as in `earliest_strip_ages`.
    """
    return earliest_strip_ages(
        setting.wall,
        setting.plans,
        covers=setting.rounded_covers(),
        strip_ages=setting.choices.strip_age,
        age=setting.life,
        rule=setting.rule,
        sample=setting.map_sample,
        known_map=(setting.strip_ages, p),
        epistemic=epistemic_p,
        corrected=corrected,
    )


def earliest_table(
    setting: Setting, root: list[list[TargetRoot]], epistemic_p: Array | None
) -> pd.DataFrame:
    """Tabulate the earliest strip ages of `find_earliest`, as the columns of `earliest`."""
    covers = setting.rounded_covers()
    epistemic = None
    if epistemic_p is not None:
        index = np.moveaxis(index_from_probability(epistemic_p), 2, 3)
        epistemic = crossings(np.log(setting.strip_ages), index, setting.rule.index)
    rows = []
    for f, label in enumerate(setting.labels):
        for c, cover in enumerate(covers):
            one = root[f][c]
            epistemic_bounds = (np.nan, np.nan)
            if epistemic is not None:
                ends = point_quantile(epistemic[:, f, c], RANGE_ENDS)
                epistemic_bounds = (_hours(ends[0], setting), _hours(ends[1], setting))
            rows.append(
                {
                    "follow_up": label,
                    "nominal_cover_mm": float(cover),
                    "earliest_strip_age_h": _first(one, setting),
                    "low95": one.low95,
                    "high95": one.high95,
                    "know_low": epistemic_bounds[0],
                    "know_high": epistemic_bounds[1],
                    "site_strip_age_h": setting.buildable_hours(one),
                    "status": strip_status(one.status),
                }
            )
    return pd.DataFrame(rows, columns=columns("earliest"))


def _first(root: TargetRoot, setting: Setting) -> float:
    """Strip age of a root; the shortest of the range where any will do."""
    return setting.choices.strip_age[0] if root.status == ANY else root.value


def _hours(log_age: float, setting: Setting) -> float:
    if np.isfinite(log_age):
        return float(np.exp(log_age))
    return setting.choices.strip_age[0] if log_age < 0.0 else np.inf
