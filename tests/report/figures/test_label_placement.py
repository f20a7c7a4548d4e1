import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, minimize

from stripwise.errors import InputError
from stripwise.report.figures.label_placement import (
    Box,
    group_similar,
    shorten_text,
    spread_labels,
    text_width,
    wrap_balanced,
    wrap_text,
)


def overlaps(centres, heights):
    order = np.argsort(centres)
    gap = np.diff(centres[order]) - 0.5 * (heights[order][1:] + heights[order][:-1])
    return bool(np.any(gap < -1e-9))


@settings(deadline=None, max_examples=200)
@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0.1, 9)), min_size=1, max_size=12))
def test_spread_labels_never_overlap_and_stay_in_the_room(labels):
    wanted, heights = np.array(labels).T
    room = max(100.0, heights.sum())
    placed = spread_labels(wanted, heights=heights, low=0.0, high=room)
    assert not overlaps(placed, heights)
    assert np.all(placed - 0.5 * heights >= -1e-9)
    assert np.all(placed + 0.5 * heights <= room + 1e-9)


def test_spread_leaves_labels_alone_that_have_room():
    np.testing.assert_allclose(
        spread_labels([3.0, 9.0, 1.0], heights=1.0), [3.0, 9.0, 1.0], atol=1e-12
    )


def test_spread_without_enough_room_still_does_not_overlap():
    placed = spread_labels([5.0] * 8, heights=2.0, low=0.0, high=10.0)
    assert not overlaps(placed, np.full(8, 2.0))
    assert np.mean(placed) == pytest.approx(5.0)


def test_spread_moves_labels_least():
    # Against scipy's constrained minimiser of the same sum of squares.
    wanted = np.array([1.0, 1.2, 1.9, 6.0, 6.1, 9.8])
    heights = np.array([1.0, 0.6, 1.4, 1.0, 2.0, 1.0])
    n = wanted.size
    step = np.eye(n)[1:] - np.eye(n)[:-1]
    gaps = LinearConstraint(step, 0.5 * (heights[1:] + heights[:-1]), np.inf)
    best = minimize(
        lambda y: np.sum((y - wanted) ** 2),
        np.linspace(0.5, 9.5, n),
        constraints=[gaps],
        bounds=list(zip(0.5 * heights, 10.0 - 0.5 * heights, strict=True)),
        method="SLSQP",
        options={"ftol": 1e-14},
    )
    placed = spread_labels(wanted, heights=heights, low=0.0, high=10.0)
    np.testing.assert_allclose(placed, best.x, atol=1e-5)


def test_spread_refuses_what_is_not_a_number():
    with pytest.raises(InputError, match="finite positions"):
        spread_labels([1.0, np.nan], heights=1.0)


def test_alike_joins_only_curves_that_agree_everywhere():
    curves = [[0, 1, 2], [0, 1, 2.05], [0, 1.5, 2], [0, 1.5, 2]]
    assert group_similar(curves, tolerance=0.1) == [[0, 1], [2, 3]]


@pytest.mark.parametrize("text", ["W" * 80, "a few words that wrap", "no\xa0break", "型枠 🛠" * 9])
def test_wrapped_lines_fit_and_keep_every_letter(text):
    lines = wrap_text(text, width=60.0, size=7.5)
    assert all(text_width(line, 7.5) <= 60.0 for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_shortened_fits_and_says_that_something_is_missing():
    line = shorten_text("W" * 80, width=60.0, size=7.5)
    assert text_width(line, 7.5) <= 60.0
    assert line.endswith("…")
    assert shorten_text("short", width=60.0, size=7.5) == "short"


def test_bold_is_wider():
    assert text_width("Forms", 9.0, True) > text_width("Forms", 9.0) > 0


def test_boxes():
    box = Box(5.0, 5.0, 4.0, 2.0)
    assert box.overlaps(Box(8.0, 5.0, 4.0, 2.0))
    assert not box.overlaps(Box(9.0, 5.0, 4.0, 2.0))
    assert box.inside(10.0, 10.0)
    assert not box.inside(6.5, 10.0)


def test_balanced_lines_are_no_more_and_none_is_an_orphan():
    text = "Forms 16 h, then kept wet 7\u00a0d"
    for width in (60.0, 80.0, 100.0, 300.0):
        plain, even = (f(text, width=width, size=7.5) for f in (wrap_text, wrap_balanced))
        assert len(even) == len(plain)
        assert " ".join(even) == text
        assert max(text_width(line, 7.5) for line in even) <= width
    assert wrap_balanced(text, width=100.0, size=7.5)[-1] != "7\u00a0d"
    assert wrap_balanced("x" * 60, width=50.0, size=7.5) == wrap_text(
        "x" * 60, width=50.0, size=7.5
    )
