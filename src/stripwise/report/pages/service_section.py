"""What the page of a run says about optional service conditions."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from stripwise.report import formatting
from stripwise.studies.results import Assessment

__all__ = ["ServicePart", "service_part"]

Rows = list[tuple[str, list[str]]]


@dataclass(frozen=True, slots=True)
class ServicePart:
    """Texts of the page: sentences, and rows of a name with its cells."""

    notes: tuple[str, ...]
    mechanisms: Rows
    lives: Rows
    extent_heads: tuple[str, ...]
    extent: Rows
    layer_heads: tuple[str, ...]
    layers: Rows


def service_part(assessment: Assessment) -> ServicePart:
    """Write the tables of the service conditions; empty where the scenario sets none."""
    service = assessment.service
    heads, extent = _extent(assessment)
    layer_heads, layers = _layers(assessment)
    return ServicePart(
        service.notes,
        _mechanisms(service.mechanisms),
        _lives(assessment),
        heads,
        extent,
        layer_heads,
        layers,
    )


def _layers(assessment: Assessment) -> tuple[tuple[str, ...], Rows]:
    table = assessment.service.layers
    if table is None:
        return (), []
    coated = assessment.scenario.service.coating is not None
    columns = ["probability_at_target", *(["probability_uncoated"] if coated else [])]
    columns += ["probability_grid", "probability_finer_grid"]
    first = ("Strategy", "As computed", *(["Without the coating"] if coated else []))
    units = assessment.scenario.units
    rows = [
        (
            str(row["strategy"]),
            [formatting.percent(float(row[column])) for column in columns]
            + [formatting.length(float(row["front_change_mean_mm"]), units=units)],
        )
        for row in table.to_dict("records")
    ]
    return (*first, "Grid of the run", "Finer grid", "Fronts move by"), rows


def _mechanisms(table: pd.DataFrame | None) -> Rows:
    if table is None:
        return []
    wide = table.pivot_table(
        index="strategy", columns="mechanism", values="probability_at_target", sort=False
    )
    order = ["chloride", "carbonation", "both"]
    return [
        (str(name), [formatting.percent(float(row[column])) for column in order])
        for name, row in wide.iterrows()
    ]


def _lives(assessment: Assessment) -> Rows:
    table, horizon = assessment.service.cracking_lives, assessment.scenario.sampling.horizon
    if table is None:
        return []
    rows: Rows = []
    for row in table.to_dict("records"):
        cells = [formatting.percent(float(row[f"{what}_at_target"])) for what in LIMIT_STATES]
        cells += [
            formatting.years(float(row[f"{what}_life_yr"]), horizon=horizon)
            for what in LIMIT_STATES
        ]
        rows.append((str(row["strategy"]), cells))
    return rows


LIMIT_STATES = ("initiation", "cracking")


def _extent(assessment: Assessment) -> tuple[tuple[str, ...], Rows]:
    table, options = assessment.service.extent, assessment.scenario.service.extent
    if table is None or options is None:
        return (), []
    at = table[table["age_yr"] == assessment.scenario.target.service_life]
    columns = ["mean_share", "sd_share", *(f"above_{100.0 * x:g}_pct" for x in options.shares)]
    heads = ("Mean", "sd", *(f"More than {100.0 * x:g} %" for x in options.shares))
    rows = [
        (str(row["strategy"]), [formatting.percent(float(row[column])) for column in columns])
        for row in at.to_dict("records")
    ]
    return heads, rows
