import dataclasses
from itertools import combinations
from xml.etree import ElementTree

import matplotlib.colors as mcolors
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from stripwise.errors import InputError
from stripwise.report.figures import curves_figure, sheet, style
from stripwise.report.figures.label_placement import text_width
from stripwise.report.figures.map_figure import map_figure
from stripwise.report.figures.strategy_markers import strategies_off_map
from stripwise.report.pages.variance_shares import choice_shares, driver_shares

CASES = {
    "six": lambda e: e.make_assessment(),
    "two": lambda e: e.make_assessment(e.SIX[:2] + e.SIX[4:]),
    "twelve": lambda e: e.make_assessment(e.many(12)),
    "fifty": lambda e: e.make_assessment(e.many(50)),
    "hostile": lambda e: e.make_assessment(e.hostile(), knowledge=False),
    "safe": lambda e: e.make_assessment(lift=4.0, units="US"),
}


@pytest.fixture(scope="module", params=CASES)
def drawn(request, example):
    return curves_figure.draw_run_figures(CASES[request.param](example))


def by_id(ax, gid):
    return next(artist for artist in ax.get_children() if artist.get_gid() == gid)


def tick_texts(axis):
    low, high = sorted(axis.get_view_interval())
    return [
        label
        for place, label in zip(axis.get_majorticklocs(), axis.get_majorticklabels(), strict=True)
        if low <= place <= high
    ]


def shown_texts(figure):
    """Every text on the paper with its box in pixels."""
    with sheet.style_context():
        renderer = FigureCanvasAgg(figure).get_renderer()
        figure.draw_without_rendering()
        items = []
        for ax in figure.axes:
            items += [*ax.texts, *(c for c in ax.get_children() if type(c) is Text)]
            if ax.axison:
                items += [ax.xaxis.label, ax.yaxis.label]
                items += tick_texts(ax.xaxis) + tick_texts(ax.yaxis)
        items = dict.fromkeys(item for item in items if item.get_text().strip())
        return [(item.get_text(), Text.get_window_extent(item, renderer)) for item in items]


def test_no_text_overlaps_another_and_none_is_cut(drawn):
    for name, figure in drawn.items():
        figure.dpi = style.PNG_DPI
        width, height = figure.get_size_inches() * figure.dpi
        boxes = shown_texts(figure)
        for (one, a), (two, b) in combinations(boxes, 2):
            both = a.x0 < b.x1 and b.x0 < a.x1 and a.y0 < b.y1 and b.y0 < a.y1
            assert not both, f"{name}: {one!r} and {two!r}"
        for text, box in boxes:
            assert box.x0 >= -1, f"{name}: {text!r}"
            assert box.x1 <= width + 1, f"{name}: {text!r}"
            assert box.y0 >= -1, f"{name}: {text!r}"
            assert box.y1 <= height + 1, f"{name}: {text!r}"


def test_every_figure_has_print_width(drawn):
    for name, figure in drawn.items():
        # the picture of the first screen is narrow, for a telephone
        width = 98.0 if name == "answer" else 160.0
        assert figure.get_size_inches()[0] * 25.4 == pytest.approx(width)


@pytest.fixture(scope="module")
def curves(six):
    return curves_figure.plot_curves(six)


def test_curves_show_the_table(six, curves):
    for row, strategy in enumerate(six.scenario.strategies):
        table = six.curves[six.curves["strategy"] == strategy.name]
        line = by_id(curves, f"curve-{row}")
        np.testing.assert_allclose(line.get_xdata(), table["age_yr"], rtol=1e-12)
        np.testing.assert_allclose(line.get_ydata(), 100 * table["probability"], rtol=1e-12)
    assert by_id(curves, "target").get_ydata()[0] == pytest.approx(10.0)
    assert by_id(curves, "service-life").get_xdata()[0] == pytest.approx(75.0)


def test_curves_that_are_the_same_share_a_label(curves):
    labels = [t.get_text() for t in curves.texts if t.get_gid()]
    joined = [" ".join(text.split()) for text in labels]
    assert joined[0] == "Forms 12 h and Forms 12 h + wet covering"
    assert len(joined) == 5


def test_bands_are_drawn_for_the_reference_and_the_worst_only(six, curves):
    bands = {c.get_gid(): c for c in curves.collections}
    assert set(bands) == {"band-4", "band-0"}
    table = six.curves[six.curves["strategy"] == "Forms 36 h"]
    top = bands["band-4"].get_paths()[0].vertices[:, 1].max()
    assert top == pytest.approx(100 * table["know_high"].max())


def test_without_knowledge_the_band_is_of_the_sampling_and_says_so(example):
    assessment = example.make_assessment(knowledge=False)
    ax = curves_figure.plot_curves(assessment)
    words = " ".join(" ".join(t.get_text() for t in ax.texts).split())
    assert "No input is epistemic" in words
    band = next(c for c in ax.collections if c.get_gid() == "band-0")
    table = assessment.curves[assessment.curves["strategy"] == "Forms 12 h"]
    top = band.get_paths()[0].vertices[:, 1].max()
    assert top == pytest.approx(100 * table["high95"].max())


def test_the_title_is_the_message(curves, example):
    title = curves.get_title(loc="left").replace("\xa0", " ").replace("\n", " ")
    assert title == "Forms 12 h: 10 % reached in 37 yr; Forms 36 h: 10 % reached in 89 yr"
    never = curves_figure.plot_curves(example.make_assessment(lift=4.0)).get_title(loc="left")
    assert never.replace("\xa0", " ") == "Every strategy stays below 10 % for more than 120 yr"


def test_a_single_strategy_has_a_figure(example):
    one = example.make_assessment(example.SIX[4:6])
    only = example.with_changes(
        one,
        scenario=example.replace(one.scenario, strategies=one.scenario.strategies[:1]),
        curves=one.curves[one.curves["strategy"] == "Forms 36 h"],
        strategies=one.strategies[:1],
    )
    title = curves_figure.plot_curves(only).get_title(loc="left").replace("\xa0", " ")
    assert title == "Forms 36 h: 10 % reached in 89 yr"


def test_drivers_show_the_margin_at_the_service_life(six):
    groups, singles, age = driver_shares(six)
    assert age == 75.0
    assert [s.label for s in singles][:2] == ["ageing exponent", "cover"]
    assert singles[0].first == pytest.approx(0.55)
    assert singles[0].total == pytest.approx(0.63)
    assert len(groups) == 5
    ax = curves_figure.plot_drivers(six)
    dots = [float(line.get_xdata()[0]) for line in ax.lines if line.get_marker() == "o"]
    assert 55.0 in [round(x, 9) for x in dots]
    labels = [t.get_text() for t in ax.get_yticklabels()]
    assert "place in the curing law" not in labels
    assert "1 more input below 1 % not drawn" in " ".join(t.get_text() for t in ax.texts).replace(
        "\n", " "
    ).replace("\xa0", " ")


def test_an_undefined_share_is_written_not_drawn(six, example):
    table = six.sensitivity.copy()
    rows = table["input"] == "reinforcement.cover"
    table.loc[rows, ["first", "total"]] = np.nan
    table.loc[rows, "status"] = "undefined: correlated"
    ax = curves_figure.plot_drivers(example.with_changes(six, sensitivity=table))
    assert "undefined: correlated" in [t.get_text() for t in ax.texts]


def test_correlated_inputs_are_named_in_words(six, example):
    table = six.sensitivity.copy()
    group = "correlated: exposure.surface_chloride + concrete.diffusivity"
    table.loc[(table["group"] == "steel") & (table["input"] == ""), "group"] = group
    groups, _, _ = driver_shares(example.with_changes(six, sensitivity=table))
    assert "correlated: surface chloride and diffusivity at 28 d" in [s.label for s in groups]


def test_choices_are_questions_with_their_ranges(six):
    shares = choice_shares(six)
    assert [s.label for s in shares] == [
        "How much cover? (45 to 75 mm)",
        "When to strip? (10 h to 5 d)",
        "How to cure after stripping? (none, sheet 3 d, wet covering 3 d)",
    ]
    # The interval is the one over the knowledge inputs.
    assert shares[0].total_low == pytest.approx(0.8 * 0.74)
    assert "How much cover? 74" in curves_figure.plot_choices(six).get_title(loc="left")


def test_the_map_draws_the_target_line_where_the_index_crosses_it(six):
    ax = curves_figure.plot_map(six)
    target = six.scenario.target.reliability_index
    bold = next(c for c in ax.collections if getattr(c, "levels", [0])[0] == target)
    hours, cover = bold.get_paths()[0].vertices.T
    grid = six.reliability_map
    at = np.array(
        [
            np.interp(
                np.log(h),
                np.log(grid.strip_age),
                [np.interp(c, grid.cover, row) for row in grid.index[0]],
            )
            for h, c in zip(hours, cover, strict=True)
        ]
    )
    np.testing.assert_allclose(at, target, atol=5e-3)


def test_the_map_marks_strategies_at_their_strip_age(six):
    panels = [ax for ax in map_figure(six).axes if ax.axison]
    dots = [
        sorted(
            x
            for line in ax.lines
            if str(line.get_gid()).startswith("strategies")
            for x in line.get_xdata()
        )
        for ax in panels
    ]
    # Forms 7 d lies beyond the map's 5 d and is named in the note.
    assert dots == [[12.0, 24.0, 36.0], [16.0], [12.0]]


def test_a_strategy_at_another_temperature_is_not_on_the_map(six):
    def cooler(strategy):
        return dataclasses.replace(strategy, temperature=strategy.temperature - 5.0)

    first, *others = six.scenario.strategies
    scenario = dataclasses.replace(six.scenario, strategies=(cooler(first), *others))
    assert strategies_off_map(dataclasses.replace(six, scenario=scenario)) == [
        1,
        *strategies_off_map(six),
    ]
    colder = dataclasses.replace(others[0].follow_up, temperature=1.0)
    assert others[0].follow_up.method != "none"
    changed = dataclasses.replace(others[0], follow_up=colder)
    scenario = dataclasses.replace(six.scenario, strategies=(first, changed, *others[1:]))
    assert strategies_off_map(dataclasses.replace(six, scenario=scenario)) == [
        2,
        *strategies_off_map(six),
    ]


def test_the_map_in_inches(example):
    ax = curves_figure.plot_map(example.make_assessment(units="US"))
    assert ax.get_ylabel() == "Nominal cover [in]"
    assert ax.get_ylim()[0] == pytest.approx(45 / 25.4)


def test_the_map_refuses_an_unknown_follow_up(six):
    with pytest.raises(InputError, match="'tarpaulin' is not on the map; it has none, sheet 3 d"):
        curves_figure.plot_map(six, follow_up="tarpaulin")


def test_a_map_with_infinite_indices_is_drawn(six, example):
    grid = six.reliability_map
    index = grid.index.copy()
    index[0, -1, -1] = np.inf
    changed = example.replace(grid, index=index)
    assert curves_figure.plot_map(example.with_changes(six, reliability_map=changed)).collections


def test_figures_draw_on_given_axes_without_touching_global_state(six):
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    ax = Figure().add_subplot()
    for plot in (curves_figure.plot_curves, curves_figure.plot_drivers, curves_figure.plot_choices):
        other = Figure().add_subplot()
        assert plot(six, ax=other) is other
    assert curves_figure.plot_map(six, ax=ax) is ax
    curves_figure.draw_run_figures(six)
    assert dict(mpl.rcParams) == before


def test_only_figures_with_data(example):
    assert set(curves_figure.draw_run_figures(example.make_assessment(choices=False))) == {
        "answer",
        "curves",
        "drivers",
    }


def test_svg_text_is_text_and_names_are_escaped(example):
    svg = sheet.svg(
        curves_figure.draw_run_figures(example.make_assessment(example.hostile()))["curves"]
    )
    # Parsed, since comments repeat each text as it was given.
    root = ElementTree.fromstring(svg)
    texts = [t.text for t in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "<script>alert('1')</script>" in texts
    assert "and $x^2$ and" in texts
    assert "$\\frac{1}{2}$" in texts
    assert any("\N{HAMMER AND WRENCH}" in text for text in texts)
    assert not list(root.iter("{http://www.w3.org/2000/svg}script"))
    assert "dc:date" not in svg


def test_figures_are_reproducible(six, monkeypatch):
    monkeypatch.setattr(style, "PNG_DPI", 20)
    one, two = curves_figure.draw_run_figures(six), curves_figure.draw_run_figures(six)
    for name in one:
        assert sheet.svg(one[name]) == sheet.svg(two[name])
        assert sheet.png(one[name]) == sheet.png(two[name])


def test_lines_can_be_told_apart_without_colour():
    # Every pair of the 28 styles differs in colour or pattern; colours differ in lightness
    # (relative luminance of WCAG 2.1, definition recalled) or hue as published.
    styles = [style.line_style(n) for n in range(28)]
    assert len({(color, str(pattern)) for color, pattern in styles}) == 28
    for color in style.PALETTE:
        r, g, b = mcolors.to_rgb(color)
        assert 0.2126 * r + 0.7152 * g + 0.0722 * b < 0.75, "too pale for white paper"


def crossed(first, second):
    """Whether two segments ((x, y), (x, y)) cross."""

    def side(a, b, c):
        return np.sign((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))

    (a, b), (c, d) = first, second
    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


def test_lines_to_the_numbers_of_many_strategies_on_one_map_do_not_cross(example):
    six = [
        (f"Forms {h:g} h", h, example.NONE, 2.9 - 0.05 * n)
        for n, h in enumerate(np.geomspace(11.0, 110.0, 17))
    ]
    drawn = map_figure(example.make_assessment(tuple(six)))
    ax = next(ax for ax in drawn.axes if ax.axison)
    numbers = [t for t in ax.texts if t.get_text().isdigit()]
    assert len(numbers) == 17
    lines = [(t.xy, t.get_position()) for t in numbers]
    assert {t.get_position()[1] > t.xy[1] for t in numbers} == {True, False}
    pairs = [(p, q) for i, p in enumerate(lines) for q in lines[:i]]
    assert [pair for pair in pairs if crossed(*pair)] == []


def test_the_label_of_the_target_hides_no_curve(curves):
    label = next(t for t in curves.texts if t.get_text().startswith("target"))
    start, level = label.xy
    wide = (text_width(label.get_text(), style.NOTE_SIZE) + 3.0) / sheet.axes_size(curves)[0]
    stop = start + wide * curves.get_xlim()[1]
    high = level + 1.3 * style.NOTE_SIZE / sheet.axes_size(curves)[1] * curves.get_ylim()[1]
    for line in (a for a in curves.lines if str(a.get_gid()).startswith("curve-")):
        age, p = line.get_data()
        under = p[(age >= start) & (age <= stop)]
        assert not np.any((under > level) & (under < high))
