"""How early the site may strip at each temperature, and what standards say about durations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.published import constant, published_value
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.nominal_covers import probability_by_epistemic_point
from stripwise.risk.probability.target_roots import (
    ANY,
    earliest_strip_ages,
    strip_age_nodes,
    with_strip_age,
)
from stripwise.studies.design.required_cover import strip_status
from stripwise.studies.design.setting import Setting
from stripwise.studies.from_scenario import build_plan
from stripwise.units.result_columns import columns

__all__ = ["reference_table", "site_table", "site_temperatures"]

Array = NDArray[np.float64]

CELSIUS = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0)
FAHRENHEIT = (40.0, 50.0, 60.0, 70.0, 80.0)
MAX_COVERS = 9

CURING_TEMPERATURES = (25.0, 15.0, 10.0, 5.0)
"""Lower ends of the temperature bands of EN 13670 [degC]."""

STRENGTH_DEVELOPMENT = {
    "rapid": "at least 0.50",
    "medium": "at least 0.30",
    "slow": "at least 0.15",
}


def site_temperatures(units: str) -> list[float]:
    """Return the concrete temperatures [degC] of tables for the site, round in the report's units."""
    return [(t - 32.0) / 1.8 for t in FAHRENHEIT] if units == "US" else list(CELSIUS)


def site_table(setting: Setting) -> pd.DataFrame:
    """Tabulate the earliest strip age over concrete temperature, cover and follow-up.

    The concrete has the row's temperature in the forms and during the follow-up.
    `site_strip_age_h` is rounded up to whole hours, from three days on to whole days, and safe
    against sampling error.
    """
    temperatures = site_temperatures(setting.scenario.units)
    covers = setting.rounded_covers()
    indices = np.unique(np.round(np.linspace(0, len(covers) - 1, min(len(covers), MAX_COVERS))))
    covers = covers[indices.astype(int)]
    cases = [(t, f) for t in temperatures for f in setting.choices.follow_up]
    plans = tuple(
        build_plan(
            setting.scenario,
            f.label,
            strip_age=24.0,
            temperature=t,
            follow_up=replace(f, temperature=t),
        )
        for t, f in cases
    )
    roots = earliest_strip_ages(
        setting.wall,
        plans,
        covers=covers,
        strip_ages=setting.choices.strip_age,
        age=setting.life,
        rule=setting.rule,
        sample=setting.map_sample,
        epistemic=_epistemic(setting, plans, covers),
    )
    rows = []
    for (temperature, follow_up), line in zip(cases, roots, strict=True):
        for cover, root in zip(covers, line, strict=True):
            first = setting.choices.strip_age[0]
            hours = first if root.status == ANY else root.value
            rows.append(
                {
                    "temperature_degC": temperature,
                    "nominal_cover_mm": float(cover),
                    "follow_up": follow_up.label,
                    "earliest_strip_age_h": hours,
                    "low95": root.low95,
                    "high95": root.high95,
                    "site_strip_age_h": setting.buildable_hours(root),
                    "status": strip_status(root.status),
                }
            )
    return pd.DataFrame(rows, columns=columns("strip-ages"))


def _epistemic(setting: Setting, plans: tuple[Plan, ...], covers: Array) -> Array | None:
    """Return P (k, p, t, c) by epistemic point where a confidence is demanded, else nothing."""
    if not setting.rule.confidence:
        return None
    hours = strip_age_nodes(setting.choices.strip_age)
    every = tuple(with_strip_age(plan, float(h)) for plan in plans for h in hours)
    p = probability_by_epistemic_point(
        setting.wall_with(every), covers, setting.at_life, sample=setting.epistemic_sample
    )
    return None if p is None else p.reshape(len(p), len(plans), len(hours), len(covers))


def reference_table(temperature: float) -> pd.DataFrame:
    """Tabulate durations of standards with their meaning, for a concrete temperature [degC].

    `low_h` to `high_h` runs over rapid to slow strength development, `hours` is the medium one.
    EN 13670 gives none below 5 degC.
    """
    aci = published_value("aci347.wall_forms.hours")
    cure = published_value("aci318.curing")
    rows = [
        (
            "ACI 347",
            "wall forms, a limit against damage at stripping, not a curing period",
            *(constant("aci347.wall_forms.hours"),) * 3,
            aci.source,
            aci.mark,
        )
    ]
    band = next((b for b in CURING_TEMPERATURES if temperature >= b), None)
    if band is not None:
        for number in (2, 3, 4):
            entry = published_value(f"en13670.curing.class_{number}.from_{band:g}_degc")
            low, middle, high = (24.0 * entry.numbers[k] for k in STRENGTH_DEVELOPMENT)
            rows.append(
                (
                    f"EN class {number}",
                    "EN 13670, minimum curing of that curing class",
                    low,
                    middle,
                    high,
                    entry.source,
                    entry.mark,
                )
            )
    rows.append(
        (
            "ACI 318",
            "minimum curing period at 10 °C (50 °F) or more",
            *(24.0 * constant("aci318.curing"),) * 3,
            cure.source,
            cure.mark,
        )
    )
    columns = ["name", "meaning", "low_h", "hours", "high_h", "source", "mark"]
    return pd.DataFrame(rows, columns=columns)
