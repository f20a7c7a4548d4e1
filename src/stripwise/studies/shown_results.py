"""What results have in common in Python: a short line, the answer in a notebook, files, xarray."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd

from stripwise.errors import OutputError
from stripwise.studies.result_writer import result_sentences, write_result
from stripwise.units.caution import CAUTION
from stripwise.units.formatting import number

__all__ = ["Reported", "Writable", "answer_html", "as_dataset", "short_line"]


class Writable:
    """A result that can be written as its command would write it."""

    __slots__ = ()

    def write(self, folder: str | Path, *, overwrite: bool = False) -> list[Path]:
        """Write the report with its tables and figures to a folder.

        Files that an earlier run wrote there are replaced, unless they were changed since and
        `overwrite` is not set; no other file is touched.

        Returns
        -------
        The files.

        Raises
        ------
        OutputError
            If the folder cannot be written.

        Examples
        --------
        >>> import stripwise, tempfile
        >>> study = stripwise.fit_drying("scenarios/site-records/drying.csv")
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     print(study.write(folder + "/drying")[-1].name)
        run.json
        """
        return write_result(self, folder, overwrite=overwrite)


class Reported(Writable):
    """A result that shows what its report says first, and one of its tables."""

    __slots__ = ()

    @property
    def title(self) -> str:
        """What the result is of: the name of a file or the title of a scenario."""
        raise NotImplementedError

    @property
    def shown(self) -> pd.DataFrame | None:
        """The table for a notebook."""
        raise NotImplementedError

    def __repr__(self) -> str:
        """Give the answer in one line."""
        return short_line(type(self).__name__, self.title, *result_sentences(self)[:1])

    def _repr_html_(self) -> str:
        return answer_html(result_sentences(self), self.shown)


def as_dataset(table: pd.DataFrame, dimensions: Sequence[str]) -> Any:
    """Return an xarray Dataset of a table whose `dimensions` name each row once."""
    try:
        import xarray  # noqa: F401, PLC0415
    except ImportError as error:
        rule = "xarray is not installed: pip install 'stripwise[xarray]'"
        raise OutputError(rule) from error
    ordered = table.set_index(list(dimensions))
    found = ordered.to_xarray()
    return found.sel({name: pd.unique(table[name]) for name in dimensions})


def short_line(name: str, title: str, first: str = "") -> str:
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
