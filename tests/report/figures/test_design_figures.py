"""Figures of a design by what was drawn on them, and that no two labels overlap."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from numpy.testing import assert_allclose

from stripwise.errors import InputError
from stripwise.report.figures import sheet, style
from stripwise.report.figures.cost_figure import cost_rows, plot_cost
from stripwise.report.figures.design_figures import draw_design_figures, reference_lines
from stripwise.report.figures.label_placement import text_width
from stripwise.report.figures.pareto_figure import plot_pareto
from stripwise.report.figures.reference_durations import (
    ReferenceLine,
    draw_reference_lines,
    label_rows,
    legend_sentence,
    lines_in_range,
)
from stripwise.report.figures.required_cover_figure import plot_required_cover
from stripwise.report.figures.strategy_markers import reasons_off_map


@pytest.fixture(scope="module")
def figures(pier):
    return draw_design_figures(pier)


def boxes(figure):
    """Extents on paper of all texts that stand free, without the leader lines of annotations."""
    with sheet.style_context():
        renderer = FigureCanvasAgg(figure).get_renderer()
        figure.draw(renderer)
        return [
            (text.get_text(), Text.get_window_extent(text, renderer))
            for ax in figure.axes
            for text in ax.texts
            if text.get_text()
        ]


def test_names_of_the_figures(figures):
    assert list(figures) == ["map", "required", "cost", "pareto"]


@pytest.mark.parametrize("name", ["map", "required", "cost", "pareto"])
def test_no_two_labels_overlap(figures, name):
    found = boxes(figures[name])
    assert len(found) > 5
    for i, (text, box) in enumerate(found):
        for other, rival in found[i + 1 :]:
            assert not box.overlaps(rival), (text, other)


def test_required_cover_is_drawn_as_tabulated(pier):
    ax = plot_required_cover(pier)
    dots = [line for line in ax.lines if line.get_marker() == "o"]
    assert len(dots) == len(pier.required)
    drawn = [(float(d.get_xdata()[0]), float(d.get_ydata()[0])) for d in dots]
    assert_allclose([y for _, y in drawn], pier.required["required_cover_mm"])
    assert drawn[3][0] == 24.0
    bar = next(line for line in ax.lines if (line.get_gid() or "") == "knowledge-4")
    ends = pier.required.loc[3, ["know_low", "know_high"]].astype(float)
    assert_allclose(bar.get_ydata(), ends.clip(45, 85))
    assert (bar.get_marker(), bar.get_color()) == ("_", style.MARKER_COLOR)  # caps, no grey hair
    assert bar.get_linewidth() > 1.5 * max(
        line.get_linewidth() for line in ax.lines if str(line.get_gid()).startswith("required-")
    )


def test_a_bias_moves_no_line_of_nominal_cover(pier):
    # the axis is nominal cover; the bias, between nominal and mean, is in the map already
    biased = replace(pier, scenario=replace(pier.scenario, cover_bias=6.0))
    plain, moved = plot_required_cover(pier), plot_required_cover(biased)
    assert moved.get_ylim() == plain.get_ylim()
    for one, other in zip(plain.lines, moved.lines, strict=True):
        assert_allclose(one.get_ydata(), other.get_ydata())


def test_every_strategy_off_the_map_has_its_reason(pier):
    first, second, third, fourth, fifth, sixth = pier.scenario.strategies
    strategies = (
        replace(first, temperature=first.temperature - 5.0),
        replace(second, follow_up=replace(second.follow_up, temperature=1.0)),
        replace(third, penalty_input="strategy.penalty"),
        replace(fourth, follow_up=replace(fourth.follow_up, method="kept wet", duration_h=24.0)),
        fifth,
        sixth,
    )
    scenario = replace(pier.scenario, strategies=strategies)
    found = reasons_off_map(replace(pier, scenario=scenario))
    assert found == {
        "the concrete in the forms is not at the 15 °C of the map": [1],
        "its curing after stripping (sheet 7 d) has another temperature or face": [2],
        "the penalty is given, not from the curing law": [3],
        "its curing after stripping (kept wet 1 d) is not among the choices": [4],
    }
    thin = replace(pier, scenario=replace(pier.scenario, cover_bias=40.0))
    assert reasons_off_map(thin) == {
        "the nominal cover, 20 mm, is outside 45 to 85 mm": [1, 2, 3, 4, 5, 6]
    }
    assert reasons_off_map(pier) == {}


def test_bars_add_up_to_the_cost(pier):
    ax = plot_cost(pier)
    rows = cost_rows(pier)
    widths = np.zeros(len(rows))
    for container in ax.containers:
        widths += [patch.get_width() for patch in container.patches]
    assert_allclose(widths, rows["cost"])
    assert rows["cost"].is_monotonic_increasing


def test_pareto_greys_what_is_dominated(pier):
    ax = plot_pareto(pier)
    lines = {line.get_gid(): line for line in ax.lines}
    kept = lines["not-dominated"]
    points = pier.pareto[pier.pareto["kind"] == "design point"]
    assert len(kept.get_xdata()) == (~points["dominated"]).sum()
    assert np.all(np.diff(kept.get_xdata()) >= 0.0)
    assert np.all(np.diff(kept.get_ydata()) <= 0.0)
    assert len(lines["dominated"].get_xdata()) < 1600
    assert any("target 10 %" in text.get_text() for text in ax.texts)


def test_map_shows_standards_with_their_meaning(figures, pier):
    texts = [text.get_text() for ax in figures["map"].axes for text in ax.texts]
    assert texts.count("ACI 347") == 4  # one on each panel
    note = " ".join(" ".join(texts).split())
    assert "a limit against damage at stripping, not a curing period" in note
    names = [line.name for line in reference_lines(pier)]
    assert names == ["ACI 347", "EN class 2", "EN class 3", "EN class 4", "ACI 318"]


def test_lines_beyond_the_axis_are_left_out():
    lines = [ReferenceLine("a", "x", 12.0), ReferenceLine("b", "x", 240.0)]
    assert [line.name for line in lines_in_range((10.0, 120.0), lines)] == ["a"]
    assert legend_sentence(lines) == "Dotted lines: a and b: x."
    assert legend_sentence([]) == ""
    ax = sheet.new_axes(height=50, left=10, right=5, bottom=8, title="t", note="n")
    ax.set_xscale("log")
    ax.set_xlim(10.0, 120.0)
    draw_reference_lines(ax, lines)
    assert [text.get_text() for text in ax.texts] == ["a"]


def test_without_prices_no_figures_of_money(pier):
    bare = replace(
        pier, cost=None, pareto=None, choice=None, scenario=replace(pier.scenario, cost=None)
    )
    assert list(draw_design_figures(bare)) == ["map", "required"]
    for plot in (plot_cost, plot_pareto):
        with pytest.raises(InputError, match="cost: is missing"):
            plot(bare)


def test_same_design_same_bytes(figures, pier):
    again = draw_design_figures(pier)
    for name, figure in figures.items():
        assert sheet.svg(figure) == sheet.svg(again[name])


def test_names_that_do_not_fit_a_narrow_panel_stand_in_two_rows():
    lines = [ReferenceLine(f"EN class {n}", "x", 12.0 * n) for n in range(1, 6)]
    assert label_rows(lines, 300.0) == 1
    assert label_rows(lines, 140.0) == 2
    ax = sheet.new_axes(height=50, left=10, right=100, bottom=8, title="t", note="n")
    ax.set_xscale("log")
    ax.set_xlim(10.0, 70.0)
    draw_reference_lines(ax, lines)
    width, _ = sheet.axes_size(ax)
    rows = {}
    for text in ax.texts:
        x, y = text.get_position()
        half = 0.5 * text_width(text.get_text(), style.NOTE_SIZE)
        rows.setdefault(round(y, 6), []).append((x * width - half, x * width + half))
    assert len(rows) == 2
    for row in rows.values():
        for (_, end), (start, _) in itertools.pairwise(sorted(row)):
            assert end <= start
