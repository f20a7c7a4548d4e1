"""between_walls in a scenario: read, refused where it says something twice, and in the answer."""

import numpy as np
import pytest

import stripwise
from stripwise.risk.model.wall import COVER as COVER_NAME
from stripwise.risk.model.wall import MEAN_COVER_OFFSET
from stripwise.scenario.describe import inputs_table

DIFFUSIVITY = 'diffusivity = { family = "normal", mean = "5.0e-12 m^2/s", cov = 0.2 }'
COVER = 'cover = { family = "normal", mean = "55 mm", sd = "8 mm" }'


CRITICAL = 'critical_chloride = { family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }'
MECHANISMS = ("[exposure]", '[exposure]\nmechanisms = ["chloride", "carbonation"]')
CARBONATION = """
[carbonation]
relative_humidity = "75 %"
inverse_resistance = "6.8e-11 m^2/s/(kg/m^3)"
"""


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


@pytest.mark.usefixtures("few_samples")
def test_the_split_widens_the_range_and_keeps_the_probability(wall):
    plain = stripwise.assess(wall.load(), only="curves").strategies
    split = stripwise.assess(
        wall.load(changed(COVER, "between_walls = 0.5")), only="curves"
    ).strategies
    assert plain["probability_at_target"].tolist() == split["probability_at_target"].tolist()
    assert (split["know_high"] > plain["know_high"]).all()


@pytest.mark.parametrize("key", ["mean_sd", "mean_doubt"])
def test_mean_sd_beside_carbonation_is_a_share_of_the_cover(wall, key):
    case = wall.load(MECHANISMS, changed(COVER, f'{key} = "6 mm"'), end=CARBONATION)
    cover = case.input(COVER_NAME)
    # variances add: 8^2 + 6^2 = 10^2 mm2, of which 6^2 is one value for the whole wall
    assert cover.distribution.parent_sd == pytest.approx(10.0)
    assert cover.distribution.parent_mean == 55.0
    assert cover.between_walls == pytest.approx(0.36)
    assert MEAN_COVER_OFFSET not in {item.name for item in case.inputs}
    row = inputs_table(case).set_index("name").loc[COVER_NAME]
    assert (row["sd"], row["between_walls"]) == pytest.approx((10.0, 0.36), rel=1e-3)
    # without the option it is an input of its own, and the scatter stays
    alone = wall.load(changed(COVER, f'{key} = "6 mm"'))
    assert alone.input(COVER_NAME).distribution.parent_sd == 8.0
    assert alone.input(MEAN_COVER_OFFSET).distribution.sd == 6.0


def test_mean_sd_of_a_fixed_cover_beside_carbonation_is_refused(wall):
    fixed = 'cover = { value = "55 mm", mean_sd = "6 mm" }'
    (problem,) = wall.problems(MECHANISMS, (COVER, fixed), end=CARBONATION)
    assert "reinforcement.cover.mean_sd: beside carbonation needs a random cover" in problem


@pytest.mark.usefixtures("few_samples")
def test_mean_sd_has_one_answer_with_and_without_carbonation(wall):
    # air without carbon dioxide to speak of: the wall is the one without the option
    still = CARBONATION + 'co2 = { value = "1e-7 kg/m^3", unusual = true }\n'
    split = changed(COVER, 'mean_sd = "6 mm"')
    with_option = stripwise.assess(
        wall.load(MECHANISMS, split, end=still), only="curves"
    ).strategies
    wide = (COVER, COVER.replace('"8 mm"', '"10 mm"'))
    plain = stripwise.assess(wall.load(wide), only="curves").strategies
    # t intervals of 8 repeats reach 2.365 standard errors
    errors = [(t["high95"] - t["low95"]) / 2.0 / 2.365 for t in (with_option, plain)]
    gap = with_option["probability_at_target"] - plain["probability_at_target"]
    assert (gap.abs() < 4.5 * np.hypot(*errors)).all()
    assert (np.hypot(*errors) < 0.01).all()
    assert (with_option["know_high"] > plain["know_high"]).all()


@pytest.mark.parametrize(
    ("extra", "told"),
    [
        ('source = "fib Bulletin 34 (2006), recalled"', True),
        ('source = "DuraCrete R17 (2000)"', True),
        ('source = "cores of this wall"', False),
        ('source = "Bulletin of fibres"', False),
        ('source = "fib Bulletin 34", kind = "scatter"', False),  # the file has decided
        ('source = "fib Bulletin 34", kind = "knowledge"', False),
        ('source = "fib Bulletin 34", between_walls = 0.5', False),
    ],
)
def test_published_spreads_that_count_as_scatter_are_told(wall, extra, told):
    warnings = wall.load(changed(CRITICAL, extra)).warnings
    found = [text for text in warnings if text.startswith("Published spreads mix structures")]
    assert len(found) == told
    if told:
        assert "varying along this wall: critical chloride. between_walls, such as 0.5" in found[0]
