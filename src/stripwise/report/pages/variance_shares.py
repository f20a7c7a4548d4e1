"""Which shares of the variance inputs and choices hold, with their labels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from stripwise.studies.results import Assessment
from stripwise.units import formatting

__all__ = ["OVER_KNOWLEDGE", "Share", "choice_shares", "driver_shares"]

OVER_KNOWLEDGE = "choices by epistemic point"
"""Name of the analysis whose bounds are quantiles over the knowledge inputs."""


@dataclass(frozen=True, slots=True)
class Share:
    """Share of the variance that one input, group or choice explains.

    Attributes
    ----------
    label
        Words for the reader.
    first, first_low, first_high
        Alone, with the ends of its interval.
    total, total_low, total_high
        With interactions.
    status
        Why there is no number, or empty.
    """

    label: str
    first: float
    first_low: float
    first_high: float
    total: float
    total_low: float
    total_high: float
    status: str

    @property
    def sort_key(self) -> float:
        """Value to sort by; -1 where undefined."""
        return self.total if np.isfinite(self.total) else -1.0


def driver_shares(assessment: Assessment) -> tuple[list[Share], list[Share], float]:
    """Select the shares of the depth margin at the age nearest to the service life.

    Groups and single inputs, each with the largest total share first, and the age [yr].
    """
    table = assessment.sensitivity
    rows = table[(table["analysis"] == "uncertainty") & (_text_column(table, "input2") == "")]
    reference = rows[rows["strategy"] == assessment.scenario.reference_strategy]
    rows = reference if len(reference) else rows
    margin = rows[rows["quantity"].str.contains("margin")]
    rows = margin if len(margin) else rows[rows["quantity"] == rows["quantity"].iloc[0]]
    life = assessment.scenario.target.service_life
    ages = rows["age_yr"].dropna()
    age = float(ages.iloc[int(np.argmin(np.abs(ages - life)))]) if len(ages) else np.nan
    rows = rows[rows["age_yr"] == age] if len(ages) else rows
    names = dict(zip(assessment.inputs["name"], assessment.inputs["label"], strict=True))
    single = rows[_text_column(rows, "input") != ""]
    group = rows[(_text_column(rows, "input") == "") & (_text_column(rows, "group") != "")]
    return (
        _sorted([_share(row, _group_label(str(row["group"]), names)) for row in _records(group)]),
        _sorted(
            [_share(row, names.get(row["input"], str(row["input"]))) for row in _records(single)]
        ),
        age,
    )


def choice_shares(assessment: Assessment) -> list[Share]:
    """Select the shares of cover, strip age and follow-up as far as they are open, largest first.

    The intervals are over the epistemic inputs where the run has them, else of the sampling.
    """
    table = assessment.sensitivity
    single = table[(_text_column(table, "input2") == "") & (_text_column(table, "input") != "")]
    over_knowledge = {
        row["input"]: row for row in _records(single[single["analysis"] == OVER_KNOWLEDGE])
    }
    shares = []
    for row in _records(single[single["analysis"] == "choices"]):
        share = _share(row, _question_label(assessment, str(row["input"])))
        if row["input"] in over_knowledge:
            wide = _share(over_knowledge[row["input"]], share.label)
            share = replace(
                share,
                first_low=wide.first_low,
                first_high=wide.first_high,
                total_low=wide.total_low,
                total_high=wide.total_high,
            )
        shares.append(share)
    return _sorted(shares)


def _group_label(group: str, names: Mapping[str, str]) -> str:
    """Word a group: its name, or the labels of the inputs that are correlated."""
    head, colon, members = group.partition(": ")
    if not colon:
        return f"{group} (all together)"
    return f"{head}: {formatting.join_with_and([names.get(m, m) for m in members.split(' + ')])}"


def _question_label(assessment: Assessment, name: str) -> str:
    choices = assessment.scenario.choices
    units = assessment.scenario.units
    if "follow" in name:
        methods = [f.label for f in choices.follow_up] if choices else []
        listed = f" ({', '.join(methods)})" if methods else ""
        return f"How to cure after stripping?{listed}"
    if "strip" in name:
        span = formatting.interval(*choices.strip_age, formatting.duration) if choices else ""
        return f"When to strip? ({span})" if span else "When to strip?"
    if "cover" in name:
        span = ""
        if choices:
            low, high, _ = choices.cover
            span = formatting.interval(low, high, lambda x: formatting.length(x, units=units))
        return f"How much cover? ({span})" if span else "How much cover?"
    return name


def _share(row: Mapping[str, object], label: str) -> Share:
    status = str(row["status"]) if isinstance(row["status"], str) else ""

    def value(column: str) -> float:
        return float(str(row[column]))

    return Share(
        label=label,
        first=value("first"),
        first_low=value("first_low95"),
        first_high=value("first_high95"),
        total=value("total"),
        total_low=value("total_low95"),
        total_high=value("total_high95"),
        status="" if status == "ok" else status,
    )


def _sorted(shares: list[Share]) -> list[Share]:
    return sorted(shares, key=lambda share: -share.sort_key)


def _text_column(table: pd.DataFrame, column: str) -> pd.Series[str]:
    return table[column].fillna("").astype(str)


def _records(table: pd.DataFrame) -> list[dict[str, object]]:
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]
