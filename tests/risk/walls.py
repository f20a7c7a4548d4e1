"""Invented walls for the tests of the risk room."""

from __future__ import annotations

import numpy as np

from stripwise.distributions.distribution import Distribution, distribution, fixed
from stripwise.distributions.random_input import Correlation, Input
from stripwise.distributions.sampling import sobol_blocks
from stripwise.ingress.transformed_time import AgeingLaw
from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.integral import Integral

UNIT = 31.5576
"""mm2/yr per 1e-12 m2/s."""

PLANS = (
    Plan("12 h", 12.0, 1.0),
    Plan("12 h, sheet", 12.0, 1.0, 72.0, 1.0, "curing.retention.sheet.vertical"),
    Plan("24 h", 24.0, 1.0),
    Plan("72 h", 72.0, 1.0),
)

DEFAULTS = {
    "exposure.temperature": (fixed(283.15), "exposure"),
    "exposure.surface_chloride": (distribution("lognormal", mean=3.0, cov=0.35), "exposure"),
    "exposure.initial_chloride": (fixed(0.1), "exposure"),
    "exposure.convection_zone": (
        distribution("beta", mean=8.9, sd=5.6, low=0.0, high=50.0),
        "exposure",
    ),
    "concrete.diffusivity": (
        distribution("normal", mean=5.0 * UNIT, cov=0.2, low=0.0),
        "concrete",
    ),
    "concrete.ageing_exponent": (
        distribution("beta", mean=0.45, sd=0.12, low=0.0, high=1.0),
        "concrete",
    ),
    "concrete.temperature_coefficient": (
        distribution("normal", mean=4800.0, sd=700.0),
        "concrete",
    ),
    "reinforcement.cover": (distribution("normal", mean=60.0, sd=8.0, low=0.0), "cover"),
    "reinforcement.critical_chloride": (
        distribution("beta", mean=0.6, sd=0.15, low=0.2, high=2.0),
        "steel",
    ),
    "curing.law": (distribution("normal", mean=0.0, sd=1.0), "curing"),
    "curing.early_slope": (distribution("normal", mean=0.0, sd=1.0), "curing"),
    "curing.retention.sheet.vertical": (
        distribution("beta", mean=0.06, sd=0.04, low=0.0, high=1.0),
        "curing",
    ),
    "curing.affected_depth": (
        distribution("beta", mean=30.0, sd=6.0, low=10.0, high=60.0),
        "curing",
    ),
}


def wall(
    *,
    changes: dict[str, Distribution] | None = None,
    knowledge: tuple[str, ...] = (),
    correlations: tuple[Correlation, ...] = (),
    layered: bool = False,
    plans: tuple[Plan, ...] = PLANS,
    ageing_law: AgeingLaw | None = None,
) -> Wall:
    """Return a wall; `changes` replaces distributions by name."""
    given = changes or {}
    inputs = tuple(
        Input(
            name,
            name,
            given.get(name, law),
            "",
            group,
            "knowledge" if name in knowledge else "scatter",
        )
        for name, (law, group) in DEFAULTS.items()
        if layered or name != "curing.affected_depth"
    )
    return Wall(
        inputs=inputs,
        correlations=correlations,
        plans=plans,
        ageing_law=ageing_law or AgeingLaw(),
        test_factor=1.0,
        monthly=(),
        layered=layered,
        reference_d=7.0,
    )


def curves_at(wall, ages, points=512, repeats=8):
    """Mean over scramblings and its standard error, without the pilot sample of a run."""
    integral, sampler = Integral.from_wall(wall)
    each = []
    for r in range(repeats):
        z = next(sobol_blocks(sampler.dimensions, points, np.random.default_rng([3, r])))
        values = sampler.values(z)
        upper = np.zeros((len(wall.plans), len(ages)), dtype=bool)
        score_mean = integral.conditional_mean(sampler.correlate(z))
        block = wall.sample_block(values)
        each.append(integral.probabilities(wall, block, values, score_mean, ages=ages, upper=upper))
    return np.mean(each, axis=0), np.std(each, axis=0, ddof=1) / np.sqrt(repeats)
