"""What the options of the physics add to a run: mechanisms, layers, cracking, extent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.model.layered_fronts import PENALTY_NODES
from stripwise.risk.model.service_conditions import COARSE_GRID, ServiceConditions
from stripwise.risk.model.wall import COVER, Plan, Wall
from stripwise.risk.probability.cracking import cracking_curves
from stripwise.risk.probability.curves import CurveSet
from stripwise.risk.probability.extent import FaceSize, corroded_share_moments, simulate_faces
from stripwise.risk.probability.grid_check import GRID_SAMPLES, grid_check
from stripwise.risk.probability.integral import front_depths, initiation_ages
from stripwise.risk.probability.intervals import RANGE_ENDS, plain_interval, point_quantile
from stripwise.risk.probability.nested_sampling import (
    NUMERICAL_INNER_POINTS,
    NUMERICAL_OUTER_POINTS,
)
from stripwise.risk.probability.reliability_index import Curves, reliability_index
from stripwise.scenario.model import Scenario
from stripwise.studies.hand_calculation import carbonation_steps, hand_check
from stripwise.studies.result_tables import DurabilityTarget
from stripwise.studies.results import HandStep, ServiceResults, SimulatedFace
from stripwise.studies.service_notes import mean_values, service_notes
from stripwise.units.formatting import length, number, percent, points, years

__all__ = ["EXTENT_FACES", "coating_warnings", "service_hand_check", "service_results"]

Array = NDArray[np.float64]


EXTENT_FACES = 1000
FACES_HALF_WIDTH = float(special.betaincinv(EXTENT_FACES // 2 + 1, EXTENT_FACES // 2, 0.975) - 0.5)
"""Half width of the 95 % interval of a chance of a half counted on these faces, by Clopper and
Pearson (Biometrika 26, 1934, recalled); elsewhere it is narrower."""
EXTENT_STEP = 10.0
"""Years between the ages at which the extent is tabulated."""


def service_results(
    scenario: Scenario,
    wall: Wall,
    curves: CurveSet,
    target: DurabilityTarget,
    *,
    recompute: Callable[[Wall], CurveSet],
    workers: int,
) -> ServiceResults:
    """Compute what the options ask for; without options the note on the ageing convention alone.

    `recompute` gives the curves of another wall with the sizes of the run.
    """
    service = scenario.service
    reference = [plan.name for plan in wall.plans].index(target.reference)
    penalty = float(curves.penalty_mean[reference])
    notes = list(service_notes(scenario, wall, penalty=penalty))
    mechanisms = None
    if service.chloride and service.carbonation:
        mechanisms = _mechanism_table(wall, curves, target, recompute)
    cracking = lives = None
    if service.cracking is not None:
        cracking, lives = _cracking_tables(scenario, wall, curves, target, workers)
    extent = face = None
    if service.extent is not None:
        extent, face, note = _extent_tables(scenario, wall, curves, target, workers)
        notes.append(note)
    layers = None
    if wall.numerical:
        layers, note = _layer_table(scenario, wall, curves, target, recompute)
        notes.append(note)
    return ServiceResults(tuple(notes), mechanisms, cracking, lives, extent, face, layers)


def _layer_table(
    scenario: Scenario,
    wall: Wall,
    curves: CurveSet,
    target: DurabilityTarget,
    recompute: Callable[[Wall], CurveSet],
) -> tuple[pd.DataFrame, str]:
    """Compare with the uncoated face, and the grid with one twice as fine."""
    conditions = wall.conditions
    assert conditions is not None
    at = special.ndtr(-curves.mean.at([target.life]))[:, 0]
    bare = np.full(len(wall.plans), np.nan)
    if conditions.coating is not None:
        uncoated = recompute(replace(wall, conditions=replace(conditions, coating=None)))
        bare = special.ndtr(-uncoated.mean.at([target.life]))[:, 0]
    check = grid_check(wall, target.life, seed=scenario.sampling.seed)
    table = pd.DataFrame(
        {
            "strategy": [plan.name for plan in wall.plans],
            "probability_at_target": at,
            "probability_uncoated": bare,
            "probability_grid": check.probability,
            "probability_finer_grid": check.probability_finer,
            "front_change_mean_mm": check.front_mean,
            "front_change_most_mm": check.front_max,
        }
    )

    def mm_text(mm: float) -> str:
        return length(mm, units=scenario.units)

    change = float(np.max(np.abs(check.probability_finer - check.probability)))

    note = (
        "The chloride front is a numerical solution: finite volumes in transformed time, "
        f"{check.cells} cells graded over the depth, {check.steps} implicit steps of second order "
        f"to {years(target.horizon)}. Cells and steps half as large on {GRID_SAMPLES} samples at "
        f"{years(target.life)} move a front by {mm_text(np.max(check.front_mean))} on average and by "
        f"{mm_text(np.max(check.front_max))} at most, and the probability by "
        f"{points(change)} percentage points; the "
        f"error left is estimated at {points(check.probability_error)} points (4/3 of it). "
        "This error is not part of the intervals. Drivers, choices and the uncertainty range about "
        f"the curves take {COARSE_GRID.cells} cells and {COARSE_GRID.steps} steps, and fewer points than a "
        f"closed form would; the band takes at most {NUMERICAL_OUTER_POINTS} epistemic points "
        f"with {NUMERICAL_INNER_POINTS} of the scatter. The solutions of more than {PENALTY_NODES} "
        f"strategies or designs are read off those of {PENALTY_NODES} penalties."
    )
    return table, note


def coating_warnings(scenario: Scenario, service: ServiceResults) -> list[str]:
    """State what the credit for a coating is worth to the reference strategy, if one is counted."""
    if scenario.service.coating is None or service.layers is None:
        return []
    row = service.layers.set_index("strategy").to_dict("index")[scenario.reference_strategy]
    return [
        f"Without the coating the probability of "
        f"{scenario.reference_strategy} at {years(scenario.target.service_life)} would be "
        f"{percent(float(row['probability_uncoated']))} instead of "
        f"{percent(float(row['probability_at_target']))}."
    ]


def _mechanism_table(
    wall: Wall, curves: CurveSet, target: DurabilityTarget, recompute: Callable[[Wall], CurveSet]
) -> pd.DataFrame:
    conditions = wall.conditions
    assert conditions is not None
    alone = {
        "chloride": recompute(replace(wall, conditions=replace(conditions, carbonation=False))),
        "carbonation": recompute(_without_chloride(wall, conditions)),
        "both": curves,
    }
    rows = []
    for i, plan in enumerate(wall.plans):
        for name, mechanism_curves in alone.items():
            index = mechanism_curves.mean.at([target.life])[i, 0]
            rows.append(
                {
                    "strategy": plan.name,
                    "mechanism": name,
                    "probability_at_target": float(special.ndtr(-index)),
                    "life_at_target_yr": float(mechanism_curves.mean.age_at_index(target.index)[i]),
                }
            )
    return pd.DataFrame(rows)


def _without_chloride(wall: Wall, conditions: ServiceConditions) -> Wall:
    """Return the wall without chloride, its other inputs still drawn."""
    return replace(
        wall, conditions=replace(conditions, chloride=False, history=None), layered=False
    )


def _cracking_tables(
    scenario: Scenario, wall: Wall, curves: CurveSet, target: DurabilityTarget, workers: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    ages = np.union1d(np.arange(0.0, np.floor(target.horizon) + 1.0), [target.life, target.horizon])
    cracking = cracking_curves(
        wall, ages, repeats=scenario.sampling.repeats, seed=scenario.sampling.seed, workers=workers
    )
    found = plain_interval(cracking.repeats, points=cracking.points)
    # what bounds P later bounds it now
    mean, low = found.mean, found.low
    high = np.minimum.accumulate(found.high[:, ::-1], axis=1)[:, ::-1]
    band = np.full((2, *mean.shape), np.nan)
    if cracking.epistemic is not None:
        band = point_quantile(cracking.epistemic, RANGE_ENDS)
    start = special.ndtr(-curves.mean.at(ages))
    # no cover cracks over steel that is not depassivated, in any wall: no row may say otherwise
    mean = np.minimum(mean, start)
    low = np.minimum(np.minimum(low, _read(curves.low95, ages)), mean)
    high = np.maximum(np.minimum(high, _read(curves.high95, ages)), mean)
    if curves.know_low is not None and curves.know_high is not None:
        known = np.array([_read(curves.know_low, ages), _read(curves.know_high, ages)])
        band = np.minimum(band, known)
    frames, lives = [], []
    index = np.minimum.accumulate(reliability_index(mean, 1.0 - mean), axis=1)
    first = curves.mean.age_at_index(target.index)
    reached = np.maximum(Curves(ages, index).age_at_index(target.index), first)
    at = int(np.searchsorted(ages, target.life))
    for i, plan in enumerate(wall.plans):
        frames.append(
            pd.DataFrame(
                {
                    "strategy": plan.name,
                    "age_yr": ages,
                    "probability_initiation": start[i],
                    "probability_cracking": mean[i],
                    "low95": low[i],
                    "high95": high[i],
                    "know_low": band[0, i],
                    "know_high": band[1, i],
                    "status": found.status[i],
                }
            )
        )
        lives.append(
            {
                "strategy": plan.name,
                "initiation_at_target": float(start[i, at]),
                "cracking_at_target": float(mean[i, at]),
                "initiation_life_yr": float(first[i]),
                "cracking_life_yr": float(reached[i]),
            }
        )
    return pd.concat(frames, ignore_index=True), pd.DataFrame(lives)


def _read(curves: Curves | None, ages: Array) -> Array:
    """Return the probability at ages (s, t); NaN without curves."""
    return np.full((1, 1), np.nan) if curves is None else special.ndtr(-curves.at(ages))


def _extent_tables(
    scenario: Scenario, wall: Wall, curves: CurveSet, target: DurabilityTarget, workers: int
) -> tuple[pd.DataFrame, SimulatedFace, str]:
    options = scenario.service.extent
    assert options is not None
    size = FaceSize(options.width, options.height, options.correlation_length)
    seed = scenario.sampling.seed
    ages = np.union1d(np.arange(EXTENT_STEP, target.horizon + 1e-9, EXTENT_STEP), [target.life])
    _, sd = corroded_share_moments(wall, ages.tolist(), size, seed=seed, workers=workers)
    # the mean share of a face is the probability at a point, given what is known of the wall too
    mean, low, high, know_low, know_high = (
        np.broadcast_to(_read(one, ages), sd.shape)
        for one in (curves.mean, curves.low95, curves.high95, curves.know_low, curves.know_high)
    )
    faces = simulate_faces(
        wall, ages.tolist(), size, faces=EXTENT_FACES, seed=seed, workers=workers
    )
    simulated = faces.shares
    rows = []
    for j, age in enumerate(ages):
        shares = simulated[:, j]
        for i, plan in enumerate(wall.plans):
            above = {
                f"above_{100.0 * x:g}_pct": float(np.mean(shares[i] > x)) for x in options.shares
            }
            rows.append(
                {
                    "strategy": plan.name,
                    "age_yr": float(age),
                    "mean_share": float(mean[i, j]),
                    "low95": float(min(low[i, j], mean[i, j])),
                    "high95": float(max(high[i, j], mean[i, j])),
                    "know_low": float(know_low[i, j]),
                    "know_high": float(know_high[i, j]),
                    "sd_share": float(sd[i, j]),
                    "simulated_mean": float(np.mean(shares[i])),
                    "simulated_sd": float(np.std(shares[i])),
                    **above,
                }
            )
    table = pd.DataFrame(rows).sort_values(["strategy", "age_yr"], kind="stable")
    order = {plan.name: i for i, plan in enumerate(wall.plans)}
    table = table.sort_values("strategy", key=lambda c: c.map(order), kind="stable")
    note = (
        f"Extent: a face of {number(options.width)} m by {number(options.height)} m. What scatters varies over it "
        f"with the correlation exp(-(h/L)^2), L = {number(options.correlation_length)} m; what is not "
        "known, the part of a spread that lies between walls, and the strip age are one value for "
        "the whole face. The mean share is the probability at a point, with its sampling interval "
        "and its uncertainty range. Its sd is an integral of the joint probability of "
        "two points (Sudret, 2008). The chance that more than a share is affected is counted on "
        f"{EXTENT_FACES} simulated faces (midpoint method): its 95 % sampling interval reaches at "
        f"most {points(FACES_HALF_WIDTH)} percentage points to either side."
    )
    reference = [plan.name for plan in wall.plans].index(target.reference)
    picture = _typical_face(
        faces.corroded[reference, ages.tolist().index(target.life)],
        target,
        name=target.reference,
        sides=(options.width, options.height),
    )
    return table.reset_index(drop=True), picture, note


def _typical_face(
    corroded: NDArray[np.bool_], target: DurabilityTarget, *, name: str, sides: tuple[float, float]
) -> SimulatedFace:
    """Take the face of a strategy whose share at the target life is nearest the mean."""
    shares = corroded.mean(axis=(1, 2))
    patchy = np.flatnonzero((shares > 0.0) & (shares < 1.0))
    among = patchy if patchy.size else np.arange(shares.size)
    pick = int(among[np.argmin(np.abs(shares[among] - shares.mean()))])
    return SimulatedFace(name, target.life, *sides, corroded[pick], float(shares[pick]))


def service_hand_check(
    wall: Wall, plan: Plan, *, age: float, penalty: float
) -> tuple[HandStep, ...]:
    """Work one strategy of a wall under options through at the mean of every input.

    The steps of the wall without options as far as they hold, then those of the options. `age` is in
    yr, `penalty` the mean k_c on the chloride diffusivity.
    """
    conditions = wall.conditions
    assert conditions is not None
    if wall.front_model is not None:
        return ()
    values = {**mean_values(wall), "hand.penalty": penalty}
    one = wall.with_plans(
        (replace(plan, penalty="hand.penalty" if conditions.chloride else "", factor=""),)
    )
    face = one.sample_block(values)
    depth = float(np.ravel(front_depths(one, face, age)[0])[0])
    start = float(np.ravel(initiation_ages(one, face, values))[0])
    cover = values[COVER]
    steps: list[HandStep] = []
    if conditions.chloride:
        plain = hand_check(replace(wall, conditions=None), plan, age=age, penalty=penalty)
        steps += [s for s in plain if s.symbol not in ("x_c", "c - x_c", "t_i")]
        bare = replace(conditions, carbonation=False, model_factor="")
        front = _governing_front(replace(one, conditions=bare), values, age)
        words = "Chloride front under the options (rise, seasons): solved, not by hand"
        if conditions.numerical:
            words = "Chloride front with layers or coating: solved numerically, not by hand"
        elif conditions.history is None and conditions.first_month is None:
            words = "Chloride front"
        steps.append(HandStep(words, "x_Cl", "", front, "mm"))
    if conditions.carbonation:
        steps += carbonation_steps(plan, values, age=age)
    if conditions.model_factor:
        factor = values[conditions.model_factor]
        steps.append(HandStep("Model uncertainty", "f", "mean of the input", factor, ""))
    within = start <= conditions.horizon
    begins = (
        HandStep("Initiation age at mean values", "t_i", "x_c(t_i) = c", start, "yr")
        if within
        else HandStep(
            "Initiation at mean values",
            "t_i",
            f"x_c is short of c at the horizon of {years(conditions.horizon)}",
            np.inf,
            "yr",
        )
    )
    return (
        *steps,
        HandStep(f"Governing front at {age:g} yr", "x_c", "the deepest, times f", depth, "mm"),
        HandStep(
            "Margin to the mean cover", "c - x_c", f"{cover:.2f} - {depth:.2f}", cover - depth, "mm"
        ),
        begins,
    )


def _governing_front(wall: Wall, values: dict[str, float], age: float) -> float:
    return float(np.ravel(front_depths(wall, wall.sample_block(values), age)[0])[0])
