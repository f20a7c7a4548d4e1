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
from scipy import optimize, stats

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


LAYER_EDGES = np.array([0, 1, 3, 5, 7, 10, 13, 16, 20], dtype=float)
TRUE_LOG_D = np.log(8e-12)


def layer_profiles(clean: np.ndarray, count: int, rng: np.random.Generator, **sd: float):
    """Profiles of one true content, with errors in proportion, constant, or both."""
    from stripwise.evidence.profiles.chloride_profiles import Profiles

    scatter = np.hypot(sd.get("share", 0.0) * clean, sd.get("constant", 0.0))
    content = np.maximum(clean + scatter * rng.standard_normal((count, len(clean))), 0.0)
    return Profiles(
        specimens=tuple(str(n) for n in range(count)),
        strategies=("A",) * count,
        upper=np.tile(LAYER_EDGES[:-1], (count, 1)),
        lower=np.tile(LAYER_EDGES[1:], (count, 1)),
        content=content,
        present=np.ones(content.shape, dtype=bool),
        exposure=np.full(count, 90.0),
        initial=np.full(count, 0.02),
    )


def true_content(*, origin: float = 0.0) -> np.ndarray:
    """Contents of the layers behind an origin [mm]."""
    from stripwise.evidence.profiles.layer_averages import mean_layer_content

    edges = LAYER_EDGES[origin <= LAYER_EDGES] - origin
    length = 2.0 * np.sqrt(8e-12 * 8.64e10 * 90.0)
    return np.asarray(0.02 + 0.58 * mean_layer_content(edges[:-1], edges[1:], length=length)[0])


def specimens(repeats: int) -> None:
    """Intervals of single specimens, and the error of ln D against that with equal weights."""
    from stripwise.evidence.profiles.profile_fit import fit_profiles

    clean = true_content()
    for sd in ({"share": 0.03}, {"share": 0.07}, {"share": 0.1}, {"constant": 0.012}):
        for count in (5, 20):
            rng = np.random.default_rng(5)
            hits, squares, equal = np.zeros(2), 0.0, 0.0
            for _ in range(max(repeats * 2 // count, 1)):
                data = layer_profiles(clean, count, rng, **sd)
                fit = fit_profiles(data)
                low, high = fit.intervals.log_d_low, fit.intervals.log_d_high
                truth = TRUE_LOG_D + np.log(8.64e10)
                hits[0] += ((low < truth) & (truth < high)).sum()
                hits[1] += (
                    (fit.intervals.surface_low < 0.6) & (fit.intervals.surface_high > 0.6)
                ).sum()
                squares += ((np.log(fit.diffusivity) - TRUE_LOG_D) ** 2).sum()
                plain = fit_profiles(data, error="constant", maximum="off")
                equal += ((np.log(plain.diffusivity) - TRUE_LOG_D) ** 2).sum()
            total = max(repeats * 2 // count, 1) * count
            error = f"rms of ln D {np.sqrt(squares / total):.3f}, equal weights {np.sqrt(equal / total):.3f}"
            for name, inside in zip(("D", "Cs"), hits / total, strict=True):
                row(f"{name}, {sd}, files of {count}, n {total}", inside, error)


def maxima(repeats: int) -> None:
    """How often a maximum inside is taken where there is none, and found where there is one."""
    from stripwise.evidence.profiles.profile_fit import fit_profiles

    inner = true_content(origin=5.0)
    for share, rise in ((0.03, 0.1), (0.07, 0.3), (0.1, 0.5)):
        rng = np.random.default_rng(6)
        rising = np.concatenate(([inner[:2].mean() / (1.0 + rise)] * 3, inner))
        rates, told = [], 0.0
        for clean in (true_content(), rising):
            found = 0
            for _ in range(max(repeats // 20, 1)):
                fit = fit_profiles(layer_profiles(clean, 20, rng, share=share))
                found += int((fit.origin_depth > 0).sum())
                told = fit.smallest_rise
            rates.append(100.0 * found / (20 * max(repeats // 20, 1)))
        print(
            f"| maximum inside, {share:g} of the content | false {rates[0]:.2f} % | rise of {rise:g} "
            f"found in {rates[1]:.1f} %, told {told:.2f} | |",
            flush=True,
        )


def lab_profiles(lab: ModuleType, seed: int):
    """Profiles as the lab wall's script invents them."""
    from stripwise.evidence.profiles.chloride_profiles import Profiles

    strategy, content, initial = lab.simulate(np.random.default_rng(seed))
    count = len(strategy)
    return Profiles(
        specimens=tuple(str(n) for n in range(count)),
        strategies=tuple(strategy),
        upper=np.tile(lab.EDGES_MM[:-1], (count, 1)),
        lower=np.tile(lab.EDGES_MM[1:], (count, 1)),
        content=content,
        present=np.ones(content.shape, dtype=bool),
        exposure=np.full(count, lab.EXPOSURE_D),
        initial=initial,
    )


def profiles(repeats: int) -> None:
    """Penalty factors out of the invented profiles of the lab wall."""
    from stripwise.evidence.profiles.penalty_factors import profile_penalty_factors
    from stripwise.evidence.profiles.profile_fit import fit_profiles

    lab = load(ROOT / "scenarios" / "lab-wall" / "make_data.py")
    truth = np.array(list(lab.PENALTY.values()))
    inside = np.zeros(len(truth))
    for seed in range(repeats):
        result = profile_penalty_factors(fit_profiles(lab_profiles(lab, seed)), lab.REFERENCE)
        inside += (result.low95 <= truth) & (truth <= result.high95)
    for name, share in zip(lab.PENALTY, inside / repeats, strict=True):
        if name != lab.REFERENCE:
            row(f"penalty of {name}, 4 specimens a strategy", share, "")


def penalty_errors(repeats: int) -> None:
    """Error of ln k where the readings scatter, beside two fits by scipy of each specimen.

    The specimens of a strategy are alike here, so that the readings alone make the error.
    """
    from stripwise.evidence.profiles.penalty_factors import profile_penalty_factors
    from stripwise.evidence.profiles.profile_fit import fit_profiles

    lab = load(ROOT / "scenarios" / "lab-wall" / "make_data.py")
    lab.SD_LN_DIFFUSIVITY = 0.0
    truth = np.log(list(lab.PENALTY.values()))[:-1]
    for share in (0.03, 0.07, 0.1):
        lab.RELATIVE_ERROR = share
        miss: dict[str, list[np.ndarray]] = {"here": [], "Huber, relative": [], "equal weights": []}
        for seed in range(repeats):
            data = lab_profiles(lab, seed)
            found = profile_penalty_factors(fit_profiles(data), lab.REFERENCE)
            miss["here"].append(found.log_ratios.log_mean[:-1] - truth)
            for name in ("Huber, relative", "equal weights"):
                logs = scipy_log_diffusivity(data, lab, relative=name != "equal weights")
                means = logs.reshape(len(truth) + 1, -1).mean(axis=1)
                miss[name].append(means[:-1] - means[-1] - truth)
        rms = {name: np.sqrt(np.mean(np.square(errors))) for name, errors in miss.items()}
        texts = ", ".join(f"{name} {value:.3f}" for name, value in rms.items())
        print(
            f"| rms of ln k, {share:g} of the content, n {3 * repeats} | {texts} | | |", flush=True
        )


def scipy_log_diffusivity(data, lab: ModuleType, *, relative: bool) -> np.ndarray:
    """Fit each specimen by itself with scipy, the first layer left out."""
    found = []
    for content, initial in zip(data.content[:, 1:], data.initial, strict=True):

        def residual(x, content=content, initial=initial):
            share = lab.layer_average([np.exp(x[1])])[0, 1:]
            gap = initial + (np.exp(x[0]) - initial) * share - content
            floor = np.hypot(0.05 * content, lab.ABSOLUTE_ERROR_PCT)
            return gap / floor if relative else gap

        start = [np.log(content[0]), np.log(8e-12)]
        loss = {"loss": "huber", "f_scale": 1.345} if relative else {}
        found.append(optimize.least_squares(residual, start, **loss).x[1])
    return np.array(found)


def skins(repeats: int) -> None:
    """Diffusivities of a skin on a core, and how often a uniform profile shows one."""
    from stripwise.evidence.profiles.layered_fit import LAYERED, fit_layered
    from stripwise.evidence.profiles.profile_fit import fit_profiles

    folder = ROOT / "tests" / "evidence"
    made, tests = load(folder / "made.py"), load(folder / "profiles" / "test_layered_fit.py")
    covered = trials = shown = 0
    for seed in range(repeats):
        plain = fit_profiles(tests.made_profiles(made, [1.0], seed=seed), maximum="off")
        shown += fit_layered(plain, depth=tests.SKIN).choice == (LAYERED,)
        data = tests.made_profiles(made, [2.0], seed=seed, between=0.0)
        result = fit_layered(fit_profiles(data, maximum="off"), depth=tests.SKIN)
        miss = np.abs(np.log(result.skin / (2.0 * tests.CORE)))
        covered += int((miss < 2.447 * np.sqrt(result.log_variance)).sum())  # t of 9 - 3 degrees
        trials += miss.size
    row("diffusivity of a skin twice its core", covered / trials, "")
    print(f"A skin is seen in {shown / repeats:.1%} of sets of uniform profiles.")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=200)
    repeats = parser.parse_args().repeats
    print(f"Coverage of 95 % intervals over {repeats} repeats.\n")
    print("| interval | holds the truth | other | 90 to 99 % |")
    print("|---|---|---|---|")
    specimens(repeats)
    maxima(repeats)
    profiles(repeats)
    penalty_errors(repeats)
    surveys(repeats)
    skins(repeats)


if __name__ == "__main__":
    main()
