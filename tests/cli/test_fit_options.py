"""Options of `stripwise fit` as numbers, and what is said of those that are none."""

import pytest

from stripwise.cli.fit_options import (
    read_affected_depth,
    read_bounds,
    read_cover,
    read_maturity,
)
from stripwise.errors import InputError


def test_lengths_are_read_in_mm():
    # 1 in = 25.4 mm exactly (international yard and pound agreement, 1959)
    assert read_affected_depth("2 in") == pytest.approx(50.8, rel=1e-12)
    assert read_cover("--limit", "2 in") == pytest.approx(50.8, rel=1e-12)
    assert read_bounds("1 in to 10 cm") == pytest.approx((25.4, 100.0), rel=1e-12)


def test_an_option_that_is_not_given_is_none():
    assert read_affected_depth(None) is read_cover("--limit", None) is read_bounds(None) is None
    assert read_maturity(None) == "arrhenius"


@pytest.mark.parametrize("text", ["deep", "30 d", "-5 mm", "0 mm"])
def test_an_affected_depth_that_is_none(text):
    with pytest.raises(InputError, match="--affected-depth"):
        read_affected_depth(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("20 mm", '--bounds: "20 mm": must be two lengths, as "20 mm to 100 mm"'),
        (
            "60 mm to 20 mm",
            '--bounds: "60 mm to 20 mm": must be at least 0 mm, the lower one first',
        ),
        ("10 to 20 mm", '--bounds: "10 to 20 mm": needs the unit of a length, such as "50 mm"'),
    ],
)
def test_bounds_that_are_none(text, message):
    with pytest.raises(InputError) as caught:
        read_bounds(text)
    assert str(caught.value) == message


def test_a_limit_beyond_any_cover():
    with pytest.raises(InputError) as caught:
        read_cover("--limit", "9 m")
    assert str(caught.value) == '--limit: "9 m" must be at most 500 mm'


def test_an_unknown_maturity_function_names_those_there_are():
    with pytest.raises(InputError) as caught:
        read_maturity("linear")
    assert str(caught.value) == "--maturity: 'linear': must be one of arrhenius, nurse-saul"
