"""The full factorial of the choices, against a wall whose index is a formula, and against scipy."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.risk.model.wall import COVER
from stripwise.risk.probability.nominal_covers import SamplingOptions
from stripwise.risk.sensitivity.anova import anova
from stripwise.scenario.sections.choices import ConcreteOption
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.rank.factorial import (
    Choice,
    FactorialDesign,
    FactorialSize,
    clipped_index,
    leading_choice,
    outcomes,
    with_choice,
)

THREE = ("follow-up", "strip age", "cover")
SAMPLE = SamplingOptions(64, 2, 1, "choices", 1)


@pytest.fixture(scope="module")
def case(closed):
    """The closed wall with a second concrete, of half the diffusivity."""
    scenario = closed.scenario
    d = scenario.input("concrete.diffusivity").distribution.mean
    finer = Input("concrete.diffusivity", "", fixed(0.5 * d), "", "concrete")
    choices = replace(scenario.choices, concretes=(ConcreteOption("finer", (finer,)),))
    return replace(scenario, choices=choices)


@pytest.fixture(scope="module")
def design(case):
    return FactorialDesign.from_scenario(build_wall(case), case, nodes=4)


def test_axes_are_the_choices_with_more_than_one_option(design, case):
    # one follow-up alone is no choice
    assert design.names == ["cover", "strip age", "execution scatter", "concrete"]
    assert [len(w) for w in design.weights] == [6, 6, 3, 2]
    assert all(abs(w.sum() - 1.0) < 1e-12 for w in design.weights)
    assert design.plan_choices == {"strip age": 6, "follow-up": 1}
    assert (len(design.walls), design.wall_shape) == (6, (3, 2))
    cover, age = design.choices[:2]
    assert (cover.numbers[0], cover.numbers[-1]) == pytest.approx(case.choices.cover[:2])
    assert (age.numbers[0], age.numbers[-1]) == pytest.approx(case.choices.strip_age)
    assert (age.weights[0], age.weights[-1]) == (0.0, 0.0)
    assert design.choices[2].numbers == (6.0, 8.0, 10.0)


def test_every_combination_has_its_closed_probability(design, closed, case):
    p = outcomes(design, np.array([75.0]), sample=SAMPLE)[:, 0]
    assert p.shape == (2, 6, 6, 3, 2)
    assert_allclose(p[0], p[1], rtol=0, atol=1e-12)
    d = case.input("concrete.diffusivity").distribution.mean
    for concrete, factor in enumerate((1.0, 0.5)):
        inputs = tuple(
            replace(i, distribution=fixed(factor * d)) if i.name == "concrete.diffusivity" else i
            for i in case.inputs
        )
        wall = replace(closed, scenario=replace(case, inputs=inputs))
        for t, hours in enumerate(design.choices[1].numbers):
            front = wall.front(hours)
            for s, sd in enumerate((6.0, 8.0, 10.0)):
                exact = special.ndtr((front - np.array(design.covers)) / sd)
                assert_allclose(p[0, :, t, s, concrete], exact, rtol=0, atol=1e-7)


def test_named_choices_come_in_the_order_asked_for(design, case):
    wall, age = build_wall(case), np.array([75.0])
    three = FactorialDesign.from_scenario(wall, case, nodes=4, names=THREE)
    assert three.names == list(THREE)
    assert len(three.walls) == 1
    p = outcomes(three, age, sample=SAMPLE)[:, 0]
    assert p.shape == (2, 1, 6, 6)
    whole = outcomes(design, age, sample=SAMPLE)[:, 0]
    assert_allclose(p[:, 0], np.swapaxes(whole[:, :, :, 1, 0], 1, 2), rtol=0, atol=0)


def test_shares_against_scipy_on_the_ranges_themselves(closed):
    # scipy draws cover and strip age from their ranges, and the follow-up is a formula of them:
    # index = (c - x(t)) / s, clipped to -4 and 6, by Saltelli's estimator on 2^13 points.
    case = closed.scenario
    wall, names = build_wall(case), ("strip age", "cover")
    found = FactorialDesign.from_scenario(wall, case, nodes=10, names=names)
    p = outcomes(found, np.array([75.0]), sample=SAMPLE)[:1, 0]
    ours = anova(clipped_index(p), found.weights)
    low, high = np.log(case.choices.strip_age)
    at = np.linspace(low, high, 400)
    fronts = np.array([closed.front(float(h)) for h in np.exp(at)])
    thin, thick, _ = case.choices.cover

    def func(u):
        x = np.interp(low + (high - low) * u[0], at, fronts)
        return np.clip((thin + (thick - thin) * u[1] - x) / closed.sd, -4.0, 6.0)[None]

    theirs = stats.sobol_indices(
        func=func, n=2**13, dists=[stats.uniform()] * 2, rng=np.random.default_rng(7)
    )
    assert_allclose(ours.first[0], np.ravel(theirs.first_order), rtol=0, atol=5e-3)
    assert_allclose(ours.total[0], np.ravel(theirs.total_order), rtol=0, atol=5e-3)


def test_unclipped_index_is_a_sum_with_no_interaction(closed):
    # (c - x(t)) / s: the variance of the cover is w^2 / (12 s^2) exactly
    case = closed.scenario
    found = FactorialDesign.from_scenario(
        build_wall(case), case, nodes=6, names=("strip age", "cover")
    )
    p = outcomes(found, np.array([75.0]), sample=SAMPLE)[:1, 0]
    parts = anova(-special.ndtri(p), found.weights)
    assert_allclose(parts.second, 0.0, rtol=0, atol=1e-5)
    low, high, _ = case.choices.cover
    exact = (high - low) ** 2 / 12.0 / closed.sd**2
    assert_allclose(parts.first[0, 1] * parts.variance[0], exact, rtol=1e-4)


@pytest.mark.parametrize("log", [False, True])
def test_a_range_has_the_moments_of_its_uniform_law(log):
    choice = Choice.from_range("own", 10.0, 160.0, nodes=5, log=log)
    x = np.log(choice.numbers) if log else np.array(choice.numbers)
    low, high = (np.log(10.0), np.log(160.0)) if log else (10.0, 160.0)
    mean = choice.weights @ x
    assert_allclose(mean, 0.5 * (low + high), rtol=1e-12)
    assert_allclose(choice.weights @ (x - mean) ** 2, (high - low) ** 2 / 12.0, rtol=1e-12)
    assert np.all(np.diff(choice.numbers) > 0.0)


def test_index_counts_as_its_ends_beyond_them():
    p = np.array([0.0, special.ndtr(-7.0), 0.5, special.ndtr(2.0), 1.0])
    assert_allclose(clipped_index(p), [6.0, 6.0, 0.0, -2.0, -4.0], rtol=0, atol=1e-9)


def test_the_leading_choice_is_the_largest_total_or_none():
    third = np.full(3, 1.0 / 3.0)
    y = np.arange(3.0)[:, None] + 5.0 * np.arange(3.0)
    assert leading_choice(anova(y[None], [third, third])) == 1
    assert leading_choice(anova(y.T[None], [third, third])) == 0
    flat = anova(np.zeros((1, 3, 3)), [third, third])
    assert leading_choice(flat) == -1


def test_one_choice_put_into_a_wall(case):
    wall = build_wall(case)
    wide = with_choice(wall, case, "execution scatter", value=11.0, option="")
    assert wide.input(COVER).distribution.parent_sd == pytest.approx(11.0)
    assert wide.input(COVER).distribution.parent_mean == wall.input(COVER).distribution.parent_mean
    assert with_choice(wall, case, "execution scatter", value=8.0, option="") == wall
    finer = with_choice(wall, case, "concrete", value=np.nan, option="finer")
    name = "concrete.diffusivity"
    ratio = finer.input(name).distribution.mean / wall.input(name).distribution.mean
    assert ratio == pytest.approx(0.5)
    assert with_choice(wall, case, "concrete", value=np.nan, option="as specified") == wall


def test_slow_walls_get_fewer_nodes_and_no_lives(case):
    wall = build_wall(case)
    layered = replace(wall, layered=True)
    assert FactorialSize.from_wall(wall).with_lives
    assert not FactorialSize.from_wall(layered).with_lives
    assert FactorialSize.from_wall(layered).nodes < FactorialSize.from_wall(wall).nodes


def test_an_assumed_scatter_keeps_to_what_the_law_allows(case):
    choices = replace(case.choices, cover_sd=(), concretes=())
    tight = distribution("beta", mean=60.0, sd=8.0, low=50.0, high=70.0)
    inputs = tuple(replace(i, distribution=tight) if i.name == COVER else i for i in case.inputs)
    bounded = replace(case, inputs=inputs, choices=choices)
    for scenario, values in (
        (replace(case, choices=choices), (6.0, 8.0, 10.0)),
        (bounded, (6.0, 8.0)),  # 10 mm would be the variance of the two ends alone
    ):
        found = FactorialDesign.from_scenario(build_wall(scenario), scenario, nodes=2)
        scatter = next(c for c in found.choices if c.name == "execution scatter")
        assert scatter.numbers == pytest.approx(values)
        assert scatter.assumed
