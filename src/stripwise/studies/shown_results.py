"""How a result shows itself in a notebook: a short line, or the answer with its table."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

import pandas as pd

from stripwise.units.caution import CAUTION
from stripwise.units.formatting import number

__all__ = ["answer_html", "short_line"]


def short_line(name: str, title: str, first: str) -> str:
    """Write a result in one line: what it is, of which case, and its first sentence."""
    return f"<{name} of {title!r}: {first}>"


def answer_html(sentences: Iterable[str], table: pd.DataFrame | None = None) -> str:
    """Write the answer as HTML, the first sentence in bold, with the caution and a table."""
    first, *rest = [escape(text) for text in sentences] or [""]
    parts = [f"<p><strong>{first}</strong></p>", *(f"<p>{text}</p>" for text in rest)]
    parts.append(f"<p><small>{escape(CAUTION)}</small></p>")
    if table is not None:
        parts.append(table.to_html(index=False, float_format=number))
    return "\n".join(parts)
