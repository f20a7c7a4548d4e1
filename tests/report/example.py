"""An invented assessment: plausible shapes from simple formulas, no result of the program."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import log_ndtr, ndtri

from stripwise.distributions.distribution import Distribution, distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.scenario.model import (
    Choices,
    Curing,
    FollowUp,
    Sampling,
    Scenario,
    Strategy,
    Target,
)
from stripwise.studies.results import (
    Assessment,
    ExchangeRate,
    HandStep,
    MonteCarloCheck,
    ReliabilityMap,
)
from stripwise.units.result_columns import columns

NONE = FollowUp("none", 0.0, 10.0, "vertical", "")
SHEET = FollowUp("sheet", 72.0, 10.0, "vertical", "curing.retention.sheet")
WET = FollowUp("wet covering", 72.0, 10.0, "vertical", "curing.retention.wet")

SIX = (
    ("Forms 12 h", 12.0, NONE, 2.9),
    ("Forms 12 h + wet covering", 12.0, WET, 2.9),
    ("Forms 16 h, then sheet 3 d", 16.0, SHEET, 1.9),
    ("Forms 24 h", 24.0, NONE, 2.2),
    ("Forms 36 h", 36.0, NONE, 1.8),
    ("Forms 7 d", 168.0, NONE, 1.0),
)
HOSTILE = (
    "<script>alert('1')</script>",
    "$x^2$ and $\\frac{1}{2}$",
    "quotes \" ' & ampersand",
    "emoji \N{HAMMER AND WRENCH} and \N{CONSTRUCTION WORKER} 型枠",
    'id="curves" url(#p1) ]]> -->',
    "W" * 80,
)


def _input(name: str, label: str, law: Distribution, unit: str, group: str, **more) -> Input:
    return Input(name, label, law, unit, group, **more)


def make_inputs(knowledge: bool) -> tuple[Input, ...]:
    kind = "knowledge" if knowledge else "scatter"
    d = distribution
    recalled = "fib Bulletin 34 (2006), Annex B2 (recalled)"
    return (
        _input(
            "reinforcement.cover",
            "cover",
            d("normal", mean=60, sd=8),
            "mm",
            "cover",
            source="invented for this example",
        ),
        _input(
            "concrete.diffusivity",
            "diffusivity at 28 d",
            d("normal", mean=1.9 * 31.5576, cov=0.2),
            "mm2/yr",
            "concrete",
            source=recalled,
        ),
        _input(
            "concrete.ageing_exponent",
            "ageing exponent",
            d("beta", mean=0.45, sd=0.2, low=0, high=1),
            "",
            "concrete",
            kind=kind,
            source=recalled,
        ),
        _input(
            "concrete.temperature_coefficient",
            "temperature coefficient",
            d("normal", mean=4800, sd=700),
            "K",
            "concrete",
            source=recalled,
        ),
        _input(
            "exposure.temperature",
            "temperature",
            fixed(282.15),
            "K",
            "exposure",
            is_temperature=True,
        ),
        _input(
            "exposure.surface_chloride",
            "surface chloride",
            d("lognormal", mean=3, cov=0.35),
            "%",
            "exposure",
        ),
        _input("exposure.initial_chloride", "initial chloride", fixed(0.1), "%", "exposure"),
        _input(
            "exposure.convection_zone",
            "convection zone",
            d("beta", mean=8.9, sd=5.6, low=0, high=50),
            "mm",
            "exposure",
            source=recalled,
        ),
        _input(
            "reinforcement.critical_chloride",
            "critical chloride",
            d("beta", mean=0.6, sd=0.15, low=0.2, high=2),
            "%",
            "steel",
            source=recalled,
        ),
        _input(
            "curing.law",
            "curing law",
            d("normal", mean=0, sd=1),
            "",
            "curing",
            kind=kind,
            source="DuraCrete R9 (recalled)",
        ),
    )


def make_scenario(
    strategies: tuple[tuple[str, float, FollowUp, float], ...] = SIX,
    *,
    knowledge: bool = True,
    units: str = "SI",
    layered: bool = False,
    choices: bool = True,
    title: str = "Sea wall of an invented harbour (demonstration, all data invented)",
) -> Scenario:
    names = [s[0] for s in strategies]
    ages = tuple(
        _input(f"strategy.{n}.strip_age", f"strip age of {s[0]}", fixed(s[1]), "h", "curing")
        for n, s in enumerate(strategies)
    )
    open_choices = Choices((45.0, 75.0, 5.0), (10.0, 120.0), (NONE, SHEET, WET))
    return Scenario(
        path=Path("/somewhere/private/example.toml"),
        digest="ab" * 32,
        title=title,
        exposure_class="XS3",
        target=Target(75.0, 0.10, float(-ndtri(0.10))),
        reference_strategy=names[-2],
        strategies=tuple(
            Strategy(name, f"s{n}", f"strategy.{n}.strip_age", 15.0, follow)
            for n, (name, _, follow, _) in enumerate(strategies)
        ),
        inputs=make_inputs(knowledge) + ages,
        correlations=(),
        curing=Curing(
            7.0,
            "arrhenius",
            4000.0,
            0.0,
            20.0,
            15.0,
            layered,
            "published quantiles",
            "curing.affected_depth" if layered else "",
        ),
        choices=open_choices if choices else None,
        sampling=Sampling(16384, 16, 1, 120.0),
        monthly_temperature=(),
        diffusivity_age_d=28.0,
        test_factor=1.0,
        ageing_convention="apparent",
        exposure_age_d=28.0,
        ageing_ends=np.inf,
        chloride_basis="binder",
        units=units,
        warnings=("The strip ages are below one day: the curing law is extrapolated there.",),
    )


def index_at(age, penalty, *, cover=60.0, shift=0.0):
    """Reliability index of a normal margin: the front grows with a power of age."""
    front = 10.0 + 6.2 * np.sqrt(penalty) * np.power(np.maximum(age, 1e-9), 0.275)
    return (cover - front) / np.hypot(8.0, 0.38 * front) + shift


def make_curves(scenario: Scenario, penalties, *, knowledge: bool, lift: float) -> pd.DataFrame:
    age = np.arange(0.0, scenario.sampling.horizon + 1)
    parts = []
    for strategy, penalty in zip(scenario.strategies, penalties, strict=True):
        beta = index_at(age, penalty) + lift
        p = np.exp(log_ndtr(-beta))
        low, high = np.exp(log_ndtr(-(beta + 0.55))), np.exp(log_ndtr(-(beta - 0.5)))
        parts.append(
            pd.DataFrame(
                {
                    "strategy": strategy.name,
                    "age_yr": age,
                    "probability": p,
                    "low95": p * 0.998,
                    "high95": np.minimum(p * 1.002, 1.0),
                    "know_low": low if knowledge else np.nan,
                    "know_high": high if knowledge else np.nan,
                    "reliability_index": beta,
                    "confidence": np.where(
                        age == scenario.target.service_life, 0.7 if knowledge else np.nan, np.nan
                    ),
                    "status": "ok",
                    "index_low95": beta - 0.01,
                    "index_high95": beta + 0.01,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def reached(age, p, target) -> float:
    return float(np.interp(target, p, age)) if p[-1] >= target else np.inf


def make_strategies(scenario: Scenario, curves: pd.DataFrame, penalties) -> pd.DataFrame:
    target, life = scenario.target.probability, {}
    rows = []
    for strategy, penalty in zip(scenario.strategies, penalties, strict=True):
        c = curves[curves.strategy == strategy.name]
        age = c.age_yr.to_numpy()
        at = c[c.age_yr == scenario.target.service_life].iloc[0]
        reach = {
            k: reached(age, c[k].to_numpy(), target) for k in ("probability", "low95", "high95")
        }
        life[strategy.name] = reach["probability"]
        rows.append(
            {
                "strategy": strategy.name,
                "strip_age_h": scenario.input(strategy.strip_age_input).distribution.mean,
                "effective_curing_h": 0.7
                * scenario.input(strategy.strip_age_input).distribution.mean,
                "penalty_mean": penalty,
                "penalty_sd": 0.25 * penalty,
                "probability_at_target": at.probability,
                "low95": at.low95,
                "high95": at.high95,
                "know_low": at.know_low,
                "know_high": at.know_high,
                "life_at_target_yr": reach["probability"],
                "life_low95": reach["high95"],
                "life_high95": reach["low95"],
                "median_initiation_yr": reached(age, c.probability.to_numpy(), 0.5),
                "life_change_pct": np.nan,
                "life_change_low95": np.nan,
                "life_change_high95": np.nan,
                "life_status": "",
                "meets_target": "yes" if at.probability < target else "no",
                "confidence": at.confidence,
                "confidence_low95": at.confidence - 0.02,
                "confidence_high95": at.confidence + 0.02,
                "life_change_know_low": np.nan,
                "life_change_know_high": np.nan,
                "know_low_low95": 0.9 * at.know_low,
                "know_low_high95": 1.1 * at.know_low,
                "know_high_low95": 0.97 * at.know_high,
                "know_high_high95": 1.03 * at.know_high,
            }
        )
    base = life[scenario.reference_strategy]
    for row in rows:
        own = row["life_at_target_yr"]
        if row["strategy"] == scenario.reference_strategy:
            row["life_status"] = "reference"
        elif np.isfinite(own) and np.isfinite(base):
            change = 100 * (own / base - 1)
            row.update(
                life_change_pct=change,
                life_change_low95=change - 1,
                life_change_high95=change + 1,
                life_status="ok",
            )
            if np.isfinite(row["know_low"]):
                row.update(life_change_know_low=change - 9, life_change_know_high=change + 9)
        else:
            row["life_status"] = "this strategy keeps the limit up to 120 yr, the horizon"
    return pd.DataFrame(rows)


def _row(analysis, who, quantity, age, *estimates, **more):
    first, total = estimates or (np.nan, np.nan)
    row = {
        "analysis": analysis,
        "strategy": who,
        "quantity": quantity,
        "age_yr": age,
        "input": "",
        "input2": "",
        "group": "",
        "first": first,
        "first_low95": first - 0.01,
        "first_high95": first + 0.01,
        "total": total,
        "total_low95": total - 0.012,
        "total_high95": total + 0.012,
        "second": np.nan,
        "second_low95": np.nan,
        "second_high95": np.nan,
        "status": "ok",
    }
    return row | more


def make_sensitivity(scenario: Scenario) -> pd.DataFrame:
    who = scenario.reference_strategy
    singles = {
        "reinforcement.cover": (0.09, 0.09, "cover"),
        "concrete.diffusivity": (0.06, 0.08, "concrete"),
        "concrete.ageing_exponent": (0.55, 0.63, "concrete"),
        "concrete.temperature_coefficient": (0.02, 0.03, "concrete"),
        "exposure.surface_chloride": (0.07, 0.09, "exposure"),
        "exposure.convection_zone": (0.05, 0.05, "exposure"),
        "reinforcement.critical_chloride": (0.02, 0.025, "steel"),
        "curing.law": (0.004, 0.006, "curing"),
    }
    groups = {
        "cover": (0.09, 0.09),
        "concrete": (0.66, 0.74),
        "exposure": (0.12, 0.15),
        "steel": (0.02, 0.025),
        "curing": (0.004, 0.006),
    }
    rows = []
    for age in (25.0, scenario.target.service_life):
        for quantity in ("depth margin", "failure"):
            rows += [
                _row("uncertainty", who, quantity, age, s, t, input=name, group=group)
                for name, (s, t, group) in singles.items()
            ]
            rows += [
                _row("uncertainty", who, quantity, age, s, t, group=group)
                for group, (s, t) in groups.items()
            ]
    if scenario.choices is not None:
        life = scenario.target.service_life
        for name, (s, t) in {
            "cover": (0.71, 0.74),
            "strip age": (0.2, 0.24),
            "follow-up": (0.03, 0.06),
        }.items():
            rows.append(_row("choices", "", "reliability index", life, s, t, input=name))
            if any(item.kind == "knowledge" for item in scenario.inputs):
                rows.append(
                    _row(
                        "choices by epistemic point",
                        "",
                        "reliability index",
                        life,
                        s,
                        t,
                        input=name,
                        first_low95=s - 0.1 * s,
                        first_high95=s + 0.1 * s,
                        total_low95=0.8 * t,
                        total_high95=1.2 * t,
                    )
                )
        rows.append(
            _row(
                "choices",
                "",
                "reliability index",
                life,
                input="cover",
                input2="strip age",
                second=0.02,
                second_low95=0.01,
                second_high95=0.03,
            )
        )
    return pd.DataFrame(rows, columns=columns("sensitivity"))


def make_map(scenario: Scenario) -> ReliabilityMap:
    cover = np.arange(45.0, 76.0, 5.0)
    hours = np.geomspace(10.0, 120.0, 13)
    index = np.empty((3, hours.size, cover.size))
    for f, extra in enumerate((0.0, 40.0, 15.0)):
        penalty = np.maximum((168.0 / (hours + extra)) ** 0.4, 0.8)
        index[f] = index_at(75.0, penalty[:, None], cover=cover[None, :])
    labels = tuple(follow.label for follow in scenario.choices.follow_up)
    return ReliabilityMap(cover, hours, labels, index)


def make_input_table(scenario: Scenario) -> pd.DataFrame:
    rows = []
    for item in scenario.inputs:
        law = item.distribution
        p05, p50, p95 = law.quantile([0.05, 0.5, 0.95])
        rows.append(
            {
                "name": item.name,
                "label": item.label,
                "family": law.family,
                "mean": law.mean,
                "sd": law.sd,
                "p05": p05,
                "p50": p50,
                "p95": p95,
                "unit": item.unit,
                "kind": item.kind,
                "between_walls": item.epistemic_share,
                "kind_reason": "by default",
                "group": item.group,
                "source": item.source,
            }
        )
    return pd.DataFrame(rows)


def make_assessment(
    strategies: tuple[tuple[str, float, FollowUp, float], ...] = SIX,
    *,
    lift: float = 0.0,
    agrees: bool = True,
    knowledge: bool = True,
    **scenario_options,
) -> Assessment:
    scenario = make_scenario(strategies, knowledge=knowledge, **scenario_options)
    penalties = [s[3] for s in strategies]
    curves = make_curves(scenario, penalties, knowledge=knowledge, lift=lift)
    table = make_strategies(scenario, curves, penalties)
    layered = scenario.curing.layered
    return Assessment(
        scenario=scenario,
        curves=curves,
        strategies=table,
        sensitivity=make_sensitivity(scenario),
        inputs=make_input_table(scenario),
        verdict=(
            "Two of the strategies meet the target of 10 % in 75 yr; the rest do not.",
            "Knowledge of the ageing exponent decides more than any strip age.",
        ),
        answer=("Two of the strategies meet the target of 10 % in 75 yr; the rest do not.",),
        exchange=ExchangeRate(60.0, 36.0, 2.1, 2.08, 2.12, 1.1, 3.4, saved=1.9)
        if scenario.choices is not None
        else None,
        reliability_map=make_map(scenario) if scenario.choices is not None else None,
        hand_check=(
            HandStep("temperature factor", "k_e", "exp(4800 (1/293 - 1/282.15))", 0.5325, ""),
            HandStep(
                "transformed time", "tau", "0.5325 x 59.96 x (0.0767/75)^0.45 x 75", 108.1, "mm2"
            ),
            HandStep("front depth", "x_c", "8.9 + 2 x 0.941 x sqrt(1.80 x 108.1)", 35.2, "mm"),
            HandStep("margin", "c - x_c", "60 - 35.2", 24.8, "mm"),
        ),
        plain_check=MonteCarloCheck(100_000, 0.121, 0.1204, 0.001, 0.6, True)
        if agrees
        else MonteCarloCheck(100_000, 0.161, 0.1204, 0.001, 40.6, False),
        special_cases=pd.DataFrame(
            {
                "case": [
                    "surface chloride at or below the critical content",
                    "depassivated from the start",
                ],
                "strategy": ["", ""],
                "share": [0.0012, 0.0],
            }
        ),
        uniform_face=pd.DataFrame(
            {"strategy": table["strategy"], "probability_at_target": table["high95"] * 1.3}
        )
        if layered
        else None,
        warnings=scenario.warnings,
        run={
            "versions": {"stripwise": "0.1.0", "numpy": "2.3.0"},
            "seed": 1,
            "points": 16384,
            "repeats": 16,
            "times": {"total_s": 0.66},
            "odd": float("nan"),
        },
    )


def many(count: int) -> tuple[tuple[str, float, FollowUp, float], ...]:
    """Strategies with long names and curves that end close together."""
    return tuple(
        (
            f"Strategy {n:02d}: "
            + "forms kept until the responsible engineer releases them and then the sheet"[:54],
            12.0 + 2 * n,
            (NONE, SHEET, WET)[n % 3],
            2.9 - 0.05 * n,
        )
        for n in range(count)
    )


def hostile() -> tuple[tuple[str, float, FollowUp, float], ...]:
    return tuple((name, *SIX[n][1:]) for n, name in enumerate(HOSTILE))


def with_changes(assessment: Assessment, **changes) -> Assessment:
    return replace(assessment, **changes)


VOID = {"meta", "br", "link", "img", "hr", "input"}


class Outline(HTMLParser):
    """Collects text, tags and ids, and checks that tags close in order."""

    def __init__(self):
        super().__init__()
        self.open, self.ids, self.tags, self.text, self.attributes = [], [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        self.ids += [value for key, value in attrs if key == "id"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.text.append(data)


def outline(html: str) -> Outline:
    """Read a page: its words, tags and attributes."""
    parser = Outline()
    parser.feed(html)
    parser.close()
    assert parser.open == []
    parser.words = " ".join(" ".join(parser.text).split())
    return parser
