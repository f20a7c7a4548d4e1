"""Write the tables of the README that come from the declarations.

python tests/readme_tables.py    # rewrites what stands between the markers
"""

import itertools
import re
from pathlib import Path

from stripwise.scenario.key_table import key_rows
from stripwise.units.result_columns import column_rows, file_words

README = Path(__file__).resolve().parents[1] / "README.md"


def table(heads, rows):
    """Return a table in Markdown; a bar in a cell would end it."""
    cells = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(c.replace('|', '/') for c in row)} |" for row in cells)


def folded(summary, body):
    """Return text that a reader opens by its summary."""
    return f"<details><summary>{summary}</summary>\n\n{body}\n\n</details>\n"


def keys():
    """Tabulate the keys of a scenario by section."""
    names = {"": "at the head of the file", "INPUT": "of every input, random or fixed"}
    parts = []
    for section, rows in itertools.groupby(key_rows(), key=lambda row: row.section):
        heads = ("key", "unit inside", "usual or allowed", "default", "meaning")
        cells = [(f"`{r.key}`", r.unit, r.usual, r.default, r.meaning) for r in rows]
        parts.append(folded(names.get(section, f"<code>{section}</code>"), table(heads, cells)))
    return "\n".join(parts)


def columns():
    """Tabulate the columns of the result files."""
    parts = []
    for name, rows in itertools.groupby(column_rows(), key=lambda row: row.table):
        cells = [(f"`{r.column}`", r.unit, r.meaning) for r in rows]
        parts.append(folded(file_words(name), table(("column", "unit", "meaning"), cells)))
    return "\n".join(parts)


GENERATED = {"keys": keys, "columns": columns}


def regenerated(text):
    """Return the README with every generated table written anew."""
    for name, make in GENERATED.items():
        pattern = rf"(<!-- {name}: generated -->\n).*?(<!-- {name}: end -->)"
        text, count = re.subn(
            pattern, lambda m, make=make: f"{m[1]}\n{make()}\n{m[2]}", text, flags=re.DOTALL
        )
        assert count == 1, name
    return text


if __name__ == "__main__":
    README.write_text(regenerated(README.read_text("utf-8")), "utf-8")
