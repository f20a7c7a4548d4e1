"""Numerical fronts side by side: `python tests/benchmark/numerical.py [--rounds 5]`.

1e5 samples of 60 cells and 200 steps on one thread. Rivals: a bare Thomas sweep across samples in
numpy that eliminates every step anew, and a loop over scipy's solve_ivp on the same cells, timed
on a few samples and extrapolated. Process times, run in turn within each round; the ratio is the
median of the rounds' ratios. Prints one Markdown table; nothing is asserted. Wanted ratios: the
project's own aims, no outside source.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.sparse import diags_array

from stripwise.ingress.finite_volume.face_layers import FaceLayers
from stripwise.ingress.finite_volume.finite_volume_solver import GRID_DEPTH
from stripwise.ingress.finite_volume.numerical_front import (
    DEFAULT_GRID,
    solve_content,
    solve_fronts,
)
from stripwise.ingress.front import layered_front_depth

__all__: list[str] = []

sys.path.insert(0, str(Path(__file__).resolve().parent))
import run

Array = NDArray[np.float64]

SAMPLES = 100_000
FEW = 12
BLOCKS = (1024, 2048, 4096, 8192)
"""Blocks tried for the bare sweep; its fastest is taken."""


def faces(n: int) -> tuple[Array, Array, Array, Array]:
    """Invent ratios, transformed times [mm2], penalties and skins [mm] of n faces."""
    rng = np.random.default_rng(1)
    ratio, tau = rng.uniform(0.05, 0.6, n), rng.uniform(200.0, 3000.0, n)
    return ratio, tau, rng.uniform(0.4, 3.0, n), rng.uniform(0.0, 40.0, n)


def cells(tau: Array, penalty: Array, skin: Array) -> tuple[Array, Array, Array]:
    """Graded cells of n faces: (c, n) middles, conductance above and below over the width."""
    n = tau.size
    edges = DEFAULT_GRID.edges()[:, None] * (GRID_DEPTH * np.sqrt(tau))
    middle, width = 0.5 * (edges[1:] + edges[:-1]), np.diff(edges, axis=0)

    def resistance(x: Array) -> Array:
        return np.minimum(x, skin) / penalty + np.maximum(x - skin, 0.0)

    inner = resistance(middle)
    between = 1.0 / np.diff(inner, axis=0)
    above = np.concatenate([1.0 / inner[:1], between]) / width
    below = np.concatenate([between, np.zeros((1, n))]) / width
    return middle, above, below


def bare_sweep(tau: Array, penalty: Array, skin: Array, block: int) -> Array:
    """Contents (c, n) after implicit Euler steps, the tridiagonal system eliminated every step."""
    out = np.empty((DEFAULT_GRID.cells, tau.size))
    shares = np.diff(np.linspace(0.0, 1.0, DEFAULT_GRID.steps + 1))
    for first in range(0, tau.size, block):
        part = slice(first, first + block)
        _, above, below = cells(tau[part], penalty[part], skin[part])
        step = shares[0] * tau[part]
        lower, upper = above * step, below * step
        main = 1.0 + lower + upper
        now, new = np.zeros_like(main), np.empty_like(main)
        factor, right, room = np.empty_like(main), np.empty_like(main), np.empty_like(step)
        for _ in shares:
            np.divide(1.0, main[0], out=room)
            np.multiply(upper[0], room, out=factor[0])
            np.add(now[0], lower[0], out=right[0])
            right[0] *= room
            for i in range(1, len(main)):
                np.multiply(lower[i], factor[i - 1], out=room)
                np.subtract(main[i], room, out=room)
                np.divide(1.0, room, out=room)
                np.multiply(upper[i], room, out=factor[i])
                np.multiply(lower[i], right[i - 1], out=right[i])
                right[i] += now[i]
                right[i] *= room
            new[-1] = right[-1]
            for i in range(len(main) - 2, -1, -1):
                np.multiply(factor[i], new[i + 1], out=new[i])
                new[i] += right[i]
            now, new = new, now
        out[:, part] = now
    return out


def scipy_loop(tau: Array, penalty: Array, skin: Array, method: str) -> Array:
    """Contents (c, n) by solve_ivp on the same cells, one face after the other."""
    _, above, below = cells(tau, penalty, skin)
    size = DEFAULT_GRID.cells
    options: dict[str, Any] = {"lband": 1, "uband": 1}
    if method == "BDF":
        bands = [np.ones(size - 1), np.ones(size), np.ones(size - 1)]
        options = {"jac_sparsity": diags_array(bands, offsets=(-1, 0, 1))}
    out = np.empty_like(above)
    for k in range(tau.size):
        a, b = above[:, k], below[:, k]

        def change(_s: float, c: Array, a: Array = a, b: Array = b) -> Array:
            upper, lower = np.empty_like(c), np.empty_like(c)
            upper[0], upper[1:] = 1.0, c[:-1]
            lower[-1], lower[:-1] = 0.0, c[1:]
            return a * (upper - c) + b * (lower - c)

        out[:, k] = solve_ivp(
            change,
            (0.0, float(tau[k])),
            np.zeros(size),
            method=method,
            rtol=1e-4,
            atol=1e-6,
            **options,
        ).y[:, -1]
    return out


def process_time(work: Callable[[], Any]) -> float:
    """Return the process time of some work [s]."""
    start = time.process_time()
    work()
    return time.process_time() - start


def sweep_rows(samples: int, rounds: int) -> tuple[list[run.Row], float]:
    """Our fronts, with and without a coating, against the bare sweep."""
    ratio, tau, penalty, skin = faces(samples)
    face_layers = FaceLayers(skin[None], np.array([penalty, np.ones(samples)]))
    tried = {
        b: process_time(lambda b=b: bare_sweep(tau[:16384], penalty[:16384], skin[:16384], b))
        for b in BLOCKS
    }
    best = min(tried, key=lambda b: tried[b])
    works = {
        "bare": lambda: bare_sweep(tau, penalty, skin, best),
        "ours": lambda: solve_fronts(ratio, tau, layers=face_layers),
        "coated": lambda: solve_fronts(
            ratio,
            tau,
            layers=face_layers,
            coating_resistance=lambda s, _: 20.0 + 0.0 * s,
            coating_end=0.4 * tau,
        ),
    }
    times: dict[str, list[float]] = {name: [] for name in works}
    for number in range(rounds):
        for name in list(works) if number % 2 else reversed(works):
            times[name].append(process_time(works[name]))
            print(f"round {number + 1}: {name} {times[name][-1]:.3g} s", file=sys.stderr)
    rows = []
    for row, name, what in (
        ("g1", "ours", "fronts of two layers, every second step recorded"),
        ("g2", "coated", "the same under a coating that ends"),
    ):
        each = sorted(o / b for o, b in zip(times[name], times["bare"], strict=True))
        ratio_ = statistics.median(each)
        cells_ = (
            f"{statistics.median(times[name]):.3g} s",
            f"{statistics.median(times['bare']):.3g} s",
            f"{ratio_:.2f} x ({each[0]:.2f} to {each[-1]:.2f})",
            "at most 1.3 x",
        )
        about = f"{what}, against a bare Thomas sweep (blocks of {best})"
        rows.append((row, about, *cells_, "yes" if ratio_ <= 1.3 else "NO"))
    return rows, statistics.median(times["ours"])


def loop_rows(samples: int, rounds: int, ours: float) -> list[run.Row]:
    """Our fronts against loops over solve_ivp."""
    _, tau, penalty, skin = faces(FEW)
    rows = []
    for row, method in (("g3", "LSODA"), ("g4", "BDF")):
        each = [
            process_time(lambda m=method: scipy_loop(tau, penalty, skin, m)) for _ in range(rounds)
        ]
        whole = statistics.median(each) * samples / FEW
        what = f"against solve_ivp, {method}, extrapolated from {FEW} faces"
        rows.append(run.faster(row, what, ours, whole, 50))
    return rows


def agreement_rows() -> list[run.Row]:
    """Show that all solve the same faces: contents at 30 mm, and fronts by the image series."""
    ratio, tau, penalty, skin = faces(FEW)
    face_layers = FaceLayers(skin[None], np.array([penalty, np.ones(FEW)]))
    ours = solve_content(np.full(FEW, 30.0), tau, layers=face_layers)
    middle, _, _ = cells(tau, penalty, skin)
    rows = []
    for name, found, limit in (
        ("bare sweep", bare_sweep(tau, penalty, skin, FEW), 1e-2),
        ("LSODA", scipy_loop(tau, penalty, skin, "LSODA"), 5e-3),
        ("BDF", scipy_loop(tau, penalty, skin, "BDF"), 5e-3),
    ):
        other = [np.interp(30.0, middle[:, k], found[:, k]) for k in range(FEW)]
        gap = float(np.max(np.abs(ours - other)))
        cells_ = (f"gap {gap:.1e}", f"at most {limit:.0e}", "yes" if gap <= limit else "NO")
        rows.append(("g", f"same content at 30 mm as {name}", "", "", *cells_))
    ratio, tau, penalty, skin = faces(4096)
    face_layers = FaceLayers(skin[None], np.array([penalty, np.ones(4096)]))
    exact = layered_front_depth(ratio, tau, penalty=penalty, skin=skin)
    off = solve_fronts(ratio, tau, layers=face_layers).depth_at(tau) - exact
    rms = float(np.sqrt(np.mean(off**2)))
    cells_ = (f"rms {rms:.3f} mm", "at most 0.05 mm", "yes" if rms <= 0.05 else "NO")
    rows.append(("g", "same fronts as the image series", "", "", *cells_))
    return rows


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5, help="rounds of which medians are taken")
    parser.add_argument("--samples", type=int, default=SAMPLES)
    options = parser.parse_args()
    rows, ours = sweep_rows(options.samples, options.rounds)
    rows += loop_rows(options.samples, options.rounds, ours)
    rows += agreement_rows()
    print("| " + " | ".join(run.HEADER) + " |")
    print("|" + "---|" * len(run.HEADER))
    for row in rows:
        print("| " + " | ".join(cell.replace("|", "/") for cell in row) + " |")


if __name__ == "__main__":
    main()
