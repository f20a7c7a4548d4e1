"""Joint draws in every study, held to the distributions that they were drawn from and to a loop."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

import stripwise
from stripwise.distributions.distribution import fixed
from stripwise.distributions.joint_draws import JointDraws, effective_draws
from stripwise.errors import NumericalError
from stripwise.risk.model.wall import COVER
from stripwise.risk.probability.confidence import epistemic_probability
from stripwise.risk.probability.integral import front_depths
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.probability.nested_sampling import NestedSample
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.risk.reliability.limit_state import LimitState
from stripwise.risk.sensitivity.margin_indices import margin_indices
from stripwise.studies.from_scenario import build_wall, compute_curves

EXPONENT, COEFFICIENT = "concrete.ageing_exponent", "concrete.temperature_coefficient"
AGES = np.array([10.0, 25.0, 50.0])
NOMINAL = np.array([60.0])


@pytest.fixture(scope="module")
def garage():
    case = stripwise.load("scenarios/garage-wall.toml")
    sampling = replace(case.sampling, points=512, repeats=8)
    return replace(case.replace({"sampling.points": 512, "sampling.repeats": 8}), sampling=sampling)


@pytest.fixture(scope="module")
def joint(garage):
    return garage.replace({"knowledge": stripwise.epistemic_draws(garage, n=2048)})


def by_repeat(case, *, points=512, repeats=8, wall=None):
    sample = SamplingOptions(points, repeats, 1, "main", 1)
    return probability_by_repeat(wall or build_wall(case), NOMINAL, AGES, sample=sample)[..., 0]


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"reinforcement.cover.between_walls": 0.4},
        {"concrete.diffusivity.between_walls": 0.5, "exposure.surface_chloride.kind": "knowledge"},
    ],
)
def test_draws_from_the_prior_say_what_the_prior_says(garage, changes):
    case = garage.replace(changes)
    drawn = case.replace({"knowledge": stripwise.epistemic_draws(case, n=4096, seed=7)})
    prior, posterior = by_repeat(case), by_repeat(drawn)
    error = np.hypot(*(np.std(p, axis=0, ddof=1) / np.sqrt(8) for p in (prior, posterior)))
    assert np.max(np.abs(prior.mean(axis=0) - posterior.mean(axis=0)) / error) < 5.0
    assert np.max(error) < 0.02
    # the share of what may be true that meets the target is the same too
    confidences = [
        epistemic_probability(
            build_wall(one),
            age=50.0,
            mean_index=np.zeros(7)[: len(one.strategies)],
            points=256,
            seed=1,
            workers=1,
        ).confidence(0.5)
        for one in (case, drawn)
    ]
    assert_allclose(confidences[0].value, confidences[1].value, rtol=0, atol=0.06)


def test_draws_that_belong_together_stay_together(garage):
    """The mean over draws by a plain loop, each with its values as fixed inputs."""
    rng = np.random.default_rng(5)
    table = stripwise.epistemic_draws(garage, n=512, seed=3)
    u = rng.uniform(size=512)
    table[EXPONENT] = 0.25 + 0.3 * u
    table[f"{COEFFICIENT}_K"] = 3500.0 + 2600.0 * u  # no copula of the scenario gives this
    case = garage.replace({"knowledge": table})
    one = build_wall(case)
    one = one.with_plans(one.plans[:1])
    draws = replace(one.draws, values=one.draws.values[:, :128])
    sample = SamplingOptions(256, 2, 9, "main", 1)
    total = np.zeros(AGES.size)
    for column in draws.values.T:
        value = dict(zip(draws.names, column, strict=True))
        inputs = tuple(
            replace(i, distribution=fixed(value[i.name])) if i.name in value else i
            for i in one.inputs
        )
        alone = replace(one, inputs=inputs, draws=None)
        total += probability_by_repeat(alone, NOMINAL, AGES, sample=sample)[:, 0, :, 0].mean(axis=0)
    joint = by_repeat(case, points=2048, wall=replace(one, draws=draws)).mean(axis=0)[0]
    assert_allclose(joint, total / 128, rtol=0, atol=0.002)


def test_one_certain_draw_is_a_set_of_fixed_inputs(garage):
    table = stripwise.epistemic_draws(garage, n=512)
    case = garage.replace({"knowledge": table.iloc[[3] * 400]})
    assert case.draws is None
    value = table.iloc[3]
    changes = {EXPONENT: value[EXPONENT], COEFFICIENT: f"{value[f'{COEFFICIENT}_K']} K"}
    fixed_case = garage.replace(changes)
    assert case.input(EXPONENT).distribution == fixed_case.input(EXPONENT).distribution
    inputs = tuple(
        replace(i, distribution=fixed(value[i.name])) if i.name in value else i
        for i in fixed_case.inputs
    )
    expected = by_repeat(replace(fixed_case, inputs=inputs))
    assert_allclose(by_repeat(case), expected, rtol=1e-9, atol=0)
    result = compute_curves(build_wall(case), case, workers=1, progress=None)
    assert result.know_low is None


def test_a_certain_wall_score_conditions_the_cover(garage):
    """Given B = 1 the cover is normal with mean + sqrt(b) sd and sd sqrt(1 - b)."""
    case = garage.replace({"reinforcement.cover.between_walls": 0.36})
    table = stripwise.epistemic_draws(case, n=512)
    table["reinforcement.cover.wall_score"] = 1.0
    drawn = by_repeat(case.replace({"knowledge": table}))
    moved = garage.replace(
        {
            "reinforcement.cover": {"family": "normal", "mean": "64.8 mm", "sd": "6.4 mm"},
            "knowledge": table.drop(columns="reinforcement.cover.wall_score"),
        }
    )
    sample = SamplingOptions(512, 8, 1, "main", 1)
    expected = probability_by_repeat(build_wall(moved), np.array([64.8]), AGES, sample=sample)
    assert_allclose(drawn.mean(axis=0), expected[..., 0].mean(axis=0), rtol=1e-3, atol=1e-5)


def test_intervals_count_the_error_of_a_few_draws(garage):
    """Of 40 sets of 400 draws about 38 intervals hold the answer of the prior."""
    one = build_wall(garage)
    one = one.with_plans(one.plans[:1])
    truth = by_repeat(garage, points=2048, wall=one).mean(axis=0)[0, -1]
    whole = stripwise.epistemic_draws(garage, n=16_384).sample(frac=1.0, random_state=2)
    drawn = build_wall(garage.replace({"knowledge": whole})).draws
    held = 0
    for k in range(40):
        few = replace(drawn, values=drawn.values[:, 400 * k : 400 * (k + 1)])
        found = by_repeat(garage, points=256, wall=replace(one, draws=few))
        _, low, high = t_interval(found[:, 0, -1])
        held += bool(low <= truth <= high)
    assert held >= 34


def test_repeated_draws_count_once():
    rng = np.random.default_rng(1)
    once = rng.standard_normal((2, 800))
    five = np.repeat(once, 5, axis=1)[:, rng.permutation(4000)]
    assert_allclose(effective_draws(five), 800.0, rtol=1e-12, atol=0)
    draws = JointDraws.from_rows(("a", "b"), five, (False, False))
    parts = [draws.part(r, 8).values for r in range(8)]
    together = [len(np.unique(part, axis=1).T) for part in parts]
    assert max(together) <= 102  # 800 / 8, but for those that a border cuts
    spread = np.std([part[0].mean() for part in parts], ddof=1)
    assert_allclose(spread, 1.0 / np.sqrt(100), rtol=0.6, atol=0)


def test_a_part_is_picked_evenly_and_thinned_evenly():
    draws = JointDraws.from_rows(
        ("a", "b"), np.random.default_rng(1).standard_normal((2, 1024)), (False, True)
    ).part()
    z = np.random.default_rng(2).standard_normal(20_000)
    picked = draws.pick(z)
    assert_allclose(picked.mean(axis=1), draws.values.mean(axis=1), rtol=0, atol=0.03)
    assert_allclose(np.corrcoef(picked), np.corrcoef(draws.values), rtol=0, atol=0.03)
    # 64 of 1,024 at even steps lie closer to the mean of all than chance would have them
    thin = draws.thinned(64)
    assert np.all(np.abs(thin.mean(axis=1) - draws.values.mean(axis=1)) < 0.5 / np.sqrt(64))


def test_a_design_point_is_refused_and_the_group_ranked(garage, joint):
    wall = build_wall(joint)
    with pytest.raises(NumericalError, match="joint draws, which have no normal scores"):
        LimitState.from_wall(wall, wall.plans[0], age=50.0)
    found = margin_indices(wall, 50.0, repeats=8, seed=1, workers=1)
    assert [i.reason for i in found.items if i.input == EXPONENT] == [
        "joint draws; see their group"
    ]
    group = next(item for item in found.items if item.group == "joint draws")
    first = found.of(group)[0][:, 0].mean()
    # Var(E[margin | draw]) / Var(margin) by two plain levels
    one = wall.with_plans(wall.plans[:1])
    nested = NestedSample.from_wall(
        one,
        points=2048,
        seed=1,
        stage="knowledge",
        outer_points=512,
        inner_points=2048,
        integrated="",
    )
    rows = []
    for k in range(nested.count):
        values = nested.values(k)
        depth = front_depths(one, one.sample_block(values), 50.0)[0]
        rows.append(values[COVER] - depth)
    margins = np.array(rows)
    share = margins.mean(axis=1).var() / margins.var()
    assert_allclose(first, share, rtol=0, atol=0.03)


@pytest.mark.usefixtures("few_samples")
def test_a_ranking_has_them_as_one_group(joint):
    ranking = stripwise.rank(
        joint.replace({"choices": None}), ages=[25.0], precision=0.5, workers=1
    )
    assert ranking.form.empty
    assert ranking.shapley.empty
    assert ranking.value_of_information.empty
    assert any("joint draws" in note for note in ranking.notes)
    assert ranking.methods["note"].str.contains("joint draws").any()
    rows = ranking.indices
    assert (rows.loc[rows["group"] == "joint draws", "status"] != "").any()
    assert np.isfinite(rows.loc[rows["group"] == "joint draws", "first"]).any()


@pytest.mark.usefixtures("few_samples")
def test_sweep_and_target_read_the_same_draws(joint):
    table = stripwise.sweep(joint, {"reinforcement.cover.nominal": ["60 mm"]}, points=512)
    mean, _, _ = t_interval(by_repeat(joint)[:, :, -1])
    assert_allclose(table["probability"].to_numpy(), mean, rtol=1e-9, atol=0)
    result = stripwise.target(joint.replace({"choices": None}), workers=1)
    rows = result.targets[result.targets["source"] == "the scenario"]
    stated = rows["meets_target"].reset_index(drop=True)
    assert set(stated) <= {"yes", "no", "too close to call"}
    clear = np.abs(mean - 0.10) > 0.02
    assert list(stated[clear]) == ["yes" if p < 0.10 else "no" for p in mean[clear]]


def test_samples_hold_whole_draws(joint):
    table = stripwise.samples(joint, n=256)
    known = {tuple(c) for c in joint.draws.values.T}
    drawn = table[list(joint.draws.names)].itertuples(index=False, name=None)
    assert all(tuple(row) in known for row in drawn)


def test_an_early_strip_reads_the_same_draws(garage):
    keep = [s for s in garage.raw["strategy"] if s["name"] in ("Forms 24 h", "Forms 7 d")]
    case = garage.replace({"sampling.points": 256, "strategy": keep, "choices": None})
    drawn = case.replace({"knowledge": stripwise.epistemic_draws(case, n=4096, seed=7)})
    prior, posterior = (
        stripwise.stripped_early(one, after="14 h", at="8 degC", plan="Forms 7 d", workers=1)
        for one in (case, drawn)
    )
    assert posterior.outcomes["strategy"].tolist() == prior.outcomes["strategy"].tolist()
    # some follow-ups bring a retention that no strategy has, so that no draw holds it
    held = set(drawn.draws.names)
    assert {i.name for i in case.inputs if i.epistemic_share > 0.0} == held
    rows = [one.outcomes.set_index("strategy") for one in (prior, posterior)]
    half = sum((row["high95"] - row["low95"]) / 2.0 for row in rows)
    gap = (rows[0]["probability_at_target"] - rows[1]["probability_at_target"]).abs()
    assert (gap < 2.0 * half).all()
    assert half.max() < 0.1
    # the plan's row is that of a run of the same draws, whose sample grows as it needs
    run = stripwise.assess(drawn, only="curves", workers=1).strategies.set_index("strategy")
    ends = [table.loc["Forms 7 d"] for table in (rows[1], run)]
    sums = sum(end["high95"] - end["low95"] for end in ends) / 2.0
    assert abs(ends[0]["probability_at_target"] - ends[1]["probability_at_target"]) < sums < 0.02
    assert any("Sobol' indices do not" in told for told in drawn.warnings)
