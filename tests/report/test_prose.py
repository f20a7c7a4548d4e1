"""The fixed prose: every entry is used, every use has its entry and its values."""

import ast
import re
import tomllib
from pathlib import Path

import pytest

import stripwise
from stripwise.report.prose import paragraphs, sentence

REPORT = Path(stripwise.__file__).parent / "report"
TEXTS = tomllib.loads((REPORT / "templates" / "prose.toml").read_text(encoding="utf-8"))
ENTRIES = {
    f"{page}.{part}": texts for page, parts in TEXTS.items() for part, texts in parts.items()
}


def uses():
    """Entry and names of the values of each call of `paragraphs` and `sentence`."""
    for path in sorted((REPORT / "pages").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ("paragraphs", "sentence"):
                values = {keyword.arg for keyword in node.keywords}
                named = [
                    leaf.value
                    for leaf in ast.walk(node.args[0])
                    if isinstance(leaf, ast.Constant) and "." in str(leaf.value)
                ]
                yield path.name, named, values


def test_every_entry_is_used_and_every_use_has_its_values():
    used = set()
    for name, entries, values in uses():
        for entry in entries:
            wanted = set(re.findall(r"\$(\w+)", " ".join(ENTRIES[entry])))
            assert wanted == values, (name, entry)
            used.add(entry)
    # chosen by name before the call
    used |= {"run.knowledge", "run.no_knowledge"}
    assert used == set(ENTRIES)


def test_values_are_put_in_and_nothing_else_changes():
    assert sentence("strip_log.method", q="1", datum="2", reference="3", function="f") == " ".join(
        paragraphs("strip_log.method", q="1", datum="2", reference="3", function="f")
    )
    assert "Tr = 3 (C1074 has 23)" in sentence(
        "strip_log.method", q="1", datum="2", reference="3", function="f"
    )
    assert paragraphs("plan.method")[0].endswith("(Guenther 1981, recalled).")


def test_a_missing_value_or_entry_is_an_error():
    with pytest.raises(KeyError):
        paragraphs("run.ageing_ends")
    with pytest.raises(KeyError):
        paragraphs("run.nothing")


def test_lines_are_joined_by_single_spaces():
    for entry, texts in ENTRIES.items():
        if not entry.endswith("_formula"):
            assert [" ".join(text.split()) for text in texts] == list(texts), entry
        assert not [text for text in texts if "\n" in text or text != text.strip()], entry
