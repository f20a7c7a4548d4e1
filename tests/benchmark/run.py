"""Side-by-side timings: `python tests/benchmark/run.py [--rounds 3] [--long]`.

Prints one Markdown table. Nothing is asserted: the wanted ratio stands beside the measured one.
Rivals run in turn within each round and medians are compared, so that a busy machine slows all of
them alike. Wanted ratios: the project's own aims, no outside source.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

__all__: list[str] = []

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
STRIPS = (12.0, 18.0, 24.0, 36.0, 72.0, 168.0)
SAMPLES = 1_000_000
PRECISION = 1e-4
MAIN = {"points": 2**14, "repeats": 16}
LAYERED = {"points": 2**14, "repeats": 2}
HEADER = ("row", "what", "ours", "other", "measured", "wanted", "met")

Row = tuple[str, ...]


def load_walls() -> ModuleType:
    """Import the invented walls of the risk tests."""
    sys.path.insert(0, str(HERE.parent / "risk"))
    import walls

    return walls


def build_wall(*, layered: bool = False) -> Any:
    """Return the wall of the case: eight random inputs, six strategies without follow-up."""
    from stripwise.distributions.distribution import fixed
    from stripwise.risk.model.wall import Plan

    return load_walls().wall(
        changes={
            "curing.early_slope": fixed(0.0),
            "curing.retention.sheet.vertical": fixed(0.0),
        },
        plans=tuple(Plan(f"{hours:g} h", hours, 1.0) for hours in STRIPS),
        layered=layered,
    )


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return the wall time [s] and the result."""
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


def interleaved(works: dict[str, Callable[[], Any]], rounds: int) -> tuple[dict[str, float], Any]:
    """Run all once per round; return each one's median time [s] and last result."""
    times: dict[str, list[float]] = {name: [] for name in works}
    results = {}
    for number in range(rounds):
        for name, work in works.items():
            seconds, results[name] = timed(work)
            times[name].append(seconds)
            print(f"round {number + 1}: {name} {seconds:.3g} s", file=sys.stderr)
    return {name: statistics.median(each) for name, each in times.items()}, results


def most(row: str, what: str, ours: float, other: float, limit: float) -> Row:
    """Row of a ratio ours / other that shall stay below a limit."""
    ratio = ours / other
    shown = f"{ratio:.2f} x" if ratio > 0.1 else f"1/{1.0 / ratio:.0f}"
    wanted = f"at most {limit:g} x" if limit > 0.1 else f"at most 1/{1.0 / limit:.0f}"
    return (row, what, f"{ours:.3g} s", f"{other:.3g} s", shown, wanted, _met(ratio <= limit))


def faster(row: str, what: str, ours: float, other: float, times: float) -> Row:
    """Row of a speed-up other / ours that shall reach a number."""
    ratio = other / ours
    cells = (f"{ours:.3g} s", f"{other:.3g} s", f"{ratio:.1f} x faster", f"{times:g} x faster")
    return (row, what, *cells, _met(ratio >= times))


def _met(good: bool) -> str:
    return "yes" if good else "NO"


def plain_rows(rounds: int) -> tuple[list[Row], dict[str, float]]:
    """Plain Monte Carlo against the floor, OpenTURNS and the script run per strategy."""
    import numpy as np
    import rivals

    from stripwise.risk.probability.plain_monte_carlo import monte_carlo_curves

    wall, ages = build_wall(), np.linspace(0.0, 100.0, 101)
    monte_carlo_curves(wall, ages, samples=10_000, seed=1)
    rivals.openturns_once(10_000, STRIPS, ages, 1)
    time_of, result = interleaved(
        {
            "ours": lambda: monte_carlo_curves(wall, ages, samples=SAMPLES, seed=1, workers=2),
            "floor": lambda: rivals.floor(SAMPLES, len(STRIPS)),
            "OpenTURNS": lambda: rivals.openturns_once(SAMPLES, STRIPS, ages, 1),
            "script": lambda: rivals.script_rerun(SAMPLES, STRIPS, ages, 1),
            "kinder script": lambda: rivals.script_rerun(SAMPLES, STRIPS, ages, 1, tabulated=True),
        },
        rounds,
    )
    ours = time_of["ours"]
    rows = [
        most("a1", "plain, 1e6, against the floor of bare draws", ours, time_of["floor"], 1.6),
        faster("a2", "plain against OpenTURNS, sampled once", ours, time_of["OpenTURNS"], 10),
        faster("a3", "plain against script per strategy", ours, time_of["script"], 35),
        faster(
            "a4", "same, script with a tabulated curing law", ours, time_of["kinder script"], 35
        ),
    ]
    for name in ("OpenTURNS", "script", "kinder script"):
        gap = float(np.max(np.abs(result[name] - result["ours"])))
        # Two independent samples at P = 0.5, and the largest of some 600 correlated differences.
        limit = 5.0 * float(np.sqrt(2.0 * 0.25 / SAMPLES))
        cells = (f"gap {gap:.1e}", f"at most {limit:.1e}", _met(gap <= limit))
        rows.append(("a", f"same curves as {name}", "", "", *cells))
    return rows, time_of


def precision_rows(rounds: int, time_of: dict[str, float]) -> list[Row]:
    """Time to a standard error of 1e-4 at the worst age, the rivals' extrapolated linearly."""
    import numpy as np
    from scipy import special

    from stripwise.risk.probability.curves import probability_curves

    wall, ages = build_wall(), np.linspace(0.0, 100.0, 101)

    def main() -> Any:
        return probability_curves(wall, horizon=100.0, kinks=(), seed=1, workers=2, **MAIN)

    times, result = interleaved({"main path": main}, rounds)
    curves = result["main path"]
    p = special.ndtr(-curves.index_by_repeat(ages))
    error = float(np.max(np.std(p, axis=0, ddof=1)) / np.sqrt(len(p)))
    mean = p.mean(axis=0)
    worst = float(np.max(mean * (1.0 - mean)))
    needed = worst / PRECISION**2
    ours = times["main path"] * max((error / PRECISION) ** 2, 1.0)
    about = f"equal precision 1e-4 (ours {error:.1e}; other extrapolated to n = {needed:.2g})"
    scale = needed / SAMPLES
    return [
        most("b1", f"{about}: OpenTURNS", ours, scale * time_of["OpenTURNS"], 1 / 50),
        most("b2", f"{about}: script", ours, scale * time_of["script"], 1 / 200),
        most("b3", f"{about}: kinder script", ours, scale * time_of["kinder script"], 1 / 200),
    ]


def layered_rows(rounds: int) -> list[Row]:
    """Layered face against the uniform one at the same points."""
    from stripwise.risk.probability.curves import probability_curves

    def work(layered: bool) -> Callable[[], Any]:
        wall = build_wall(layered=layered)
        return lambda: probability_curves(
            wall, horizon=100.0, kinks=(), seed=1, workers=2, **LAYERED
        )

    time_of, result = interleaved({"layered": work(True), "uniform": work(False)}, rounds)
    count = {name: len(curves.mean.ages) for name, curves in result.items()}
    what = f"layered face ({count['layered']} ages) against uniform ({count['uniform']} ages)"
    return [most("c", what, time_of["layered"], time_of["uniform"], 10)]


def map_rows(rounds: int) -> list[Row]:
    """Map of 31 covers, 25 strip ages and 4 follow-ups against the curves of a plain run."""
    import numpy as np

    from stripwise.risk.model.wall import Plan
    from stripwise.risk.probability.curves import probability_curves
    from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat

    wall = build_wall()
    covers = np.linspace(45.0, 75.0, 31)
    plans = tuple(
        Plan(f"{hours:g} h, {days:g} d", float(hours), 1.0, 24.0 * days)
        for days in (0.0, 1.0, 3.0, 7.0)
        for hours in np.geomspace(10.0, 120.0, 25)
    )
    whole = wall.with_plans(plans)
    sample = SamplingOptions(MAIN["points"], MAIN["repeats"], 1)
    time_of, _ = interleaved(
        {
            "map": lambda: probability_by_repeat(whole, covers, np.array([50.0]), sample=sample),
            "curves": lambda: probability_curves(
                wall, horizon=100.0, kinks=(50.0,), seed=1, workers=2, **MAIN
            ),
        },
        rounds,
    )
    what = "map 31 x 25 x 4 against the curves of six strategies, same points"
    return [most("f", what, time_of["map"], time_of["curves"], 3.0)]


def option_rows(rounds: int) -> list[Row]:
    """Options of the physics: what the plain case pays, and what a rise of the surface costs.

    The plain path alone is `Fronts` called directly, as it was before there were options.
    """
    from dataclasses import replace

    import numpy as np

    from stripwise.distributions.distribution import distribution
    from stripwise.distributions.random_input import Input
    from stripwise.distributions.sampling import BLOCK_SIZE, InputSampler, normal_block
    from stripwise.ingress.surface_history.surface_chloride import SurfaceHistory
    from stripwise.risk.model.service_conditions import ServiceConditions
    from stripwise.risk.probability.integral import Fronts, Integral, build_fronts

    plain = build_wall()
    name = "exposure.surface_history.duration"
    law = distribution("lognormal", mean=15.0, cov=0.3)
    rising = replace(
        plain,
        inputs=(*plain.inputs, Input(name, "", law, "yr", "exposure")),
        conditions=ServiceConditions(history=SurfaceHistory("linear"), duration=name),
    )
    ages = np.geomspace(0.5, 100.0, 24)

    def sweep(wall: Any, make: Callable[..., Any]) -> Callable[[], float]:
        integral, _ = Integral.from_wall(wall)
        sampler = InputSampler.from_inputs(wall.inputs, wall.correlations)
        z = normal_block(sampler.dimensions, BLOCK_SIZE, np.random.default_rng(1))
        values = sampler.values(z)

        def work() -> float:
            total = 0.0
            fronts = make(wall, wall.sample_block(values))
            for age in ages:
                total += sum(
                    integral.mean_probability_below(x, 0.0) for x in fronts.depths(float(age))
                )
            return total

        return work

    times: dict[str, list[float]] = {"open": [], "alone": [], "rise": []}
    works = {
        "open": sweep(plain, build_fronts),
        "alone": sweep(plain, Fronts.from_block),
        "rise": sweep(rising, build_fronts),
    }
    for number in range(max(rounds, 15)):
        order = list(works) if number % 2 else list(reversed(works))
        for key in order:
            times[key].append(timed(works[key])[0])
    ratios = np.sort(np.array(times["open"]) / np.array(times["alone"]))
    upper = float(ratios[int(np.ceil(0.5 * len(ratios) + 0.98 * np.sqrt(len(ratios)))) - 1])
    middle = {key: statistics.median(each) for key, each in times.items()}
    cells = (f"{middle['open']:.3g} s", f"{middle['alone']:.3g} s")
    shown = (
        f"{statistics.median(ratios):.3f}, at most {upper:.3f}",
        "under 1.10",
        _met(upper < 1.1),
    )
    return [
        ("f1", "plain wall with the options there, against the plain path alone", *cells, *shown),
        most(
            "f2",
            "rise of the surface chloride, against the plain wall",
            middle["rise"],
            middle["alone"],
            15,
        ),
    ]


MEMORY = """
import resource, sys
import numpy as np
sys.path.insert(0, sys.argv[2])
import run
from stripwise.risk.probability.plain_monte_carlo import monte_carlo_curves
wall = run.build_wall()
peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
before = peak()
monte_carlo_curves(wall, np.linspace(0.0, 100.0, 101), samples=int(sys.argv[1]), seed=1, workers=2)
print(peak() - before)
"""


def memory_rows(sizes: list[int]) -> list[Row]:
    """Peak memory of the plain path above that of the imports and the built wall.

    A child starts with its parent's peak (Linux carries ru_maxrss over an exec), so this must run
    while this process is still small.
    """
    rows = []
    for size in sizes:
        command = [sys.executable, "-c", MEMORY, str(size), str(HERE)]
        peak = float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        cells = (f"{peak:.0f} MB", "", f"{peak:.0f} MB", "under 100 MB, flat", _met(peak < 100.0))
        rows.append(("d", f"peak memory of plain, {size:.0e} samples", *cells))
    return rows


def command_rows(rounds: int) -> list[Row]:
    """Wall time of the command line, start of Python included."""
    script = str(Path(sys.executable).parent / "stripwise")
    rows = []
    with tempfile.TemporaryDirectory() as out:
        scenario = str(ROOT / "scenarios" / "garage-wall.toml")
        runs: tuple[tuple[list[str], float, int], ...] = (
            (["--help"], 0.5, rounds + 2),
            (["run", scenario, "--out", out], 10.0, 1),
        )
        for arguments, limit, repeats in runs:
            what = f"stripwise {arguments[0]}"
            seconds, note = _time_command([script, *arguments], repeats)
            if note:
                rows.append(("e", what, f"skipped: {note}", "", "", f"under {limit:g} s", ""))
                continue
            cells = (f"{seconds:.2f} s", "", f"{seconds:.2f} s", f"under {limit:g} s")
            rows.append(("e", what, *cells, _met(seconds < limit)))
    return rows


def _time_command(command: list[str], repeats: int) -> tuple[float, str]:
    times = []
    for _ in range(repeats):
        try:
            seconds, done = timed(
                lambda: subprocess.run(
                    command, check=False, capture_output=True, text=True, timeout=300
                )
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            return 0.0, type(error).__name__
        if done.returncode != 0:
            shown = done.stderr.strip().splitlines()
            last = shown[-1][:100] if shown else "no message"
            return 0.0, f"exit {done.returncode}, {last}"
        times.append(seconds)
    return statistics.median(times), ""


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3, help="rounds of which medians are taken")
    parser.add_argument("--long", action="store_true", help="peak memory of 1e8 samples too")
    options = parser.parse_args()
    sizes = [10**6, 10**7, *([10**8] if options.long else [])]
    memory = memory_rows(sizes)
    commands = command_rows(options.rounds)
    plain, time_of = plain_rows(options.rounds)
    rows = [
        *plain,
        *precision_rows(options.rounds, time_of),
        *layered_rows(options.rounds),
        *map_rows(options.rounds),
        *option_rows(options.rounds),
        *memory,
        *commands,
    ]
    print("| " + " | ".join(HEADER) + " |")
    print("|" + "---|" * len(HEADER))
    for row in rows:
        print("| " + " | ".join(cell.replace("|", "/") for cell in row) + " |")


if __name__ == "__main__":
    main()
