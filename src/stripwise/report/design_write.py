"""Writing a design: its tables, figures and pages, everything or nothing."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from stripwise.report import files
from stripwise.report.figures import sheet
from stripwise.report.figures.design_figures import draw_design
from stripwise.report.pages.design_page import render_design, render_strip_ages
from stripwise.report.write import commit
from stripwise.scenario.describe import inputs_table
from stripwise.studies.design.design_result import (
    CHOICE_COLUMNS,
    COST_COLUMNS,
    DESIGN_COLUMNS,
    EARLIEST_COLUMNS,
    EXCHANGE_COLUMNS,
    PARETO_COLUMNS,
    REQUIRED_COLUMNS,
    RULE_COLUMNS,
    SITE_COLUMNS,
    DesignResult,
)

__all__ = ["DESIGN_FILES", "design_tables", "write_design"]

DESIGN_FILES = (
    "design.csv",
    "required.csv",
    "earliest.csv",
    "exchange.csv",
    "rules.csv",
    "strip-ages.csv",
    "strip-ages.html",
    "report.html",
)
"""What every design writes; cost.csv, pareto.csv and choice.csv come with prices."""


def design_tables(result: DesignResult) -> dict[str, str]:
    """Write every table of a design as CSV.

    Parameters
    ----------
    result
        A design.

    Returns
    -------
    Text by file name; those of prices are missing without a [cost] section.
    """
    tables: list[tuple[str, pd.DataFrame | None, list[str]]] = [
        ("design", result.design, DESIGN_COLUMNS),
        ("required", result.required, REQUIRED_COLUMNS),
        ("earliest", result.earliest, EARLIEST_COLUMNS),
        ("exchange", result.exchange, EXCHANGE_COLUMNS),
        ("rules", result.rules, RULE_COLUMNS),
        ("strip-ages", result.strip_ages, SITE_COLUMNS),
        ("cost", result.cost, COST_COLUMNS),
        ("pareto", result.pareto, PARETO_COLUMNS),
        ("choice", result.choice, CHOICE_COLUMNS),
    ]
    return {
        f"{name}.csv": files.csv_text(table, columns=columns, name=name)
        for name, table, columns in tables
        if table is not None
    }


def write_design(result: DesignResult, folder: Path) -> list[Path]:
    """Write every result of a design to a folder, or leave the folder as it was.

    Parameters
    ----------
    result
        A design.
    folder
        Folder for the results; made if it does not exist.

    Returns
    -------
    The files written, run.json last.

    Raises
    ------
    OutputError
        If the folder cannot be written, or holds a file of one of the names that is not ours.
    """
    contents = {name: text.encode() for name, text in design_tables(result).items()}
    vectors, drawn = sheet.figure_files(draw_design(result))
    contents |= drawn
    contents["strip-ages.html"] = render_strip_ages(result).encode()
    contents["report.html"] = render_design(result, vectors).encode()
    scenario = result.scenario
    record = {
        **result.run,
        "scenario": files.scenario_record(scenario),
        "inputs": inputs_table(scenario)[files.INPUT_COLUMNS].to_dict("records"),
        "warnings": list(result.warnings),
        "verdict": list(result.verdict),
    }
    return commit(folder, contents, record=record, command="design")
