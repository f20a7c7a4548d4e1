"""Updates by inspections: `python tests/benchmark/updates.py [--walls 1000] [--cores 6] [--steps 0]`.

Prints Markdown tables. Calibration: 1,000 invented walls of two cores with three layers, a fixed
seed; the rank of every true epistemic value among its posterior must be uniform (Talts and others,
2018), by Kolmogorov and Smirnov with Bonferroni's limit. Beside emcee (Foreman-Mackey and others,
2013): effective draws a second of CPU time for the same posterior, both measured in one run; emcee
samples what is epistemic and what is each core's own together, by the same expected contents.
With --steps the two shipped walls of tests/studies/update/test_shipped_walls.py, chains that long.
"""

from __future__ import annotations

import argparse
import importlib.util
import resource
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from stripwise.distributions.posterior_points import posterior_points

__all__: list[str] = []

ROOT = Path(__file__).resolve().parents[2]
EDGES = np.array([0.0, 8.0, 16.0, 26.0])
ERROR_SHARE = 0.06
MOVES, WALKERS = 3000, 80


def load_walls(name="inspected"):
    """Import the small walls of the tests, or another module beside them."""
    path = ROOT / "tests" / "studies" / "update" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def cores(contents: np.ndarray, edges: np.ndarray = EDGES) -> pd.DataFrame:
    """Return a table of cores, contents (g, m)."""
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "specimen": f"C{k}",
                    "strategy": "Forms 24 h",
                    "depth_from_mm": edges[:-1],
                    "depth_to_mm": edges[1:],
                    "chloride_pct_binder": row,
                    "error_share": ERROR_SHARE,
                    "exposure_yr": 10.0,
                }
            )
            for k, row in enumerate(contents)
        ],
        ignore_index=True,
    )


def simulated(likelihoods, scores, z, rng):
    """Return contents of the cores of a wall with the scores z (d, 1)."""
    rows = []
    for specimen in likelihoods.likelihoods[0].specimens:
        w = rng.standard_normal((specimen.scatter.dimensions, 1, 1))
        expected = specimen.expected(scores.draws(z), w)[:, 0, 0]
        rows.append(expected * (1.0 + ERROR_SHARE * rng.standard_normal(expected.size)))
    return np.array(rows)


def calibration(walls: int) -> None:
    """Print the p value of the ranks of each epistemic input."""
    inspected = load_walls()
    case = inspected.wall()
    pattern = cores(np.array([[2.0, 1.0, 0.5], [2.0, 1.0, 0.5]]))
    _, scores, likelihoods = inspected.problem(case, pattern)
    ranks = []
    for k in range(walls):
        rng = np.random.default_rng(5000 + k)
        z = rng.standard_normal((scores.dimensions, 1))
        read = simulated(likelihoods, scores, z, rng)
        _, _, own = inspected.problem(case, cores(read))
        points = posterior_points(
            lambda u, own=own: own(scores.draws(u)), scores.dimensions, seed=k, points=4096
        )
        weights = points.weights()
        ranks.append([weights @ (row < t) for row, t in zip(points.z, z[:, 0], strict=True)])
    print(f"| epistemic input | p of uniform ranks, {walls} walls |\n|---|---|")
    p = [stats.kstest(column, "uniform").pvalue for column in np.array(ranks).T]
    for item, value in zip(scores.items, p, strict=True):
        print(f"| {item.name} | {value:.3f} |")
    verdict = "uniform" if min(p) > 0.05 / len(p) else "NOT uniform"
    print(f"\nLeast p {min(p):.4f}, limit {0.05 / len(p):.4f}: {verdict}.\n", flush=True)


def beside_emcee(count: int) -> None:
    """Print effective draws a second of CPU time of both."""
    import emcee

    inspected = load_walls()
    case = inspected.wall()
    edges = np.array([0.0, 5.0, 10.0, 15.0, 20.0, 26.0, 32.0, 40.0, 50.0])
    pattern = cores(np.tile(np.linspace(2.2, 0.2, 8), (count, 1)), edges)
    _, scores, likelihoods = inspected.problem(case, pattern)
    rng = np.random.default_rng(7)
    truth = rng.standard_normal((scores.dimensions, 1))
    table = cores(simulated(likelihoods, scores, truth, rng), edges)
    _, _, own = inspected.problem(case, table)

    start = time.process_time()
    points = posterior_points(lambda u: own(scores.draws(u)), scores.dimensions, seed=1)
    seconds = time.process_time() - start
    ours = points.effective / seconds

    specimens, d = own.likelihoods[0].specimens, scores.dimensions
    widths = [one.scatter.dimensions for one in specimens]

    def log_density(p):
        total = -0.5 * np.sum(p**2, axis=1)
        draws, at = scores.draws(p[:, :d].T), d
        for one, width in zip(specimens, widths, strict=True):
            w = p[:, at : at + width].T[:, :, None]
            at += width
            expected = one.expected(draws, w)
            sd = one.sd(draws)(expected)
            gap = (one.measured[:, None, None] - expected) / sd
            total += np.sum(-0.5 * gap**2 - np.log(sd), axis=(0, 2))
        return np.where(np.isfinite(total), total, -np.inf)

    dimensions = d + sum(widths)
    sampler = emcee.EnsembleSampler(WALKERS, dimensions, log_density, vectorize=True)
    sampler.random_state = np.random.RandomState(1).get_state()
    start = time.process_time()
    sampler.run_mcmc(0.3 * rng.standard_normal((WALKERS, dimensions)), MOVES)
    seconds_emcee = time.process_time() - start
    slowest = float(np.max(sampler.get_autocorr_time(discard=MOVES // 4, quiet=True)[:d]))
    theirs = 0.75 * MOVES * WALKERS / slowest / seconds_emcee
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000.0
    print(f"| {count} cores of 8 layers | CPU s | effective draws | a second |\n|---|---|---|---|")
    print(f"| update | {seconds:.1f} | {points.effective:.0f} | {ours:.0f} |")
    print(
        f"| emcee | {seconds_emcee:.1f} | {theirs * seconds_emcee:.0f} | {theirs:.1f} |\n\n"
        f"{ours / theirs:.0f} times as many a second; {memory:.0f} MB at most.\n",
        flush=True,
    )


def shipped(steps: int) -> None:
    """Print how far updates of two shipped walls lie from emcee, whose chains are that long."""
    module = load_walls("test_shipped_walls")
    module.STEPS = steps

    def tell(own, chain, effective, result):
        found = np.abs(module.distances(own, chain, effective, result))
        print(
            f"| {result.title} | {found[0].max():.1f} | {found[1].max():.1f} | {min(effective):.0f} | "
            f"{result.run['effective_draws']:.0f} |",
            flush=True,
        )

    module.agree = tell
    head = "shipped wall | farthest mean, in its errors | farthest spread | emcee's draws | ours"
    print(f"| {head} |\n|---|---|---|---|---|")
    for test in (
        module.test_the_inspected_wall_by_two_cores_and_its_cover,
        module.test_the_garage_wall_by_two_cores_and_a_half_cell_survey,
    ):
        test({"sampling.points": 1024, "sampling.repeats": 8})
    print("\nThe probabilities after agree within 4 errors.\n", flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--walls", type=int, default=1000)
    parser.add_argument("--cores", type=int, default=6)
    parser.add_argument("--steps", type=int, default=0)
    chosen = parser.parse_args()
    if chosen.steps:
        shipped(chosen.steps)
    if chosen.cores:
        beside_emcee(chosen.cores)
    if chosen.walls:
        calibration(chosen.walls)
