"""Joint draws of what is epistemic in a case, as a file of `knowledge` holds them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.errors import InputError
from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.knowledge import LEAST_DRAWS, column_head

__all__ = ["draws_table", "epistemic_draws"]

MOST_DRAWS = 2**20


def epistemic_draws(case: Scenario, *, n: int = 16_384, seed: int | None = None) -> pd.DataFrame:
    """Draw the epistemic inputs of a case together.

    Weighted by a likelihood and drawn again, they are a posterior, which any study takes as
    `knowledge`. Of a case that has joint draws already, those.

    Parameters
    ----------
    case
        The scenario.
    n
        Draws, a power of two: one scrambling of Sobol' points.
    seed
        Seed; the scenario's unless given.

    Returns
    -------
    A row per draw and a column per random epistemic input. Heads are KEY_UNIT with the value, or
    KEY.wall_score with a standard normal score where `between_walls` lies between 0 and 1. Chloride
    contents are in per cent as the scenario writes them.

    Raises
    ------
    InputError
        If nothing random is epistemic, or n is no power of two between 512 and 1,048,576.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> draws = stripwise.epistemic_draws(case, n=512)
    >>> case.replace({"knowledge": draws}).draws.count
    512
    """
    if n < LEAST_DRAWS or n > MOST_DRAWS or n & (n - 1):
        raise InputError("n", f"= {n} must be a power of two between 512 and {MOST_DRAWS:,}")
    items = [item for item in case.inputs if item.epistemic_share > 0.0]
    if not items:
        raise InputError("case", "has no random epistemic input to draw")
    if case.draws is not None:
        values = dict(zip(case.draws.names, case.draws.values, strict=True))
    else:
        sampler = InputSampler.from_inputs(items, case.correlations)
        rng = random_stream(case.sampling.seed if seed is None else seed, stage="samples")
        z = np.concatenate(list(sobol_blocks(sampler.dimensions, n, rng)), axis=1)
        values = dict(zip(sampler.names, sampler.correlate(z), strict=True))
        for item in items:
            if item.epistemic_share == 1.0:
                values[item.name] = item.distribution.from_normal(values[item.name])
    return draws_table(case, values)


def draws_table(case: Scenario, values: Mapping[str, np.ndarray]) -> pd.DataFrame:
    """Write draws by input, in internal units or as scores, as a file of `knowledge` holds them."""
    columns = {}
    for item in case.inputs:
        if item.name in values:
            scale = case.content_scales.get(item.name, 1.0) if item.epistemic_share == 1.0 else 1.0
            columns[column_head(item)] = values[item.name] / scale
    return pd.DataFrame(columns)
