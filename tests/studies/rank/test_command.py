"""The command `rank`, in process."""

import json

import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from typer.testing import CliRunner

from stripwise import cli
from stripwise.report.figures.label_placement import Box
from stripwise.units.caution import CAUTION, GATES

few = pytest.mark.usefixtures("few_samples")
without_figures = pytest.mark.usefixtures("no_figures")


def call(*arguments):
    return CliRunner().invoke(cli.app, [str(a) for a in arguments])


@pytest.fixture
def small(write):
    return write()


@few
def test_writes_everything(small, tmp_path):
    out = tmp_path / "out"
    result = call("rank", small, "--ages", "20,40", "--precision", "0.4", "--out", out)
    assert result.exit_code == 0, result.stderr
    assert "drives the depth margin of Forms 24 h most" in result.stdout
    assert CAUTION in result.stdout
    assert "Cost: " in result.stdout
    run = json.loads((out / "run.json").read_text())
    assert run["command"] == "rank"
    for name in run["files"]:
        assert (out / name).is_file()
    names = {n for n in run["files"] if n.startswith("figures/")}
    assert {f"figures/{n}.svg" for n in ("shares", "total-margin", "factors")} <= names
    table = pd.read_csv(out / "sensitivity.csv", keep_default_na=False, na_values=[""])
    assert set(table["age_yr"].dropna()) == {20.0, 40.0, 50.0}
    page = (out / "report.html").read_text()
    shares = pd.read_csv(out / "choices.csv")
    assert set(shares["quantity"]) == {"reliability index", "probability", "ln of the life"}
    options = pd.read_csv(out / "options.csv", keep_default_na=False)
    assert list(options["choice"])[:3] == ["", "cover", "cover"]
    assert "figures/choices.svg" in names
    for text in ("The choices on the table", "not a permission"):
        assert text in page
    for text in (CAUTION, GATES[0], "Design point at the target life", "recalled"):
        assert text in page
    assert "<script" not in page


@few
@without_figures
def test_again_over_its_own_results_and_not_over_others(small, tmp_path):
    out = tmp_path / "out"
    assert (
        call("rank", small, "--precision", "0.4", "--ages", "50", "--out", out, "--quiet").exit_code
        == 0
    )
    assert (
        call("rank", small, "--precision", "0.4", "--ages", "50", "--out", out, "--quiet").exit_code
        == 0
    )
    other = tmp_path / "other"
    other.mkdir()
    (other / "form.csv").write_text("mine")
    result = call("rank", small, "--ages", "50", "--out", other)
    assert result.exit_code == 1
    assert (other / "form.csv").read_text() == "mine"


@few
@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (("--strategy", "nothing"), 1, "'nothing' is none of the scenario's"),
        (("--ages", "70"), 1, "70 yr; must be above 0 and at most 60 yr"),
        (("--ages", "ten"), 2, "is no list of ages"),
        (("--ages", "1:50:0"), 2, "is no list of ages"),
        (("--precision", "1e-9", "--ages", "50"), 1, "not within the budget"),
        (("--precision", "-1"), 1, "must lie between 0 and 1"),
    ],
)
def test_wrong_requests_write_nothing(small, tmp_path, arguments, code, message):
    out = tmp_path / "out"
    result = call("rank", small, "--out", out, *arguments)
    assert result.exit_code == code
    assert message in " ".join(result.stderr.replace("│", " ").split())
    assert not out.exists()
    assert "Traceback" not in result.stderr


def test_nothing_to_rank(write, tmp_path):
    fixed = write(
        ('{ family = "lognormal", mean = 1.5, cov = 0.3 }', "1.5"),
        ('{ family = "normal", mean = "3e-12 m^2/s", cov = 0.2 }', '"3e-12 m^2/s"'),
        (
            '{ family = "beta", mean = 0.4, sd = 0.08, low = 0, high = 1, kind = "knowledge" }',
            '0.4\ntemperature_coefficient = "4800 K"',
        ),
        ('{ family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }', "0.6"),
        ('name = "Forms 12 h"', 'name = "Forms 12 h"\npenalty = 1.5'),
        ('name = "Forms 24 h"', 'name = "Forms 24 h"\npenalty = 1.4'),
    )
    result = call("rank", fixed, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert "a ranking needs at least two" in result.stderr


@few
@without_figures
def test_range_of_ages_and_json(small, tmp_path):
    result = call(
        "rank",
        small,
        "--ages",
        "20:40:10",
        "--precision",
        "0.4",
        "--json",
        "--out",
        tmp_path / "out",
    )
    assert result.exit_code == 0, result.stderr
    record = json.loads(result.stdout)
    assert record["run"]["strategy"] == "Forms 24 h"
    assert {"choices", "options", "worth"} <= set(record)
    assert any(row["analysis"] == "choices by epistemic point" for row in record["choices"])
    table = pd.read_csv(tmp_path / "out" / "sensitivity.csv")
    assert set(table["age_yr"].dropna()) == {20.0, 30.0, 40.0, 50.0}


@few
def test_labels_of_the_figures_do_not_overlap(small):
    from stripwise.report.figures import sheet
    from stripwise.report.figures.ranking_figures import draw_ranking_figures
    from stripwise.scenario.loading import load
    from stripwise.studies.rank.rank_study import rank

    ranking = rank(load(small), ages=[20, 40])
    for name, figure in draw_ranking_figures(ranking).items():
        figure.dpi = 100  # text is set in whole pixels
        renderer = FigureCanvasAgg(figure).get_renderer()
        with sheet.style_context():
            figure.draw_without_rendering()
        boxes = []
        for text in figure.axes[0].texts:
            if text.get_text() and name != "factors":
                box = Text.get_window_extent(text, renderer)  # without its leader
                boxes.append(
                    Box(box.x0 + box.width / 2, box.y0 + box.height / 2, box.width, box.height)
                )
        for i, one in enumerate(boxes):
            assert not any(one.overlaps(other) for other in boxes[:i]), name
