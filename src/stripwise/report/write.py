"""The one writer: what a report writes into its folder, all or nothing."""

from __future__ import annotations

from pathlib import Path

from stripwise.report.components import Report
from stripwise.report.figures import sheet
from stripwise.report.file_swap import RUN_JSON, TIMES_JSON, commit
from stripwise.report.files import csv_text, json_text
from stripwise.report.pages.design_page import design_report
from stripwise.report.pages.run_page import run_report
from stripwise.report.render import render
from stripwise.studies.design.design_result import DesignResult
from stripwise.studies.results import Assessment

__all__ = [
    "CHOICE_FILE",
    "DATA_FILES",
    "DESIGN_FILES",
    "RANKING_FILES",
    "RUN_FILES",
    "STRIPPED_FILES",
    "TARGET_FILES",
    "report_files",
    "write",
    "write_design",
    "write_report",
]

RUN_FILES = (
    "curves.csv",
    "strategies.csv",
    "sensitivity.csv",
    "inputs.csv",
    "report.html",
    TIMES_JSON,
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
    TIMES_JSON,
    RUN_JSON,
)
"""Files that every design writes; cost.csv, pareto.csv and choice.csv come with prices."""

CHOICE_FILE = "choice.html"
"""The pairs that a design was asked to work through."""

STRIPPED_FILES = ("outcomes.csv", "curves.csv", "report.html", RUN_JSON)
"""Files of an early strip."""

TARGET_FILES = ("targets.csv", "annual.csv", "report.html", TIMES_JSON, RUN_JSON)
"""Files that every study of targets writes; target-costs.csv comes with prices."""

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
    TIMES_JSON,
    RUN_JSON,
)
"""Files that a ranking may write, besides its figures."""

DATA_FILES = ("report.html", RUN_JSON)
"""Files that every report of test data writes."""


SECONDS = "seconds"
"""Key of a record with the time that each stage took; it goes to times.json."""


def report_files(report: Report) -> dict[str, bytes]:
    """Return the bytes of every file of a report but run.json and times.json, by name."""
    svgs, drawn = sheet.figure_files(report.figures)
    pages = {name: render(page, {}) for name, page in report.pages.items()}
    texts = {
        **{name: csv_text(table) for name, table in report.tables.items()},
        **report.texts,
    }
    last = {**pages, "report.html": render(report, svgs)}
    return {
        **{name: text.encode() for name, text in texts.items()},
        **drawn,
        **{name: text.encode() for name, text in last.items()},
    }


def write_report(
    report: Report, folder: Path, *, command: str, overwrite: bool = False
) -> list[Path]:
    """Write every file of a report to a folder, or leave the folder as it was.

    Parameters
    ----------
    report
        Report of a run, a design, a ranking, test data or a plan of tests.
    folder
        Folder for the results; made if it does not exist.
    command
        Name of the command whose results they are; a folder holds those of one.
    overwrite
        Whether files of an earlier run that someone has changed since are replaced too.

    Returns
    -------
    The files written, run.json last.

    Raises
    ------
    OutputError
        If the folder cannot be written, is being written, holds results of another command, a file
        of one of the names that no earlier run wrote or one that was changed since, or if the disk
        fails on the way.
    """
    files = report_files(report)
    record = dict(report.record)
    if SECONDS in record:
        files[TIMES_JSON] = json_text({SECONDS: record.pop(SECONDS)}).encode()
    return commit(folder, files, record=record, command=command, overwrite=overwrite)


def write(assessment: Assessment, folder: Path, *, overwrite: bool = False) -> list[Path]:
    """Write every result of a run to a folder, as `write_report`."""
    return write_report(run_report(assessment), folder, command="run", overwrite=overwrite)


def write_design(result: DesignResult, folder: Path, *, overwrite: bool = False) -> list[Path]:
    """Write every result of a design to a folder, as `write_report`."""
    return write_report(design_report(result), folder, command="design", overwrite=overwrite)
