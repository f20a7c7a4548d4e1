"""What results do in Python: HTML, xarray, files, pickle, and figures on the caller's axes."""

import inspect
import pickle
import subprocess
import sys

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure
from numpy.testing import assert_allclose

import stripwise
from stripwise.errors import InputError
from stripwise.units.caution import CAUTION

COVER = "reinforcement.cover.nominal"


@pytest.fixture(scope="module")
def case():
    garage = stripwise.load("scenarios/garage-wall.toml")
    keep = [s for s in garage.raw["strategy"] if s["name"] in ("Forms 24 h", "Forms 7 d")]
    changes = {"strategy": keep, "sampling.repeats": 8, "sampling.horizon": "60 yr"}
    return garage.replace({**changes, "choices.cover.step": "15 mm"})


@pytest.fixture(scope="module")
def result(case):
    return stripwise.assess(case, points=256, seed=3, workers=1)


def test_the_answer_comes_first_in_a_notebook(result):
    html = result._repr_html_()
    assert html.startswith("<p><strong>")
    assert CAUTION.split(".", maxsplit=1)[0] in html
    assert html.count("<tr") == 3
    assert "probability_at_target" in html
    assert len(repr(result)) < 300


def test_curves_are_arrays_over_strategy_and_age(result):
    data = result.to_xarray()
    assert data.sizes == {"strategy": 2, "age_yr": 61}
    assert list(data["strategy"].to_numpy()) == ["Forms 24 h", "Forms 7 d"]
    one = result.curves.query("strategy == 'Forms 7 d' and age_yr == 50")["probability"].item()
    assert float(data["probability"].sel(strategy="Forms 7 d", age_yr=50.0)) == one


def test_a_result_survives_a_pickle(result):
    again = pickle.loads(pickle.dumps(result))
    assert again.curves.equals(result.curves)
    assert again._repr_html_() == result._repr_html_()


def test_a_result_writes_what_its_command_writes(result, tmp_path):
    written = {path.name for path in result.write(tmp_path / "out")}
    assert {"curves.csv", "strategies.csv", "report.html", "run.json"} <= written


def test_only_curves_are_the_curves_of_the_whole_run(case, result, tmp_path):
    found = stripwise.assess(case, only="curves", points=256, seed=3, workers=1)
    assert found.curves.equals(result.curves)
    assert found.strategies.equals(result.strategies)
    assert found.plain_check == result.plain_check
    assert set(result.warnings) == set(found.warnings)
    assert found.sensitivity.empty
    assert found.reliability_map is None
    assert found.answer[0] == result.answer[0]
    assert len(repr(found)) < 300
    for refused in (found.write, lambda _: stripwise.plot.drivers(found)):
        with pytest.raises(stripwise.StripwiseError, match='only="curves"'):
            refused(tmp_path / "out")
    with pytest.raises(InputError, match=r'only: = .drivers. must be "curves"'):
        stripwise.assess(case, only="drivers")


def test_seed_and_points_of_a_call_are_those_of_the_file(case, result):
    edited = case.replace({"sampling.points": 256, "sampling.seed": 3})
    other = stripwise.assess(edited, workers=1)
    assert_allclose(other.curves["probability"], result.curves["probability"], rtol=0, atol=0)
    assert other.run["seed"] == result.run["seed"] == 3
    for options, text in (
        ({"points": 100}, r"points: = 100 must be a power of two"),
        ({"seed": -1}, r"seed: = -1 must be at least 0"),
    ):
        with pytest.raises(InputError, match=text):
            stripwise.assess(case, **options)


@pytest.mark.parametrize("name", ["assess", "design", "target", "rank", "stripped_early", "sweep"])
def test_every_call_that_samples_takes_the_same_options(name):
    have = set(inspect.signature(getattr(stripwise, name)).parameters)
    wanted = {"seed", "workers", "progress"} | ({"points"} if name != "rank" else {"precision"})
    assert wanted <= have


def inside(ax):
    """How far what an axes draws leaves its figure, in shares of it."""
    box = ax.get_tightbbox().transformed(ax.figure.transFigure.inverted())
    return max(-box.x0, -box.y0, box.x1 - 1.0, box.y1 - 1.0)


@pytest.mark.parametrize("name", ["answer", "curves", "drivers", "choices", "map"])
def test_labels_stay_on_a_figure_of_default_size(result, name):
    figure = Figure()
    ax = figure.subplots()
    drawn = getattr(stripwise.plot, name)(result, ax=ax)
    assert drawn is ax
    assert inside(ax) < 0.01
    assert ax.has_data()


def test_a_panel_stays_in_its_part_of_the_figure(result):
    figure = Figure(figsize=(12, 5))
    left, right = figure.subplots(1, 2)
    stripwise.plot.curves(result, ax=left)
    stripwise.plot.curves(result, ax=right)
    boxes = [ax.get_tightbbox().transformed(figure.transFigure.inverted()) for ax in (left, right)]
    assert boxes[0].x1 < boxes[1].x0 + 0.01
    assert inside(right) < 0.01
    # what is drawn is the curve of the table
    line = next(one for one in left.lines if one.get_gid() == "curve-0")
    rows = result.curves[result.curves["strategy"] == "Forms 24 h"]
    at_60 = 100.0 * rows.loc[rows["age_yr"] == 60.0, "probability"].item()
    assert_allclose(np.interp(60.0, *line.get_data()), at_60, rtol=1e-9, atol=0)


def test_style_holds_within_its_context_alone(result):
    before = mpl.rcParams["font.size"]
    with stripwise.plot.style():
        assert mpl.rcParams["font.size"] == 7.5
    assert mpl.rcParams["font.size"] == before
    assert stripwise.plot.curves(result).figure.get_size_inches()[0] == pytest.approx(160 / 25.4)


def test_importing_and_loading_leave_the_slow_libraries_alone():
    code = (
        "import sys, stripwise\n"
        "first = [n for n in ('numpy', 'pandas', 'scipy', 'matplotlib', 'pydantic', 'pint')"
        " if n in sys.modules]\n"
        "stripwise.load('scenarios/garage-wall.toml')\n"
        "late = [n for n in ('pandas', 'matplotlib', 'SALib', 'pint', 'jinja2') if n in sys.modules]\n"
        "print(first, late)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[] []"
