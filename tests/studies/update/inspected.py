"""Small walls with inspections, for the tests of updates."""

import numpy as np
from scipy import special

import stripwise
from stripwise.evidence.inspections.inspection_kinds import INSPECTIONS
from stripwise.evidence.inspections.inspection_rows import read_set
from stripwise.evidence.tables.data_file import read_data_frame
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.update.epistemic_scores import EpistemicScores
from stripwise.studies.update.evidence_of_sets import (
    SetLikelihoods,
    points_on_face,
    unknown_errors,
)

DAY, YEAR = 86_400.0, 365.25 * 86_400.0


def wall(**changes):
    """Return a small wall; keys as in a dict of a scenario, None takes one away."""
    base = {
        "title": "Small wall (invented)",
        "reference_strategy": "Forms 24 h",
        "target": {"service_life": "50 yr", "probability": 0.1},
        "exposure": {
            "temperature": "20 degC",
            "chloride_basis": "binder",
            "surface_chloride": {
                "family": "lognormal",
                "mean": 2.0,
                "cov": 0.4,
                "between_walls": 0.5,
            },
            "initial_chloride": 0.1,
            "convection_zone": "0 mm",
        },
        "concrete": {
            "diffusivity": {
                "family": "lognormal",
                "mean": "3e-12 m^2/s",
                "cov": 0.3,
                "between_walls": 0.5,
            },
            "specimens": "cured as the face",
            "ageing_exponent": {
                "family": "beta",
                "mean": 0.4,
                "sd": 0.1,
                "low": 0,
                "high": 1,
                "kind": "knowledge",
            },
            "temperature_coefficient": "4800 K",
        },
        "reinforcement": {
            "cover": {"family": "normal", "mean": "50 mm", "sd": "8 mm", "mean_sd": "5 mm"},
            "critical_chloride": {"family": "beta", "mean": 0.6, "sd": 0.15, "low": 0.2, "high": 2},
        },
        "curing": {"reference": "7 d", "concrete_temperature": "20 degC"},
        "strategy": [
            {"name": "Forms 24 h", "strip_age": "24 h", "penalty": 1.5},
            {"name": "Forms 72 h", "strip_age": "72 h", "penalty": 1.2},
        ],
        "sampling": {"points": 256, "repeats": 8, "horizon": "80 yr"},
    }
    return stripwise.case(base).replace(changes) if changes else stripwise.case(base)


def sets_of(case, *tables):
    """Read tables of inspections."""
    return tuple(
        read_set(
            read_data_frame(table, kinds=INSPECTIONS, name=f"table-{k}.csv"),
            effective=points_on_face(case),
        )
        for k, table in enumerate(tables, start=1)
    )


def problem(case, *tables, points=32):
    """Return wall, scores and likelihoods of a case with tables of inspections."""
    sets, computed = sets_of(case, *tables), build_wall(case)
    scores = EpistemicScores.from_wall(computed, unknown_errors(sets))
    likelihoods = SetLikelihoods.from_sets(
        sets,
        case,
        computed,
        middle=scores.middle(),
        workers=1,
        points=points,
    )
    return computed, scores, likelihoods


def layer_contents(surface, diffusivity, exponent, *, initial, penalty, age, edges, zone=0.0):
    """Average contents over layers by quadrature, (..., m): shares no formula with the program.

    `diffusivity` at 28 d and 293 K [m2/s]; the wall is at 293.15 K.
    """
    warmth = np.exp(4800.0 * (1.0 / 293.0 - 1.0 / 293.15))
    nodes, weights = np.polynomial.legendre.leggauss(10)
    upper, lower = edges[:-1, None], edges[1:, None]
    depth = 0.5 * (upper + lower) + 0.5 * (lower - upper) * nodes
    apparent = (
        warmth * np.asarray(diffusivity) * penalty * (28.0 / (365.25 * age)) ** np.asarray(exponent)
    )
    length = 2e3 * np.sqrt(apparent * age * YEAR)
    x = np.maximum(depth - zone, 0.0)
    share = (special.erfc(x / np.asarray(length)[..., None, None]) * weights).sum(axis=-1) / 2.0
    rise = np.asarray(surface) - initial
    return initial + rise[..., None] * share
