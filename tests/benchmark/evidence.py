"""Coverage of the evidence room's 95 % intervals: `python tests/benchmark/evidence.py [--repeats]`.

Prints a Markdown table: how often intervals from invented data hold the truth behind them. Nothing
is asserted; the wanted range is 90 to 99 %, the project's own aim.
"""

from __future__ import annotations

import argparse
import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
from scipy import stats

__all__: list[str] = []

ROOT = Path(__file__).resolve().parents[2]
WALL_GRID = np.stack(np.meshgrid(np.arange(14) * 0.7, np.arange(7) * 0.6), axis=-1).reshape(-1, 2)
TRANSECT = np.stack((np.arange(40) * 0.5, np.zeros(40)), axis=-1)
FIELDS = ((0.0, 0.0), (0.5, 1.0), (1.0, 1.0), (2.0, 1.0), (1.0, 0.6), (2.0, 0.6), (3.0, 0.8))


def load(path: Path) -> ModuleType:
    """Import a script by its path."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def covers(x: np.ndarray, number: float) -> bool:
    """Whether the t interval of that many readings holds the true mean, 0."""
    half = stats.t.ppf(0.975, number - 1.0) * x.std(ddof=1) / np.sqrt(number)
    return bool(abs(x.mean()) < half)


def row(label: str, inside: float, other: str) -> None:
    """Print one row of the table."""
    in_range = "yes" if 0.90 <= inside <= 0.99 else "no"
    print(f"| {label} | {100 * inside:.1f} % | {other} | {in_range} |", flush=True)


def surveys(repeats: int) -> None:
    """Cover surveys whose neighbours resemble each other."""
    from stripwise.evidence.statistics.effective_sample_size import (
        area_effective_sample_size,
        estimate_spatial_correlation,
    )

    rng = np.random.default_rng(3)
    for name, positions in (
        ("98 readings on 9 x 4 m", WALL_GRID),
        ("40 readings along 20 m", TRANSECT),
    ):
        distance = np.hypot(*(positions[:, None, :] - positions[None]).transpose(2, 0, 1))
        for length, share in FIELDS:
            correlation = share * np.exp(-distance / length) if length else 0.0
            root = np.linalg.cholesky(correlation + (1.0 - share + 1e-9) * np.eye(len(positions)))
            covered = naive = 0
            for _ in range(repeats):
                x = root @ rng.standard_normal(len(positions))
                covered += covers(
                    x, estimate_spatial_correlation(positions, x, rng=rng).effective_sample_size
                )
                naive += covers(x, len(x))
            what = f"mean cover, {name}, length {length:g} m, {share:g} beside a reading"
            row(what, covered / repeats, f"as independent: {100 * naive / repeats:.0f} %")
    for areas, size, within in ((4, 20, 0.5), (12, 8, 0.3), (12, 8, 0.0)):
        covered = naive = 0
        codes = np.repeat(np.arange(areas), size)
        for _ in range(repeats):
            x = np.sqrt(within) * rng.standard_normal(areas)[codes]
            x = x + np.sqrt(1.0 - within) * rng.standard_normal(len(codes))
            covered += covers(x, area_effective_sample_size(x, codes))
            naive += covers(x, len(x))
        what = f"mean cover, {areas} areas of {size}, correlation {within:g} within"
        row(what, covered / repeats, f"as independent: {100 * naive / repeats:.0f} %")


def profiles(repeats: int) -> None:
    """Penalty factors out of the invented profiles of the lab wall."""
    from stripwise.evidence.profiles.chloride_profiles import Profiles
    from stripwise.evidence.profiles.penalty_factors import profile_penalty_factors
    from stripwise.evidence.profiles.profile_fit import fit_profiles

    lab = load(ROOT / "scenarios" / "lab-wall" / "make_data.py")
    truth = np.array(list(lab.PENALTY.values()))
    inside = np.zeros(len(truth))
    for seed in range(repeats):
        strategy, content, initial = lab.simulate(np.random.default_rng(seed))
        count = len(strategy)
        data = Profiles(
            specimens=tuple(str(n) for n in range(count)),
            strategies=tuple(strategy),
            upper=np.tile(lab.EDGES_MM[:-1], (count, 1)),
            lower=np.tile(lab.EDGES_MM[1:], (count, 1)),
            content=content,
            present=np.ones(content.shape, dtype=bool),
            exposure=np.full(count, lab.EXPOSURE_D),
            initial=initial,
        )
        result = profile_penalty_factors(fit_profiles(data), lab.REFERENCE)
        inside += (result.low95 <= truth) & (truth <= result.high95)
    for name, share in zip(lab.PENALTY, inside / repeats, strict=True):
        if name != lab.REFERENCE:
            row(f"penalty of {name}, 4 specimens a strategy", share, "")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=200)
    repeats = parser.parse_args().repeats
    print(f"Coverage of 95 % intervals over {repeats} repeats.\n")
    print("| interval | holds the truth | other | 90 to 99 % |")
    print("|---|---|---|---|")
    profiles(repeats)
    surveys(repeats)


if __name__ == "__main__":
    main()
