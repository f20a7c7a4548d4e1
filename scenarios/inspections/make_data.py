"""Invent the inspections of this folder: python scenarios/inspections/make_data.py.

No wall was ever cored. The truth behind the numbers stands below: a wall that gets more chloride
and has less cover than its designers expected. The content of a layer is the average of the error
function over it, by Gauss-Legendre quadrature, so that the script shares no formula with the
program that reads it.
"""

from pathlib import Path

import numpy as np
from scipy.special import erfc

HOME = Path(__file__).parent
INVENTED = "# Invented data, made by make_data.py: no wall, no laboratory.\n"
SEED = 4

BINDER, DENSITY = 340.0, 2350.0  # kg/m3
SURFACE, SURFACE_COV = 2.7, 0.22  # mean of this wall [% by mass of binder], scatter along it
INITIAL = 0.1
DIFFUSIVITY, DIFFUSIVITY_COV = 3.1e-12, 0.18  # m2/s at 28 d
AGEING = 0.43
TEMPERATURE_FACTOR = 0.56  # of 10 degC
PENALTY = {"Forms 24 h": 1.75, "Forms 72 h": 1.22}
ZONE = (3.0, 16.0)  # mm, between which the convection zone lies
EDGES_MM = np.array([0, 5, 10, 15, 20, 26, 32, 40, 50], dtype=float)
ERROR_SHARE = 0.06
COVER_MEAN, COVER_SD, COVER_ERROR = 51.0, 7.0, 2.0  # mm
DETECTION, FALSE_ALARM = 0.85, 0.05
ACTIVE_SHARE = 0.015  # of the points, ten years on
NODES, WEIGHTS = np.polynomial.legendre.leggauss(24)


def contents(strategy, years, rng):
    """Return the contents of one core [% by mass of concrete] by layer."""
    surface = SURFACE * np.exp(SURFACE_COV * rng.standard_normal())
    diffusivity = DIFFUSIVITY * PENALTY[strategy] * (1.0 + DIFFUSIVITY_COV * rng.standard_normal())
    zone = rng.uniform(*ZONE)
    apparent = TEMPERATURE_FACTOR * diffusivity * (28.0 / 365.25 / years) ** AGEING
    length = 2.0e3 * np.sqrt(apparent * years * 365.25 * 86400.0)  # mm
    upper, lower = EDGES_MM[:-1, None], EDGES_MM[1:, None]
    depth = 0.5 * (upper + lower) + 0.5 * (lower - upper) * NODES
    share = (erfc(np.maximum(depth - zone, 0.0) / length) * WEIGHTS).sum(axis=1) / 2.0
    true = INITIAL + (surface - INITIAL) * share
    read = true * (1.0 + ERROR_SHARE * rng.standard_normal(true.shape))
    return read * BINDER / DENSITY


def cores(years, name, rng):
    """Write three cores of each face."""
    lines = ["specimen,strategy,depth_from_mm,depth_to_mm,chloride_pct,error_share,exposure_yr"]
    for strategy in PENALTY:
        for number in range(1, 4):
            specimen = f"{name}{strategy.split()[1]}-{number}"
            for upper, lower, read in zip(
                EDGES_MM[:-1], EDGES_MM[1:], contents(strategy, years, rng), strict=True
            ):
                lines.append(
                    f'{specimen},"{strategy}",{upper:g},{lower:g},{read:.4f},{ERROR_SHARE},{years:g}'
                )
    text = INVENTED + "\n".join(lines) + "\n"
    (HOME / f"cores-year-{years:g}.csv").write_text(text, encoding="utf-8")


def cover(rng):
    """Write a survey of the cover on a grid."""
    lines = ["x_m,y_m,cover_mm,error_mm"]
    for y in (0.5, 1.5, 2.5):
        for x in np.arange(0.5, 11.0, 0.55):
            read = COVER_MEAN + np.hypot(COVER_SD, COVER_ERROR) * rng.standard_normal()
            lines.append(f"{x:.2f},{y:g},{read:.0f},{COVER_ERROR:g}")
    (HOME / "cover.csv").write_text(INVENTED + "\n".join(lines) + "\n", encoding="utf-8")


def half_cell(rng):
    """Write a half-cell survey on a grid, ten years after first exposure."""
    lines = ["x_m,y_m,strategy,active,exposure_yr,detection,false_alarm"]
    chance = DETECTION * ACTIVE_SHARE + FALSE_ALARM * (1.0 - ACTIVE_SHARE)
    for strategy, start in (("Forms 24 h", 0.0), ("Forms 72 h", 6.0)):
        for y in np.arange(0.25, 3.0, 0.5):
            for x in start + np.arange(0.25, 6.0, 0.5):
                active = "yes" if rng.random() < chance else "no"
                lines.append(f'{x:g},{y:g},"{strategy}",{active},10,{DETECTION},{FALSE_ALARM}')
    (HOME / "half-cell.csv").write_text(INVENTED + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    rng = np.random.default_rng(SEED)
    cover(rng)
    cores(5.0, "A", rng)
    cores(10.0, "B", rng)
    half_cell(rng)
