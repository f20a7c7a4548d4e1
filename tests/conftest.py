import functools
import gc
import importlib.util
import sys
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import typer.testing
from _pytest.doctest import DoctestModule
from hypothesis import settings

import stripwise
from stripwise.errors import ScenarioError
from stripwise.ingress.finite_volume.finite_volume_solver import Grid
from stripwise.risk.probability import parallel

# The process that hands out the tests reads this file too, before any test can start: what it has
# no use for and is slow to load is imported where it is used.

# No test is timed: on a busy machine a first call takes longer than hypothesis allows.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """Leave what is collected, which stays, out of every later search for garbage."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


def pytest_collection_modifyitems(items):
    """Begin with the modules that show the dear design, so that one process computes it."""
    showing = {item.path for item in items if "pier" in getattr(item, "fixturenames", ())}
    items.sort(key=lambda item: item.path not in showing)


@pytest.hookimpl(wrapper=True)
def pytest_collect_file():
    """Look for doctests in the package alone: no test file has any."""
    found = yield
    return [item for item in found if not isinstance(item, DoctestModule)]


def pytest_configure(config):
    """Have the examples in docstrings, which lie outside this folder, run on small walls."""
    examples = _module("small_examples", Path(__file__).parent / "small_examples.py")
    examples.SIZES.insert(0, SMALL_SIZES)
    config.pluginmanager.register(examples)


def pytest_addoption(parser):
    for name, count in (("--fuzz-scenarios", 300), ("--fuzz-files", 100)):
        parser.addoption(name, type=int, default=count, help="how many mutated ones are read")


class NoThreads:
    """A pool that works where it stands: test processes fill the cores, threads only wait there."""

    def __init__(self, _workers):
        pass

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def map(self, work, items):
        return map(work, items)

    def submit(self, work, item):
        future = Future()
        future.set_result(work(item))
        return future

    def shutdown(self, **_):
        pass


@pytest.fixture(autouse=True, scope="session")
def _no_threads():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parallel, "ThreadPoolExecutor", NoThreads)
        yield


@pytest.fixture(autouse=True, scope="session")
def _read_commands_once():
    """Read the commands once: typer looks at every option of all of them before each call."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typer.testing, "_get_command", functools.cache(typer.testing._get_command))
        yield


@pytest.fixture
def no_more_follow_ups(monkeypatch):
    """Have a strip that has happened answered without follow-ups: its curves cost as many times."""
    from stripwise.studies import site_record, stripped

    alone = site_record.follow_ups
    monkeypatch.setattr(stripped, "follow_ups", lambda *args: alone(*args)[:1])


@pytest.fixture(autouse=True)
def _threads_where_marked(request, monkeypatch):
    if request.node.get_closest_marker("threads"):
        monkeypatch.setattr(parallel, "ThreadPoolExecutor", ThreadPoolExecutor)


BASE = """
title = "Test wall"
reference_strategy = "Forms 24 h"

[target]
service_life = "50 yr"
probability = 0.10

[exposure]
temperature = "10 degC"
chloride_basis = "binder"
surface_chloride = { family = "lognormal", mean = 2.0, cov = 0.35 }
initial_chloride = 0.1
convection_zone = "0 mm"

[concrete]
diffusivity = { family = "normal", mean = "5.0e-12 m^2/s", cov = 0.2 }
specimens = "cured as the face"
ageing_exponent = { family = "beta", mean = 0.30, sd = 0.12, low = 0, high = 1 }

[reinforcement]
cover = { family = "normal", mean = "55 mm", sd = "8 mm" }
critical_chloride = { family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }

[curing]
reference = "7 d"
concrete_temperature = "15 degC"
affected_depth = "whole cover"

[[strategy]]
name = "Forms 12 h"
strip_age = "12 h"

[[strategy]]
name = "Forms 24 h"
strip_age = "24 h"

[choices]
cover = { low = "45 mm", high = "75 mm", step = "5 mm" }
strip_age = { low = "10 h", high = "5 d" }
follow_up = [ { method = "none" } ]

[sampling]
points = 256
repeats = 8
horizon = "100 yr"
"""


def _module(name: str, path: Path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


FEW_SEARCH_AGES = np.geomspace(0.05, 1000.0, 15)

SMALL_SIZES = {
    "distributions.posterior_points": {
        "PILOT_POINTS": 256,
        "WANTED": 800.0,
        "FEWEST_POINTS": 2**11,
    },
    "evidence.face_maps.paste_mask": {"SAMPLE": 2_000},
    "evidence.profiles.inner_maximum": {"SIMULATED": 20},
    "evidence.statistics.family_fit": {"BOOTSTRAP_SAMPLES": 50},
    "risk.model.initiation_search": {"SEARCH_AGES": FEW_SEARCH_AGES},
    "risk.model.service_fronts": {"SEARCH_AGES": FEW_SEARCH_AGES},
    "risk.model.service_conditions": {"DEFAULT_GRID": Grid(12, 4, 4)},
    "risk.model.wall": {"COARSE_GRID": Grid(12, 4, 4)},
    "risk.probability.confidence": {"SCRAMBLINGS": 2, "OUTER_POINTS": 8, "SLOW_OUTER_POINTS": 2},
    "risk.probability.cracking": {"POINTS": 128, "INNER_POINTS": 64, "MAP_OUTER_POINTS": 8},
    "risk.probability.epistemic_band": {"BAND_OUTER_POINTS": 16},
    "risk.probability.extent": {"POINTS": 256},
    "risk.probability.grid_check": {"GRID_SAMPLES": 32},
    "risk.probability.nested_sampling": {"MAP_OUTER_POINTS": 8, "NUMERICAL_OUTER_POINTS": 8},
    "risk.probability.rare_sampling": {"POINTS": 64, "PILOT_POINTS": 64},
    "risk.probability.sampled_ages": {
        "STARTING_AGES": (4, 8),
        "PILOT_POINTS": 128,
        "NUMERICAL_PILOT_POINTS": 32,
        "SKIN_RISE_PILOT_POINTS": 64,
        "INTERPOLATION_TOLERANCE": 2e-4,
    },
    "risk.probability.target_roots": {"STRIP_NODES": 9},
    "risk.sensitivity.margin_indices": {"BASE_POINTS": 64, "NUMERICAL_POINTS": 32},
    "risk.sensitivity.shapley": {"MAX_EXACT_INPUTS": 2, "ORDERS": 2},
    "studies.design.hand_rules": {"CHECK_SAMPLES": 2_000},
    "studies.design.exchange_rates": {"MAX_STRIP_AGES": 2},
    "studies.design.explore_tables": {"SCRAMBLINGS": 4, "OUTER_POINTS": 8},
    "studies.design.setting": {
        "MAP_POINTS": 256,
        "STRIP_AGES": 9,
        "SCRAMBLINGS": 4,
        "OUTER_POINTS": 4,
        "SLOW_OUTER_POINTS": 2,
    },
    "studies.design.prices": {"MOST_GROWTH": 1},
    "studies.design.site_table": {"MAX_COVERS": 4},
    "studies.from_scenario": {"MOST_GROWTH": 1, "PENALTY_POINTS": 128},
    "studies.rank.choice_tables": {"KNOWLEDGE_POINTS": 64, "AGE_COUNT": 4, "MAX_REPEATS": 4},
    "studies.rank.factorial": {"NODES": 4, "POINTS": 256},
    "studies.rank.convergence": {"FIRST_POINTS": 64},
    "studies.rank.rank_study": {"MAX_POINTS": 512, "LAYERED_POINTS": 32, "SERVICE_POINTS": 32},
    "studies.rank.reliability_table": {"SAMPLED_POINTS": 128},
    "studies.rank.value_of_information": {
        "OUTER_POINTS": 16,
        "INNER_POINTS": 64,
        "MAX_REPEATS": 4,
    },
    "studies.run": {"MONTE_CARLO_SAMPLES": 2_000, "NUMERICAL_MONTE_CARLO_SAMPLES": 500},
    "studies.stripped": {"BLOCK_SIZE": 1024},
    "studies.run_choices": {
        "POINTS": 64,
        "SHARE_POINTS": 64,
        "EPISTEMIC_POINTS": 64,
        "NUMERICAL_POINTS": 32,
    },
    "studies.target_answers": {"MOST_GROWTH": 1, "STRIP_NODES": 9},
    "studies.update.point_likelihood": {"INNER_POINTS": 64, "SLOW_INNER_POINTS": 32},
    "studies.update.next_inspection": {"DRAWS": 512},
    "studies.update.posterior_of_sets": {"DRAWS": 2048, "CHECKED": 64},
    "studies.update.predicted_profiles": {"DEPTHS": 11, "DRAWS": 64},
    "studies.update.update_study": {"WITHOUT_POINTS": 2**11},
    "studies.update.prior_predictive": {"SIMULATED": 50, "DRAWS": 64},
    "report.figures.style": {"PNG_DPI": 20},
}
"""Sizes of samples, grids and pictures that no scenario sets, by module; no sample grows."""


def _shrink(patch):
    for module, sizes in SMALL_SIZES.items():
        for name, size in sizes.items():
            patch.setattr(f"stripwise.{module}.{name}", size)


@pytest.fixture
def few_samples(monkeypatch):
    """Shrink them for one test: of what is written and said, never of how right a number is."""
    _shrink(monkeypatch)


@pytest.fixture(scope="session")
def empty_svg():
    """Stand in for what turns a drawn figure into SVG."""
    return lambda _figure: '<svg xmlns="http://www.w3.org/2000/svg"></svg>'


@pytest.fixture
def no_pictures(monkeypatch, empty_svg):
    """Draw the figures of a report, but leave the SVG of each empty: of what else is written."""
    monkeypatch.setattr("stripwise.report.figures.sheet.svg", empty_svg)


FIGURES = {
    "curves_figure": ("answer", "curves", "drivers", "choices", "cracking", "face"),
    "design_figures": ("required_cover", "cost", "pareto"),
    "ranking_figures": (
        "choices",
        "variance_shares",
        "total_indices",
        "importance_factors",
        "convergence",
    ),
}
"""What `sheet.draw` does not draw, by module."""


@pytest.fixture(scope="session")
def leave_figures_blank(empty_svg):
    """Have every figure of a report stand for itself on an empty sheet."""

    from matplotlib.figure import Figure

    def patched(patch):
        blank = Figure().add_subplot()
        home = "stripwise.report.figures"
        patch.setattr(f"{home}.sheet.svg", empty_svg)
        patch.setattr(f"{home}.sheet.draw", lambda *_, **__: blank.figure)
        for module in ("curves_figure", "design_figures"):
            patch.setattr(f"{home}.{module}.map_figure", lambda *_, **__: blank.figure)
        for module, names in FIGURES.items():
            for name in names:
                patch.setattr(f"{home}.{module}.plot_{name}", lambda *_, **__: blank)

    return patched


@pytest.fixture
def no_figures(monkeypatch, leave_figures_blank):
    """Draw nothing: of what a command says and writes beside its figures.

    That the figures of every command can be drawn is held by its pages and by its tables.
    """
    leave_figures_blank(monkeypatch)


@pytest.fixture
def few_simulated(monkeypatch):
    """Simulate few profiles to tell how small a rise would be found, where no test reads it."""
    monkeypatch.setattr("stripwise.evidence.profiles.inner_maximum.SIMULATED", 20)


@pytest.fixture(scope="session")
def small_sizes():
    """Shrink them inside a with block, for a fixture that lives longer than one test."""

    @contextmanager
    def shrunk():
        with pytest.MonkeyPatch.context() as patch:
            _shrink(patch)
            yield

    return shrunk


@pytest.fixture(scope="session")
def walls():
    return _module("walls", Path(__file__).parent / "risk" / "walls.py")


@pytest.fixture(scope="session")
def rare_estimates():
    """Another way to a rare probability, to hold those of the package against."""
    return _module("rare_estimates", Path(__file__).parent / "risk" / "rare_estimates.py")


class Wall:
    """A scenario file to change line by line."""

    def __init__(self, folder):
        self.path = folder / "wall.toml"

    def write(self, *changes, end=""):
        text = BASE
        for old, new in changes:
            assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
            text = text.replace(old, new)
        self.path.write_text(text + end, encoding="utf-8")
        return self.path

    def load(self, *changes, end=""):
        from stripwise.scenario.loading import load

        return load(self.write(*changes, end=end))

    def problems(self, *changes, end=""):
        with pytest.raises(ScenarioError) as caught:
            self.load(*changes, end=end)
        return list(caught.value.problems)


@pytest.fixture
def wall(tmp_path):
    return Wall(tmp_path)


@pytest.fixture(scope="session")
def designs():
    return _module("designs", Path(__file__).parent / "studies" / "design" / "designs.py")


@pytest.fixture(scope="session")
def pier_case(designs):
    """Scenario with prices and a small sample."""
    return designs.small("pier-wall-cost.toml")


@pytest.fixture(scope="session")
def quick_case(designs, pier_case):
    return designs.quick(pier_case)


@pytest.fixture(scope="session")
def pier(pier_case):
    """Its design."""
    return stripwise.design(pier_case)


@pytest.fixture(scope="session")
def inch(designs, small_sizes):
    """A design in inches without prices and without knowledge inputs."""
    with small_sizes():
        return stripwise.design(designs.quick(designs.small("quay-wall-inch.toml")))
