"""Invent the chloride profiles of this folder: python scenarios/lab-wall/make_data.py.

No specimen was ever cast. What is behind the numbers stands below as the truth that a fit should
find again: the diffusivity of the reference curing, the penalty factor of each strategy, the
scatter between specimens, and errors of grinding and titration of a realistic size. The content of
a layer is the average of the error function over it, by Gauss-Legendre quadrature, so that the
script shares no formula with the program that fits it.
"""

from pathlib import Path

import numpy as np
from scipy.special import erfc

SEED = 1
SPECIMENS = 4
EXPOSURE_D = 90.0
EDGES_MM = np.array([0, 1, 3, 5, 7, 10, 13, 17, 22, 28], dtype=float)

REFERENCE = "Forms 7 d"
PENALTY = {
    "Forms 12 h": 2.4,
    "Forms 24 h": 1.9,
    "Forms 24 h, then sheet 6 d": 1.4,
    REFERENCE: 1.0,
}
DIFFUSIVITY = 6.0e-12  # m2/s, reference strategy, apparent over the exposure, at 20 degC
SURFACE_PCT = 0.55  # by mass of concrete
INITIAL_PCT = 0.012

SD_LN_DIFFUSIVITY = 0.12  # between specimens of one strategy
SD_LN_SURFACE = 0.05
RELATIVE_ERROR = 0.03  # of a reading
ABSOLUTE_ERROR_PCT = 0.003
WASHED_OUT = 0.85  # share of the content left in the shallowest layer

NODES, WEIGHTS = np.polynomial.legendre.leggauss(12)


def layer_average(diffusivity):
    """Average erfc over each layer for (n,) diffusivities in m2/s."""
    upper, lower = EDGES_MM[:-1], EDGES_MM[1:]
    depth = 0.5 * (upper + lower)[:, None] + 0.5 * (lower - upper)[:, None] * NODES
    length = 2.0 * np.sqrt(np.asarray(diffusivity) * 1e6 * EXPOSURE_D * 86400.0)
    return (erfc(depth / length[:, None, None]) * WEIGHTS).sum(axis=-1) / 2.0


def simulate(rng):
    """Return strategy (n,), content (n, k) and measured initial content (n,) of all specimens."""
    strategy = np.repeat(list(PENALTY), SPECIMENS)
    factor = np.repeat(list(PENALTY.values()), SPECIMENS)
    count = len(strategy)
    diffusivity = DIFFUSIVITY * factor * np.exp(SD_LN_DIFFUSIVITY * rng.standard_normal(count))
    surface = SURFACE_PCT * np.exp(SD_LN_SURFACE * rng.standard_normal(count))
    share = layer_average(diffusivity)
    content = INITIAL_PCT + (surface[:, None] - INITIAL_PCT) * share
    content[:, 0] *= WASHED_OUT
    relative = 1.0 + RELATIVE_ERROR * rng.standard_normal(content.shape)
    absolute = ABSOLUTE_ERROR_PCT * rng.standard_normal(content.shape)
    content = np.maximum(content * relative + absolute, 0.0)
    initial = np.maximum(INITIAL_PCT + 0.001 * rng.standard_normal(count), 0.0)
    return strategy, content, initial


def csv_text():
    """Write the file as it stands in this folder."""
    strategy, content, initial = simulate(np.random.default_rng(SEED))
    lines = [
        "# Invented by make_data.py; no specimen was ever cast.",
        "specimen,strategy,depth_from_mm,depth_to_mm,chloride_pct,exposure_d,initial_pct",
    ]
    for number, name in enumerate(strategy):
        quoted = f'"{name}"' if "," in name else name
        specimen = f"L{number + 1:02d}"
        for upper, lower, reading in zip(EDGES_MM[:-1], EDGES_MM[1:], content[number], strict=True):
            lines.append(
                f"{specimen},{quoted},{upper:g},{lower:g},{reading:.4f},{EXPOSURE_D:g},"
                f"{initial[number]:.4f}"
            )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    Path(__file__).with_name("profiles.csv").write_text(csv_text(), encoding="utf-8", newline="\n")
