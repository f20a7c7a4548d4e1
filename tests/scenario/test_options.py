"""Options on the table that [choices] may list: scatter of the cover, and concretes."""

import pytest

FOLLOW = 'follow_up = [ { method = "none" } ]'
MIX = 'diffusivity = { family = "normal", mean = "2e-12 m^2/s", cov = 0.2 }'
COVER = '{ family = "normal", mean = "55 mm", sd = "8 mm" }'


def test_options_arrive_in_internal_units(wall):
    lines = f"""{FOLLOW}
cover_sd = [ "6 mm", "0.4 in" ]
concrete = [ {{ name = "finer", {MIX} }} ]"""
    case = wall.load((FOLLOW, lines))
    assert case.choices.cover_sd == (6.0, pytest.approx(10.16))
    (mix,) = case.choices.concretes
    assert mix.name == "finer"
    assert mix.inputs[0].distribution.mean == pytest.approx(2 * 31.5576)
    assert mix.inputs[0].name == "concrete.diffusivity"


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('cover_sd = [ "6 mm" ]', "choices.cover_sd: has 1 entries; must have 2 to 6"),
        ('cover_sd = [ "6 mm", "6 mm" ]', "stands twice in the list"),
        ('cover_sd = [ "6 mm", "-1 mm" ]', "must be between 0.5 mm and 50 mm"),
        ('cover_sd = [ "6 mm", "8 h" ]', "choices.cover_sd[2] = "),
        ("concrete = [ ]", "choices.concrete: has 0 entries; must have 1 to 6"),
        ('concrete = [ { name = "x" } ]', "choices.concrete[1]: changes nothing; give one or more"),
        (f"concrete = [ {{ {MIX} }} ]", "choices.concrete[1].name: is missing"),
        (f'concrete = [ {{ name = "As Specified", {MIX} }} ]', "is the name of the scenario's own"),
        (f'concrete = [ {{ name = "=1", {MIX} }} ]', "must not start with"),
        (
            f'concrete = [ {{ name = "a", {MIX} }}, {{ name = "A", {MIX} }} ]',
            "choices.concrete[2].name = ",
        ),
        (
            'concrete = [ { name = "a", diffusivity = "3 mm" } ]',
            "choices.concrete[1].diffusivity = ",
        ),
        ('concrete = [ { name = "a", diffusion = "3 mm" } ]', "diffusion"),
    ],
)
def test_wrong_options_are_refused_with_their_place(wall, line, message):
    problems = wall.problems((FOLLOW, f"{FOLLOW}\n{line}"))
    assert any(message in problem for problem in problems), problems


def test_a_scatter_that_the_cover_cannot_have(wall):
    line = f'{FOLLOW}\ncover_sd = [ "8 mm", "30 mm" ]'
    (problem,) = wall.problems((COVER, '"55 mm"'), (FOLLOW, line))
    assert "needs a random reinforcement.cover" in problem
    beta = '{ family = "beta", mean = "55 mm", sd = "8 mm", low = "30 mm", high = "80 mm" }'
    (problem,) = wall.problems((COVER, beta), (FOLLOW, line))
    assert "choices.cover_sd[2] = " in problem
    assert "does not fit the beta of reinforcement.cover" in problem
