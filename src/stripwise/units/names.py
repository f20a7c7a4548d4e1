"""What may stand in a name that a scenario gives, and which file name it becomes."""

from __future__ import annotations

import difflib
import hashlib
import re
import unicodedata
from collections.abc import Iterable

__all__ = [
    "NAME_LIMIT",
    "ZERO_WIDTH_JOINER",
    "formula_problem",
    "is_encodable",
    "name_problem",
    "nearest_spelling",
    "printable",
    "slug",
]

NAME_LIMIT = 80
"""Longest name in characters."""

SLUG_LIMIT = 100
"""Longest slug in characters; NFKD may lengthen a name."""

ZERO_WIDTH_JOINER = "\u200d"
"""Zero-width joiner: not printable by itself, but part of many emoji."""

FORMULA_STARTS = "=+-@"
"""A spreadsheet that opens the CSV files would run a cell that starts with one of these."""


def name_problem(name: str) -> str:
    """Return the rule that a name breaks, or an empty text.

    Examples
    --------
    >>> name_problem("Forms 12 h, then sheet")
    ''
    >>> name_problem("=1+1")
    "must not start with '=': a spreadsheet would read it as a formula"
    """
    if not name.strip():
        return "must not be blank"
    if len(name) > NAME_LIMIT:
        return f"has {len(name)} characters; at most {NAME_LIMIT} are allowed"
    bad = [c for c in name if not (c.isprintable() or c == ZERO_WIDTH_JOINER)]
    if bad:
        return f"holds the control character U+{ord(bad[0]):04X}; use printable text"
    return formula_problem(name)


def formula_problem(text: str) -> str:
    """Return why a spreadsheet would run a text of a CSV file, or an empty text.

    Full-width signs count as the plain ones.

    Examples
    --------
    >>> formula_problem("Forms 24 h")
    ''
    """
    start = text.lstrip()[:1]
    if start and unicodedata.normalize("NFKC", start)[:1] in FORMULA_STARTS:
        return f"must not start with {start!r}: a spreadsheet would read it as a formula"
    return ""


def nearest_spelling(name: str, allowed: Iterable[str]) -> str:
    """Return the end of a message with the allowed name that is most like one, or an empty text.

    Examples
    --------
    >>> nearest_spelling("froms 12 h", ["Forms 12 h", "Forms 24 h"])
    '; the nearest spelling is "Forms 12 h"'
    """
    folded = {each.casefold(): each for each in allowed}
    near = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.5)
    return f"; the nearest spelling is {printable(folded[near[0]], 100)}" if near else ""


def is_encodable(name: str) -> bool:
    """Whether a file's name can be written into a report; a lone surrogate cannot."""
    return not any("\ud800" <= c <= "\udfff" for c in name)


def slug(name: str) -> str:
    """Turn a name into a file name of lower-case letters, digits and hyphens, never empty.

    A name without a single Latin letter or digit becomes "name-" and a short hash.

    Examples
    --------
    >>> slug("Forms 12 h, then sheet 3 d")
    'forms-12-h-then-sheet-3-d'
    """
    ascii_name = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", ascii_name)[:SLUG_LIMIT].strip("-")
    if words:
        return words
    return "name-" + hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]


def printable(value: object, limit: int = 60) -> str:
    """Return a value of a file safe to print on a terminal, of at most `limit` characters.

    Text is put in quotation marks, control characters are escaped, a cut ends in "...".
    """
    if isinstance(value, str):
        text = '"' + value[: limit + 1] + '"'
    elif isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, int):
        text = str(value) if abs(value) < 10**30 else "an integer of more than 30 digits"
    elif isinstance(value, dict):
        text = "a table"
    elif isinstance(value, list):
        text = f"a list of {len(value)}"
    else:
        text = str(value)
    text = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)
    return text if len(text) <= limit else text[: limit - 3] + "..."
