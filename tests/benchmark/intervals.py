"""How often the intervals that the program gives cover a known truth.

    python tests/benchmark/intervals.py --rows curves --seeds 0:100 --store pieces

Prints a Markdown table: each 95 % interval, how many runs it was asked of, the share that covered,
and the binomial standard error of that share. The truth is a closed form: a wall whose front and
cover are lognormal, so that the margin in logarithms is normal, or one with a linear normal margin;
earliest strip ages, exchange rates and choices are held against a sample of 2^17 points or more.
Pieces of different seeds add up in a folder. Intervals of fits have their own coverage in
tests/benchmark/evidence.py; those of Shapley effects and of costs are t intervals over the same
repeats and are not among the rows.
"""

from __future__ import annotations

import argparse
import dataclasses
import importlib.util
import json
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from scipy import optimize, special, stats

import stripwise
from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.wall import COVER, DIFFUSIVITY, MEAN_COVER_OFFSET, Plan, Wall
from stripwise.risk.probability.confidence import epistemic_probability
from stripwise.risk.probability.curves import probability_curves
from stripwise.risk.probability.extent import FaceSize, simulate_faces
from stripwise.risk.probability.integral import Integral, front_depths
from stripwise.risk.probability.intervals import TOO_RARE, t_interval
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.risk.probability.rare_probability import tail_intervals
from stripwise.risk.probability.target_roots import earliest_strip_ages, find_target_root
from stripwise.risk.probability.target_rule import TargetRule
from stripwise.risk.sensitivity.anova import anova
from stripwise.risk.sensitivity.margin_indices import margin_indices
from stripwise.risk.sensitivity.quantities_of_interest import FAILURE, QuantitiesOfInterest
from stripwise.risk.sensitivity.sobol import (
    SobolDesign,
    accumulate_sums,
    indices_from_sums,
    output_shift,
)
from stripwise.studies.decision import ERROR_CHANCE, decision_limit
from stripwise.studies.design.exchange_rates import design_point_rows
from stripwise.studies.design.setting import Setting
from stripwise.studies.rank.choice_rule import ChoiceRule
from stripwise.studies.rank.factorial import FactorialDesign, clipped_index, outcomes
from stripwise.studies.rank.value_of_information import value_of_information_table

COEFFICIENT = "concrete.temperature_coefficient"
REPEATS = 8
ALLOWED, LIFE = 0.1, 50.0
DIFFUSIVITY_MEAN, DIFFUSIVITY_COV, COVER_MEAN, COVER_COV = 100.0, 0.4, 60.0, 0.2
COEFFICIENT_SD, SLOPE = 1500.0, 1.0 / 293.0 - 1.0 / 283.15
PENALTY = 1.6
S_D, S_C = np.sqrt(np.log1p(DIFFUSIVITY_COV**2)), np.sqrt(np.log1p(COVER_COV**2))
PARTS = {
    COVER: S_C**2,
    DIFFUSIVITY: 0.25 * S_D**2,
    COEFFICIENT: 0.25 * (COEFFICIENT_SD * SLOPE) ** 2,
}
"""Variance that each input adds to the logarithm of front over cover."""
SPREAD = float(np.sqrt(sum(PARTS.values())))

Tally = dict[str, list[bool]]


def wall(*, epistemic: tuple[str, ...] = (), split: dict[str, float] | None = None) -> Wall:
    """Return the wall, with the names of its epistemic inputs and shares between walls."""
    path = Path(__file__).parents[1] / "risk" / "walls.py"
    spec = importlib.util.spec_from_file_location("walls", path)
    assert spec is not None
    assert spec.loader is not None
    walls: Any = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(walls)
    changes = {name: fixed(law.mean) for name, (law, _) in walls.DEFAULTS.items()}
    changes |= {
        "exposure.surface_chloride": fixed(3.0),
        "exposure.initial_chloride": fixed(0.0),
        "exposure.convection_zone": fixed(0.0),
        DIFFUSIVITY: distribution("lognormal", mean=DIFFUSIVITY_MEAN, cov=DIFFUSIVITY_COV),
        "concrete.ageing_exponent": fixed(0.3),
        COEFFICIENT: distribution("normal", mean=4800.0, sd=COEFFICIENT_SD),
        COVER: distribution("lognormal", mean=COVER_MEAN, cov=COVER_COV),
    }
    one = walls.wall(
        changes=changes,
        knowledge=epistemic,
        plans=(Plan("7 d", 168.0, 1.0), Plan("early", 168.0, 1.0, penalty="strategy.penalty")),
    )
    given = Input("strategy.penalty", "penalty", fixed(PENALTY), "", "curing", "scatter")
    inputs = tuple(
        dataclasses.replace(i, between_walls=(split or {}).get(i.name, i.between_walls))
        for i in (*one.inputs, given)
    )
    return dataclasses.replace(one, inputs=inputs)


def index(ages: Any, *, penalty: float = 1.0) -> Any:
    """Return the mean of ln cover less ln front [-], which over SPREAD is the reliability index."""
    z = special.erfcinv(0.2)
    shape = (28 / 365.25) ** 0.3 * np.asarray(ages) ** 0.7
    log_d = np.log(DIFFUSIVITY_MEAN) - 0.5 * S_D**2 + 4800.0 * SLOPE + np.log(shape * penalty)
    return np.log(COVER_MEAN) - 0.5 * S_C**2 - np.log(2.0 * z) - 0.5 * log_d


def life(target: float, *, penalty: float = 1.0, spread: float = SPREAD) -> float:
    """Return the age at which P is the target [yr]."""
    goal = -special.ndtri(target) * spread
    return float(optimize.brentq(lambda t: index(t, penalty=penalty) - goal, 1e-4, 1e6))


def decades(seeds: range) -> tuple[Tally, list[str]]:
    """Cover P and its index, two ages per decade from 1e-6 on, from a sample of 256 points."""
    face, tally = wall().with_plans(wall().plans[:1]), defaultdict(list)
    integral, sampler = Integral.from_wall(face)
    goals = np.array([f * 10.0**-k for k in range(6, 1, -1) for f in (2.0, 6.0)])
    ages, points = np.array([life(p) for p in goals]), 256
    upper, rare = np.zeros((1, goals.size), dtype=bool), 0
    for seed in seeds:
        means = []
        for r in range(REPEATS):
            z = next(
                iter(
                    sobol_blocks(
                        sampler.dimensions, points, random_stream(seed, stage="main", index=(r,))
                    )
                )
            )
            values, shift = sampler.values(z), integral.conditional_mean(sampler.correlate(z))
            block = face.sample_block(values)
            means.append(integral.probabilities(face, block, values, shift, ages, upper))
        found = tail_intervals(
            face,
            integral,
            sampler,
            ages=ages,
            tail_means=np.array(means),
            upper=upper,
            points=points,
            seed=seed,
            workers=1,
        )
        status = found.status(ages, found.mean)[0]
        for p, low, high, word in zip(goals, found.low[0], found.high[0], status, strict=True):
            if word == TOO_RARE:
                rare += 1
                continue
            tally[f"P and its index, {p:.0e}"].append(bool(low <= p <= high))
    return tally, [f"Rows of P that read too rare, seeds {seeds.start} on: {rare}."]


def lives(seeds: range) -> tuple[Tally, list[str]]:
    """Cover the life and its change.

    The penalty is random: under a fixed one every repeat has the very same ratio of the lives.
    """
    tally, target, cov = defaultdict(list), 0.02, 0.3
    law = distribution("lognormal", mean=PENALTY, cov=cov)
    face = wall()
    face = dataclasses.replace(
        face,
        inputs=tuple(
            dataclasses.replace(i, distribution=law) if i.name == "strategy.penalty" else i
            for i in face.inputs
        ),
    )
    goal, s_k = float(-special.ndtri(target)), np.sqrt(np.log1p(cov**2))
    median, spread = PENALTY * np.exp(-0.5 * s_k**2), np.hypot(SPREAD, 0.5 * s_k)
    exact = life(target), life(target, penalty=median, spread=spread)
    for seed in seeds:
        found = probability_curves(
            face, horizon=60.0, kinks=(LIFE,), points=256, repeats=REPEATS, seed=seed, band=False
        )
        by_repeat = found.age_by_repeat(goal)[:, :2]
        lows, highs = (c.age_at_index(goal) for c in (found.high95, found.low95))
        for low, high, true in zip(lows, highs, exact, strict=True):
            tally["life at 2 %"].append(bool(low <= true <= high))
        _, least, most = t_interval(np.log(by_repeat[:, 1] / by_repeat[:, 0]))
        tally["life change"].append(bool(least <= np.log(exact[1] / exact[0]) <= most))
    return tally, []


def confidence(seeds: range) -> tuple[Tally, list[str]]:
    """Cover the share of the epistemic points that meet the target, and both ends of the range.

    Of one epistemic input, whose points are evenly spread, and of several; P at the life, of which
    the points of a run miss a little, is the exact one.
    """
    tally, told = defaultdict(list), []
    mean = np.array([index(LIFE)]) / SPREAD
    goal = float(-special.ndtri(ALLOWED))
    for names, split in (((COEFFICIENT,), {}), ((COEFFICIENT, DIFFUSIVITY), {COVER: 0.3})):
        face = wall(epistemic=names, split=split).with_plans(wall().plans[:1])
        between = sum(PARTS[n] for n in names) + sum(b * PARTS[n] for n, b in split.items())
        inner, outer = np.sqrt(SPREAD**2 - between), np.sqrt(between)
        exact = float(special.ndtr((index(LIFE) - goal * inner) / outer))
        ends = {s: (index(LIFE) + special.ndtri(s) * outer) / inner for s in (0.025, 0.975)}
        count = f"{len(names) + len(split)} epistemic"
        for seed in seeds:
            found = epistemic_probability(
                face, age=LIFE, mean_index=mean, points=512, seed=seed, workers=1
            )
            assert found is not None
            share = found.confidence(goal)
            tally[f"confidence, {count}"].append(bool(share.low95[0] <= exact <= share.high95[0]))
            for name, level in (("know_low", 0.975), ("know_high", 0.025)):
                end = found.range_end(level)
                tally[f"{name}, end of the range, {count}"].append(
                    bool(end.low95[0] <= ends[level] <= end.high95[0])
                )
        low, high = (100.0 * special.ndtr(-ends[s]) for s in (0.975, 0.025))
        told.append(f"{count}: confidence {100.0 * exact:.1f} %, range {low:.2g} to {high:.3g} %.")
    return tally, told


def roots(seeds: range) -> tuple[Tally, list[str]]:
    """Cover the required cover and the earliest strip age."""
    face, tally = wall(), defaultdict(list)
    law = next(i.distribution for i in face.inputs if i.name == COVER)
    fronts = np.exp(
        np.log(COVER_MEAN)
        - 0.5 * S_C**2
        - index(LIFE)
        + np.sqrt(SPREAD**2 - S_C**2) * np.polynomial.hermite_e.hermegauss(80)[0]
    )
    weight = np.polynomial.hermite_e.hermegauss(80)[1] / np.sqrt(2.0 * np.pi)

    def probability(cover: float) -> float:
        return float(weight @ law.shifted(cover - COVER_MEAN).cdf(fronts))

    exact = float(optimize.brentq(lambda c: probability(c) - ALLOWED, 20.0, 200.0))
    rule = TargetRule(float(-special.ndtri(ALLOWED)), decision_limit, ERROR_CHANCE)
    covers, at = np.linspace(exact - 20.0, exact + 20.0, 41), np.array([LIFE])
    plans = (Plan("sought", 24.0, 1.0),)

    def strip(points: int, repeats: int, seed: int) -> Any:
        sample = SamplingOptions(points, repeats, seed, workers=1)
        return earliest_strip_ages(
            face.with_plans(plans),
            plans,
            covers=np.array([exact + 4.0]),
            strip_ages=(10.0, 240.0),
            age=LIFE,
            rule=rule,
            sample=sample,
        )[0][0]

    true_age = strip(2**14, 16, 10**6).value
    for seed in seeds:
        sample = SamplingOptions(1024, REPEATS, seed, workers=1)
        p = probability_by_repeat(face, covers, at, sample=sample)[:, 0, 0]
        root = find_target_root(covers, p, rule, points=sample.points)
        tally["required cover"].append(root.low95 <= exact <= root.high95)
        age = strip(256, REPEATS, seed)
        tally["earliest strip age"].append(age.low95 <= true_age <= age.high95)
    return tally, [f"Required cover {exact:.2f} mm, earliest strip age {true_age:.1f} h."]


def sobol(seeds: range) -> tuple[Tally, list[str]]:
    """Cover the indices of the margin and of failure, first and total."""
    face = wall().with_plans(wall().plans[:1])
    tally: Tally = defaultdict(list)
    front = PARTS[DIFFUSIVITY], PARTS[COEFFICIENT]
    mean = np.exp(np.log(COVER_MEAN) - 0.5 * S_C**2 - index(LIFE) + 0.5 * sum(front))
    variance = (COVER_MEAN * COVER_COV) ** 2 + mean**2 * np.expm1(sum(front))
    names = (DIFFUSIVITY, COEFFICIENT)
    first = {n: mean**2 * np.expm1(PARTS[n]) / variance for n in names}
    total = {n: first[n] * np.exp(PARTS[m]) for n, m in zip(names, names[::-1], strict=True)}
    for seed in seeds:
        found = margin_indices(face, LIFE, repeats=REPEATS, seed=seed, workers=1)
        for item in found.items:
            if item.input in names:
                for word, values, exact in zip(
                    ("first", "total"), found.of(item), (first, total), strict=True
                ):
                    _, low, high = t_interval(values[:, 0])
                    tally[f"margin, {word} index"].append(bool(low <= exact[item.input] <= high))
    for age in (LIFE, life(4e-3)):
        _failure(face, age, seeds, tally)
    return tally, []


def _failure(face: Wall, age: float, seeds: range, tally: Tally) -> None:
    quantities = QuantitiesOfInterest.from_wall(
        face, face.plans[0], reference=face.plans[0], ages=np.array([age]), quantities=(FAILURE,)
    )
    sampler: InputSampler = quantities.sampler
    layout = SobolDesign(
        sampler.dimensions,
        tuple((k,) for k in range(sampler.dimensions)),
        quantities.continuous,
        quantities.integrated,
        (),
    )
    h = -index(age) / SPREAD
    p = float(special.ndtr(h))

    def share(part: float) -> float:
        """First index of what holds this share of the variance of the log margin."""
        rho = part / SPREAD**2
        joint = stats.multivariate_normal.cdf([h, h], [0.0, 0.0], [[1.0, rho], [rho, 1.0]])
        return float((joint - p * p) / (p * (1.0 - p)))

    shift = output_shift(quantities, layout)
    for seed in seeds:
        sums = accumulate_sums(
            quantities,
            layout,
            start=0,
            points=1024,
            repeats=REPEATS,
            seed=seed,
            shift=shift,
            workers=1,
        )
        found = indices_from_sums(sums, layout, shift=shift)
        for k, name in enumerate(sampler.names):
            part = PARTS[name]
            for word, values, exact in (
                ("first", found.first, share(part)),
                ("total", found.total, 1.0 - share(SPREAD**2 - part)),
            ):
                _, low, high = t_interval(values[:, k, -1])
                tally[f"failure, {word} index, P = {p:.2g}"].append(bool(low <= exact <= high))


def extent(seeds: range) -> tuple[Tally, list[str]]:
    """Cover the chance that more than a share of a face is depassivated."""
    tally: Tally = defaultdict(list)
    b = 0.4
    face = wall(split=dict.fromkeys(PARTS, b)).with_plans(wall().plans[:1])
    size, h = FaceSize(8.0, 3.0, 0.0), -float(index(LIFE)) / SPREAD
    half = float(stats.beta.ppf(0.975, 501, 500) - 0.5)
    for seed in seeds:
        shares = simulate_faces(face, [LIFE], size, faces=1000, seed=seed, workers=1).shares[0, 0]
        for x in (0.1, 0.25, 0.5):
            score = (special.ndtri(x) * np.sqrt(1.0 - b) - h) / np.sqrt(b)
            exact = float(special.ndtr(-score))
            tally["extent, chance of a share (stated half width)"].append(
                abs(float(np.mean(shares > x)) - exact) <= half
            )
    return tally, []


def _small_case(seed: int, points: int, repeats: int) -> Setting:
    """Return a shipped scenario whose inputs are all scatter, with a sample of its own."""
    path = Path(__file__).parents[2] / "scenarios" / "garage-wall.toml"
    case = stripwise.load(path)
    inputs = tuple(dataclasses.replace(i, kind="scatter", between_walls=0.0) for i in case.inputs)
    sampling = dataclasses.replace(case.sampling, points=points, repeats=repeats, seed=seed)
    case = dataclasses.replace(case, inputs=inputs, sampling=sampling)
    return Setting.from_scenario(case, workers=1)


def exchange(seeds: range) -> tuple[Tally, list[str]]:
    """Cover the exchange rates both ways, held against a sample of 2^18 points."""
    tally: Tally = defaultdict(list)
    exact = design_point_rows(_small_case(10**6, 2**14, 16))
    for seed in seeds:
        for row, true in zip(
            design_point_rows(_small_case(seed, 128, REPEATS)), exact, strict=True
        ):
            value = float(str(true["value"]))
            tally[f"exchange, {row['question']}"].append(
                bool(float(str(row["low95"])) <= value <= float(str(row["high95"])))
            )
    return tally, []


def choices(seeds: range) -> tuple[Tally, list[str]]:
    """Cover the total shares of the choices of a run, held against a sample of 2^17 points."""
    tally: Tally = defaultdict(list)

    def totals(seed: int, points: int, repeats: int) -> np.ndarray:
        setting = _small_case(seed, points, repeats)
        sample = SamplingOptions(points, repeats, seed, "choices", workers=1)
        names = {"cover": "cover", "strip age": "strip age", "follow-up": "follow-up"}
        design = FactorialDesign.from_scenario(
            setting.wall, setting.scenario, nodes=3, shrink=1.0, names=tuple(names)
        )
        p = outcomes(design, setting.at_life, sample=sample)
        assert p is not None
        return anova(clipped_index(p[:, 0]), design.weights).total

    exact = totals(10**6, 2**13, 16).mean(axis=0)
    for seed in seeds:
        _, low, high = t_interval(totals(seed, 128, REPEATS))
        for k in range(exact.size):
            tally["choices, total share"].append(bool(low[k] <= exact[k] <= high[k]))
    return tally, []


def worth(seeds: range) -> tuple[Tally, list[str]]:
    """Cover the share of the variance that a measurement takes away, of a linear normal margin.

    Cover and its mean normal, the convection zone normal: second moments of P given one of them are
    bivariate normal probabilities (Owen, A table of normal integrals, 1980, 20,010.3; recalled).
    """
    tally: Tally = defaultdict(list)
    sigma, tau, zone = 7.0, 4.0, 3.0
    name = "exposure.convection_zone"
    base = wall()
    laws = {
        DIFFUSIVITY: fixed(DIFFUSIVITY_MEAN),
        COEFFICIENT: fixed(4800.0),
        COVER: distribution("normal", mean=60.0, sd=sigma),
        name: distribution("normal", mean=9.0, sd=zone),
    }
    inputs = [
        dataclasses.replace(
            i,
            distribution=laws.get(i.name, i.distribution),
            kind="knowledge" if i.name == name else i.kind,
        )
        for i in base.inputs
    ]
    offset = distribution("normal", mean=0.0, sd=tau)
    inputs.append(Input(MEAN_COVER_OFFSET, "", offset, "mm", "cover", "knowledge"))
    face = dataclasses.replace(base, inputs=tuple(inputs), plans=base.plans[:1])
    means = {item.name: item.distribution.mean for item in face.inputs}
    front = float(np.ravel(front_depths(face, face.sample_block(means), LIFE)[0])[0])
    whole = sigma**2 + tau**2 + zone**2
    h = (front - 60.0) / np.sqrt(whole)

    def spread(known: float) -> float:
        rho = known / whole
        both = stats.multivariate_normal.cdf([h, h], [0.0, 0.0], [[1.0, rho], [rho, 1.0]])
        return float(both - special.ndtr(h) ** 2)

    exact = {
        part: spread(known) / spread(tau**2 + zone**2)
        for part, known in ((MEAN_COVER_OFFSET, tau**2), (name, zone**2))
    }
    sample = SamplingOptions(256, REPEATS, 1, workers=1)
    rule = ChoiceRule.from_wall(face, age=LIFE, allowed=ALLOWED, sample=sample, most=256)
    for seed in seeds:
        rows = value_of_information_table(
            face, strategy="7 d", rule=rule, repeats=REPEATS, seed=seed, workers=1
        ).set_index("measurement")
        for part, share in exact.items():
            low, high = (float(rows.loc[part, end]) for end in ("low95", "high95"))
            tally["worth of a measurement, share"].append(low <= share <= high)
    return tally, []


CASES = {
    "decades": decades,
    "lives": lives,
    "confidence": confidence,
    "roots": roots,
    "exchange": exchange,
    "sobol": sobol,
    "choices": choices,
    "worth": worth,
    "extent": extent,
}


def main() -> None:
    """Run the rows asked for and print the coverage of all that is stored, or of this run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0:50", help="first and last, as 200:400")
    parser.add_argument("--rows", choices=sorted(CASES), nargs="*", default=sorted(CASES))
    parser.add_argument("--store", type=Path, help="folder to add this piece to and to read from")
    options = parser.parse_args()
    seeds = range(*(int(n) for n in options.seeds.split(":")))
    pieces = []
    for name in options.rows:
        tally, told = CASES[name](seeds)
        counts = {what: [len(hits), int(sum(hits))] for what, hits in tally.items()}
        pieces.append({"row": name, "seeds": options.seeds, "counts": counts, "told": told})
        if options.store is not None:
            options.store.mkdir(exist_ok=True)
            place = options.store / f"{name}-{seeds.start}-{seeds.stop}.json"
            place.write_text(json.dumps(pieces[-1]), encoding="utf-8")
    if options.store is not None:
        pieces = [json.loads(p.read_text("utf-8")) for p in sorted(options.store.glob("*.json"))]
    print_table(pieces)


def print_table(pieces: Sequence[dict[str, Any]]) -> None:
    """Add up pieces of different seeds, and print coverage and remarks."""
    sums: dict[str, list[int]] = {}
    for piece in pieces:
        for what, (asked, covered) in piece["counts"].items():
            total = sums.setdefault(what, [0, 0])
            total[0], total[1] = total[0] + asked, total[1] + covered
    print("| interval | asked of | covered | binomial error |")
    print("|---|---|---|---|")
    for what, (asked, covered) in sums.items():
        share = covered / asked
        error = np.sqrt(max(share * (1.0 - share), 0.01) / asked)
        print(f"| {what} | {asked} | {100 * share:.1f} % | {100 * error:.1f} |")
    print(*("", *dict.fromkeys(line for piece in pieces for line in piece["told"])), sep="\n")


if __name__ == "__main__":
    main()
