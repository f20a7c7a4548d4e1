"""The report of a fit: findings, sections with a figure or a table, files beside them."""

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

__all__ = ["Dossier", "Grid", "Section", "contents", "input_text", "option_quantity", "run_record"]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table on paper: texts, already rounded.

    Attributes
    ----------
    caption
        What it shows.
    head
        Heads of the columns.
    rows
        Cells.
    numbers
        Positions of the columns that hold numbers, from 0; they stand flush right.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the report.

    Attributes
    ----------
    heading
        Its heading.
    paragraphs
        Sentences, one text per paragraph.
    figure
        Name of a figure of the dossier; "" for none.
    caption
        Small print below the figure.
    grids
        Tables.
    """

    heading: str
    paragraphs: tuple[str, ...] = ()
    figure: str = ""
    caption: str = ""
    grids: tuple[Grid, ...] = ()


@dataclass(frozen=True, slots=True)
class Dossier:
    """What a fit says and writes.

    Attributes
    ----------
    title
        Title of the report.
    about
        One or two sentences below the title: which data, what they are for.
    findings
        The answer, a sentence each; the first in bold.
    sections
        In their order.
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
        Figures by name, drawn under `paper.styled`.
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


def contents(dossier: Dossier) -> dict[str, bytes]:
    """Turn a dossier into the files of its folder.

    Parameters
    ----------
    dossier
        What a fit says.

    Returns
    -------
    Bytes by name, for `stripwise.report.write.commit`.
    """
    files = {
        name: csv_text(table, columns=list(table.columns), name=name).encode()
        for name, table in dossier.tables.items()
    }
    files |= {name: text.encode() for name, text in dossier.texts.items()}
    vectors, drawn = sheet.figure_files(dossier.figures)
    files |= drawn
    page = _template().render(
        d=dossier,
        css=Markup(_text("page.css")),
        figures={name: inline_svg(text, name=name) for name, text in vectors.items()},
        files=[*files, "report.html", "run.json"],
        version=version("stripwise"),
    )
    return files | {"report.html": page.encode()}


def run_record(dossier: Dossier) -> dict[str, Any]:
    """Collect what run.json and --json say about a fit.

    Parameters
    ----------
    dossier
        What a fit says.

    Returns
    -------
    A dictionary for `stripwise.report.files.json_text`.
    """
    return {
        "title": dossier.title,
        "data": {"file": dossier.source.name, "sha256": dossier.digest},
        "findings": list(dossier.findings),
        "warnings": list(dossier.warnings),
        "versions": {"stripwise": version("stripwise")},
        **dossier.record,
    }


def input_text(
    law: Distribution, *, unit: str, source: str, about: Sequence[str], kind: str = "scatter"
) -> str:
    """Write a distribution as a file that an input of a scenario names by `from`.

    Parameters
    ----------
    law
        The distribution.
    unit
        Unit of its numbers as a scenario spells it.
    source
        Where it comes from, one line.
    about
        Lines of comment for the reader of the file.
    kind
        "scatter" or "knowledge".

    Returns
    -------
    TOML with one table, ``[input]``.
    """

    def quantity(number: float) -> str:
        return f'"{number:.6g} {unit}"'

    lines = [*(f"# {line}" for line in about), "[input]"]
    if law.is_fixed:
        lines.append(f"value = {quantity(law.mean)}")
    else:
        lines += [
            f'family = "{law.family}"',
            f"mean = {quantity(law.parent_mean)}",
            f"sd = {quantity(law.parent_sd)}",
        ]
        if law.family == "beta":
            lines += [f"low = {quantity(law.low)}", f"high = {quantity(law.high)}"]
    lines += [f'kind = "{kind}"', f"source = {json.dumps(source, ensure_ascii=False)}"]
    return "\n".join(lines) + "\n"


def option_quantity(
    option: str, text: str | None, *, kind: Kind, to: str, most: float = math.inf
) -> float | None:
    """Read a positive quantity that the command line gives with its unit.

    Parameters
    ----------
    option
        Name of the option for messages.
    text
        What it says; None where it says nothing.
    kind
        Kind of quantity.
    to
        Unit of the result by pint's name.
    most
        Largest number in `to`.

    Returns
    -------
    The number in `to`; None for None.

    Raises
    ------
    InputError
        If it is no such quantity, not above 0 (a temperature may be), or above `most`.
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
    environment.filters["tied"] = formatting.tied
    return environment.from_string(_text("dossier.html.j2"))


def _text(name: str) -> str:
    return resources.files("stripwise.report.templates").joinpath(name).read_text(encoding="utf-8")
