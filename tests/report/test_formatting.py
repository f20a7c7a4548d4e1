import math

import pytest

from stripwise.report import formatting

NAN = float("nan")


@pytest.mark.parametrize(
    ("p", "text"),
    [
        (0.0, "0 %"),
        (1e-9, "below 0.001 %"),
        (0.00321, "0.32 %"),
        (0.0968, "9.7 %"),
        (0.0999, "9.99 %"),
        (0.1234, "12.3 %"),
        (0.9999, "above 99.9 %"),
        (1.0, "100 %"),
        (NAN, formatting.DASH),
    ],
)
def test_percent(p, text):
    assert formatting.percent(p) == text


@pytest.mark.parametrize(
    ("t", "text"),
    [
        (0.0, "0 yr"),
        (3.24, "3.2 yr"),
        (31.4, "31 yr"),
        (math.inf, "more than 120 yr"),
        (121.0, "more than 120 yr"),
        (NAN, formatting.DASH),
    ],
)
def test_years(t, text):
    assert formatting.years(t, horizon=120) == text


def test_index_beyond_numbers():
    assert formatting.index(1.2816) == "1.28"
    assert formatting.index(-0.5) == "\N{MINUS SIGN}0.50"
    assert formatting.index(math.inf) == "above 8"
    assert formatting.index(-math.inf) == "below \N{MINUS SIGN}8"


def test_numbers_have_no_computer_notation():
    assert formatting.number(1e-12) == "1·10⁻¹²"
    assert formatting.number(123456.0, 6) == "123456"
    assert formatting.number(0.0999999) == "0.1"
    assert formatting.number(-2.5) == "\N{MINUS SIGN}2.5"


def test_interval_says_the_unit_once():
    years = lambda t: formatting.years(t, horizon=120)  # noqa: E731
    assert formatting.interval(27.0, 36.0, years) == "27 to 36 yr"
    assert formatting.interval(27.0, math.inf, years) == "27 yr to more than 120 yr"
    assert formatting.interval(math.inf, math.inf, years) == "more than 120 yr"
    assert formatting.interval(NAN, 36.0, years) == ""


def test_us_units():
    # 1 in = 25.4 mm exactly (international inch, 1959); degF = 1.8 degC + 32 by definition.
    assert formatting.length(63.5, units="US") == "2.50 in"
    assert formatting.temperature(10.0, units="US") == "50 °F"
    assert formatting.amount(5.0, "degC", units="US", difference=True) == "9 °F"
    assert formatting.amount(700.0, "K", units="US") == "700 K"


def test_diffusivity_is_shown_in_its_customary_unit():
    # 1e-12 m2/s = 1e-6 mm2/s x 31 557 600 s per year of 365.25 d = 31.5576 mm2/yr.
    assert formatting.to_display_unit(31.5576 * 8.9, "mm2/yr", units="SI") == pytest.approx(
        8.9, rel=1e-12
    )


def test_cover_is_rounded_up_never_down():
    assert formatting.round_up_cover(60.01, units="SI") == 61
    assert formatting.round_up_cover(60.0, units="SI") == 60
    assert formatting.round_up_cover(60.0, units="US") == pytest.approx(2.40 * 25.4)


def test_tied_numbers_do_not_leave_their_unit():
    assert formatting.no_break_spaces("No. 6 at 75 yr, 10 %") == "No.\xa06 at 75\xa0yr, 10\xa0%"
    assert formatting.no_break_spaces("12 hours") == "12 hours"


def test_listing():
    assert [formatting.join_with_and(list("abc"[:n])) for n in range(4)] == [
        "",
        "a",
        "a and b",
        "a, b and c",
    ]
