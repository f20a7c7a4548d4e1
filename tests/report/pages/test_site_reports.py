"""What the reports of site records draw and say."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stripwise.cli.fit_options import option_quantity
from stripwise.distributions.distribution import distribution, fixed
from stripwise.errors import InputError
from stripwise.evidence.drying_rates import analyse_drying
from stripwise.evidence.strip_ages import analyse_strip_log
from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import DIFFUSIVITIES, KINDS
from stripwise.evidence.tables.timestamps import find_time_zone
from stripwise.report.figures import sheet
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.report.files import input_toml
from stripwise.report.pages.cover_survey_page import plot_positions, survey_report
from stripwise.report.pages.drying_page import drying_report, plot_losses
from stripwise.report.pages.strip_log_page import plot_pours, strip_log_report
from stripwise.studies.fit.cover_survey_study import study_cover_survey
from stripwise.studies.fit.drying_study import study_drying
from stripwise.studies.fit.strip_log_study import study_strip_log
from stripwise.units.quantities import LENGTH, TIME

FOLDER = Path(__file__).parents[3] / "scenarios" / "site-records"


def of(name):
    return read_data_file(FOLDER / name, kinds=KINDS)


@pytest.fixture(scope="module")
def cover():
    return study_cover_survey(of("cover.csv"), limit=45.0)


@pytest.fixture(scope="module")
def log():
    return analyse_strip_log(of("strip-log.csv"), zone=find_time_zone("CET"), specified=16.0)


def drawn(ax, start):
    items = [*ax.lines, *ax.collections]
    return {item.get_gid(): item for item in items if str(item.get_gid()).startswith(start)}


def boxes(figure):
    """Return the boxes of all texts of a figure, in pixels, ticks in view alone."""
    renderer = figure.canvas.get_renderer()
    texts = []
    for ax in figure.axes:
        texts += [*ax.texts, ax.title, ax._left_title, ax.xaxis.label, ax.yaxis.label]
        for axis in (ax.xaxis, ax.yaxis):
            low, high = sorted(axis.get_view_interval())
            ticks = [*axis.get_major_ticks(), *axis.get_minor_ticks()]
            texts += [tick.label1 for tick in ticks if low <= tick.get_loc() <= high]
    return [
        (t.get_text(), t.get_window_extent(renderer))
        for t in texts
        if t.get_text().strip() and t.get_visible()
    ]


def assert_legible(figure):
    """No text lies on another, and none leaves the sheet."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    FigureCanvasAgg(figure).draw()
    found = boxes(figure)
    page = figure.bbox
    for at, (text, box) in enumerate(found):
        assert box.x0 >= page.x0 - 2, text
        assert box.x1 <= page.x1 + 2, text
        for other, second in found[at + 1 :]:
            wide = min(box.x1, second.x1) - max(box.x0, second.x0)
            tall = min(box.y1, second.y1) - max(box.y0, second.y0)
            assert not (wide > 1.0 and tall > 2.0), (text, other)


def test_no_figure_has_labels_that_overlap(cover):
    diffusivities = read_data_file(FOLDER / "diffusivities.csv", kinds=[DIFFUSIVITIES])
    zone = find_time_zone("CET")
    reports = (
        drying_report(study_drying(of("drying.csv"), diffusivities=diffusivities)),
        strip_log_report(study_strip_log(of("strip-log.csv"), zone=zone, specified=16.0)),
        survey_report(cover),
    )
    for report in reports:
        for figure in report.figures.values():
            with sheet.style_context():
                assert_legible(figure)


def test_losses_are_the_readings():
    data_file = of("drying.csv")
    result = analyse_drying(data_file, rng=np.random.default_rng(1))
    with sheet.style_context():
        ax = plot_losses(data_file.data, result)
    lines = drawn(ax, "specimen-")
    assert len(lines) == 16
    own = data_file.data[data_file.data["specimen"] == "B2"]
    assert_allclose(lines["specimen-B2"].get_xydata(), own[["time_d", "mass_loss_pct"]])
    names = {text.get_text() for text in ax.texts}
    assert {"Forms 16 h", "Forms 7 d"} <= names


def test_pours_are_drawn_youngest_first_and_those_that_miss_in_another_colour(log):
    with sheet.style_context():
        ax = plot_pours(log)
    dots = drawn(ax, "pour-")
    ages = [dots[f"pour-{k}"].get_xdata()[0] for k in range(23, -1, -1)]
    assert_allclose(ages, np.sort(log.pours["equivalent_arrhenius_h"]))
    colors = [dots[f"pour-{k}"].get_color() for k in range(23, -1, -1)]
    missed = int((log.pours["misses"] == "yes").sum())
    assert len(set(colors[:missed])) == len(set(colors[missed:])) == 1
    assert colors[0] != colors[-1]
    assert ax.get_title(loc="left").startswith(f"{missed} of 24 pours missed")


def test_positions_show_every_reading_and_ring_those_below_the_limit(cover):
    survey = cover.survey
    with sheet.style_context():
        ax = plot_positions(survey)
    shades = drawn(ax, "s-")
    assert sum(len(item.get_offsets()) for item in shades.values()) == 160
    ringed = drawn(ax, "below")["below"].get_offsets()
    thin = survey.data[survey.data["cover_mm"] < 45.0]
    assert_allclose(ringed, thin[["x_mm", "y_mm"]] / 1000.0)


def test_strip_ages_for_a_scenario_say_what_they_are(log):
    report = strip_log_report(
        study_strip_log(
            of("strip-log.csv"),
            zone=find_time_zone("CET"),
            maturity="nurse-saul",
            reference_temperature=23.0,
        )
    )
    text = report.texts["strip-age.toml"]
    assert "No permission to strip at such an age." in text
    assert 'concrete_temperature = "23 degC"' in text
    assert "equivalent age at stripping (nurse-saul, 23 degC), 24 pours" in text
    assert "Pours were stripped at equivalent ages from" in report.findings[0]


@pytest.mark.parametrize(
    ("law", "lines"),
    [
        (fixed(24.0), ['value = "24 h"']),
        (
            distribution("gamma", mean=20.0, sd=5.0),
            ['family = "gamma"', 'mean = "20 h"', 'sd = "5 h"'],
        ),
    ],
)
def test_an_input_for_a_scenario(law, lines):
    text = input_toml(law, unit="h", source='a "quoted" file', about=("One line.",))
    assert text.splitlines() == [
        "# One line.",
        "[input]",
        *lines,
        'kind = "scatter"',
        'source = "a \\"quoted\\" file"',
    ]


def test_a_quantity_of_the_command_line():
    assert option_quantity("--limit", "2 in", kind=LENGTH, to="mm") == 50.8
    assert option_quantity("--limit", None, kind=LENGTH, to="mm") is None
    with pytest.raises(InputError, match=r'--age: "-1 d" must be above 0'):
        option_quantity("--age", "-1 d", kind=TIME, to="day")


def test_dots_with_long_names():
    rows = [
        DotRow(
            "A strategy whose name is longer than any room beside a chart could ever be, "
            "twice over",
            1.0,
            0.5,
            2.0,
            "1.0",
            (0.8, 1.3),
        ),
        DotRow("Short", 2.0, np.nan, np.nan, "2.0"),
    ]
    with sheet.style_context():
        ax = plot_dot_intervals(rows, title="Title", note="Note", label="Ratio", mark=1.0, log=True)
        assert_legible(ax.figure)
    assert set(drawn(ax, "interval-")) == {"interval-1"}
    assert_allclose(drawn(ax, "points-")["points-1"].get_xdata(), [0.8, 1.3])
    names = [label.get_text() for label in ax.get_yticklabels()]
    assert names[0].count("\n") == 1
    assert names[0].endswith("\N{HORIZONTAL ELLIPSIS}")
