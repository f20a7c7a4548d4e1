"""The order of the rooms, read from the imports in the source."""

import ast
import re
from functools import cache
from graphlib import TopologicalSorter
from importlib import import_module
from pathlib import Path

import pytest

import stripwise

SOURCE = Path(stripwise.__file__).parent

# Rooms on one floor do not know each other.
FLOORS = (
    ("errors",),
    ("published", "units"),
    ("distributions",),
    ("curing", "ingress"),
    ("risk",),
    ("scenario",),
    ("evidence",),
    ("studies",),
    ("report",),
    ("api",),
    ("cli",),
    ("__main__",),
)
RANKS = {name: rank for rank, names in enumerate(FLOORS) for name in names}

# What the evidence room may import besides itself: it knows no scenario and no risk.
EVIDENCE_IMPORTS = tuple(
    f"stripwise.{name}"
    for name in ("curing", "distributions", "errors", "evidence", "ingress", "published", "units")
)

MOST_ROOMS, MOST_ARROWS = 17, 70

MOST_LINES = 400


def dotted(path):
    parts = path.relative_to(SOURCE).with_suffix("").parts
    return ".".join(("stripwise", *(part for part in parts if part != "__init__")))


# The front door stands outside the order: it names what users import.
MODULES = {dotted(path): path for path in sorted(SOURCE.rglob("*.py"))}
ROOMS = {name: path for name, path in MODULES.items() if name != "stripwise"}
TEXTS = {name: path.read_text(encoding="utf-8") for name, path in MODULES.items()}


@cache
def parsed(text):
    """Return the tree of a source; it is read several times."""
    return ast.parse(text)


@cache
def targets(text):
    """List the modules of the package that a source imports, wherever it does so."""
    found = []
    for node in ast.walk(parsed(text)):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: relative import"
            module = node.module or ""
            full = [f"{module}.{alias.name}" for alias in node.names]
            if module == "stripwise":
                found += full
            else:
                found += [name if name in MODULES else module for name in full]
    return [name for name in found if name.split(".")[0] == "stripwise"]


def room(name):
    parts = name.split(".")
    assert len(parts) > 1, "imports the whole package"
    assert parts[1] in RANKS, f"{name} lies in no known room"
    return parts[1]


def backward(name, text):
    """List the imports of a module that run against the order."""
    own = room(name)
    arrows = []
    for target in targets(text):
        if own == "evidence" and not target.startswith(EVIDENCE_IMPORTS):
            arrows.append(f"{name} -> {target} is not for this room")
        if target == "stripwise.__version__":
            continue
        other = room(target)
        if other != own and RANKS[other] >= RANKS[own]:
            arrows.append(f"{name} -> {target}")
    return arrows


def test_imports_point_one_way():
    assert [arrow for name in ROOMS for arrow in backward(name, TEXTS[name])] == []


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("stripwise.risk.model.wall", "from stripwise.scenario.model import Scenario"),
        ("stripwise.risk.model.wall", "def f():\n    import stripwise.report.pages.run_page"),
        ("stripwise.curing.curing_law", "from stripwise.ingress import transformed_time"),
        ("stripwise.published.library", "from stripwise.distributions.random_input import Input"),
        ("stripwise.errors", "from stripwise import cli"),
        ("stripwise.evidence.strip_ages", "from stripwise.scenario.loading import load"),
        (
            "stripwise.scenario.loading",
            "from stripwise.evidence.tables.data_file import read_data_file",
        ),
    ],
)
def test_an_arrow_that_runs_back_is_seen(name, text):
    assert len(backward(name, text)) == 1


def test_every_room_has_a_rank_and_every_rank_a_room():
    assert {room(name) for name in ROOMS} == set(RANKS)


def test_rooms_are_few_and_know_few_others():
    arrows = {
        (room(name), room(target))
        for name in ROOMS
        for target in targets(TEXTS[name])
        if target != "stripwise.__version__"
    }
    arrows = {(own, other) for own, other in arrows if own != other}
    assert len(RANKS) <= MOST_ROOMS
    assert len(arrows) <= MOST_ARROWS


def test_nothing_lies_loose_at_the_root_and_no_file_name_stands_twice():
    assert {path.name for path in SOURCE.glob("*.py")} == {
        "__init__.py",
        "__main__.py",
        "errors.py",
    }
    names = [path.name for path in SOURCE.rglob("*.py") if path.name != "__init__.py"]
    assert sorted(names) == sorted(set(names))


def test_no_modules_import_each_other_in_a_circle():
    graph = {name: targets(TEXTS[name]) for name in ROOMS}
    order = list(TopologicalSorter(graph).static_order())
    assert set(ROOMS) <= set(order)


def exported(text):
    """Return the names in a module's `__all__`, or None without one."""
    for node in parsed(text).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return ast.literal_eval(node.value)
    return None


@cache
def exports():
    """Return the public names of every module that lists some."""
    found = {name: exported(text) for name, text in TEXTS.items()}
    return {name: names for name, names in found.items() if names is not None}


def place(name):
    """Sort key: SCREAMING_CASE, CamelCase, lower case; numbers inside names by value."""
    rank = 0 if name.isupper() and len(name) > 1 else 1 if name[:1].isupper() else 2
    return rank, [int(p) if p.isdigit() else p for p in re.split(r"(\d+)", name)]


def test_public_names_are_sorted_and_exist():
    for name, names in exports().items():
        assert names == sorted(set(names), key=place), name
        module = import_module(name)
        assert [n for n in names if not hasattr(module, n)] == [], name


def test_most_modules_say_what_is_public():
    code = [n for n, p in ROOMS.items() if p.name not in ("__init__.py", "__main__.py")]
    assert [n for n in code if n not in exports()] == []


def test_no_module_is_too_long():
    lengths = {name: len(text.splitlines()) for name, text in TEXTS.items()}
    assert {name: lines for name, lines in lengths.items() if lines > MOST_LINES} == {}
