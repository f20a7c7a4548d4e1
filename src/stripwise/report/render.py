"""How a report becomes a page: self-contained HTML without network.

A script is allowed by its hash, and only where a page declares one.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources

import jinja2
from markupsafe import Markup, escape

from stripwise.report.components import Cell, Column, Figure, GroupRow, Report, Table
from stripwise.units import formatting
from stripwise.units.caution import CAUTION, GATES, GATES_LEAD

__all__ = ["inline_svg", "math", "read_template", "render", "template"]

SVG = "http://www.w3.org/2000/svg"
XLINK = "http://www.w3.org/1999/xlink"

SUBSCRIPT = re.compile(r"(?<=[A-Za-z0-9\u03b1-\u03c9])_([A-Za-z0-9]+(?:,[A-Za-z0-9]+)*)")
ONE_LINE = 20
"""Letters below which the second line of a cell is not broken."""

SUPERSCRIPT = re.compile(r"\^\{([^{}]*)\}")


def render(report: Report, svgs: Mapping[str, str]) -> str:
    """Write the page of a report; `svgs` holds its figures by name."""
    return template("page.html.j2").render(
        report=report,
        svgs=svgs,
        css=Markup(read_template("page.css")),
        caution=CAUTION,
        gates_lead=GATES_LEAD,
        gate_texts=GATES,
    )


def math(text: str) -> Markup:
    """Set what follows an underscore as a subscript and ^{...} as a superscript: k_e, t^{a}."""
    lowered = SUBSCRIPT.sub(r"<sub>\1</sub>", str(escape(text)))
    return Markup(SUPERSCRIPT.sub(r"<sup>\1</sup>", lowered))


def inline_svg(svg: str, figure: Figure) -> Markup:
    """Prepare a figure to stand in a page beside others.

    Identifiers get the figure's name in front, so that no two figures share one; the style sheet,
    which would reach the whole page, becomes attributes of the figure; the size is left to the
    page.
    """
    name = figure.name
    ET.register_namespace("", SVG)
    ET.register_namespace("xlink", XLINK)
    root = ET.fromstring(svg)
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{{{SVG}}}style", f"{{{SVG}}}metadata"):
                parent.remove(child)
    for element in root.iter():
        for key, value in element.attrib.items():
            if key == "id":
                element.set(key, f"{name}-{value}")
            elif key.endswith("href") and value.startswith("#"):
                element.set(key, f"#{name}-{value[1:]}")
            elif "url(#" in value:
                element.set(key, value.replace("url(#", f"url(#{name}-"))
    for key in ("width", "height", "version"):
        root.attrib.pop(key, None)
    root.set("stroke-linejoin", "round")
    root.set("stroke-linecap", "butt")
    root.set("role", "img")
    root.set("aria-label", figure.alternative_text)
    return Markup(ET.tostring(root, encoding="unicode"))


@dataclass(frozen=True, slots=True)
class _Placed:
    """A cell where it stands: its tag, style class and attributes."""

    tag: str
    text: str
    small: str
    kind: str
    attributes: str = ""


@dataclass(frozen=True, slots=True)
class _Line:
    cells: tuple[_Placed, ...]
    bold: bool = False


def _lines(table: Table) -> list[_Line]:
    """Write the rows of a table; the first column that is no number names the row."""
    name = next((k for k, column in enumerate(table.columns) if not column.right), -1)
    lines = []
    for row in table.rows:
        if isinstance(row, GroupRow):
            title = Markup("<strong>{}</strong>").format(row.title)
            across = Markup(' scope="rowgroup" colspan="{}"').format(len(table.columns))
            lines.append(_Line((_Placed("th", title, "", "", across),)))
            continue
        cells = [
            _place(column.cell(row), column, is_name=k == name)
            for k, column in enumerate(table.columns)
        ]
        lines.append(_Line(tuple(cells), table.bold(row)))
    return lines


def _place(cell: Cell, column: Column, *, is_name: bool) -> _Placed:
    kind = " ".join(filter(None, ("n" if column.right else "", column.kind, cell.kind)))
    small = "" if cell.small == cell.text else cell.small
    if len(small) < ONE_LINE:
        small = small.replace(" ", "\N{NO-BREAK SPACE}")
    if is_name:
        return _Placed("th", cell.text, small, kind, Markup(' scope="row"'))
    return _Placed("td", cell.text, small, kind)


def _tied(text: str) -> str:
    """Keep a number with its unit on one line; Markup stays Markup."""
    tied = formatting.no_break_spaces(str(text))
    return Markup(tied) if isinstance(text, Markup) else tied


def _sha256(script: str) -> str:
    """Return the hash by which a page allows its script."""
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


@functools.cache
def template(name: str) -> jinja2.Template:
    """Return a template by its file name."""
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {"tied": _tied, "lines": _lines, "inline": inline_svg, "sha256": _sha256}
    return environment.from_string(read_template(name))


def read_template(name: str) -> str:
    """Return a text that goes into pages by its file name."""
    return resources.files("stripwise.report.templates").joinpath(name).read_text(encoding="utf-8")
