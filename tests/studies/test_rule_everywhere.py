"""On every scenario of the project each command decides as a run does, and what it draws passes one."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from typer.testing import CliRunner

import stripwise
from stripwise.cli import app
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_repeat,
    with_nominal_cover,
)
from stripwise.risk.probability.target_roots import earliest_strip_ages, with_strip_age
from stripwise.studies.candidate_targets import CandidateTarget
from stripwise.studies.decision import NO, TOO_CLOSE, YES
from stripwise.studies.design.prices import (
    CostAges,
    Option,
    decide_options,
    price_options,
)
from stripwise.studies.design.required_cover import find_required_covers
from stripwise.studies.design.setting import Setting
from stripwise.studies.from_scenario import build_wall, compute_curves, target_from
from stripwise.studies.rank.choice_rule import ChoiceRule
from stripwise.studies.result_tables import decisions_at_target, strategy_table
from stripwise.studies.target_answers import find_answers
from stripwise.studies.verdict import VERBS, answer_sentence

ROOT = Path(__file__).parents[2]
SCENARIOS = sorted(
    str(path.relative_to(ROOT))
    for path in (ROOT / "scenarios").rglob("*.toml")
    if "[target]" in path.read_text("utf-8")
)
POINTS, REPEATS = 128, 8


class Decided:
    """A scenario with a small sample, and what a run decides on its strategies."""

    def __init__(self, name):
        case = stripwise.load(ROOT / name)
        self.wall = build_wall(case)
        self.points, self.most = (16, 32) if self.wall.numerical else (POINTS, 512)
        sampling = replace(case.sampling, points=self.points, repeats=REPEATS)
        self.case = replace(case, sampling=sampling)
        self.target = target_from(self.case)
        self.curves = compute_curves(self.wall, self.case, workers=1, progress=None, band=False)
        self.answers = [one.meets_target for one in decisions_at_target(self.curves, self.target)]
        self.sample = SamplingOptions(self.points, REPEATS, sampling.seed, workers=1)

    def run(self, wall):
        """Decide on another wall under the same target, as a run does."""
        curves = compute_curves(wall, self.case, workers=1, progress=None, band=False)
        return [one.meets_target for one in decisions_at_target(curves, self.target)]

    def options(self):
        """Return the strategies as what can be priced, at the nominal cover of the wall."""
        cover, case = self.wall.nominal_cover, self.case
        return [
            Option(p.name, "strategy", p, case.strategy(p.name).follow_up, cover, 24.0)
            for p in self.wall.plans
        ]

    def setting(self):
        if self.case.choices is None:
            pytest.skip("the scenario opens no choices")
        return Setting.from_scenario(self.case, workers=1)


@pytest.fixture(scope="module", params=SCENARIOS)
def decided(request, small_sizes):
    with small_sizes(), pytest.MonkeyPatch.context() as patch:
        patch.setattr("stripwise.studies.from_scenario.MOST_POINTS", 512)
        patch.setattr("stripwise.studies.from_scenario.NUMERICAL_POINTS", 32)
        yield Decided(request.param)


def agree(found, decided):
    """Hold answers against those of the run; another sample may leave one open."""
    assert len(found) == len(decided.answers)
    for one, other in zip(found, decided.answers, strict=True):
        assert one in {YES, NO, TOO_CLOSE}
        assert one == other or TOO_CLOSE in (one, other)


def test_every_strategy_has_an_answer_and_a_sentence_that_says_it(decided):
    rows = strategy_table(decided.wall, decided.curves, decided.target).to_dict("records")
    assert [row["meets_target"] for row in rows] == decided.answers
    for row in rows:
        text = answer_sentence(row["strategy"], row, decided.target)
        assert VERBS[row["meets_target"]] in text
        p, allowed = row["probability_at_target"], decided.target.probability
        if row["meets_target"] == YES:
            assert p <= allowed
        if row["meets_target"] == NO:
            assert p > allowed


def test_target_rank_and_a_sweep_decide_alike(decided):
    case, own = decided.case, decided.target
    stated = CandidateTarget(own.life, own.probability, own.index, "the scenario")
    found = find_answers(case, decided.wall, [stated], workers=1)
    agree([one.meets_target for one in found.decisions[0]], decided)
    rule = ChoiceRule.from_wall(
        decided.wall,
        age=own.life,
        allowed=own.probability,
        confidence=own.confidence,
        sample=decided.sample,
        most=decided.most,
    )
    chosen = next((i for i in rule.order if decided.answers[i] == YES), -1)
    assert rule.now == chosen or TOO_CLOSE in decided.answers
    swept = stripwise.sweep(case, [{}], points=decided.points)
    agree(list(swept["meets_target"]), decided)


@pytest.mark.usefixtures("no_more_follow_ups")
def test_a_reported_strip_says_of_the_plan_what_a_run_says(decided):
    case = decided.case
    answer = stripwise.stripped_early(case, after="20 h", at="14 degC", workers=1)
    planned = answer.outcomes.iloc[0]
    names = [strategy.name for strategy in case.strategies]
    own = decided.answers[names.index(case.reference_strategy)]
    assert planned["meets_target"] == own or TOO_CLOSE in (own, planned["meets_target"])


def test_design_decides_alike_and_a_drawn_cover_passes_a_run(decided):
    setting, wall, options = decided.setting(), decided.wall, decided.options()
    p = probability_by_repeat(
        wall, np.array([wall.nominal_cover]), setting.at_life, sample=setting.strategy_sample
    )[:, :, 0, 0]
    agree([one.meets_target for one in decide_options(setting, options, p, None)], decided)
    required = find_required_covers(setting, ranges=False)
    for plan, root in zip(wall.plans, required.in_range, strict=True):
        drawn = setting.drawn_cover(root)
        if np.isfinite(drawn):
            assert decided.run(with_nominal_cover(wall, drawn).with_plans((plan,))) == [YES]
            break


def test_a_pair_of_the_earliest_strip_ages_passes_a_run(decided):
    setting = decided.setting()
    cover = float(setting.rounded_covers()[-1])
    plan = setting.plans[0]
    (root,) = earliest_strip_ages(
        setting.wall,
        (plan,),
        covers=np.array([cover]),
        strip_ages=setting.choices.strip_age,
        age=setting.life,
        rule=setting.rule,
        sample=setting.map_sample,
    )[0]
    hours = setting.buildable_hours(root)
    if np.isfinite(hours):
        pair = (with_strip_age(plan, hours),)
        assert decided.run(with_nominal_cover(setting.wall, cover).with_plans(pair)) == [YES]


def test_priced_strategies_are_decided_alike(decided):
    if decided.case.cost is None:
        pytest.skip("the scenario has no prices")
    setting = decided.setting()
    priced = price_options(setting, decided.options(), CostAges.from_setting(setting))
    agree([one.meets_target for one in priced.decisions], decided)


@pytest.mark.parametrize("name", ["scenarios/garage-wall.toml", "scenarios/quay-wall.toml"])
def test_a_required_target_is_missed_unless_the_answer_is_yes(
    name, small_sizes, monkeypatch, tmp_path
):
    with small_sizes():
        decided = Decided(name)
    table = strategy_table(decided.wall, decided.curves, decided.target)
    assert len(set(table["meets_target"])) > 1
    ran = SimpleNamespace(strategies=table, verdict=(), warnings=())
    monkeypatch.setattr("stripwise.studies.run.assess", lambda *_, **__: ran)
    monkeypatch.setattr("stripwise.report.write.write", lambda *_, **__: ())
    for row in table.itertuples():
        command = ["run", str(ROOT / name), "--out", str(tmp_path), "--quiet", "--require-target"]
        found = CliRunner().invoke(app, [*command, "--strategy", row.strategy])
        assert found.exit_code == (0 if row.meets_target == YES else 3)
