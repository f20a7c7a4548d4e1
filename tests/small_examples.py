"""Make the examples in docstrings cheap: `load` gives a small wall, and what is computed is kept.

A reader runs them on the whole wall. What they show is the same there: names, labels and orders.
"""

from functools import cache, partial
from pathlib import Path

import pytest
from _pytest.doctest import DoctestItem

import stripwise
from stripwise.api.public_names import import_public_name

ROOT = Path(__file__).parents[1]
COMPUTED = (
    "assess",
    "design",
    "fit_cover",
    "fit_drying",
    "fit_face_maps",
    "fit_migration",
    "fit_profiles",
    "fit_strip_log",
    "inventory",
    "plan_tests",
    "rank",
    "stripped_early",
    "target",
    "update",
)
"""Functions of which a second call with the same arguments gives what the first one gave."""

SMALL = {
    "strategy": [
        {"name": "Forms 24 h", "strip_age": "24 h"},
        {"name": "Forms 7 d", "strip_age": "7 d"},
    ],
    "exposure.convection_zone": "0 mm",
    "reinforcement.critical_chloride": 0.6,
    "choices.cover": {"low": "50 mm", "high": "70 mm", "step": "10 mm"},
    "choices.follow_up": [{"method": "none"}],
    "sampling": {"points": 64, "repeats": 8, "horizon": "80 yr"},
}
FACE = {"width": "2 m", "height": "2 m", "correlation_length": "2 m", "shares": [0.05]}
SIZES = [
    {
        "studies.design.setting": {"SCRAMBLINGS": 2},
        "studies.service_results": {"EXTENT_FACES": 20},
    }
]
"""Beside those of the tests, which their conftest puts before them."""


@cache
def _original(name):
    """Return a function as it is before any test replaces it."""
    return import_public_name(name)


@cache
def _small(name):
    """Return a shipped scenario made small; for the retaining wall, its options on another wall."""
    load = _original("load")
    case, changes = load(ROOT / "scenarios" / name), SMALL
    if name.startswith("inspections"):
        changes = {"sampling": SMALL["sampling"]}
    if name == "retaining-wall.toml":
        changes = {k: v for k, v in SMALL.items() if not k.startswith("choices")}
        changes |= {"choices": None, "cracking": case.raw["cracking"], "extent": FACE}
        case = load(ROOT / "scenarios" / "garage-wall.toml")
    return case.replace(changes)


def _kept(name, results):
    def compute(*args, **options):
        # a case is kept by `_small`, so that its address stands for it
        key = (name, *(x if isinstance(x, str) else id(x) for x in args), repr(options))
        if key not in results:
            results[key] = args, _original(name)(*args, **options)  # what has an address is kept
        return results[key][1]

    return compute


@pytest.fixture(scope="session")
def kept_results():
    """Keep what the examples computed."""
    return {}


@pytest.fixture(autouse=True)
def _small_examples(request):
    if not isinstance(request.node, DoctestItem):
        return
    monkeypatch = request.getfixturevalue("monkeypatch")
    kept_results = request.getfixturevalue("kept_results")
    for sizes in SIZES:
        for module, values in sizes.items():
            for key, value in values.items():
                monkeypatch.setattr(f"stripwise.{module}.{key}", value)
    from stripwise.risk.probability.extent import corroded_share_moments

    few = partial(corroded_share_moments, points=256)
    monkeypatch.setattr("stripwise.studies.service_results.corroded_share_moments", few)
    monkeypatch.setattr(stripwise, "load", lambda path: _small(path.removeprefix("scenarios/")))
    for name in COMPUTED:
        monkeypatch.setattr(stripwise, name, _kept(name, kept_results))
