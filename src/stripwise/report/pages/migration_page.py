"""The report of migration tests: another way to a diffusivity and to penalty factors."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from stripwise.evidence.profiles.penalty_factors import (
    Factors,
    covariance_table,
    diffusivity_table,
    factors,
    penalty_table,
)
from stripwise.evidence.profiles.pooling import ESTIMATOR
from stripwise.evidence.tables.migration_rows import MigrationTests, migration_tests
from stripwise.evidence.tables.reading import Reading
from stripwise.report import formatting
from stripwise.report.components import Dossier, Grid, Section
from stripwise.report.figures import sheet
from stripwise.report.figures.dot_interval import DotRow, plot_dots
from stripwise.report.pages.profile_files import diffusivity_text, penalty_file
from stripwise.units.names import JOINER

__all__ = ["migration_dossier"]

E12 = 1e12
MOST_ROWS = 60
"""Most specimens in a table, and most dots of a strategy."""

SHOWN = 24
"""Most strategies in the figure."""


def migration_dossier(reading: Reading, *, reference: str | None = None) -> Dossier:
    """Turn migration tests into coefficients and write them up.

    Parameters
    ----------
    reading
        A file of kind migration.
    reference
        Strategy whose penalty is 1; the only one where there is one, else none.

    Returns
    -------
    The `Dossier`.

    Raises
    ------
    EvidenceError
        If the file holds rows that cannot be used.
    """
    tests = migration_tests(reading)
    names = tuple(dict.fromkeys(tests.strategies))
    known = reference if reference is not None or len(names) > 1 else names[0]
    # without a reference the first strategy stands in: nothing that depends on it is shown
    found = factors(
        np.log(tests.coefficient),
        tests.log_variance,
        strategies=tests.strategies,
        reference=names[0] if known is None else known,
        file=reading.name,
    )
    tables = {"specimens.csv": _specimens(tests), "strategies.csv": diffusivity_table(found)}
    texts: dict[str, str] = {}
    if known is not None:
        tables["penalties.csv"] = penalty_table(found)
        tables["penalty_covariance.csv"] = covariance_table(found)
        told = f"migration tests of {reading.path.name}{_age(tests)}, reference "
        told += found.reference.replace(JOINER, "")
        texts = penalty_file(found, source=reading.path.name, told=told)
        texts["diffusivity.toml"] = diffusivity_text(
            found, "Migration coefficient of the reference strategy", source=told
        )
    with sheet.styled():
        figures = {"coefficients": sheet.figure_of(_plot(tests, found))}
    return Dossier(
        title=f"Migration tests: {reading.path.stem}",
        about=f"{len(tests.specimens)} specimens of {len(names)} strategies: chloride driven in "
        "by a voltage, the coefficient from the depth of the colour change.",
        findings=_findings(tests, found, known),
        sections=_sections(tests, found, known),
        source=reading.path,
        digest=reading.digest,
        warnings=(*reading.notes, *tests.notes, *_warnings(found, known)),
        method=METHOD,
        assumptions=ASSUMPTIONS,
        figures=figures,
        tables=tables,
        texts=texts,
        record={
            "kind": "migration",
            "reference": known,
            "between_specimens_sd_ln": float(np.sqrt(found.log_diffusivity.between)),
            "degrees_of_freedom": found.log_diffusivity.freedom,
            "strategies": tables["strategies.csv"].to_dict("records"),
            **({} if known is None else {"penalties": penalty_table(found).to_dict("records")}),
        },
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


def _age(tests: MigrationTests) -> str:
    ages = np.unique(tests.age[np.isfinite(tests.age)])
    if ages.size == 0:
        return ""
    span = f"{ages[0]:g}" if ages.size == 1 else f"{ages[0]:g} to {ages[-1]:g}"
    return f" at an age of {span} d"


def _specimens(tests: MigrationTests) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "specimen": tests.specimens,
            "strategy": tests.strategies,
            "diffusivity_m2_s": tests.coefficient,
            "diffusivity_se": tests.coefficient * np.sqrt(tests.log_variance),
            "penetration_mm": tests.penetration,
            "readings": tests.readings,
        }
    )
    return pd.concat([table, tests.settings], axis=1)


def _plot(tests: MigrationTests, found: Factors) -> Axes:
    table = diffusivity_table(found).sort_values("diffusivity_m2_s", ascending=False, kind="stable")
    strategies = np.array(tests.strategies, dtype=object)
    rows = []
    for row in table.head(SHOWN).to_dict("records"):
        value, low, high = (row[f"diffusivity_{end}"] * E12 for end in ("m2_s", "low95", "high95"))
        own = tests.coefficient[strategies == row["strategy"]][:MOST_ROWS] * E12
        text = f"{formatting.number(value)} ({formatting.interval(low, high, formatting.number)})"
        rows.append(DotRow(row["strategy"], value, low, high, text, tuple(own)))
    note = (
        "Dot: pooled coefficient (geometric mean); bar: its 95 % interval; small dots: specimens."
    )
    if len(table) > SHOWN:
        note += f" The {SHOWN} highest of {len(table)} strategies."
    title = f"{rows[0].name} has the highest migration coefficient, {rows[0].text}"
    if len(table) == 1:
        title = f"The migration coefficient of {rows[0].name} is {rows[0].text}"
    return plot_dots(rows, title=title, note=note, label="Migration coefficient [10⁻¹² m²/s]")


def _findings(tests: MigrationTests, found: Factors, known: str | None) -> tuple[str, ...]:
    each = diffusivity_table(found)
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
    pooled = found.log_diffusivity
    others = [k for k, n in enumerate(found.strategies) if n != known]
    if known is not None and others:
        ratios = [
            f"{found.strategies[k]} {formatting.number(float(np.exp(found.ratios.log_mean[k])))} ("
            f"{formatting.interval(float(found.low95[k]), float(found.high95[k]), formatting.number)})"
            for k in others[:6]
        ]
        more = f", and {len(others) - 6} more in penalties.csv" if len(others) > 6 else ""
        texts.append(f"Penalty factors against {known}: {'; '.join(ratios)}{more}.")
    if known is not None:
        texts.append(
            'For a scenario: diffusivity = { from = "diffusivity.toml" }'
            + (" with the age of the test as diffusivity_age." if _age(tests) else ".")
        )
    texts.append(
        "Between specimens of one strategy ln D scatters with an sd of "
        f"{formatting.number(float(np.sqrt(pooled.between)), 2)}"
        + (
            " (assumed: no strategy has two specimens)."
            if pooled.assumed
            else f" ({pooled.freedom:g} degrees of freedom)."
        )
    )
    return tuple(texts)


def _warnings(found: Factors, known: str | None) -> tuple[str, ...]:
    pooled, texts = found.log_diffusivity, []
    if known is None:
        texts.append(
            "Without --reference no penalty factors, and no file for a scenario, are written."
        )
    if pooled.assumed:
        texts.append(
            "No strategy has two specimens: the scatter between specimens is assumed "
            "(fib Bulletin 34, 2006, recalled). Test replicates."
        )
    return tuple(texts)


def _sections(tests: MigrationTests, found: Factors, known: str | None) -> tuple[Section, ...]:
    rows = []
    for k, r in enumerate(diffusivity_table(found).to_dict("records")):
        certain = r["strategy"] == known
        penalty = (
            "" if known is None else formatting.number(float(np.exp(found.ratios.log_mean[k])))
        )
        ends = (
            ""
            if known is None or certain
            else formatting.interval(
                float(found.low95[k]), float(found.high95[k]), formatting.number
            )
        )
        rows.append(
            (
                r["strategy"] + " (reference)" * certain,
                str(r["specimens"]),
                formatting.number(r["diffusivity_m2_s"] * E12),
                penalty,
                ends,
            )
        )
    by_strategy = Grid(
        "By strategy.",
        ("Strategy", "Specimens", "D [10⁻¹² m²/s]", "Penalty, median", "95 % interval"),
        tuple(rows[:MOST_ROWS]),
        frozenset({1, 2, 3, 4}),
    )
    table = _specimens(tests)
    cut = f" The first {MOST_ROWS}; all in specimens.csv." if len(table) > MOST_ROWS else ""
    each = Grid(
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
            for r in table.head(MOST_ROWS).to_dict("records")
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
