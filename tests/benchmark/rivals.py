"""The same six curves by other means: a floor of bare draws, OpenTURNS, and a plain script.

They stand in for what a user would otherwise write. Formulas and numbers are written out again
instead of imported, so that agreement of the curves also checks that the same work was timed.
Cover and diffusivity are plain normals here: cutting them at 0 changes P by less than 3e-7 and
would only slow the rivals down. Numbers of the wall: invented, as in tests/risk/walls.py.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

__all__ = ["floor", "openturns_once", "script_rerun"]

Array = NDArray[np.float64]

UNIT = 31.5576
"""mm2/yr per 1e-12 m2/s."""
EARLY = np.log(2.4 / 1.5) / np.log(3.0)
"""Exponent of the curing law below one day, that of the mean penalties at 1 and 3 d."""
TABLE_Z = np.linspace(-6.0, 6.0, 2049)
CHUNK = 8192


def floor(samples: int, strategies: int) -> float:
    """Draw 8 normals per sample and take one exp and one log per strategy; nothing else."""

    def chunk(index: int) -> float:
        size = min(CHUNK, samples - index * CHUNK)
        rng = np.random.Generator(np.random.SFC64((1, index)))
        z = special.ndtri(rng.random((8, size)))
        positive = np.abs(z[0]) + 1.0
        total = 0.0
        for _ in range(strategies):
            total += float(np.exp(np.log(positive))[0])
        return total

    with ThreadPoolExecutor(2) as pool:
        return sum(pool.map(chunk, range(-(-samples // CHUNK))))


def beta_law(*, mean: float, sd: float, low: float, high: float) -> Any:
    """Return scipy's beta on [low, high] of that mean and sd."""
    a, b = _beta_shapes(mean, sd, low, high)
    return stats.beta(a, b, loc=low, scale=high - low)


def _beta_shapes(mean: float, sd: float, low: float, high: float) -> tuple[float, float]:
    share = (mean - low) / (high - low)
    total = share * (1.0 - share) * ((high - low) / sd) ** 2 - 1.0
    return share * total, (1.0 - share) * total


K_1D = {"mean": 2.4, "sd": 0.7, "low": 1.0, "high": 4.0}
K_3D = {"mean": 1.5, "sd": 0.3, "low": 1.0, "high": 4.0}
"""Penalty after 1 and 3 d: DuraCrete R9, BE95-1347, 2000, recalled."""

CRITICAL = (0.6, 0.15, 0.2, 2.0)
AGEING = (0.45, 0.12, 0.0, 1.0)
ZONE = (8.9, 5.6, 0.0, 50.0)
"""Beta laws: mean, sd, low, high."""
SURFACE_SIGMA = np.sqrt(np.log(1.0 + 0.35**2))
SURFACE_MU = np.log(3.0) - 0.5 * SURFACE_SIGMA**2


def penalty(hours: float, log_1d: Array, log_3d: Array) -> Array:
    """Penalty factor after some hours in the forms, linear in ln t between the knots."""
    x = np.log(hours / 24.0)
    if x <= 0.0:
        return np.exp(log_1d - EARLY * x)
    if hours <= 72.0:
        share = x / np.log(3.0)
        return np.exp((1.0 - share) * log_1d + share * log_3d)
    share = min((x - np.log(3.0)) / np.log(7.0 / 3.0), 1.0)
    return np.exp((1.0 - share) * log_3d)


def lives(x: Array, k: Array) -> Array:
    """Initiation age [yr] of (7, n) inputs: cover, D, Cs, Ccrit, a, b_e, dx."""
    cover, diffusivity, surface, critical, ageing, coefficient, zone = x
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratio = np.clip((critical - 0.1) / (surface - 0.1), 0.0, 1.0)
        ratio[surface <= critical] = 1.0
        needed = (np.maximum(cover - zone, 0.0) / (2.0 * special.erfcinv(ratio))) ** 2
        rate = diffusivity * k * np.exp(coefficient * (1.0 / 293.0 - 1.0 / 283.15))
        age = (needed / (rate * (28.0 / 365.25) ** ageing)) ** (1.0 / (1.0 - ageing))
    age[ratio >= 1.0] = np.inf
    return age


def openturns_once(samples: int, strips: tuple[float, ...], ages: Array, seed: int) -> Array:
    """Sample once with OpenTURNS; physics, penalties and counts with numpy, (s, t)."""
    import openturns as ot

    def beta(mean: float, sd: float, low: float, high: float) -> Any:
        return ot.Beta(*_beta_shapes(mean, sd, low, high), low, high)

    ot.RandomGenerator.SetSeed(seed)
    joint = ot.JointDistribution(
        [
            ot.Normal(60.0, 8.0),
            ot.Normal(5.0 * UNIT, UNIT),
            ot.LogNormal(SURFACE_MU, SURFACE_SIGMA, 0.0),
            beta(*CRITICAL),
            beta(*AGEING),
            ot.Normal(4800.0, 700.0),
            beta(*ZONE),
            ot.Normal(0.0, 1.0),
        ]
    )
    x = np.ascontiguousarray(np.asarray(joint.getSample(samples)).T)
    log_1d, log_3d = _tabulated_law(x[7])
    curves = []
    for hours in strips:
        ordered = np.sort(lives(x[:7], penalty(hours, log_1d, log_3d)))
        curves.append(np.searchsorted(ordered, ages, side="right") / samples)
    return np.array(curves)


def _tabulated_law(z: Array) -> tuple[Array, Array]:
    u = special.ndtr(TABLE_Z)
    return (
        np.interp(z, TABLE_Z, np.log(beta_law(**K_1D).ppf(u))),
        np.interp(z, TABLE_Z, np.log(beta_law(**K_3D).ppf(u))),
    )


def script_rerun(
    samples: int, strips: tuple[float, ...], ages: Array, seed: int, *, tabulated: bool = False
) -> Array:
    """Draw everything anew with scipy's ``.rvs`` for each strategy, count age by age, (s, t).

    The curing law takes scipy's exact quantiles, or with `tabulated` a kinder linear table.
    """
    curves = []
    for i, hours in enumerate(strips):
        rng = np.random.default_rng((seed, i))
        laws = (
            stats.norm(60.0, 8.0),
            stats.norm(5.0 * UNIT, UNIT),
            stats.lognorm(SURFACE_SIGMA, scale=np.exp(SURFACE_MU)),
            *(beta_law(mean=m, sd=s, low=lo, high=hi) for m, s, lo, hi in (CRITICAL, AGEING)),
            stats.norm(4800.0, 700.0),
            beta_law(mean=ZONE[0], sd=ZONE[1], low=ZONE[2], high=ZONE[3]),
        )
        x = np.array([law.rvs(samples, random_state=rng) for law in laws])
        if tabulated:
            log_1d, log_3d = _tabulated_law(stats.norm.rvs(size=samples, random_state=rng))
        else:
            u = stats.uniform.rvs(size=samples, random_state=rng)
            log_1d, log_3d = np.log(beta_law(**K_1D).ppf(u)), np.log(beta_law(**K_3D).ppf(u))
        age = lives(x, penalty(hours, log_1d, log_3d))
        curves.append([np.mean(age <= t) for t in ages])
    return np.array(curves)
