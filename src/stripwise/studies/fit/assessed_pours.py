"""Every pour of a strip log as a wall of its own: what its strip did, and what curing still buys."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from stripwise.curing.curing_law import UNCURED_H
from stripwise.curing.follow_up import FACES, FOLLOW_UPS, NO_FOLLOW_UP, REFERENCE_FACE, wet_method
from stripwise.errors import InputError
from stripwise.evidence.strip_ages import AGE_COLUMNS, StripLog
from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.follow_up_table import FREEZING
from stripwise.studies.decision import NO
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.inventory.inventory_study import inventory
from stripwise.units.formatting import number, temperature
from stripwise.units.result_columns import columns

__all__ = ["AssessedPours", "assess_pours", "counted_follow_up"]

PENALTY_POINTS = 2048
OFFERED_DAYS = 7.0
"""Days of the curing that is offered from now on."""

UNCURED = {
    "probability_at_target": 1.0,
    "know_low": 1.0,
    "know_high": 1.0,
    "confidence": 0.0,
    "meets_target": NO,
    "life_at_target_yr": 0.0,
}
"""What is said of a pour that was not cured at all."""

FOLLOW_UP = re.compile(r"\s*(?P<method>[a-z ]+?)\s*(?:(?P<days>\d+(?:\.\d+)?)\s*d)?\s*")


@dataclass(frozen=True, slots=True)
class AssessedPours:
    """The pours of a log, assessed.

    Attributes
    ----------
    scenario
        The scenario that gives everything but the strip.
    table
        A row per pour, the worst first, as `stripwise list columns` says.
    specified_life
        Years until the limit at the specified age [yr]; inf if never within the horizon.
    against
        What the years lost are counted against, in words.
    notes
        What to know before using the numbers.
    """

    scenario: Scenario
    table: pd.DataFrame
    specified_life: float
    against: str
    notes: tuple[str, ...]


def counted_follow_up(text: str) -> tuple[str, float, str]:
    """Return method and hours of a follow-up as a log writes it, and why it counts as none.

    Examples
    --------
    >>> counted_follow_up("sheet 3 d")
    ('sheet', 72.0, '')
    >>> counted_follow_up("as usual")[0]
    'none'
    """
    if not text or text == NO_FOLLOW_UP:
        return NO_FOLLOW_UP, 0.0, ""
    match = FOLLOW_UP.fullmatch(text.casefold())
    method = match["method"] if match else ""
    if match is None or method not in FOLLOW_UPS:
        known = ", ".join(FOLLOW_UPS)
        return NO_FOLLOW_UP, 0.0, f'counts as none: write one of {known} with its days, "sheet 3 d"'
    published = FOLLOW_UPS[method].duration_d
    days = float(match["days"]) if match["days"] else published
    if days is None:
        return NO_FOLLOW_UP, 0.0, "counts as none: its days are not given"
    return method, 24.0 * days, ""


def assess_pours(log: StripLog, scenario: Scenario) -> AssessedPours:
    """Assess the pours of a log by a scenario, with the scenario's own maturity function.

    InputError if the log was not worked out with the constants of the scenario.
    """
    curing = scenario.curing
    wanted = (curing.maturity, curing.reference_temperature)
    if (log.function, log.reference_c) != wanted:
        at = temperature(curing.reference_temperature, units="SI")
        rule = f"judges by {curing.maturity} at {at}, the log does not"
        raise InputError("--scenario", rule)
    own = curing.activation_temperature if log.function == "arrhenius" else curing.datum_temperature
    other = log.activation_temperature if log.function == "arrhenius" else log.datum_c
    if own != other:
        raise InputError(
            "--scenario",
            f"has another constant of the maturity function ({number(own)}) than the log ({number(other)})",
        )
    notes: list[str] = []
    rows = []
    hours = log.pours[AGE_COLUMNS[log.function]].to_numpy(dtype=float)
    for k, (pour, age) in enumerate(zip(log.pours.to_dict("records"), hours, strict=True)):
        rows += _rows(k, pour, float(age), notes)
    reference = {"element": "specified", "strategy": scenario.reference_strategy}
    against = f'the plan "{scenario.reference_strategy}"'
    if log.specified is not None:
        reference = {"element": "specified", "strip_age_h": f"{log.specified!r}"}
        against = "the specified age"
    frame = pd.DataFrame([reference, *rows]).fillna("")
    frame["unusual"] = np.where(frame.get("strip_age_h", "") != "", "yes", "")
    at_reference = np.where(frame["strip_age_h"] != "", f"{log.reference_c!r}", "")
    frame["concrete_temperature_degC"] = at_reference
    found: dict[str, dict[Any, Any]] = {
        str(row["element"]): row for row in inventory(scenario, frame).elements.to_dict("records")
    }
    table = _table(log, hours, found, scenario)
    return AssessedPours(
        scenario=scenario,
        table=table,
        specified_life=float(found["specified"]["life_at_target_yr"]),
        against=against,
        notes=tuple(dict.fromkeys(notes)),
    )


def _rows(k: int, pour: dict[Any, Any], age: float, notes: list[str]) -> list[dict[str, str]]:
    """Return the rows of one pour: as it was cured, and with what is offered from now on."""
    name, coldest = str(pour["pour"]), float(str(pour["temperature_min_degC"]))
    if age < UNCURED_H:
        notes.append(
            f"{name}: less than {number(UNCURED_H)} equivalent hour is no curing: counted as depassivated."
        )
    method, hours, rule = counted_follow_up(str(pour.get("follow_up", "") or ""))
    if rule:
        notes.append(f'{name}: its curing after stripping "{pour["follow_up"]}" {rule}.')
    if method != NO_FOLLOW_UP and coldest <= FREEZING:
        notes.append(f"{name}: no curing after stripping counts on a face at or below 0 degC.")
        method, hours = NO_FOLLOW_UP, 0.0
    face = str(pour.get("face", "") or "")
    base = {
        "strip_age_h": f"{max(age, 1.001 * UNCURED_H)!r}",
        "face": face if face in FACES else REFERENCE_FACE,
        "follow_up_temperature_degC": f"{max(coldest, 0.1)!r}",
    }
    as_was = {**base, "element": f"{k}", "follow_up": method}
    if method != NO_FOLLOW_UP:
        as_was["follow_up_duration_h"] = f"{hours!r}"
    offered = [("sheet", "sheet"), ("wet", wet_method())] if coldest > FREEZING else []
    return [
        as_was,
        *(
            {
                **base,
                "element": f"{k} {short}",
                "follow_up": what,
                "follow_up_duration_h": f"{24.0 * OFFERED_DAYS!r}",
            }
            for short, what in offered
        ),
    ]


def _table(
    log: StripLog, hours: np.ndarray, found: dict[str, dict[Any, Any]], scenario: Scenario
) -> pd.DataFrame:
    life = float(found["specified"]["life_at_target_yr"])
    penalties = _mean_penalties(scenario, hours)
    records = []
    for k, pour in enumerate(log.pours.to_dict("records")):
        row = found[f"{k}"]
        sheet, wet = (
            found.get(f"{k} {short}", {}).get("probability_at_target", np.nan)
            for short in ("sheet", "wet")
        )
        if hours[k] < UNCURED_H:
            row = {**row, **UNCURED}
            sheet = wet = np.nan
        own = float(row["life_at_target_yr"])
        records.append(
            {
                "pour": pour["pour"],
                "face": pour.get("face", ""),
                "equivalent_h": hours[k],
                "follow_up": row["follow_up"],
                "penalty_mean": penalties[k],
                "probability_at_target": row["probability_at_target"],
                "know_low": row["know_low"],
                "know_high": row["know_high"],
                "confidence": row["confidence"],
                "meets_target": row["meets_target"],
                "life_at_target_yr": own,
                "years_lost": 0.0 if np.isinf(own) else life - own,
                "probability_with_sheet": sheet,
                "probability_kept_wet": wet,
            }
        )
    table = pd.DataFrame(records, columns=columns("strip-log/assessed"))
    return table.sort_values("probability_at_target", ascending=False, kind="stable")


def _mean_penalties(scenario: Scenario, hours: np.ndarray) -> list[float]:
    """Return the mean penalty of each strip age alone, from one sample of the law."""
    wall = build_wall(scenario)
    z = np.random.default_rng(scenario.sampling.seed).standard_normal(
        (len(wall.law.variates), PENALTY_POINTS)
    )
    values = [
        wall.input(name).distribution.from_normal(column)
        for name, column in zip(wall.law.inputs, z, strict=True)
    ]
    days = [float(max(h, 1.001 * UNCURED_H)) / 24.0 for h in hours]
    logs = wall.law.log_penalties(days, wall.reference_d, values)
    return [float(np.mean(np.exp(log_k))) for log_k in logs]
