"""Names that a scenario gives: what may stand in them, and how they become file names."""

from __future__ import annotations

import hashlib
import re
import unicodedata

__all__ = [
    "JOINER",
    "NAME_LIMIT",
    "formula_problem",
    "is_text",
    "name_problem",
    "printable",
    "slug",
]

NAME_LIMIT = 80
"""Longest name in characters."""

SLUG_LIMIT = 100
"""Longest slug in characters; NFKD may lengthen a name."""

JOINER = "\u200d"
"""Zero-width joiner: not printable by itself, but part of many emoji."""

FORMULA_STARTS = "=+-@"
"""A spreadsheet that opens the CSV files would run a cell that starts with one of these."""


def name_problem(name: str) -> str:
    """Return what is wrong with a name, or an empty text.

    Parameters
    ----------
    name
        The name as the scenario gives it.

    Returns
    -------
    The broken rule as words, "" for a good name.

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
    bad = [c for c in name if not (c.isprintable() or c == JOINER)]
    if bad:
        return f"holds the control character U+{ord(bad[0]):04X}; use printable text"
    return formula_problem(name)


def formula_problem(text: str) -> str:
    """Return why a spreadsheet would run a text, or an empty text.

    Parameters
    ----------
    text
        Any text that goes into a CSV file.

    Returns
    -------
    The broken rule as words, "" for a harmless text. Full-width signs count as the plain ones.

    Examples
    --------
    >>> formula_problem("Forms 24 h")
    ''
    """
    start = text.lstrip()[:1]
    if start and unicodedata.normalize("NFKC", start)[:1] in FORMULA_STARTS:
        return f"must not start with {start!r}: a spreadsheet would read it as a formula"
    return ""


def is_text(name: str) -> bool:
    """Whether a file's name can be written into a report; bytes of another encoding cannot.

    Parameters
    ----------
    name
        Name as the system gives it.

    Returns
    -------
    False where it holds a lone surrogate.
    """
    return not any("\ud800" <= c <= "\udfff" for c in name)


def slug(name: str) -> str:
    """Turn a name into a file name of lower-case letters, digits and hyphens.

    Parameters
    ----------
    name
        Any text.

    Returns
    -------
    The slug; never empty, never with a path separator. A name without a single Latin letter or
    digit becomes "name-" and a short hash.

    Examples
    --------
    >>> slug("Forms 12 h, then sheet 3 d")
    'forms-12-h-then-sheet-3-d'
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", plain)[:SLUG_LIMIT].strip("-")
    if words:
        return words
    return "name-" + hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]


def printable(value: object, limit: int = 60) -> str:
    """Return a value as found in a file, safe to print on a terminal and not longer than asked.

    Parameters
    ----------
    value
        What was found; text is put in quotation marks.
    limit
        Longest result in characters.

    Returns
    -------
    The text, control characters escaped, "..." at the end where it was cut.
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
