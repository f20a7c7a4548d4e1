"""What a design says: the numbers of its tables, and what it says where a table has none."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

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
        f'With "Forms 24 h" the wall needs a nominal cover of {need}, {drawn} on the drawing, to '
        "meet the target of 10 % within 75 yr."
    )


def test_bounds_over_what_is_not_known_stand_beside_the_cover(closed_design):
    known = changed(closed_design, "required", know_low=50.0, know_high=np.inf)
    text = design_verdict(known)[0]
    assert "50 mm" in text
    assert text.endswith("over what is not known).")
    assert "inf" not in text


@pytest.mark.parametrize(
    ("status", "words"),
    [
        ("no cover in the range meets it", "no cover of the range up to 85 mm meets the target"),
        ("any cover in the range meets it", "any cover of the range meets the target"),
    ],
)
def test_a_range_that_never_or_always_meets_the_target(closed_design, status, words):
    result = changed(closed_design, "required", status=status)
    assert design_verdict(result)[0].startswith(f'With "Forms 24 h" {words}')


def test_the_other_strategies_need_their_drawn_covers(closed_design, told):
    row = closed_design.required.set_index("strategy").loc["Forms 14 h"]
    drawn = formatting.length(row["drawn_cover_mm"], units="SI")
    assert sentence(told, "The others") == (
        f'The others need on the drawing: "Forms 14 h" {drawn}.'
    )
    never = changed(closed_design, "required", drawn_cover_mm=np.inf)
    assert '"Forms 14 h" more than the range holds' in " ".join(design_verdict(never))
    least = changed(
        closed_design, "required", drawn_cover_mm=45.0, status="any cover in the range meets it"
    )
    assert '"Forms 14 h" 45 mm or less' in " ".join(design_verdict(least))
    alone = replace(
        closed_design, required=closed_design.required.query("strategy == 'Forms 24 h'")
    )
    assert not any(text.startswith("The others") for text in design_verdict(alone))


def test_the_earliest_strip_age_comes_with_its_caution(closed_design, told):
    text = sentence(told, "At a nominal cover of 60 mm the target is met")
    assert "strength" in text
    assert "stability" in text
    assert "frost" in text
    row = closed_design.earliest.set_index("nominal_cover_mm").loc[60.0]
    assert row["status"] == "ok"
    hours = formatting.duration(row["earliest_strip_age_h"])
    assert f"with no follow-up from {hours} on" in text
    never = changed(closed_design, "earliest", status="no strip age in the range meets it")
    assert "with no follow-up never within 7 d" in " ".join(design_verdict(never))
    always = changed(
        closed_design,
        "earliest",
        status="any strip age in the range meets it",
        earliest_strip_age_h=10.0,
    )
    assert "with no follow-up at any strip age from 10 h on" in " ".join(design_verdict(always))


def test_a_day_in_the_forms_and_scatter_are_priced_in_cover(closed_design, told, closed):
    text = sentence(told, "At 60 mm of nominal cover and forms kept 24 h, 24 h more")
    day = formatting.length(closed.front(24.0) - closed.front(48.0), units="SI")
    scatter = formatting.length((60.0 - closed.front(24.0)) * (8.0 / 3.0 - 1.0), units="SI")
    assert f"are worth {day} of cover" in text
    assert f"5 mm less scatter of the cover is worth {scatter}" in text
    silent = changed(closed_design, "exchange", value=np.nan)
    assert not any("24 h more in the forms are worth" in t for t in design_verdict(silent))


def test_money_is_said_of_the_cheapest_and_of_an_hour(closed_design, told):
    best = closed_design.cost.query("kind == 'cheapest point'").sort_values("cost").iloc[0]
    text = sentence(told, "The cheapest design point")
    assert f"{formatting.number(best['cost'])} EUR/m²" in text
    assert "no follow-up" in text
    assert "at its drawn cover" in text
    hour = sentence(told, "At 60 mm of nominal cover and forms kept 24 h, one hour more")
    row = closed_design.exchange.query("unit == 'EUR/m2/h'").iloc[0]
    assert ("less than the" in hour) == (row["value"] < 0.30)
    assert "stripping 12 h earlier must buy" in hour
    none = replace(closed_design, cost=closed_design.cost.query("kind == 'strategy'"))
    assert "No design point of the map surely meets the target" in " ".join(design_verdict(none))


def test_a_choice_that_never_changes_is_said_to_stay(closed_design):
    stays = changed(closed_design, "choice", changes_above=np.nan, changes_below=np.nan)
    assert any("stays the same over all repair prices" in t for t in design_verdict(stays))
    turns = changed(
        stays, "choice", slice(0, 1), changes_above=900.0, choice_above="Forms 5 d", value=380.0
    )
    text = sentence(design_verdict(turns), "The choice among the strategies changes")
    assert "above a price of a repair of 900" in text
    assert 'to "Forms 5 d"' in text
    assert "now 380" in text


def test_without_prices_nothing_is_said_about_money(closed_design):
    free = replace(closed_design, cost=None, pareto=None, choice=None)
    assert not any("EUR" in text for text in design_verdict(free))
    assert any("has no [cost] section" in text for text in design_warnings(free))
    assert not any("has no [cost] section" in text for text in design_warnings(closed_design))


def test_warnings_name_what_does_not_hold(closed_design, pier):
    assert any(
        "No random input is marked as knowledge" in w for w in design_warnings(closed_design)
    )
    assert any("on average over what is not known" in w for w in design_warnings(pier))
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
