"""What the model expects of a core before and after the update, beside the contents found.

Axes: n draws, x depths.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.distributions.sampling import random_stream
from stripwise.risk.model.wall import Wall
from stripwise.studies.update.epistemic_scores import EpistemicDraws, ScatterInputs
from stripwise.studies.update.expected_readings import CoreModel, model_inputs
from stripwise.studies.update.specimen_likelihood import Specimen
from stripwise.studies.update.update_result import ProfileBands

__all__ = ["profile_bands"]

Array = NDArray[np.float64]

Cored = tuple[Specimen, CoreModel]

DEPTHS, DRAWS = 41, 1024
QUANTILES = {"low": 0.025, "mid": 0.5, "high": 0.975}


def profile_bands(
    specimens: list[Specimen],
    wall: Wall,
    *,
    before: EpistemicDraws,
    after: EpistemicDraws,
    seed: int,
) -> tuple[ProfileBands, ...]:
    """Return the bands of every face and age that was cored.

    A band is that of the content of one core: what is epistemic and what varies along the wall, the
    error of readings left out.
    """
    groups: dict[tuple[str, float], list[Cored]] = {}
    for one in specimens:
        if isinstance(one.model, CoreModel):
            groups.setdefault((one.strategy, one.model.age), []).append((one, one.model))
    found = []
    for (strategy, age), own in groups.items():
        deepest = max(float(model.lower.max()) for _, model in own)
        depth = np.linspace(0.0, deepest, DEPTHS)
        face = wall.with_plans(tuple(p for p in wall.plans if p.name == strategy))
        model = CoreModel(face, age, depth, depth)
        scatter = ScatterInputs.among(model_inputs(model), wall.correlations)
        table = {"depth_mm": depth}
        for when, draws in (("before", before), ("after", after)):
            rng = random_stream(seed, stage="update", index=(0, 2000))
            chosen = draws.rows(np.linspace(0, draws.count - 1, DRAWS).astype(np.intp))
            w = rng.standard_normal((scatter.dimensions, DRAWS, 1))
            contents = np.broadcast_to(
                model.expected(scatter.values(chosen, w)), (DEPTHS, DRAWS, 1)
            )
            for name, share in QUANTILES.items():
                table[f"{when}_{name}"] = np.quantile(contents[..., 0], share, axis=1)
        found.append(ProfileBands(strategy, age, _readings(own), pd.DataFrame(table)))
    return tuple(found)


def _readings(cores: list[Cored]) -> pd.DataFrame:
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "specimen": core.name,
                    "depth_from_mm": model.upper,
                    "depth_to_mm": model.lower,
                    "chloride": core.measured,
                    "below": core.below,
                }
            )
            for core, model in cores
        ],
        ignore_index=True,
    )
