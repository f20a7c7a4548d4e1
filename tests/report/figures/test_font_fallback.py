"""Names in any script: the SVG keeps them, the PNG shows what can be shown and says what cannot."""

import pytest
from matplotlib.figure import Figure

from stripwise.report.figures import font_fallback, sheet

PRIVATE = "\ue000\ue001"
"""Private use: no font on any machine is bound to have it."""


def figure_with(text):
    figure = Figure()
    return figure, figure.text(0.5, 0.5, text)


@pytest.fixture
def bare(monkeypatch):
    """A machine without other fonts."""
    monkeypatch.setattr(font_fallback, "_fallback_font", lambda letter: "")


def test_what_no_font_has_becomes_one_ellipsis_that_is_explained(bare):
    figure, label = figure_with(f"Forms 16 h {PRIVATE}")
    with font_fallback.substitute_missing_glyphs(figure):
        assert label.get_text() == "Forms 16 h \N{HORIZONTAL ELLIPSIS}"
        assert [t.get_text() for t in figure.texts] == [
            label.get_text(),
            font_fallback.MISSING_GLYPH_NOTE,
        ]
    assert label.get_text() == f"Forms 16 h {PRIVATE}"
    assert figure.texts == [label]


def test_another_font_serves_where_one_has_it(monkeypatch):
    monkeypatch.setattr(font_fallback, "_fallback_font", lambda letter: "cmr10")
    figure, label = figure_with(PRIVATE)
    with font_fallback.substitute_missing_glyphs(figure):
        assert label.get_fontfamily() == ["DejaVu Sans", "cmr10"]
        assert label.get_text() == PRIVATE
    assert label.get_fontfamily() == ["sans-serif"]


def test_ordinary_names_are_left_alone():
    figure, _ = figure_with("Schalung 16 h, dann Folie \u2013 \u0394x \u2265 5\u00a0mm")
    with font_fallback.substitute_missing_glyphs(figure):
        assert len(figure.texts) == 1


def test_the_svg_keeps_every_character(bare):
    figure, _ = figure_with(f"Forms {PRIVATE}")
    assert sheet.png(figure).startswith(b"\x89PNG")
    assert PRIVATE in sheet.svg(figure)


def test_boxes_are_no_font_for_a_character():
    # private use up to the last code point: the one font that claims it draws boxes
    assert font_fallback._fallback_font("\U0010fffd") == ""
