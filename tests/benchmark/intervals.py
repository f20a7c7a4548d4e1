"""How often the intervals that the program gives cover a known truth.

    python tests/benchmark/intervals.py [--seeds 200] [--only curves]

Prints a Markdown table: each 95 % interval, how many runs it was asked of, the share that covered,
and the binomial standard error of that share. The truth is a closed form: a wall whose front and
cover are lognormal, so that the margin in logarithms is normal; earliest strip ages are held
against a sample of 2^18 points instead. Exchange rates are not among them, nor are the ends of the
band, of which the last table gives the error instead of a coverage.
"""

from __future__ import annotations

import argparse
import dataclasses
import importlib.util
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
from scipy import optimize, special, stats

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import InputSampler
from stripwise.risk.model.wall import COVER, DIFFUSIVITY, Plan, Wall
from stripwise.risk.probability.confidence import epistemic_probability
from stripwise.risk.probability.curves import probability_curves
from stripwise.risk.probability.extent import FaceSize, simulate_faces
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.risk.probability.rare_probability import TOO_RARE
from stripwise.risk.probability.target_roots import earliest_strip_ages, find_target_root
from stripwise.risk.probability.target_rule import TargetRule
from stripwise.risk.sensitivity.margin_indices import margin_indices
from stripwise.risk.sensitivity.quantities_of_interest import FAILURE, QuantitiesOfInterest
from stripwise.risk.sensitivity.sobol import (
    SobolDesign,
    accumulate_sums,
    indices_from_sums,
    output_shift,
)
from stripwise.studies.decision import decision_limit

COEFFICIENT = "concrete.temperature_coefficient"
REPEATS = 8
AGES = np.geomspace(1.2, 60.0, 24)
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


def wall(kind: str = "scatter", *, split: dict[str, float] | None = None) -> Wall:
    """Return the wall; `kind` is that of the temperature coefficient."""
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
        knowledge=(COEFFICIENT,) if kind == "knowledge" else (),
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


def life(target: float, *, penalty: float = 1.0) -> float:
    """Return the age at which P is the target [yr]."""
    goal = -special.ndtri(target) * SPREAD
    return float(optimize.brentq(lambda t: index(t, penalty=penalty) - goal, 1e-4, 1e6))


def curves(seeds: int) -> tuple[Tally, list[str]]:
    """Cover P and its index by decade, the life and its change; tell how many rows are too rare."""
    face, tally = wall(), defaultdict(list)
    exact = special.ndtr(-index(AGES) / SPREAD)
    target = 0.02
    lives = life(target), life(target, penalty=PENALTY)
    rare = 0
    for seed in range(seeds):
        found = probability_curves(
            face, horizon=60.0, kinks=(LIFE,), points=1024, repeats=REPEATS, seed=seed, band=False
        )
        ages = found.tails.ages[1:]
        exact = special.ndtr(-index(ages) / SPREAD)
        low, high = found.low95.at(ages)[0], found.high95.at(ages)[0]
        status = found.tails.status(ages, special.ndtr(-found.mean.at(ages)))[0]
        truth = index(ages) / SPREAD
        for p, beta, below, above, word in zip(exact, truth, low, high, status, strict=True):
            if p < 1e-6:
                continue
            if word == TOO_RARE:
                rare += 1
                continue
            decade = int(np.floor(np.log10(p) + 1e-9))
            tally[f"P and its index, 1e{decade} to 1e{decade + 1}"].append(above <= beta <= below)
        goal = float(-special.ndtri(target))
        by_repeat = np.array([one.age_at_index(goal)[:2] for one in found.repeats])
        tally["life at 2 %"].append(
            bool(
                found.high95.age_at_index(goal)[0] <= lives[0] <= found.low95.age_at_index(goal)[0]
            )
        )
        _, least, most = t_interval(np.log(by_repeat[:, 1] / by_repeat[:, 0]))
        tally["life change"].append(bool(least <= np.log(lives[1] / lives[0]) <= most))
    return tally, [f"Rows from 1e-6 on that read too rare: {rare}."]


def confidence(seeds: int) -> tuple[Tally, list[str]]:
    """Cover the share of the epistemic points that meet the target."""
    face, tally = wall("knowledge"), defaultdict(list)
    inner = np.sqrt(SPREAD**2 - PARTS[COEFFICIENT])
    outer = np.sqrt(PARTS[COEFFICIENT])
    goal = float(-special.ndtri(ALLOWED))
    exact = special.ndtr((index(LIFE) - goal * inner) / outer)
    mean = np.array([index(LIFE), index(LIFE, penalty=PENALTY)]) / SPREAD
    for seed in range(seeds):
        found = epistemic_probability(face, age=LIFE, mean_index=mean, points=1024, seed=seed)
        assert found is not None
        share = found.confidence(goal)
        tally["confidence"].append(bool(share.low95[0] <= exact <= share.high95[0]))
    return tally, [f"Confidence: true value {100.0 * exact:.1f} %."]


def band(seeds: int) -> tuple[Tally, list[str]]:
    """Tell how far the ends of the band lie from the exact quantiles, in the index."""
    face = wall("knowledge")
    inner, outer = np.sqrt(SPREAD**2 - PARTS[COEFFICIENT]), np.sqrt(PARTS[COEFFICIENT])
    exact = (index(LIFE) + np.array([1.0, -1.0]) * 1.959964 * outer) / inner
    gaps = []
    for seed in range(max(seeds // 20, 5)):
        found = probability_curves(
            face, horizon=60.0, kinks=(LIFE,), points=1024, repeats=REPEATS, seed=seed
        )
        assert found.know_low is not None
        assert found.know_high is not None
        ends = [one.at(np.array([LIFE]))[0, 0] for one in (found.know_low, found.know_high)]
        gaps.append(special.ndtr(-np.array(ends)) - special.ndtr(-exact))
    error = 100.0 * np.sqrt(np.mean(np.square(gaps), axis=0))
    low, high = 100.0 * special.ndtr(-exact)
    return {}, [
        f"Ends of the band, {low:.2f} and {high:.2f} %: root mean square error {error[0]:.2f} and "
        f"{error[1]:.2f} points; no interval is given."
    ]


def roots(seeds: int) -> tuple[Tally, list[str]]:
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
    rule = TargetRule(float(-special.ndtri(ALLOWED)), decision_limit)
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
    for seed in range(seeds):
        sample = SamplingOptions(1024, REPEATS, seed, workers=1)
        p = probability_by_repeat(face, covers, at, sample=sample)[:, 0, 0]
        root = find_target_root(covers, p, rule)
        tally["required cover"].append(root.low95 <= exact <= root.high95)
        if seed < max(seeds // 5, 20):
            age = strip(256, REPEATS, seed)
            tally["earliest strip age"].append(age.low95 <= true_age <= age.high95)
    return tally, [f"Required cover {exact:.2f} mm, earliest strip age {true_age:.1f} h."]


def sobol(seeds: int) -> tuple[Tally, list[str]]:
    """Cover the indices of the margin and of failure, first and total."""
    face = wall().with_plans(wall().plans[:1])
    tally: Tally = defaultdict(list)
    front = PARTS[DIFFUSIVITY], PARTS[COEFFICIENT]
    mean = np.exp(np.log(COVER_MEAN) - 0.5 * S_C**2 - index(LIFE) + 0.5 * sum(front))
    variance = (COVER_MEAN * COVER_COV) ** 2 + mean**2 * np.expm1(sum(front))
    names = (DIFFUSIVITY, COEFFICIENT)
    first = {n: mean**2 * np.expm1(PARTS[n]) / variance for n in names}
    total = {n: first[n] * np.exp(PARTS[m]) for n, m in zip(names, names[::-1], strict=True)}
    for seed in range(seeds):
        found = margin_indices(face, LIFE, repeats=REPEATS, seed=seed, workers=1)
        for item in found.items:
            if item.input in names:
                for word, values, exact in zip(
                    ("first", "total"), found.of(item), (first, total), strict=True
                ):
                    _, low, high = t_interval(values[:, 0])
                    tally[f"margin, {word} index"].append(bool(low <= exact[item.input] <= high))
    for age in (LIFE, life(4e-3)):
        _failure(face, age, max(seeds // 2, 20), tally)
    return tally, []


def _failure(face: Wall, age: float, seeds: int, tally: Tally) -> None:
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
    for seed in range(seeds):
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


def extent(seeds: int) -> tuple[Tally, list[str]]:
    """Cover the chance that more than a share of a face is depassivated."""
    tally: Tally = defaultdict(list)
    b = 0.4
    face = wall(split=dict.fromkeys(PARTS, b)).with_plans(wall().plans[:1])
    size, h = FaceSize(8.0, 3.0, 0.0), -float(index(LIFE)) / SPREAD
    half = float(stats.beta.ppf(0.975, 501, 500) - 0.5)
    for seed in range(max(seeds // 10, 10)):
        shares = simulate_faces(face, [LIFE], size, faces=1000, seed=seed, workers=1).shares[0, 0]
        for x in (0.1, 0.25, 0.5):
            score = (special.ndtri(x) * np.sqrt(1.0 - b) - h) / np.sqrt(b)
            exact = float(special.ndtr(-score))
            tally["extent, chance of a share (stated half width)"].append(
                abs(float(np.mean(shares > x)) - exact) <= half
            )
    return tally, []


CASES = {
    "curves": curves,
    "confidence": confidence,
    "band": band,
    "roots": roots,
    "sobol": sobol,
    "extent": extent,
}


def main() -> None:
    """Print coverage and remarks of the cases asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--only", choices=sorted(CASES))
    options = parser.parse_args()
    print("| interval | asked of | covered | binomial error |")
    print("|---|---|---|---|")
    remarks: list[str] = []
    for name, case in CASES.items():
        if options.only in (None, name):
            tally, told = case(options.seeds)
            remarks += told
            for what, hits in sorted(tally.items()):
                share = float(np.mean(hits))
                error = np.sqrt(max(share * (1.0 - share), 0.01) / len(hits))
                print(f"| {what} | {len(hits)} | {100 * share:.1f} % | {100 * error:.1f} |")
    print(*("", *remarks), sep="\n")


if __name__ == "__main__":
    main()
