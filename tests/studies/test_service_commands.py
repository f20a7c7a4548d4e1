"""Every command under every option: against plain Monte Carlo, or refused with the reason."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

import stripwise
from stripwise.risk.probability.plain_monte_carlo import monte_carlo_curves
from stripwise.studies.design.design_study import design
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.rank import (
    choice_rule,
    choice_tables,
    convergence,
    factorial,
    rank_study,
    reliability_table,
    value_of_information,
)
from stripwise.studies.rank.rank_study import rank

FILE = Path(__file__).parents[2] / "scenarios" / "retaining-wall.toml"
CHOICES = """
[choices]
cover = { low = "40 mm", high = "70 mm", step = "10 mm" }
strip_age = { low = "14 h", high = "5 d" }
follow_up = [ { method = "none" } ]
"""
SECTIONS = ("carbonation", "cracking", "extent", "model")
KEYS = ("mechanisms", "first_exposure", "surface_history")
LIFE = 60.0
SAMPLES = 10_000
SAMPLED_POINTS = reliability_table.SAMPLED_POINTS


@pytest.fixture(autouse=True)
def small_answers(few_samples, monkeypatch):
    """Keep what is compared with plain Monte Carlo at its size, and the rest small."""
    monkeypatch.setattr(reliability_table, "SAMPLED_POINTS", SAMPLED_POINTS)
    monkeypatch.setattr(convergence, "FIRST_POINTS", rank_study.SERVICE_POINTS)
    monkeypatch.setattr(choice_tables, "KNOWLEDGE_POINTS", 8)
    monkeypatch.setattr(choice_tables, "AGE_COUNT", 2)
    monkeypatch.setattr(factorial, "NODES", 2)
    monkeypatch.setattr(factorial, "POINTS", 32)
    monkeypatch.setattr(value_of_information, "INNER_POINTS", 16)
    for module in (choice_tables, value_of_information):
        monkeypatch.setattr(module, "MAX_REPEATS", 2)
    for name, size in (("REPEATS", 2), ("MEASURED_POINTS", 8), ("EPISTEMIC_POINTS", 8)):
        monkeypatch.setattr(choice_rule, name, size)
    # of the indices it is only asked whether they are finite
    two_scramblings = {"repeats": 2}
    monkeypatch.setattr(
        rank_study,
        "converge",
        lambda *args, **given: convergence.converge(*args, **(given | two_scramblings)),
    )


def text(*, keep=(), changes=()):
    """The retaining wall with some of its options alone."""
    lines, section = [], ""
    for line in FILE.read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        key = line.split(" = ")[0]
        dropped = (section in SECTIONS and section not in keep) or (key in KEYS and key not in keep)
        if not dropped:
            lines.append(line)
    whole = "\n".join(lines).replace("\n[sampling]", CHOICES + "\n[sampling]")
    for old, new in changes:
        assert old in whole
        whole = whole.replace(old, new)
    return whole


FALL = (
    "initial_chloride",
    'surface_history = { shape = "table", table = [["0 yr", 0.2], ["10 yr", 1], ["40 yr", 1], '
    '["45 yr", 0.4]] }\ninitial_chloride',
)
SKIN = ('affected_depth = "whole cover"', 'affected_depth = "25 mm"')
OPTIONS = {
    "monthly temperatures": text(),
    "seasons": text(keep=("first_exposure",)),
    "rise": text(keep=("surface_history",)),
    "rise over a skin": text(keep=("surface_history",), changes=[SKIN]),
    "fall": text(changes=[FALL]),
    "both mechanisms": text(keep=("mechanisms", "carbonation")),
    "instantaneous ageing": text(
        changes=[("[concrete]", '[concrete]\nageing_convention = "instantaneous"')]
    ),
    "ageing that ends": text(changes=[("[concrete]", '[concrete]\nageing_ends = "25 yr"')]),
    "model uncertainty": text(keep=("model",)),
    "cracking and extent": text(keep=("cracking", "extent")),
}
CHLORIDE = (
    "monthly_temperature",
    "chloride_basis",
    "binder_content",
    "density",
    "de_icing",
    "specimens",
    "initial_chloride",
    "convection_zone",
    "critical_chloride",
    "diffusivity",
    "ageing_exponent",
    "[concrete]",
)
OPTIONS["carbonation alone"] = "\n".join(
    line
    for line in text(keep=("mechanisms", "carbonation")).splitlines()
    if not line.startswith(CHLORIDE)
).replace('["chloride", "carbonation"]', '["carbonation"]')


@pytest.fixture(scope="module", params=OPTIONS)
def case(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("case") / "wall.toml"
    path.write_text(OPTIONS[request.param], encoding="utf-8")
    read = stripwise.load(path)
    small = dataclasses.replace(read.sampling, points=32, repeats=8)
    return request.param, dataclasses.replace(read, sampling=small)


@pytest.fixture(scope="module")
def counted(case):
    """Plain Monte Carlo of the wall at the target life, its cover as it is and 60 mm."""
    found = []
    wall = build_wall(case[1])
    for mean in (50.0, 60.0):
        inputs = tuple(
            dataclasses.replace(i, distribution=i.distribution.shifted(mean - 50.0))
            if i.name == "reinforcement.cover"
            else i
            for i in wall.inputs
        )
        other = dataclasses.replace(wall, inputs=inputs)
        found.append(monte_carlo_curves(other, np.array([LIFE]), samples=SAMPLES, seed=5)[:, 0])
    return found


def close(probability, counted, error):
    spread = np.sqrt(error**2 + np.maximum(counted * (1.0 - counted), 5e-5) / SAMPLES)
    assert np.all(np.abs(probability - counted) < 4.5 * spread)


def test_a_design_holds_under_every_option(case, counted):
    name, scenario = case
    scenario = dataclasses.replace(scenario, strategies=scenario.strategies[:2])
    result = design(scenario, workers=1)
    table = result.design[np.isclose(result.design["strip_age_h"], 14.0)]
    for place, cover in enumerate((50.0, 60.0)):
        row = table[np.isclose(table["nominal_cover_mm"], cover)].iloc[0]
        # 32 points in each of 8 repeats: the t interval is 2.36 standard errors wide either way
        error = max(0.5 * (row["high95"] - row["low95"]) / 2.36, 1e-3)
        close(row["probability"], counted[place][0], error)
    refused = result.rules["status"].str.startswith("no rule: the hand calculation knows")
    assert refused.all() == ("mechanisms" in name or "carbonation" in name)
    left = any("are not part of it" in line for line in result.warnings)
    assert left == (name == "cracking and extent")
    assert any("not of carbonation" in line for line in result.warnings) == refused.all()


def test_a_ranking_holds_under_every_option(case, counted):
    name, scenario = case
    scenario = dataclasses.replace(scenario, strategies=scenario.strategies[:2])
    result = rank(scenario, ages=[LIFE], precision=None, workers=1)
    told = " ".join(result.notes)
    assert ("are not part of it" in told) == (name == "cracking and extent")
    at = result.methods[result.methods["age_yr"] == LIFE].set_index("method")
    close(at.loc["sampled", "probability"], counted[0][1], 1e-3)
    if name == "fall":
        assert "the surface chloride falls in time" in at.loc["FORM", "note"]
        return
    # importance sampling counts on the limit state, which shares nothing with the front depth
    row = at.loc["importance sampling"]
    error = max(row["cov"] * row["probability"], 1e-4)
    close(row["probability"], counted[0][1], error)
    margin = result.indices[(result.indices["quantity"] == "depth margin")]
    assert np.isfinite(margin.loc[margin["status"].isin(["ok", "wide"]), "total"]).all()


def test_an_early_strip_is_answered_under_every_option(case, counted, request):
    name, scenario = case
    if name != "monthly temperatures":
        request.getfixturevalue("no_more_follow_ups")
    scenario = dataclasses.replace(scenario, strategies=scenario.strategies[:2])
    if name in {"rise over a skin", "fall"}:  # whose fronts take longest
        tiny = dataclasses.replace(scenario.sampling, points=64, horizon=LIFE)
        known = tuple(dataclasses.replace(i, kind="scatter") for i in scenario.inputs)
        scenario = dataclasses.replace(scenario, sampling=tiny, inputs=known)
    answer = stripwise.stripped_early(scenario, after="14 h", at="12 degC", workers=1)
    rows = answer.outcomes
    error = np.maximum(0.5 * (rows["high95"] - rows["low95"]) / 2.36, 1e-3)
    close(rows["probability_at_target"].iloc[0], counted[0][1], error.iloc[0])
    close(rows["probability_at_target"].iloc[1], counted[0][0], error.iloc[1])


def test_carbonation_alone_takes_its_own_curing_term(tmp_path):
    # fib Bulletin 34, 2006, Annex B1 (recalled): k_c = (t_c / 7 d)^-0.567
    path = tmp_path / "wall.toml"
    path.write_text(OPTIONS["carbonation alone"], encoding="utf-8")
    read = stripwise.load(path)
    small = dataclasses.replace(read.sampling, points=64, repeats=8)
    scenario = dataclasses.replace(read, sampling=small)
    answer = stripwise.stripped_early(scenario, after="24 h", at="20 degC", workers=1)
    days = answer.outcomes["effective_curing_h"].iloc[1] / 24.0
    mean = answer.outcomes["penalty_mean"].iloc[1]
    assert_allclose(mean, (days / 7.0) ** -0.567, rtol=0.02)
