import math

import pytest

from stripwise.units import formatting
from stripwise.units.curing_words import curing_temperatures
from stripwise.units.drawing_steps import round_length_up

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
    assert formatting.length(63.5, units="US") == "2 1/2 in"
    assert formatting.length(1.7, units="US") == "0.067 in"
    assert formatting.length(0.0, units="US") == "0.00 in"
    assert formatting.temperature(10.0, units="US") == "50 °F"
    assert formatting.amount(5.0, "degC", units="US", difference=True) == "9 °F"
    assert formatting.amount(700.0, "K", units="US") == "700 K"


def test_diffusivity_is_shown_in_its_customary_unit():
    # 1e-12 m2/s = 1e-6 mm2/s x 31 557 600 s per year of 365.25 d = 31.5576 mm2/yr.
    assert formatting.to_display_unit(31.5576 * 8.9, "mm2/yr", units="SI") == pytest.approx(
        8.9, rel=1e-12
    )


def test_cover_is_rounded_up_never_down():
    assert round_length_up(60.01, units="SI") == 61
    assert round_length_up(60.0, units="SI") == 60
    assert round_length_up(60.0, units="US") == pytest.approx(2.375 * 25.4)


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


@pytest.mark.parametrize(
    ("mm", "text"),
    [
        (60.0, "60 mm"),
        (62.34, "62.3 mm"),
        (8.86, "8.9 mm"),
        (-8.86, "\N{MINUS SIGN}8.9 mm"),
        (0.034, "0.034 mm"),
        (math.inf, formatting.DASH),
        (NAN, formatting.DASH),
    ],
)
def test_lengths_have_the_digits_of_percents(mm, text):
    assert formatting.length(mm, units="SI") == text
    if math.isfinite(mm):
        assert formatting.percent(mm / 100.0) == text.replace("mm", "%")
        assert formatting.amount_without_unit(mm, "mm", units="SI") == text[:-3]


def test_the_same_share_has_the_same_digits_in_text_table_and_change():
    share = 0.3517
    assert formatting.percent(share) == "35.2 %"
    assert formatting.points(share) == "35.2"
    assert formatting.share_with_interval(share, 0.34, 0.362) == "35.2 (34 to 36.2)"
    assert formatting.signed_points(-share) == "\N{MINUS SIGN}35.2"
    assert formatting.signed_points(0.0) == "0"


@pytest.mark.parametrize("one", [0.10004, 0.09996, 0.10000004])
def test_a_probability_beside_the_target_never_reads_as_the_target(one):
    shown, target = formatting.distinct_percents(one, 0.1)
    assert (shown == target) == (abs(one - 0.1) < 1e-7)
    assert float(shown.removesuffix(" %")) == pytest.approx(100.0 * one, abs=1e-3)


def test_equal_probabilities_read_alike():
    assert formatting.distinct_percents(0.1, 0.1) == ("10 %", "10 %")
    assert formatting.distinct_percents(0.0, NAN) == ("0 %", formatting.DASH)


def test_differences_have_their_sign_and_a_true_minus():
    texts = [formatting.signed(x) for x in (0.0282, -0.0041, 0.0)]
    assert texts == ["+0.028", "\N{MINUS SIGN}0.0041", "0"]
    assert formatting.signed_percent(-37.2) == "\N{MINUS SIGN}37 %"
    assert formatting.signed_percent(0.04) == "0 %"
    assert formatting.signed_percent(7.04) == "+7 %"
    assert formatting.signed_percent(math.inf) == formatting.DASH


def test_counts_and_readings():
    assert [formatting.count(n) for n in (12, 200_000.0)] == ["12", "200,000"]
    assert [formatting.decimals(x) for x in (12.34, -0.01, -2.0, NAN)] == [
        "12.3",
        "0.0",
        "\N{MINUS SIGN}2.0",
        formatting.DASH,
    ]


def test_given_years_keep_their_digits_and_computed_ones_are_rounded():
    assert formatting.years(12.5) == "12.5 yr"
    assert formatting.years(12.6, horizon=120.0) == "13 yr"
    assert formatting.years(12.6, horizon=12.0) == "more than 12 yr"


def test_a_value_has_its_interval_in_brackets_unless_they_read_alike():
    assert formatting.value_with_interval(1.25, 0.98, 1.51) == "1.25 (0.98 to 1.51)"
    assert formatting.value_with_interval(1.25, NAN, NAN) == "1.25"
    assert formatting.value_with_interval(2.0, 2.0, 2.0) == "2"


def test_what_lies_outside_the_range_that_was_searched_says_so():
    write = formatting.in_range(lambda mm: formatting.length(mm, units="SI"))
    assert formatting.interval(50.0, math.inf, write) == "50 mm to beyond the range"
    assert formatting.interval(-math.inf, 50.0, write) == "below the range to 50 mm"
    assert formatting.interval(50.0, 52.5, write) == "50 to 52.5 mm"


def test_prices_and_rates_with_their_unit():
    assert formatting.per_unit(0.03, "1/yr") == "3 %"
    assert formatting.per_unit(-0.005, "1/yr") == "\N{MINUS SIGN}0.5 %"
    assert formatting.per_unit(0.357, "EUR/m2/h") == "0.36 EUR/m²/h"
    assert formatting.price(84.36) == "84.4"


def test_temperatures_of_choices_are_named_once():
    after = [("none", 10.0), ("sheet 3 d", 10.0), ("wet 3 d", 10.0)]
    assert curing_temperatures(20.0, after, units="SI") == (
        "Concrete temperature 20 °C until stripping, 10 °C during sheet 3 d and wet 3 d."
    )


def test_long_lists_say_where_the_rest_is():
    assert formatting.first_few(["a", "b"], "x.csv", 2) == "a; b"
    assert formatting.first_few(["a", "b", "c"], "x.csv", 2) == "a; b, and 1 more in x.csv"


def test_durations_change_to_days_at_two_days():
    texts = [formatting.duration(h) for h in (5.95, 47.9, 48.0, 100.0, math.inf)]
    assert texts == ["5.95 h", "47.9 h", "2 d", "4.17 d", formatting.DASH]


def test_diffusivity_without_its_unit():
    assert formatting.diffusivity(8.123e-12) == "8.12"
    assert formatting.diffusivity(8.123e-12, 2) == "8.1"


def test_an_interval_beyond_what_is_written_is_a_bound():
    assert formatting.interval(0.0, 1e-9, formatting.percent) == "below 0.001 %"
    assert formatting.interval(0.9996, 1.0, formatting.percent) == "above 99.9 %"
    assert formatting.interval(1e-9, 0.01, formatting.percent) == "below 0.001 % to 1 %"
