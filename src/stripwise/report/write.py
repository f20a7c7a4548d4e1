"""The one writer: what a report writes into its folder, all or nothing."""

# ruff: noqa: PLC0415 - a page is imported by the command that writes it, so that no other waits

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from stripwise.errors import OutputError
from stripwise.report.components import Report
from stripwise.report.figures import sheet
from stripwise.report.file_swap import RUN_JSON, TIMES_JSON, commit
from stripwise.report.files import csv_text, declared_tables
from stripwise.report.print_pdf import print_pdf
from stripwise.report.render import render
from stripwise.report.result_reports import report_of
from stripwise.report.strict_json import json_text
from stripwise.report.workbook import WORKBOOK, workbook
from stripwise.studies.results import ONLY, Assessment
from stripwise.studies.revision import Revision
from stripwise.studies.shown_results import Writable

if TYPE_CHECKING:
    from stripwise.studies.design.design_result import DesignResult

__all__ = [
    "CHOICE_FILE",
    "DATA_FILES",
    "DESIGN_FILES",
    "EXPLORE_FILE",
    "NO_EXTRAS",
    "RANKING_FILES",
    "RUN_FILES",
    "STRIPPED_FILES",
    "TARGET_FILES",
    "UPDATE_FILES",
    "Extras",
    "report_files",
    "run_record",
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

EXPLORE_FILE = "explore.html"
"""The page to try pairs on."""

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

UPDATE_FILES = (
    "updated.csv",
    "answers.csv",
    "learned.csv",
    "inspections.csv",
    "surprise.csv",
    "posterior.csv",
    "posterior.json",
    "report.html",
    RUN_JSON,
)
"""Files that every update writes; contents.csv comes with cores."""

DATA_FILES = ("report.html", RUN_JSON)
"""Files that every report of test data writes."""


INPUT_FILES = "input_files"
"""Key of run.json with every file that was read, by name and hash."""

SECONDS = "seconds"
"""Key of a record with the time that each stage took; it goes to times.json."""


@dataclass(frozen=True, slots=True)
class Extras:
    """What is written besides pages, tables and vector figures, on request.

    Attributes
    ----------
    png
        Figures as PNG too.
    xlsx
        The tables as one workbook too.
    browser
        Browser that prints every page as PDF; None for no PDF. Its bytes do not repeat.
    paper
        Paper size of a PDF, "A4" or "letter".
    """

    png: bool = False
    xlsx: bool = False
    browser: Path | None = None
    paper: str = "A4"


NO_EXTRAS = Extras()


def run_record(report: Report) -> dict[str, Any]:
    """Return what run.json says: the record of a report and every file that was read."""
    read = [{"file": file.name, "sha256": file.sha256} for file in report.signature.sources]
    return {**report.record, INPUT_FILES: read}


def report_files(report: Report, extras: Extras = NO_EXTRAS) -> dict[str, bytes]:
    """Return the bytes of every file of a report but run.json and times.json, by name."""
    svgs, drawn = sheet.figure_files(report.figures, png_too=extras.png)
    pages = {name: render(page, {}) for name, page in report.pages.items()}
    texts = {
        **{name: csv_text(table) for name, table in report.tables.items()},
        **report.texts,
    }
    last = {**pages, "report.html": render(report, svgs)}
    more = {WORKBOOK: workbook(report.tables)} if extras.xlsx and report.tables else {}
    if extras.browser is not None:
        for name, page in last.items():
            pdf = PurePosixPath(name).with_suffix(".pdf").name
            more[pdf] = print_pdf(page, browser=extras.browser, paper=extras.paper)
    return {
        **{name: text.encode() for name, text in texts.items()},
        **drawn,
        **more,
        **{name: text.encode() for name, text in last.items()},
    }


def write_report(
    report: Report,
    folder: Path,
    *,
    command: str,
    overwrite: bool = False,
    extras: Extras = NO_EXTRAS,
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
    extras
        What else to write.

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
    files = report_files(report, extras)
    record = run_record(report)
    if SECONDS in record:
        files[TIMES_JSON] = json_text({SECONDS: record.pop(SECONDS)}).encode()
    return commit(folder, files, record=record, command=command, overwrite=overwrite)


def write(
    result: Writable,
    folder: str | Path,
    *,
    overwrite: bool = False,
    extras: Extras = NO_EXTRAS,
    revision: Revision | None = None,
) -> list[Path]:
    """Write every file of a result, as its command does and as `write_report` says.

    With a `revision`, how a run differs from an earlier one too.

    Examples
    --------
    >>> import stripwise, tempfile
    >>> study = stripwise.fit_drying("scenarios/site-records/drying.csv")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     print(stripwise.write(study, folder + "/drying")[-1].name)
    run.json
    """
    if isinstance(result, Assessment) and ONLY in result.run:
        rule = f'was computed with only="{result.run[ONLY]}" and has no report; assess it whole'
        raise OutputError(f"{folder}: the run {rule}")
    if type(result).__name__ == "InventoryResult":
        raise OutputError("an inventory is written by its own method: result.write(folder)")
    report, command = report_of(result)
    if revision is not None and isinstance(result, Assessment):
        report = _with_revision(report, revision, result)
    return write_report(report, Path(folder), command=command, overwrite=overwrite, extras=extras)


def _with_revision(report: Report, revision: Revision, assessment: Assessment) -> Report:
    from stripwise.report.pages.against_section import against_section

    scenario = assessment.scenario
    section = against_section(revision, horizon=scenario.sampling.horizon, units=scenario.units)
    sources = (*report.signature.sources, *revision.earlier.sources)
    return replace(
        report,
        sections=(section, *report.sections),
        signature=replace(report.signature, sources=sources),
        tables={**report.tables, **declared_tables({"against": revision.table})},
        record={
            **report.record,
            "against": {
                "folder": revision.earlier.folder.name,
                "scenario": revision.earlier.record.get("scenario", {}),
                "changes": revision.changes.to_dict("records"),
            },
        },
    )


def write_design(
    result: DesignResult, folder: Path, *, overwrite: bool = False, extras: Extras = NO_EXTRAS
) -> list[Path]:
    """Write every result of a design to a folder, as `write`.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import stripwise
    >>> result = stripwise.design(stripwise.load("scenarios/pier-wall-cost.toml"))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     print(stripwise.write_design(result, Path(folder) / "pier")[-1].name)
    run.json
    """
    return write(result, folder, overwrite=overwrite, extras=extras)
