"""Writing a ranking: tables, figures and page, all or nothing."""

from __future__ import annotations

from pathlib import Path

from stripwise.report.figures import ranking_figures, sheet
from stripwise.report.files import csv_text
from stripwise.report.pages import rank_page
from stripwise.report.write import RUN, commit
from stripwise.studies.rank.choice_tables import OPTION_COLUMNS
from stripwise.studies.rank.index_tables import CONVERGENCE_COLUMNS, SHAPLEY_COLUMNS
from stripwise.studies.rank.rank_study import Ranking
from stripwise.studies.rank.reliability_table import (
    ELASTICITY_COLUMNS,
    FORM_COLUMNS,
    RELIABILITY_COLUMNS,
)
from stripwise.studies.rank.value_of_information import WORTH_COLUMNS
from stripwise.studies.result_tables import SENSITIVITY_COLUMNS

__all__ = ["FILES", "write_ranking"]

FILES = (
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
    RUN,
)
"""Files that a ranking may write, besides its figures."""


def write_ranking(ranking: Ranking, folder: Path) -> list[Path]:
    """Write every result of a ranking to a folder, or leave the folder as it was.

    Parameters
    ----------
    ranking
        Results of a ranking.
    folder
        Folder for the results; made if it does not exist.

    Returns
    -------
    The files written, run.json last.

    Raises
    ------
    OutputError
        If the folder holds files of these names that no earlier run wrote, or the disk fails.
    """
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
    if len(ranking.worth):
        tables["worth.csv"] = (ranking.worth, WORTH_COLUMNS)
    contents = {
        name: csv_text(table, columns=columns, name=name).encode()
        for name, (table, columns) in tables.items()
    }
    vectors, drawn = sheet.figure_files(ranking_figures.draw(ranking))
    contents |= drawn
    contents["report.html"] = rank_page.render(ranking, vectors).encode()
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
