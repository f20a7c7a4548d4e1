"""The sentences of a run: units, grammar, and numbers that agree with the rest of the report."""

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

import stripwise
from stripwise.distributions.distribution import fixed
from stripwise.studies.result_tables import DurabilityTarget
from stripwise.studies.verdict import exchange_sentence, verdict
from stripwise.units.formatting import distinct_percents

WALLS = Path(__file__).parents[2] / "scenarios"


def assessed(name, **changes):
    case = stripwise.load(WALLS / name)
    sampling = dataclasses.replace(case.sampling, points=512, repeats=8)
    return stripwise.assess(dataclasses.replace(case, sampling=sampling, **changes))


@pytest.fixture(scope="module")
def underpass(small_sizes):
    with small_sizes():
        return assessed("underpass-wall.toml")


def sentence(result, start):
    return next(text for text in result.verdict if text.startswith(start))


def test_a_report_in_us_units_has_no_mm_in_its_sentences(underpass):
    told = [*underpass.verdict, *underpass.service.notes, *underpass.warnings]
    assert [text for text in told if re.search(r"\d mm\b", text)] == []
    assert "Within 1 3/4 in to 2 3/4 in of nominal cover" in sentence(underpass, "Within")
    # the drawing says 2.25 in, the mean cover is less
    assert sentence(underpass, "At ").startswith("At 2 1/4 in of nominal cover, ")


def test_every_strategy_is_accepted_or_rejected_by_name(underpass):
    text = sentence(underpass, "Accept: ")
    accepted, rejected = text.split(" Reject: ")
    for row in underpass.strategies.to_dict("records"):
        place = {"yes": accepted, "no": rejected}[row["meets_target"]]
        assert f'"{row["strategy"]}"' in place
    assert text.count('"') == 2 * len(underpass.strategies)


def told_of(result, **changes):
    """Say what a run would whose strategies, in their order, had other cells."""
    table = result.strategies.iloc[:3].copy()
    drawn = changes.pop("drawn", {})
    for column, values in changes.items():
        table[column] = values
    name = table["strategy"].iloc[0]
    found = verdict(
        table,
        result.sensitivity,
        target=DurabilityTarget(75.0, 0.1, 1.2816, 120.0, name),
        choices=None,
        exchange=None,
        drawn={table["strategy"].iloc[i]: cover for i, cover in drawn.items()},
        flips=False,
        units="SI",
    )
    return (*found.answer, *found.letter)


@pytest.mark.parametrize(
    ("meets_target", "sure", "told"),
    [
        ("yes", 0.95, ["meets the 10 % limit, clearly: the", "Confidence 95 %."]),
        ("yes", 0.6, ["meets the 10 % limit, narrowly: the", "Confidence 60 %."]),
        ("yes", np.nan, ["meets the 10 % limit: the"]),
        (
            "no",
            0.04,
            [
                "fails the 10 % limit, clearly: the",
                "Chance that it meets the limit nevertheless: 5 %.",
            ],
        ),
        (
            "no",
            0.4,
            ["fails the 10 % limit, narrowly: the", "it meets the limit nevertheless: 40 %."],
        ),
        ("no", np.nan, ["fails the 10 % limit: the"]),
        (
            "too close to call",
            0.5,
            ["is too close to call against the 10 % limit: the", "It counts as failing."],
        ),
    ],
)
def test_the_answer_comes_first_with_how_sure_it_is(underpass, meets_target, sure, told):
    first = told_of(underpass, meets_target=meets_target, confidence=sure)[0]
    for part in told:
        assert part in first
    assert ("onfidence" in first or "Chance" in first) == (not np.isnan(sure))


def test_a_cover_to_draw_is_named_for_what_is_not_accepted(underpass):
    names = list(underpass.strategies["strategy"].iloc[:3])
    drawn = {0: 65.0, 1: 55.0, 2: np.inf}
    text = " ".join(told_of(underpass, meets_target=["no", "yes", "no"], drawn=drawn))
    assert f'Draw 65 mm of nominal cover to accept "{names[0]}".' in text
    assert f'No cover of the range is enough for "{names[2]}".' in text
    assert "55 mm" not in text  # accepted as it is
    drawn = {0: 65.0, 1: 55.0, 2: 65.0}
    text = " ".join(told_of(underpass, meets_target=["no", "too close to call", "no"], drawn=drawn))
    assert (
        f'Draw 55 mm of nominal cover to accept "{names[1]}"; draw 65 mm of nominal cover to accept '
        f'"{names[0]}" and "{names[2]}".'
    ) in text
    assert "Accept none." in text
    assert f'Too close to call, which counts as failing: "{names[1]}".' in text


def test_cover_against_a_day_in_the_forms_both_ways():
    both = exchange_sentence(cover="60 mm", hours=24.0, add="4.9 mm", save="4.1 mm")
    assert both == (
        "At 60 mm of nominal cover, 4.9 mm more cover at 24 h is as reliable as 24 h more in the "
        "forms; with the forms kept 2 d, 4.1 mm of cover can be taken off."
    )
    one = exchange_sentence(cover="60 mm", hours=24.0, add="4.9 mm", save="")
    assert one.endswith("as 24 h more in the forms.")


def test_what_the_brackets_hold_is_said_once(underpass):
    text = sentence(underpass, "Years until")
    assert text.count("uncertainty range") == 1
    assert '"Forms 10 h" loses' in text
    assert 'no share can be given for "Forms 7 d"' in text
    assert "-" not in re.sub(r"[a-z]-[a-z]", "", text)  # a minus is a minus, no hyphen


def test_the_note_on_ageing_has_the_front_of_the_hand_check(underpass):
    front = next(s.value for s in underpass.hand_check if s.symbol == "x_c")
    start = next(s.value for s in underpass.hand_check if s.symbol == "t_i")
    (note,) = (n for n in underpass.service.notes if n.startswith("Ageing convention"))
    assert f"instead of {front / 25.4:.2f} in" in note
    assert f"instead of {start:.0f} yr" in note


@pytest.mark.usefixtures("few_samples")
def test_a_cover_of_more_than_100_mm_is_written_out():
    case = stripwise.load(WALLS / "garage-wall.toml")
    choices = dataclasses.replace(case.choices, cover=(80.0, 120.0, 10.0))
    result = assessed("garage-wall.toml", choices=choices)
    assert "Within 80 to 120 mm of nominal cover" in sentence(result, "Within")


@pytest.mark.parametrize(
    ("share", "told"),
    [
        (0.09671, "is 9.7 % ("),  # the same number needs no further digit
        (0.0968, "is 9.68 % ("),
        (0.09672, "is 9.672 % ("),
        (0.12, "is 12 % ("),
    ],
)
def test_a_probability_beside_the_allowed_one_is_told_apart(underpass, share, told):
    table = underpass.strategies.copy()
    name = table["strategy"].iloc[0]
    table.loc[0, "probability_at_target"] = share
    target = DurabilityTarget(75.0, 0.09671, 1.3, 120.0, name)
    first = verdict(
        table,
        underpass.sensitivity,
        target=target,
        choices=None,
        exchange=None,
        drawn={},
        flips=False,
        units="SI",
    ).answer[0]
    assert told in first


@pytest.mark.usefixtures("few_samples")
def test_a_wall_that_chloride_cannot_depassivate_is_warned_of():
    case = stripwise.load(WALLS / "garage-wall.toml")
    changed = {"exposure.surface_chloride": 0.5, "reinforcement.critical_chloride": 0.6}
    inputs = tuple(
        dataclasses.replace(item, distribution=fixed(changed[item.name]))
        if item.name in changed
        else item
        for item in case.inputs
    )
    sampling = dataclasses.replace(case.sampling, points=64, repeats=8)
    result = stripwise.assess(
        dataclasses.replace(case, inputs=inputs, sampling=sampling, choices=None), only="curves"
    )
    (told,) = (text for text in result.warnings if "sampled walls" in text)
    assert told.startswith(
        "Most of the sampled walls have no front to follow (surface chloride never reaches the "
        "critical content, 100 %; depassivated from the start, 0 %;"
    )
    assert (result.strategies["probability_at_target"] == 0.0).all()
    assert result.plain_check.agrees


def test_a_check_that_cannot_tell_says_so_and_does_not_alarm():
    # 1024 walls and P of some 3e-3: three of them are expected, and the repeats tell little.
    case = stripwise.load(WALLS / "garage-wall.toml")
    changed = {
        "exposure.surface_chloride": fixed(1.5),
        "reinforcement.cover": fixed(95.0),
    }
    inputs = tuple(
        dataclasses.replace(item, distribution=changed.get(item.name, item.distribution))
        for item in case.inputs
    )
    plans = (case.strategy(case.reference_strategy),)
    case = dataclasses.replace(case, inputs=inputs, choices=None, strategies=plans)
    told = {}
    for points in (64, 16384):
        sampling = dataclasses.replace(case.sampling, points=points, repeats=16)
        result = stripwise.assess(dataclasses.replace(case, sampling=sampling), only="curves")
        assert result.plain_check.agrees
        assert 0.0 < result.plain_check.sampled < 5e-3
        told[points] = any("too weak to tell" in text for text in result.warnings)
    assert told == {64: True, 16384: False}


@pytest.mark.usefixtures("few_samples")
def test_water_cured_specimens_bring_the_number_of_the_other_reading(wall):
    water = ('specimens = "cured as the face"', 'specimens = "water to 28 d"')
    own = stripwise.assess(wall.load(water), only="curves")
    (told,) = (text for text in own.warnings if text.startswith("With reference"))
    literal = stripwise.assess(
        wall.load(water, ('reference = "7 d"', 'reference = "28 d"')), only="curves"
    )
    assert not any(text.startswith("With reference") for text in literal.warnings)
    given, other = (
        result.strategies.set_index("strategy").at["Forms 24 h", "probability_at_target"]
        for result in (own, literal)
    )
    assert (
        other > given
    )  # concrete cured like its specimens is the better one, every penalty larger
    ours, theirs = distinct_percents(given, other)
    assert told == (
        'With reference = "28 d", the curing of the test specimens, the probability of "Forms 24 h" '
        f"at 50 yr is {theirs} instead of {ours}."
    )
    plain = stripwise.assess(wall.load(), only="curves")
    assert not any(text.startswith("With reference") for text in plain.warnings)


def test_what_is_too_rare_or_too_sure_for_its_digits_is_told_as_a_bound(underpass):
    ends = {"know_low": [0.0, np.nan, np.nan], "know_high": [1e-9, np.nan, np.nan]}
    rare = told_of(
        underpass,
        probability_at_target=[0.0, 0.05, 0.05],
        low95=[0.0, 0.04, 0.04],
        high95=[4e-5, 0.06, 0.06],
        meets_target=["yes"] * 3,
        **ends,
    )
    assert " within 75 yr is below 0.004 % (uncertainty range below 0.001 %)." in rare[0]
    assert any(text.startswith("That is the share of the face to expect") for text in rare)
    sure = told_of(
        underpass,
        probability_at_target=[1.0, 0.05, 0.05],
        low95=[0.9991, 0.04, 0.04],
        high95=[1.0, 0.06, 0.06],
        meets_target=["no", "yes", "yes"],
    )
    assert " within 75 yr is above 99.9 %" in sure[0]
