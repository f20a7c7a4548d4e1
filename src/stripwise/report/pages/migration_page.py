"""What the report of migration tests says, draws and writes."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from stripwise.evidence.profiles.pooling import ESTIMATOR
from stripwise.report import formatting
from stripwise.report.components import Report, Section, Table
from stripwise.report.figures import sheet
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.studies.fit.migration_study import MigrationStudy

__all__ = ["migration_report"]

E12 = 1e12
"""From m2/s to the 10⁻¹² m²/s of the page."""

MAX_ROWS = 60
"""Most specimens in a table, and most dots of a strategy."""

MAX_STRATEGIES = 24
"""Most strategies in the figure."""


def migration_report(study: MigrationStudy) -> Report:
    """Write up migration tests."""
    data_file, tests, pooled = study.data_file, study.tests, study.penalties.log_diffusivity
    tables = {
        "specimens.csv": study.specimens,
        "strategies.csv": study.strategies,
        "penalties.csv": study.penalty_table,
        "penalty_covariance.csv": study.covariance_table,
    }
    record = {
        "kind": "migration",
        "reference": study.reference,
        "between_specimens_sd_ln": float(np.sqrt(pooled.between_variance)),
        "degrees_of_freedom": pooled.degrees_of_freedom,
        "strategies": study.strategies.to_dict("records"),
    }
    if study.penalty_table is not None:
        record["penalties"] = study.penalty_table.to_dict("records")
    with sheet.style_context():
        figures = {"coefficients": sheet.parent_figure(_plot_coefficients(study))}
    return Report(
        title=f"Migration tests: {data_file.path.stem}",
        about=f"{len(tests.specimens)} specimens of {len(study.strategies)} strategies: chloride "
        "driven in by a voltage, the coefficient from the depth of the colour change.",
        findings=_findings(study),
        sections=_sections(study),
        source=data_file.path,
        digest=data_file.digest,
        warnings=(*data_file.notes, *tests.notes, *_warnings(study)),
        method=METHOD,
        assumptions=ASSUMPTIONS,
        figures=figures,
        tables={name: table for name, table in tables.items() if table is not None},
        texts=study.scenario_files,
        record=record,
    )


METHOD = (
    "D_nssm = R T L / (z F (U - 2)) (x_d - alpha sqrt(x_d)) / t, alpha = 2 sqrt(R T L / (z F "
    "(U - 2))) erfinv(1 - 2 c_d / c_0), c_d = 0.07 N, c_0 = 2 N (NT Build 492, 1999, equations 1 "
    "to 3, recalled); the depth is the mean over the readings of a specimen, and the scatter of "
    "these readings gives the error of its coefficient.",
    f"Pooling of ln D by strategy: {ESTIMATOR} (recalled). The error of the reference is in every "
    "ratio, and so in the covariance.",
)

ASSUMPTIONS = (
    "A migration test lasts hours under a voltage in saturated concrete; chloride binding, "
    "ageing and drying do not show in it. The model of fib Bulletin 34 (2006) takes such a "
    "coefficient at 28 d (recalled); at another age it belongs to that diffusivity_age.",
    "The specimen is commonly cut from inside a cylinder and stored in water until the test: it "
    "tells about curing only if the exposed face is the one as stripped, dried as the wall was.",
    "A specimen of 50 mm averages over skin and bulk less than a profile does: the front that is "
    "read may have passed through the skin alone or through both.",
    "A scenario can say how uncertain this step is: curing.model_factor multiplies penalties that "
    "come out of a fit, and is off unless the scenario sets it.",
    "Not covered: cracks, joints, honeycombing, cold, and differences between the concretes of "
    "specimen and wall.",
)


def _plot_coefficients(study: MigrationStudy) -> Axes:
    tests = study.tests
    table = study.strategies.sort_values("diffusivity_m2_s", ascending=False, kind="stable")
    strategies = np.array(tests.strategies, dtype=object)
    rows = []
    for row in table.head(MAX_STRATEGIES).to_dict("records"):
        value, low, high = (row[f"diffusivity_{end}"] * E12 for end in ("m2_s", "low95", "high95"))
        own = tests.coefficient[strategies == row["strategy"]][:MAX_ROWS] * E12
        text = f"{formatting.number(value)} ({formatting.interval(low, high, formatting.number)})"
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
        rows, title=title, note=note, label="Migration coefficient [10⁻¹² m²/s]"
    )


def _findings(study: MigrationStudy) -> tuple[str, ...]:
    penalties, reference, each = study.penalties, study.reference, study.strategies
    parts = [
        f"{r['strategy']} {formatting.number(r['diffusivity_m2_s'] * E12)} ("
        + formatting.interval(
            r["diffusivity_low95"] * E12, r["diffusivity_high95"] * E12, formatting.number
        )
        + ")"
        for r in each.head(6).to_dict("records")
    ]
    more = f", and {len(each) - 6} more in strategies.csv" if len(each) > 6 else ""
    texts = [
        "Migration coefficients in 10⁻¹² m²/s, with 95 % intervals: "
        + "; ".join(parts)
        + more
        + "."
    ]
    pooled = penalties.log_diffusivity
    others = [k for k, n in enumerate(penalties.strategies) if n != reference]
    if reference is not None and others:
        ratios = [
            f"{penalties.strategies[k]} {formatting.number(float(np.exp(penalties.log_ratios.log_mean[k])))} ("
            f"{formatting.interval(float(penalties.low95[k]), float(penalties.high95[k]), formatting.number)})"
            for k in others[:6]
        ]
        more = f", and {len(others) - 6} more in penalties.csv" if len(others) > 6 else ""
        texts.append(f"Penalty factors against {reference}: {'; '.join(ratios)}{more}.")
    if reference is not None:
        texts.append(
            'For a scenario: diffusivity = { from = "diffusivity.toml" }'
            + (
                " with the age of the test as diffusivity_age."
                if np.isfinite(study.tests.age).any()
                else "."
            )
        )
    texts.append(
        "Between specimens of one strategy ln D scatters with an sd of "
        f"{formatting.number(float(np.sqrt(pooled.between_variance)), 2)}"
        + (
            " (assumed: no strategy has two specimens)."
            if pooled.between_assumed
            else f" ({pooled.degrees_of_freedom:g} degrees of freedom)."
        )
    )
    return tuple(texts)


def _warnings(study: MigrationStudy) -> tuple[str, ...]:
    pooled, texts = study.penalties.log_diffusivity, []
    if study.reference is None:
        texts.append(
            "Without --reference no penalty factors, and no file for a scenario, are written."
        )
    if pooled.between_assumed:
        texts.append(
            "No strategy has two specimens: the scatter between specimens is assumed "
            "(fib Bulletin 34, 2006, recalled). Test replicates."
        )
    return tuple(texts)


def _sections(study: MigrationStudy) -> tuple[Section, ...]:
    penalties, reference = study.penalties, study.reference
    rows = []
    for k, r in enumerate(study.strategies.to_dict("records")):
        is_reference = r["strategy"] == reference
        penalty = (
            ""
            if reference is None
            else formatting.number(float(np.exp(penalties.log_ratios.log_mean[k])))
        )
        ends = (
            ""
            if reference is None or is_reference
            else formatting.interval(
                float(penalties.low95[k]), float(penalties.high95[k]), formatting.number
            )
        )
        rows.append(
            (
                r["strategy"] + " (reference)" * is_reference,
                str(r["specimens"]),
                formatting.number(r["diffusivity_m2_s"] * E12),
                penalty,
                ends,
            )
        )
    by_strategy = Table(
        "By strategy.",
        ("Strategy", "Specimens", "D [10⁻¹² m²/s]", "Penalty, median", "95 % interval"),
        tuple(rows[:MAX_ROWS]),
        frozenset({1, 2, 3, 4}),
    )
    table = study.specimens
    cut = f" The first {MAX_ROWS}; all in specimens.csv." if len(table) > MAX_ROWS else ""
    each = Table(
        f"Each specimen, ± the error by its readings.{cut}",
        (
            "Specimen",
            "Strategy",
            "D [10⁻¹² m²/s]",
            "Depth [mm]",
            "Readings",
            "Voltage [V]",
            "Thickness [mm]",
            "Temperature [degC]",
            "Duration [h]",
        ),
        tuple(
            (
                r["specimen"],
                r["strategy"],
                formatting.number(r["diffusivity_m2_s"] * E12)
                + (
                    f" ± {formatting.number(r['diffusivity_se'] * E12, 2)}"
                    if r["diffusivity_se"]
                    else ""
                ),
                formatting.number(r["penetration_mm"]),
                str(r["readings"]),
                formatting.number(r["voltage_V"]),
                formatting.number(r["thickness_mm"]),
                formatting.number(r["temperature_degC"]),
                formatting.number(24.0 * r["duration_d"]),
            )
            for r in table.head(MAX_ROWS).to_dict("records")
        ),
        frozenset({2, 3, 4, 5, 6, 7, 8}),
    )
    return (
        Section(
            "Migration coefficients",
            (),
            "coefficients",
            "Data: strategies.csv, specimens.csv.",
            (by_strategy,),
        ),
        Section("Specimens", (), "", "", (each,)),
    )
