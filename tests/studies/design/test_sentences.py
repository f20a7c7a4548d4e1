"""What a design says: the numbers of its tables, and what it says where a table has none."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from stripwise.studies.design.exchange_rates import COVER_SAVED
from stripwise.studies.design.sentences import design_verdict, design_warnings
from stripwise.units import formatting


@pytest.fixture
def told(closed_design):
    return design_verdict(closed_design)


def sentence(sentences, start):
    return next(text for text in sentences if text.startswith(start))


def changed(result, table, rows=slice(None), **values):
    """The result with some cells of a table changed."""
    frame = getattr(result, table).copy()
    for column, value in values.items():
        frame.loc[frame.index[rows], column] = value
    return replace(result, **{table: frame})


def test_the_reference_comes_first_with_its_cover(closed_design, told):
    row = closed_design.required.set_index("strategy").loc["Forms 24 h"]
    need = formatting.length(row["required_cover_mm"], units="SI")
    drawn = formatting.length(row["drawn_cover_mm"], units="SI")
    assert told[0] == (
        f'With "Forms 24 h" the wall needs a nominal cover of {need} to meet the 10 % limit within '
        f"75 yr: draw {drawn}."
    )


def test_bounds_over_what_is_not_known_stand_beside_the_cover(closed_design):
    known = changed(closed_design, "required", know_low=50.0, know_high=np.inf)
    text = design_verdict(known)[0]
    assert " mm (uncertainty range 50 mm to beyond the range) to meet the 10 % limit" in text
    assert "inf" not in text


@pytest.mark.parametrize(
    ("status", "words"),
    [
        ("no cover in the range meets it", "no cover of the range, up to 85 mm, meets the 10 %"),
        ("any cover in the range meets it", "any cover of the range meets the 10 % limit"),
    ],
)
def test_a_range_that_never_or_always_meets_the_target(closed_design, status, words):
    result = changed(closed_design, "required", status=status)
    assert design_verdict(result)[0].startswith(f'With "Forms 24 h" {words}')


def test_the_other_strategies_need_their_drawn_covers(closed_design, told):
    row = closed_design.required.set_index("strategy").loc["Forms 14 h"]
    drawn = formatting.length(row["drawn_cover_mm"], units="SI")
    assert sentence(told, "Nominal cover to draw with the others") == (
        f'Nominal cover to draw with the others: {drawn} for "Forms 14 h".'
    )
    never = changed(closed_design, "required", drawn_cover_mm=np.inf)
    assert 'more than the range holds for "Forms 14 h"' in " ".join(design_verdict(never))
    assert "no cover of the range that can be drawn is enough" in design_verdict(never)[0]
    least = changed(
        closed_design, "required", drawn_cover_mm=45.0, status="any cover in the range meets it"
    )
    # never less: the range, or a code, goes no lower
    assert ': 45 mm for "Forms 14 h".' in " ".join(design_verdict(least))
    alone = replace(
        closed_design, required=closed_design.required.query("strategy == 'Forms 24 h'")
    )
    assert not any("with the others" in text for text in design_verdict(alone))


def test_the_earliest_strip_age_comes_with_its_caution(closed_design, told):
    text = sentence(told, "At a nominal cover of 60 mm stripping meets the target")
    assert "strength" in text
    assert "stability" in text
    assert "frost" in text
    row = closed_design.earliest.set_index("nominal_cover_mm").loc[60.0]
    assert row["status"] == "ok"
    # the hours that a site can be told, never before the root: 11.16 h are 12 h
    assert row["site_strip_age_h"] == np.ceil(row["earliest_strip_age_h"])
    hours = formatting.duration(row["site_strip_age_h"])
    assert f"with no curing after stripping from {hours} on" in text
    never = changed(closed_design, "earliest", site_strip_age_h=np.inf)
    assert "with no curing after stripping not within 7 d" in " ".join(design_verdict(never))
    always = changed(
        closed_design,
        "earliest",
        status="any strip age in the range meets it",
        site_strip_age_h=10.0,
    )
    assert "with no curing after stripping from 10 h on" in " ".join(design_verdict(always))


def test_a_day_in_the_forms_and_scatter_are_priced_in_cover(closed_design, told, closed):
    text = sentence(told, "At 60 mm of nominal cover, ")
    # of a front of one depth both questions have one answer, the difference of two fronts
    day = formatting.length(closed.front(24.0) - closed.front(48.0), units="SI")
    scatter = formatting.length((60.0 - closed.front(24.0)) * (8.0 / 3.0 - 1.0), units="SI")
    assert f"{day} more cover at 24 h is as reliable as 24 h more in the forms" in text
    assert f"with the forms kept 2 d, {day} of cover can be taken off" in text
    assert f"with 5 mm less scatter is worth {scatter} of cover" in text
    rows = closed_design.exchange["question"] == COVER_SAVED
    no_cut = changed(closed_design, "exchange", rows, value=np.nan)
    text = sentence(design_verdict(no_cut), "At 60 mm of nominal cover, ")
    assert f"{day} more cover at 24 h" in text
    assert "taken off" not in text
    silent = changed(closed_design, "exchange", value=np.nan)
    assert not any("24 h more in the forms" in t for t in design_verdict(silent))


def test_money_is_said_of_the_cheapest_and_of_an_hour(closed_design, told, closed):
    best = closed_design.cost.query("kind == 'cheapest pair'").sort_values("cost").iloc[0]
    text = sentence(told, "The cheapest pair that meets the target")
    assert f"{formatting.number(best['cost'])} EUR/m²" in text
    assert "no curing after stripping" in text
    assert "each at the cover to draw" in text
    hour = sentence(told, "At 60 mm of nominal cover and forms kept 24 h, one hour more")
    row = closed_design.exchange.query("unit == 'EUR/m2/h'").iloc[0]
    assert ("less than the" in hour) == (row["value"] < 0.30)
    more = closed.front(12.0) - closed.front(24.0)
    assert (
        f"Stripping 12 h earlier needs {formatting.length(more, units='SI')} more cover for "
        f"{formatting.price(more * 0.45)} EUR/m² and saves {formatting.price(12 * 0.30)} of form time"
    ) in hour
    none = replace(closed_design, cost=closed_design.cost.query("kind == 'strategy'"))
    assert "No pair that can be built within the ranges meets" in " ".join(design_verdict(none))


def test_a_choice_that_never_changes_is_said_to_stay(closed_design):
    stays = changed(closed_design, "choice", changes_above=np.nan, changes_below=np.nan)
    assert any("stays the same over all repair prices" in t for t in design_verdict(stays))
    turns = changed(
        stays, "choice", slice(0, 1), changes_above=900.0, choice_above="Forms 5 d", value=380.0
    )
    text = sentence(design_verdict(turns), '"Forms 5 d" becomes the cheapest strategy')
    assert "with a price of a repair over 900" in text
    assert "now 380" in text


def test_without_prices_nothing_is_said_about_money(closed_design):
    free = replace(closed_design, cost=None, pareto=None, choice=None)
    assert not any("EUR" in text for text in design_verdict(free))
    assert any("has no [cost] section" in text for text in design_warnings(free))
    assert not any("has no [cost] section" in text for text in design_warnings(closed_design))


def test_warnings_name_what_does_not_hold(closed_design, pier):
    assert any("No random input is epistemic" in w for w in design_warnings(closed_design))
    assert not any("No random input is epistemic" in w for w in design_warnings(pier))
    broken = changed(
        closed_design,
        "rules",
        slice(0, 1),
        status="the run back misses the target: do not use this rule",
    )
    assert "Forms 14 h: the run back misses the target: do not use this rule." in design_warnings(
        broken
    )
    falls = "not monotone: the index falls somewhere on the way, the last crossing is given"
    bent = changed(closed_design, "earliest", slice(0, 1), status=falls)
    assert f"none: {falls}." in design_warnings(bent)


def test_all_sentences_end_and_hold_no_nan(told, pier, inch):
    for text in (*told, *pier.verdict, *inch.verdict):
        assert text.endswith(".")
        assert "nan" not in text.split()
    assert isinstance(pier.cost, pd.DataFrame)
    assert any("EUR" in text for text in pier.verdict)
    assert not any(" mm" in text for text in inch.verdict)
