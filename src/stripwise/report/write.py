"""What a run, a design and a ranking write into their folder: tables, figures and pages."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from stripwise.report import files
from stripwise.report.figures import curves_figure, design_figures, ranking_figures, sheet
from stripwise.report.file_swap import RUN_JSON, commit
from stripwise.report.pages import design_page, rank_page, run_page
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
from stripwise.studies.rank.choice_tables import OPTION_COLUMNS
from stripwise.studies.rank.index_tables import CONVERGENCE_COLUMNS, SHAPLEY_COLUMNS
from stripwise.studies.rank.rank_study import Ranking
from stripwise.studies.rank.reliability_table import (
    ELASTICITY_COLUMNS,
    FORM_COLUMNS,
    RELIABILITY_COLUMNS,
)
from stripwise.studies.rank.value_of_information import VALUE_OF_INFORMATION_COLUMNS
from stripwise.studies.result_tables import SENSITIVITY_COLUMNS
from stripwise.studies.results import Assessment

__all__ = [
    "DESIGN_FILES",
    "RANKING_FILES",
    "RUN_FILES",
    "design_tables",
    "write",
    "write_design",
    "write_ranking",
]

RUN_FILES = (
    "curves.csv",
    "strategies.csv",
    "sensitivity.csv",
    "inputs.csv",
    "report.html",
    RUN_JSON,
)
"""Files that every run writes; more come with options, and the figures."""

DESIGN_FILES = (
    "design.csv",
    "required.csv",
    "earliest.csv",
    "exchange.csv",
    "rules.csv",
    "strip-ages.csv",
    "strip-ages.html",
    "report.html",
    RUN_JSON,
)
"""Files that every design writes; cost.csv, pareto.csv and choice.csv come with prices."""


RANKING_FILES = (
    "sensitivity.csv",
    "convergence.csv",
    "form.csv",
    "elasticity.csv",
    "reliability.csv",
    "shapley.csv",
    "worth.csv",
    "choices.csv",
    "options.csv",
    "report.html",
    RUN_JSON,
)
"""Files that a ranking may write, besides its figures."""


def write(assessment: Assessment, folder: Path) -> list[Path]:
    """Write every result of a run to a folder, or leave the folder as it was.

    Parameters
    ----------
    assessment
        Results of a run.
    folder
        Folder for the results; made if it does not exist.

    Returns
    -------
    The files written, run.json last.

    Raises
    ------
    OutputError
        If the folder cannot be written, holds results of another command or a file of one of the
        names that no earlier run wrote, or if the disk fails on the way.
    """
    contents = {name: text.encode() for name, text in files.csv_tables(assessment).items()}
    svgs, figure_bytes = sheet.figure_files(curves_figure.draw_run_figures(assessment))
    contents |= figure_bytes
    contents["report.html"] = run_page.render(assessment, svgs).encode()
    return commit(folder, contents, record=files.run_record(assessment, files=[]))


def design_tables(result: DesignResult) -> dict[str, str]:
    """Write every table of a design as CSV, by file name; those of prices only where there are any."""
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
        As `write`.
    """
    contents = {name: text.encode() for name, text in design_tables(result).items()}
    svgs, figure_bytes = sheet.figure_files(design_figures.draw_design_figures(result))
    contents |= figure_bytes
    contents["strip-ages.html"] = design_page.render_strip_ages(result).encode()
    contents["report.html"] = design_page.render_design(result, svgs).encode()
    scenario = result.scenario
    record = {
        **result.run,
        "scenario": files.scenario_record(scenario),
        "inputs": inputs_table(scenario)[files.INPUT_COLUMNS].to_dict("records"),
        "warnings": list(result.warnings),
        "verdict": list(result.verdict),
    }
    return commit(folder, contents, record=record, command="design")


def write_ranking(ranking: Ranking, folder: Path) -> list[Path]:
    """Write every result of a ranking to a folder, or leave the folder as it was, as `write`."""
    tables = {
        "sensitivity.csv": (ranking.indices, SENSITIVITY_COLUMNS),
        "convergence.csv": (ranking.convergence, CONVERGENCE_COLUMNS),
        "form.csv": (ranking.form, FORM_COLUMNS),
        "elasticity.csv": (ranking.elasticity, ELASTICITY_COLUMNS),
        "reliability.csv": (ranking.methods, RELIABILITY_COLUMNS),
        "choices.csv": (ranking.choices.indices, SENSITIVITY_COLUMNS),
        "options.csv": (ranking.choices.options, OPTION_COLUMNS),
    }
    if len(ranking.shapley):
        tables["shapley.csv"] = (ranking.shapley, SHAPLEY_COLUMNS)
    if len(ranking.value_of_information):
        tables["worth.csv"] = (ranking.value_of_information, VALUE_OF_INFORMATION_COLUMNS)
    contents = {
        name: files.csv_text(table, columns=columns, name=name).encode()
        for name, (table, columns) in tables.items()
    }
    svgs, figure_bytes = sheet.figure_files(ranking_figures.draw_ranking_figures(ranking))
    contents |= figure_bytes
    contents["report.html"] = rank_page.render(ranking, svgs).encode()
    scenario = ranking.scenario
    record = {
        **ranking.run,
        "scenario": {
            "title": scenario.title,
            "file": scenario.path.name,
            "sha256": scenario.digest,
        },
        "verdict": rank_page.sentences(ranking),
        "warnings": list(ranking.notes),
    }
    return commit(folder, contents, record=record, command="rank")
