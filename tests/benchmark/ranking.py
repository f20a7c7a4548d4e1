"""Ranking beside SALib and OpenTURNS: `python tests/benchmark/ranking.py [--rounds 3] [--ages 5]`.

Prints three Markdown tables: coverage of the 95 % intervals over 200 repeats on functions with
exact indices, times side by side, and the cost of a design point. Nothing is asserted. The rivals
take one output at a time, so they are timed on a few ages and their time is scaled to 101; ours is
timed on all 101, its model runs included, theirs without. Design points are timed by process time,
`--design-points` alone. Wanted ratios: the project's own aims.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats
from scipy.special import ndtr

from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.errors import NumericalError
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.reliability.form import first_order
from stripwise.risk.reliability.limit_state import LimitState
from stripwise.risk.sensitivity.quantities_of_interest import MARGIN, QuantitiesOfInterest
from stripwise.risk.sensitivity.sobol import SobolDesign, accumulate_sums, indices_from_sums
from stripwise.scenario.loading import load
from stripwise.studies.from_scenario import build_wall as build_scenario_wall

__all__: list[str] = []

HERE = Path(__file__).resolve().parent
SCENARIOS = HERE.parents[1] / "scenarios"
REPEATS, POINTS = 16, 1024
AGES = np.linspace(1.0, 101.0, 101)
TRIALS = 200
RESAMPLES = 100


def build_wall() -> Any:
    """Return the wall of the other timings."""
    sys.path.insert(0, str(HERE))
    import run

    return run.build_wall()


def ishigami(z: Any) -> Any:
    """Ishigami and Homma 1990, a = 7, b = 0.1."""
    x = np.pi * (2.0 * ndtr(z) - 1.0)
    return (np.sin(x[0]) + 7.0 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0]))[None]


def g_function(z: Any) -> Any:
    """Sobol' g-function with a = 0, 1, 4.5."""
    a = np.array([0.0, 1.0, 4.5])[:, None]
    return np.prod((np.abs(4 * ndtr(z) - 2) + a) / (1 + a), axis=0)[None]


def linear(z: Any) -> Any:
    """Weights 3, 2, 1."""
    return (3.0 * z[0] + 2.0 * z[1] + z[2])[None]


def product(z: Any) -> Any:
    """Lognormals with log standard deviations 0.5, 0.3, 0.2."""
    return np.exp(0.5 * z[0] + 0.3 * z[1] + 0.2 * z[2])[None]


def exact() -> dict[str, tuple[Callable[[Any], Any], list[float], list[float]]]:
    """Closed first and total indices (recalled; Ishigami's recomputed from its variances)."""
    part, b4 = 7.0**2 / 8.0, 0.1 * np.pi**4
    v1, v13 = 0.5 * (1 + b4 / 5.0) ** 2, b4**2 * (1 / 18.0 - 1 / 50.0)
    whole = v1 + part + v13
    v = 1.0 / (3.0 * (1.0 + np.array([0.0, 1.0, 4.5])) ** 2)
    spread = np.prod(1.0 + v) - 1.0
    e = np.exp(np.array([0.5, 0.3, 0.2]) ** 2)
    rest = np.prod(e) - 1.0
    share = [9 / 14, 4 / 14, 1 / 14]
    return {
        "Ishigami": (
            ishigami,
            [v1 / whole, part / whole, 0.0],
            [(v1 + v13) / whole, part / whole, v13 / whole],
        ),
        "g-function": (
            g_function,
            list(v / spread),
            list(v * np.prod(1 + v) / (1 + v) / spread),
        ),
        "linear Gaussian": (linear, share, share),
        "product of lognormals": (
            product,
            list((e - 1) / rest),
            list(1 - (np.prod(e) / e - 1) / rest),
        ),
    }


def coverage() -> None:
    """Print how often the interval holds the exact index, by three ways to make it."""
    layout = SobolDesign(3, ((0,), (1,), (2,)), 1)
    print("| function | interval | points | coverage, first | coverage, total |")
    print("|---|---|---|---|---|")
    for name, (model, first, total) in exact().items():
        for points in (64, 256):
            inside = np.zeros((2, 3))
            for trial in range(TRIALS):
                sums = accumulate_sums(
                    model,
                    layout,
                    start=0,
                    points=points,
                    repeats=REPEATS,
                    seed=10_000 + trial,
                    shift=np.zeros(1),
                    workers=1,
                )
                found = indices_from_sums(sums, layout, shift=np.zeros(1))
                for row, values, truth in ((0, found.first, first), (1, found.total, total)):
                    _, low, high = t_interval(values[..., 0])
                    inside[row] += (low <= truth) & (truth <= high)
            _coverage_row(name, "16 scramblings, Student's t", f"16 x {points}", inside)
        for scrambled in (True, False):
            inside = np.zeros((2, 3))
            for trial in range(TRIALS):
                inside += _bootstrap(model, first, total, trial, scrambled=scrambled)
            how = "one scrambled set" if scrambled else "independent points"
            _coverage_row(name, f"row bootstrap on {how}", "4096", inside)


def _coverage_row(name: str, how: str, points: str, inside: Any) -> None:
    rates = [f"{100 * np.mean(row) / TRIALS:.1f} %" for row in inside]
    print("| " + " | ".join([name, how, points, *rates]) + " |", flush=True)


def _bootstrap(
    model: Callable[[Any], Any],
    first: list[float],
    total: list[float],
    trial: int,
    *,
    scrambled: bool,
) -> Any:
    n, rng = 4096, np.random.default_rng(trial)
    z = (
        next(iter(sobol_blocks(6, n, random_stream(trial, stage="rank", index=(77,)))))
        if scrambled
        else rng.standard_normal((6, n))
    )
    a, b = z[:3], z[3:]
    f_a, f_b = model(a)[0], model(b)[0]
    mean = 0.5 * (f_a.mean() + f_b.mean())
    f_a, f_b = f_a - mean, f_b - mean
    weights = rng.multinomial(n, np.full(n, 1.0 / n), size=RESAMPLES) / n
    spread = 0.5 * weights @ (f_a**2 + f_b**2) - (0.5 * weights @ (f_a + f_b)) ** 2
    held = np.zeros((2, 3))
    for i in range(3):
        mixed = a.copy()
        mixed[i] = b[i]
        f_m = model(mixed)[0] - mean
        parts = ((0, f_b * (f_m - f_a), first[i]), (1, 0.5 * (f_a - f_m) ** 2, total[i]))
        for row, terms, truth in parts:
            values = weights @ terms / spread
            centre = terms.mean() / (0.5 * np.mean(f_a**2 + f_b**2))
            half = stats.norm.ppf(0.975) * values.std(ddof=1)
            held[row, i] = abs(centre - truth) <= half
    return held


def timed(work: Callable[[], Any]) -> float:
    """Return the wall time [s]."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def speed(rounds: int, ages: int) -> None:
    """Print times side by side, and the largest difference from SALib on the same design."""
    import openturns as ot
    from SALib.analyze import sobol as salib

    wall = build_wall()
    model = QuantitiesOfInterest.from_wall(
        wall, wall.plans[0], reference=wall.plans[0], ages=AGES, quantities=(MARGIN,)
    )
    d = model.sampler.dimensions
    layout = SobolDesign(d, tuple((i,) for i in range(d)), len(AGES))
    shift = model(np.zeros((d, 1)))[:, 0]

    def ours() -> Any:
        sums = accumulate_sums(
            model, layout, start=0, points=POINTS, repeats=REPEATS, seed=1, shift=shift
        )
        found = indices_from_sums(sums, layout, shift=shift)
        return t_interval(found.first), t_interval(found.total)

    n = POINTS * REPEATS
    z = np.concatenate(
        list(sobol_blocks(2 * d, n, random_stream(1, stage="rank", index=(0,)))), axis=1
    )
    a, b = z[:d], z[d:]
    blocks = [a]
    for i in range(d):
        mixed = a.copy()
        mixed[i] = b[i]
        blocks.append(mixed)
    blocks.append(b)
    picked = np.linspace(0, len(AGES) - 1, ages).astype(int)
    outputs = np.array(
        [
            np.concatenate(
                [model(block[:, s : s + 4096])[picked] for s in range(0, n, 4096)], axis=1
            )
            for block in blocks
        ]
    )  # (d + 2, ages, n)
    problem = {"num_vars": d, "names": list(model.sampler.names), "bounds": [[0, 1]] * d}
    by_row = [outputs[:, j].T.ravel() for j in range(ages)]
    order = [0, d + 1, *range(1, d + 1)]
    points = [
        (
            ot.Sample(np.concatenate([blocks[k] for k in order], axis=1).T),
            ot.Sample(outputs[order, j].ravel()[:, None]),
        )
        for j in range(ages)
    ]

    def salib_loop() -> Any:
        return [
            salib.analyze(
                dict(problem), y, calc_second_order=False, num_resamples=RESAMPLES, seed=1
            )
            for y in by_row
        ]

    def openturns_loop() -> None:
        for inputs, values in points:
            algorithm = ot.SaltelliSensitivityAlgorithm(inputs, values, n)
            algorithm.setBootstrapSize(RESAMPLES)
            algorithm.setUseAsymptoticDistribution(False)
            algorithm.getFirstOrderIndicesInterval()
            algorithm.getTotalOrderIndicesInterval()

    works = {"ours": ours, "SALib": salib_loop, "OpenTURNS": openturns_loop}
    times: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(rounds):
        for name, work in works.items():
            times[name].append(timed(work))
    median = {name: statistics.median(each) for name, each in times.items()}
    scale = len(AGES) / ages
    print(f"\n| 2^14 base points, {d} inputs, 101 ages, intervals | time | ratio | wanted | met |")
    print("|---|---|---|---|---|")
    print(f"| ours, model runs included | {median['ours']:.3g} s | | | |")
    for name, wanted in (("SALib", 100), ("OpenTURNS", 50)):
        ratio = scale * median[name] / median["ours"]
        met = "yes" if ratio >= wanted else "NO"
        shown = f"{scale * median[name]:.3g} s (from {ages} ages)"
        print(f"| {name}, one output at a time | {shown} | {ratio:.0f} x | {wanted} x | {met} |")
    one = indices_from_sums(
        accumulate_sums(model, layout, start=0, points=n, repeats=1, seed=1, shift=shift),
        layout,
        shift=shift,
    )
    gap = max(
        float(np.max(np.abs(mine[0, :, j] - np.asarray(theirs[key]))))
        for theirs, j in zip(salib_loop(), picked, strict=True)
        for key, mine in (("S1", one.first), ("ST", one.total))
    )
    met = "yes" if gap <= 1e-6 else "NO"
    print(f"| largest difference from SALib, same design | | {gap:.1e} | 1e-6 | {met} |")


MEMORY = """
import resource, sys
sys.path.insert(0, sys.argv[1])
import numpy as np
import ranking as r
wall = r.build_wall()
model = r.QuantitiesOfInterest.from_wall(wall, wall.plans[0], reference=wall.plans[0], ages=r.AGES,
                        quantities=(r.MARGIN,))
layout = r.SobolDesign(8, tuple((i,) for i in range(8)), 101)
peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
before = peak()
r.accumulate_sums(model, layout, start=0, points=1024, repeats=16, seed=1, shift=np.zeros(101))
print(peak() - before, peak())
"""


def memory() -> tuple[float, float]:
    """Peak memory of the indices above that of the imports, and in all [MB]."""
    command = [sys.executable, "-c", MEMORY, str(HERE)]
    text = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    above, whole = (float(part) for part in text.split())
    return above, whole


def design_point() -> None:
    """Print calls and time of a design point from three starts, for every scenario and mechanism.

    A call is one evaluation at one point; those of finite differences count.
    """
    print("\n| design point | index | OpenTURNS | calls by start | in all | time | ratio | met |")
    print("|---|---|---|---|---|---|---|---|")
    for path in sorted(SCENARIOS.glob("*.toml")):
        case = load(path)
        wall, life = build_scenario_wall(case), case.target.service_life
        plan = next(p for p in wall.plans if p.name == case.reference_strategy)
        for age in (life, 15.0, 5.0, 1.0):
            try:
                state = LimitState.from_wall(wall, plan, age=age)
                for name in state.mechanisms:
                    alone = len(state.mechanisms) > 1
                    one = replace(state, mechanism=name) if alone else state
                    shown = f"{path.stem}{', ' + name if alone else ''}, {age:g} yr"
                    _design_point_row(shown, one)
            except NumericalError as problem:
                print(f"| {path.stem}, {age:g} yr | {problem} | | | | | | |")


def _design_point_row(shown: str, state: LimitState) -> None:
    works = {
        "ours": lambda: first_order(state, state.dimensions, model_with_kinks=state.with_kinks),
        "theirs": lambda: _openturns_index(state),
    }
    found, theirs = (
        first_order(state, state.dimensions, model_with_kinks=state.with_kinks),
        works["theirs"](),
    )
    ms: dict[str, float] = {}
    for name, rounds in (("ours", 20), ("theirs", 3)):
        seconds = []
        for _ in range(rounds):
            start = time.process_time()
            works[name]()
            seconds.append(time.process_time() - start)
        ms[name] = 1000.0 * statistics.median(seconds)
    met = "yes" if sum(found.calls) <= 150 and ms["ours"] <= 10.0 else "NO"
    if met == "NO" and max(found.calls) <= 150 and ms["ours"] <= 10.0:
        met = "for each start"
    print(
        f"| {shown}{', corner' if found.at_kink else ''} | {found.index:.4f} | {theirs:.4f} | "
        f"{', '.join(map(str, found.calls))} | {sum(found.calls)} | {ms['ours']:.1f} ms | "
        f"{ms['theirs'] / ms['ours']:.1f} x | {met} |",
        flush=True,
    )


def _openturns_index(state: LimitState) -> float:
    """Return the index by FORM of OpenTURNS, Cobyla from the medians."""
    import openturns as ot

    d = state.dimensions
    function = ot.PythonFunction(
        d, 1, func_sample=lambda x: state(np.asarray(x).T)[:, None].tolist()
    )
    event = ot.ThresholdEvent(
        ot.CompositeRandomVector(function, ot.RandomVector(ot.Normal(d))), ot.LessOrEqual(), 0.0
    )
    solver = ot.Cobyla()
    solver.setStartingPoint(ot.Point([0.0] * d))
    solver.setMaximumCallsNumber(20_000)
    solver.setMaximumIterationNumber(20_000)
    for limit in (
        solver.setMaximumAbsoluteError,
        solver.setMaximumConstraintError,
        solver.setMaximumRelativeError,
        solver.setMaximumResidualError,
    ):
        limit(1e-7)
    algorithm = ot.FORM(solver, event)
    try:
        algorithm.run()
    except RuntimeError:  # it ends beside the surface, as on a kink
        return float("nan")
    return float(algorithm.getResult().getHasoferReliabilityIndex())


def main() -> None:
    """Measure and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3, help="rounds of which medians are taken")
    parser.add_argument("--ages", type=int, default=5, help="ages the rivals are timed on")
    parser.add_argument("--design-points", action="store_true", help="design points alone")
    options = parser.parse_args()
    if options.design_points:
        design_point()
        return
    above, whole = memory()
    coverage()
    speed(options.rounds, options.ages)
    met = "yes" if whole < 300.0 else "NO"
    print(f"| peak memory, {above:.0f} MB above imports | {whole:.0f} MB | | 300 MB | {met} |")
    design_point()


if __name__ == "__main__":
    main()
