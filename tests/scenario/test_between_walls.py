"""between_walls in a scenario: read, refused where it says something twice, and in the answer."""

import pytest

import stripwise

DIFFUSIVITY = 'diffusivity = { family = "normal", mean = "5.0e-12 m^2/s", cov = 0.2 }'
COVER = 'cover = { family = "normal", mean = "55 mm", sd = "8 mm" }'


def changed(line, extra):
    return line, line[:-1] + f", {extra} }}"


def test_the_share_is_read(wall):
    case = wall.load(changed(DIFFUSIVITY, "between_walls = 0.4"))
    item = next(i for i in case.inputs if i.name == "concrete.diffusivity")
    assert (item.kind, item.between_walls, item.epistemic_share) == ("scatter", 0.4, 0.4)


@pytest.mark.parametrize(("share", "kind"), [("0", "scatter"), ("1", "knowledge")])
def test_all_or_nothing_is_a_kind(wall, share, kind):
    case = wall.load(changed(DIFFUSIVITY, f"between_walls = {share}"))
    item = next(i for i in case.inputs if i.name == "concrete.diffusivity")
    assert (item.kind, item.between_walls) == (kind, 0.0)


@pytest.mark.parametrize(
    ("line", "extra", "text"),
    [
        (
            DIFFUSIVITY,
            'between_walls = 0.4, kind = "scatter"',
            "concrete.diffusivity.between_walls = 0.4: is given beside kind; give one of them",
        ),
        (
            DIFFUSIVITY,
            "between_walls = 1.5",
            "concrete.diffusivity.between_walls = 1.5: must be between 0 and 1",
        ),
        (COVER, "between_walls = 1", "reinforcement.cover.between_walls = 1: must be below 1"),
        (
            COVER,
            'between_walls = 0.5, mean_sd = "3 mm"',
            'mean_sd = "3 mm": is given beside between_walls, which says the same',
        ),
    ],
)
def test_refused(wall, line, extra, text):
    problems = wall.problems(changed(line, extra))
    assert any(text in problem for problem in problems), problems


def test_correlated_inputs_need_the_same_share(wall):
    pair = """
[[correlation]]
between = ["concrete.diffusivity", "exposure.surface_chloride"]
rank = 0.4
"""
    problems = wall.problems(changed(DIFFUSIVITY, "between_walls = 0.4"), end=pair)
    assert "correlated inputs need the same" in problems[0]


def test_the_split_widens_the_range_and_keeps_the_probability(wall):
    plain = stripwise.assess(wall.load()).strategies
    split = stripwise.assess(wall.load(changed(COVER, "between_walls = 0.5"))).strategies
    assert plain["probability_at_target"].tolist() == split["probability_at_target"].tolist()
    assert (split["know_high"] > plain["know_high"]).all()
