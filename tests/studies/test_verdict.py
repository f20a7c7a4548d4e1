"""The sentences of a run: units, grammar, and numbers that agree with the rest of the report."""

import dataclasses
import re
from pathlib import Path

import pytest

import stripwise
from stripwise.distributions.distribution import fixed

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
    assert "Within 1.75 to 2.75 in of cover" in sentence(underpass, "Within")
    assert sentence(underpass, "At ").startswith("At 2.19 in of cover and forms kept 36 h")


def test_one_strategy_meets_and_two_meet(underpass):
    counts = underpass.strategies["meets_target"].value_counts()
    text = sentence(underpass, "Of 8 strategies")
    for word, one, more in (("yes", "meets", "meet"), ("no", "misses", "miss")):
        if word in counts:
            assert f"{counts[word]} {one if counts[word] == 1 else more} it" in text


def test_what_the_brackets_hold_is_said_once(underpass):
    text = sentence(underpass, "Life until")
    assert text.count("over what is not known") == 1
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
    assert "Within 80 to 120 mm of cover" in sentence(result, "Within")


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
    from stripwise.studies.result_tables import DurabilityTarget
    from stripwise.studies.verdict import verdict

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
        flips=False,
        units="SI",
    )[0]
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
        dataclasses.replace(case, inputs=inputs, sampling=sampling, choices=None)
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
        "reinforcement.cover": fixed(85.0),
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
        result = stripwise.assess(dataclasses.replace(case, sampling=sampling))
        assert result.plain_check.agrees
        assert 0.0 < result.plain_check.sampled < 5e-3
        told[points] = any("too weak to tell" in text for text in result.warnings)
    assert told == {64: True, 16384: False}
