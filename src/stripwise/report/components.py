"""What a report of test data is made of, and how it becomes a page and its files."""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources
from importlib.metadata import version
from pathlib import Path
from typing import Any

import jinja2
import pandas as pd
from markupsafe import Markup
from matplotlib.figure import Figure

from stripwise.distributions.distribution import Distribution
from stripwise.errors import InputError
from stripwise.report import formatting
from stripwise.report.figures import sheet
from stripwise.report.files import csv_text
from stripwise.report.pages.run_page import inline_svg
from stripwise.units.names import printable
from stripwise.units.quantities import TEMPERATURE, Kind, parse

__all__ = [
    "Report",
    "Section",
    "Table",
    "input_toml",
    "option_quantity",
    "report_files",
    "report_record",
]


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the page: texts, already rounded; columns of numbers (from 0) stand flush right."""

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric_columns: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the page; `figure` names a figure of the report, "" for none."""

    heading: str
    paragraphs: tuple[str, ...] = ()
    figure: str = ""
    caption: str = ""
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True, slots=True)
class Report:
    """What a fit of test data says and writes.

    Attributes
    ----------
    title
        Title of the page.
    about
        One or two sentences below the title: which data, what they are for.
    findings
        The answer, a sentence each; the first in bold.
    sections
        Sections in the order of the page.
    source
        The file that was fitted.
    digest
        Its SHA-256.
    warnings
        What to read before using the numbers.
    method
        How it was computed, a sentence or two each, with sources.
    assumptions
        What stands between the data and the wall.
    figures
        Figures by name, drawn under `sheet.style_context`.
    tables
        Tables by file name ("readings.csv"), every digit.
    texts
        Other files by name, such as an input for a scenario.
    record
        What run.json and --json say beside this.
    """

    title: str
    about: str
    findings: tuple[str, ...]
    sections: tuple[Section, ...]
    source: Path
    digest: str
    warnings: tuple[str, ...] = ()
    method: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    figures: Mapping[str, Figure] = field(default_factory=dict)
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    record: Mapping[str, Any] = field(default_factory=dict)


def report_files(report: Report) -> dict[str, bytes]:
    """Return the bytes of every file of a report by name, for `file_swap.commit`."""
    files = {
        name: csv_text(table, columns=list(table.columns), name=name).encode()
        for name, table in report.tables.items()
    }
    files |= {name: text.encode() for name, text in report.texts.items()}
    svgs, figure_bytes = sheet.figure_files(report.figures)
    files |= figure_bytes
    page = _template().render(
        report=report,
        css=Markup(_read_template("page.css")),
        figures={name: inline_svg(text, name=name) for name, text in svgs.items()},
        files=[*files, "report.html", "run.json"],
        version=version("stripwise"),
    )
    return files | {"report.html": page.encode()}


def report_record(report: Report) -> dict[str, Any]:
    """Collect what run.json and --json say about a report, for `files.json_text`."""
    return {
        "title": report.title,
        "data": {"file": report.source.name, "sha256": report.digest},
        "findings": list(report.findings),
        "warnings": list(report.warnings),
        "versions": {"stripwise": version("stripwise")},
        **report.record,
    }


def input_toml(
    distribution: Distribution,
    *,
    unit: str,
    source: str,
    about: Sequence[str],
    kind: str = "scatter",
) -> str:
    """Write a distribution as a TOML file with one table, [input], that a scenario can name.

    `unit` is spelt as in a scenario, `kind` is "scatter" or "knowledge", and `about` are lines of
    comment for the reader of the file.
    """

    def quantity(number: float) -> str:
        return f'"{number:.6g} {unit}"'

    lines = [*(f"# {line}" for line in about), "[input]"]
    if distribution.is_fixed:
        lines.append(f"value = {quantity(distribution.mean)}")
    else:
        lines += [
            f'family = "{distribution.family}"',
            f"mean = {quantity(distribution.parent_mean)}",
            f"sd = {quantity(distribution.parent_sd)}",
        ]
        if distribution.family == "beta":
            lines += [
                f"low = {quantity(distribution.low)}",
                f"high = {quantity(distribution.high)}",
            ]
    lines += [f'kind = "{kind}"', f"source = {json.dumps(source, ensure_ascii=False)}"]
    return "\n".join(lines) + "\n"


def option_quantity(
    option: str, text: str | None, *, kind: Kind, to: str, most: float = math.inf
) -> float | None:
    """Read a quantity of the command line in the unit `to`; None where nothing is given.

    Raises InputError if it is no such quantity, not above 0 (a temperature may be), or above `most`.
    """
    if text is None:
        return None
    try:
        number = parse(text, kind, to=to)
    except InputError as error:
        raise InputError(option, f"{printable(text)} {error.problem}") from error
    if number <= 0 and kind is not TEMPERATURE:
        raise InputError(option, f"{printable(text)} must be above 0")
    if number > most:
        raise InputError(option, f"{printable(text)} must be at most {most:g} {to}")
    return number


@functools.cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["no_break_spaces"] = formatting.no_break_spaces
    return environment.from_string(_read_template("report.html.j2"))


def _read_template(name: str) -> str:
    return resources.files("stripwise.report.templates").joinpath(name).read_text(encoding="utf-8")
