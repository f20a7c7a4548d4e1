"""What every page is made of: a report of sections, each of paragraphs, lists, tables and figures.

A text is a plain `str`, which the page escapes, or a `Markup`, whose tags stay.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import matplotlib.figure
import pandas as pd

from stripwise.scenario.model import Scenario
from stripwise.units import formatting
from stripwise.units.software import version
from stripwise.units.source_files import SourceFile, hashes_text

if TYPE_CHECKING:
    from stripwise.evidence.tables.data_file import DataFile

__all__ = [
    "GATES_BLOCK",
    "Alarm",
    "Block",
    "Bullets",
    "Cell",
    "Column",
    "Figure",
    "Gates",
    "GroupRow",
    "Paragraph",
    "Program",
    "Report",
    "Section",
    "Signature",
    "Table",
    "data_report",
    "figure_blocks",
    "limit_state",
    "matrix",
    "numeric",
    "scenario_signature",
    "sentence_case",
]


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph; its kind is "" for text, "note" for small print or "formula"."""

    text: str
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Gates:
    """The reminders of strength, stability and frost, to stand beside strip ages."""


GATES_BLOCK = Gates()


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of two lines, the second small and grey; `kind` is a class of the style sheet."""

    text: str
    small: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: its head, which item of a row it shows, and how that becomes text.

    Attributes
    ----------
    header
        Head of the column; a terminal breaks it where it has a new line.
    key
        Key or place of the item in a row; None passes the whole row to `write`.
    write
        Writes an item, as text or as a `Cell`.
    right
        Whether cells stand flush right, as numbers do.
    kind
        Class of the style sheet for the cells: "tight" does not break a line.
    """

    header: str
    key: Any = None
    write: Callable[[Any], str | Cell] = str
    right: bool = False
    kind: str = ""

    def cell(self, row: Any) -> Cell:
        """Write the cell of a row."""
        found = self.write(row if self.key is None else row[self.key])
        return found if isinstance(found, Cell) else Cell(found)


def numeric(
    header: str,
    key: Any = None,
    write: Callable[[Any], str | Cell] = formatting.number,
    *,
    kind: str = "",
) -> Column:
    """Declare a column of numbers."""
    return Column(header, key, write, right=True, kind=kind)


@dataclass(frozen=True, slots=True)
class GroupRow:
    """A row of a table that is a heading for those after it."""

    title: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table: column declarations and the rows that they read; `bold` picks rows to stress."""

    caption: str
    columns: tuple[Column, ...]
    rows: Sequence[Any]
    bold: Callable[[Any], bool] = lambda _row: False

    def texts(self) -> list[tuple[str, ...]]:
        """Write heads and cells for a terminal, without their second lines."""
        heads = itertools.zip_longest(*(c.header.split("\n") for c in self.columns), fillvalue="")
        return [*heads, *(tuple(c.cell(row).text for c in self.columns) for row in self.rows)]


def matrix(
    caption: str,
    corner: str,
    heads: Iterable[str],
    rows: Iterable[tuple[str, Sequence[str | Cell]]],
) -> Table:
    """Make a table of a name per row and a head per column, its cells written already."""
    columns = (
        numeric(head, write=lambda row, k=k: row[1][k])  # type: ignore[misc]
        for k, head in enumerate(heads)
    )
    return Table(caption, (Column(corner, 0), *columns), list(rows))


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawn figure, by the name of its files."""

    name: str
    drawing: matplotlib.figure.Figure
    caption: str = ""

    @property
    def alternative_text(self) -> str:
        """The message of the figure, for readers who do not see it."""
        return str(self.drawing.get_label() or f"Figure: {self.name}")


Block = Paragraph | Bullets | Gates | Table | Figure


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it; `level` is 2, or 3 for a part of the one before."""

    heading: str
    blocks: tuple[Block, ...] = ()
    level: int = 2
    keep: bool = False
    """Whether to keep it on one page."""


def figure_blocks(sections: Iterable[Section]) -> dict[str, Figure]:
    """List the figures of sections by name, in the order of the page."""
    blocks = [block for section in sections for block in section.blocks]
    return {block.name: block for block in blocks if isinstance(block, Figure)}


@dataclass(frozen=True, slots=True)
class Alarm:
    """A box that cannot be missed, before everything else."""

    label: str
    text: str


@dataclass(frozen=True, slots=True)
class Signature:
    """Where to sign, and what was signed: the files read, each with its hash, and versions."""

    note: str = ""
    heading: str = "Prepared and checked"
    rows: tuple[tuple[str, ...], ...] = (("Prepared by", "Date"), ("Checked by", "Date"))
    sources: tuple[SourceFile, ...] = ()


@dataclass(frozen=True, slots=True)
class Program:
    """What a page computes in the browser: its elements, style, script and the data it reads."""

    html: str
    style: str
    script: str
    data: str


@dataclass(frozen=True, slots=True)
class Report:
    """What a study says and writes.

    Attributes
    ----------
    title
        Title of the page.
    about
        One or two sentences below the title.
    findings
        What was found, a sentence each; without an `answer` the first in bold.
    sections
        Sections in the order of the page.
    signature
        The block to sign.
    answer
        The first screen: what to do, a sentence each, the first in bold.
    picture
        The one figure of the first screen.
    warnings
        What to read before using the numbers.
    alarm
        What forbids using them.
    caution_label
        Heading of the caution, which every page has.
    tables
        Tables by file name ("readings.csv"), every digit.
    texts
        Other files by name, such as an input for a scenario.
    pages
        Further pages by file name.
    record
        What run.json says.
    compact
        Whether the page is set small, to fit on one sheet.
    program
        What the page computes in the browser; None for a page without scripts.
    """

    title: str
    about: str
    findings: tuple[str, ...]
    sections: tuple[Section, ...]
    signature: Signature
    answer: tuple[str, ...] = ()
    picture: Figure | None = None
    warnings: tuple[str, ...] = ()
    alarm: Alarm | None = None
    caution_label: str = "Before any form is stripped"
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    pages: Mapping[str, Report] = field(default_factory=dict)
    record: Mapping[str, Any] = field(default_factory=dict)
    compact: bool = False
    program: Program | None = None

    @property
    def figures(self) -> dict[str, matplotlib.figure.Figure]:
        """Figures by name, in the order of the page."""
        first = {} if self.picture is None else {self.picture.name: self.picture}
        blocks = first | figure_blocks(self.sections)
        return {name: block.drawing for name, block in blocks.items()}

    @property
    def contents(self) -> tuple[tuple[str, str], ...]:
        """Anchor and heading of every section that a list of contents names."""
        return tuple(
            (f"s{k}", section.heading)
            for k, section in enumerate(self.sections, start=1)
            if section.heading and section.level == 2
        )


def data_report(
    source: DataFile | Scenario,
    *,
    title: str,
    about: str,
    findings: tuple[str, ...],
    sections: tuple[Section, ...],
    assumptions: tuple[str, ...],
    method: tuple[str, ...],
    record: Mapping[str, Any],
    warnings: tuple[str, ...] = (),
    tables: Mapping[str, pd.DataFrame | None],
    texts: Mapping[str, str] | None = None,
    further: tuple[SourceFile, ...] = (),
) -> Report:
    """Make the report of test data or of a plan for them: its own sections, then what all share.

    `source` is what was read first, and `further` are files read besides; a table that is None is
    left out.
    """
    sources = (*source.sources, *further)
    written = {name: table for name, table in tables.items() if table is not None}
    own = version("stripwise")
    drawn = [f"figures/{name}.svg" for name in figure_blocks(sections)]
    files = [*written, *(texts or {}), *drawn, "report.html", "run.json"]
    return Report(
        title=title,
        about=about,
        findings=findings,
        sections=(
            *sections,
            Section("From these data to the wall", (Bullets(assumptions),)),
            Section("Method and sources", (Bullets(method),)),
        ),
        signature=Signature(
            f"Data {hashes_text(sources)}; stripwise {own}. "
            f"Files beside this page: {', '.join(files)}.",
            sources=sources,
        ),
        warnings=warnings,
        tables=written,
        texts=texts or {},
        record={
            "title": title,
            "data": {"file": source.path.name, "sha256": source.digest},
            "findings": list(findings),
            "warnings": list(warnings),
            "versions": {"stripwise": own},
            **record,
        },
    )


def scenario_signature(
    scenario: Scenario, versions: Mapping[str, str], *, further: tuple[SourceFile, ...] = ()
) -> Signature:
    """Name the scenario, the files that it reads, `further` ones and the versions."""
    sources = (*scenario.sources, *further)
    parts = (
        f"Scenario {hashes_text(sources)}",
        ", ".join(f"{name} {number}" for name, number in versions.items()),
    )
    return Signature(f"{'; '.join(filter(None, parts))}.", sources=sources)


def limit_state(scenario: Scenario) -> str:
    """Name limit state, reference period and target."""
    target = scenario.target
    return (
        f"limit state: depassivation; reference period: {formatting.years(target.service_life)} "
        f"from first exposure; target: index {formatting.index(target.reliability_index)}, "
        f"probability {formatting.percent(target.probability)}"
    )


def sentence_case(text: str) -> str:
    """Begin a text with a capital letter."""
    return text[:1].upper() + text[1:]
