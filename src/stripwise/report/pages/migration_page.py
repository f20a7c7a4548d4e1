"""What the report of migration tests says, draws and writes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from stripwise.evidence.profiles.pooling import ESTIMATOR
from stripwise.report.components import (
    Column,
    Figure,
    Report,
    Section,
    Table,
    data_report,
    numeric,
)
from stripwise.report.even_decimals import even, even_numbers
from stripwise.report.figures import sheet
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.report.pages.comparison_sections import (
    comparison_warnings,
    further_findings,
    further_record,
    further_sections,
)
from stripwise.report.prose import paragraphs
from stripwise.studies.fit.fitted_inputs import JOINT_DRAWS, unwritten_penalties
from stripwise.studies.fit.migration_study import MigrationStudy
from stripwise.units import formatting
from stripwise.units.formatting import diffusivity, number

__all__ = ["migration_report", "migration_sentences", "plot_coefficients"]

MAX_ROWS = 60
"""Most specimens in a table, and most dots of a strategy."""

MAX_STRATEGIES = 24
"""Most strategies in the figure."""


def migration_report(study: MigrationStudy) -> Report:
    """Write up migration tests."""
    data_file, tests, pooled = study.data_file, study.tests, study.penalties.log_diffusivity
    record = {
        "kind": "migration",
        "reference": study.reference,
        "between_specimens_sd_ln": float(np.sqrt(pooled.between_variance)),
        "degrees_of_freedom": pooled.degrees_of_freedom,
        "strategies": study.strategies.to_dict("records"),
    }
    if study.penalty_table is not None:
        record["penalties"] = study.penalty_table.to_dict("records")
    return data_report(
        data_file,
        title=f"Migration tests: {data_file.path.stem}",
        about=f"{len(tests.specimens)} specimens of {len(study.strategies)} strategies. A "
        "voltage drives chloride in; the depth of the colour change gives the coefficient.",
        findings=migration_sentences(study),
        sections=_sections(study),
        warnings=(
            *data_file.notes,
            *tests.notes,
            *unwritten_penalties(study.penalties, study.scenario_files),
            *_warnings(study),
            *comparison_warnings(study.comparison, "migration coefficient"),
        ),
        method=paragraphs("migration.method", estimator=ESTIMATOR),
        assumptions=paragraphs("migration.assumptions"),
        tables={
            "specimens.csv": study.specimens,
            "strategies.csv": study.strategies,
            "penalties.csv": study.penalty_table,
            "penalty_covariance.csv": study.covariance_table,
            JOINT_DRAWS: study.joint_draws,
            "comparisons.csv": None if study.comparison is None else study.comparison.table,
            "life_lost.csv": None if study.life_lost is None else study.life_lost.table,
        },
        further=() if study.life_lost is None else study.life_lost.scenario.sources,
        texts=study.scenario_files,
        record=record | further_record(study.comparison, study.life_lost),
    )


def plot_coefficients(study: MigrationStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the migration coefficient of each strategy with its interval."""
    tests = study.tests
    table = study.strategies.sort_values("diffusivity_m2_s", ascending=False, kind="stable")
    strategies = np.array(tests.strategies, dtype=object)
    rows = []
    for row in table.head(MAX_STRATEGIES).to_dict("records"):
        ends = (row[f"diffusivity_{end}"] for end in ("m2_s", "low95", "high95"))
        value, low, high = (1e12 * end for end in ends)
        own = tests.coefficient[strategies == row["strategy"]][:MAX_ROWS] * 1e12
        text = formatting.value_with_interval(value, low, high)
        rows.append(DotRow(row["strategy"], value, low, high, text, tuple(own)))
    note = (
        "Dot: pooled coefficient (geometric mean); bar: its 95 % interval; small dots: specimens."
    )
    if len(table) > MAX_STRATEGIES:
        note += f" The {MAX_STRATEGIES} highest of {len(table)} strategies."
    title = f"{rows[0].name} has the highest migration coefficient, {rows[0].text}"
    if len(table) == 1:
        title = f"The migration coefficient of {rows[0].name} is {rows[0].text}"
    return plot_dot_intervals(
        rows, title=title, note=note, label="Migration coefficient [10⁻¹² m²/s]", ax=ax
    )


def migration_sentences(study: MigrationStudy) -> tuple[str, ...]:
    """Say which coefficients and penalty factors the tests show."""
    penalties, reference, each = study.penalties, study.reference, study.strategies
    parts = [
        f"{r['strategy']} "
        + formatting.value_with_interval(
            r["diffusivity_m2_s"], r["diffusivity_low95"], r["diffusivity_high95"], diffusivity
        )
        for r in each.to_dict("records")
    ]
    texts = [
        "Migration coefficients in 10⁻¹² m²/s, with 95 % intervals: "
        f"{formatting.first_few(parts, 'strategies.csv')}."
    ]
    pooled = penalties.log_diffusivity
    if reference is not None:
        ratios = [
            f"{name} "
            + formatting.value_with_interval(
                float(np.exp(penalties.log_ratios.log_mean[k])),
                float(penalties.low95[k]),
                float(penalties.high95[k]),
            )
            for k, name in enumerate(penalties.strategies)
            if name != reference
        ]
        if ratios:
            listed = formatting.first_few(ratios, "penalties.csv")
            texts.append(f"Penalty factors against {reference}: {listed}.")
        aged = np.isfinite(study.tests.age).any()
        texts.append(
            'To use the result in a scenario, write diffusivity = { from = "diffusivity.toml" }'
            f"{' with the age of the test as diffusivity_age' if aged else ''}."
        )
    texts.append(
        "Specimens of one strategy scatter in ln D with an sd of "
        f"{number(float(np.sqrt(pooled.between_variance)), 2)}"
        + (
            " (assumed: no strategy has two specimens)."
            if pooled.between_assumed
            else f" ({number(pooled.degrees_of_freedom)} degrees of freedom)."
        )
    )
    return (*texts, *further_findings(study.comparison, study.life_lost))


def _warnings(study: MigrationStudy) -> tuple[str, ...]:
    pooled, texts = study.penalties.log_diffusivity, []
    if study.reference is None:
        texts.append("Without --reference there are no penalty factors and no file for a scenario.")
    if pooled.between_assumed:
        texts.append(
            "No strategy has two specimens: the scatter between specimens is assumed "
            "(fib Bulletin 34, 2006, recalled). Test replicates."
        )
    return tuple(texts)


def _sections(study: MigrationStudy) -> tuple[Section, ...]:
    table = study.specimens
    cut = f" The first {MAX_ROWS}; all in specimens.csv." if len(table) > MAX_ROWS else ""
    rows = table.head(MAX_ROWS).to_dict("records")
    coefficient = even(1e12 * table["diffusivity_m2_s"].head(MAX_ROWS))
    each = Table(
        f"Each specimen; ± the standard error from its readings.{cut}",
        (
            Column("Specimen", "specimen"),
            Column("Strategy", "strategy"),
            numeric("D [10⁻¹² m²/s]", write=lambda r: _coefficient(r, coefficient)),
            even_numbers("Depth [mm]", "penetration_mm", rows),
            numeric("Readings", "readings", str),
            even_numbers("Voltage [V]", "voltage_V", rows),
            even_numbers("Thickness [mm]", "thickness_mm", rows),
            even_numbers("Temperature [°C]", "temperature_degC", rows),
            numeric("Duration [h]", "duration_d", lambda days: number(24.0 * days)),
        ),
        rows,
    )
    return (
        Section(
            "Migration coefficients",
            (
                Figure(
                    "coefficients",
                    sheet.draw(plot_coefficients, study),
                    "Data: strategies.csv, specimens.csv.",
                ),
                _strategy_table(study),
            ),
        ),
        *further_sections(study.comparison, study.life_lost),
        Section("Specimens", (each,)),
    )


def _strategy_table(study: MigrationStudy) -> Table:
    penalties, reference = study.penalties, study.reference
    rows = study.strategies.to_dict("records")[:MAX_ROWS]
    if reference is not None:
        for k, row in enumerate(rows):
            row |= {"ratio": np.exp(penalties.log_ratios.log_mean[k])}
            row |= {"low": penalties.low95[k], "high": penalties.high95[k]}
    written = even(1e12 * row["diffusivity_m2_s"] for row in rows)
    median = even(row["ratio"] for row in rows if "ratio" in row)
    return Table(
        "By strategy.",
        (
            Column(
                "Strategy", "strategy", lambda name: name + " (reference)" * (name == reference)
            ),
            numeric("Specimens", "specimens", str),
            numeric("D [10⁻¹² m²/s]", "diffusivity_m2_s", lambda d: written(1e12 * d)),
            numeric("Penalty, median", write=lambda r: median(r["ratio"]) if "ratio" in r else ""),
            numeric(
                "95 % interval",
                write=lambda r: (
                    formatting.interval(r["low"], r["high"], median)
                    if "ratio" in r and r["strategy"] != reference
                    else ""
                ),
            ),
        ),
        rows,
    )


def _coefficient(row: dict[str, Any], write: Callable[[float], str]) -> str:
    error = row["diffusivity_se"]
    text = write(1e12 * row["diffusivity_m2_s"])
    return f"{text} ± {write(1e12 * error)}" if error else text
