"""Axes of covers in inches are divided as a rule is: by eighths, quarters, halves."""

import pytest

from stripwise.report.figures import sheet
from stripwise.units.drawing_steps import round_length_up
from stripwise.units.formatting import MM_PER_INCH


@pytest.mark.parametrize(
    ("ends", "labels"),
    [
        ((1.75, 3.0), ["1 3/4", "2", "2 1/4", "2 1/2", "2 3/4", "3"]),
        ((1.7, 2.3), ["1 3/4", "1 7/8", "2", "2 1/8", "2 1/4"]),
        ((0.9, 3.2), ["1", "1 1/2", "2", "2 1/2", "3"]),
    ],
)
def test_covers_in_inches_stand_at_parts_of_an_inch(ends, labels):
    ax = sheet.new_axes(height=50.0, left=10.0, right=5.0, bottom=10.0, title="a", note="")
    ax.set_ylim(*ends)
    sheet.cover_ticks(ax, units="US")
    assert [text.get_text() for text in ax.get_yticklabels()] == labels
    assert ax.get_ylim() == ends


def test_covers_in_mm_stay_as_they_are():
    ax = sheet.new_axes(height=50.0, left=10.0, right=5.0, bottom=10.0, title="a", note="")
    before = list(ax.get_yticks())
    sheet.cover_ticks(ax, units="SI")
    assert list(ax.get_yticks()) == before


def test_a_drawn_cover_is_a_whole_eighth_and_never_less():
    assert round_length_up(2.0 * MM_PER_INCH, units="US") == pytest.approx(50.8)
    assert round_length_up(51.0, units="US") == pytest.approx(2.125 * MM_PER_INCH)
    assert round_length_up(51.2, units="SI") == 52.0
