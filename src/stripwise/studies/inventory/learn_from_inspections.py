"""The posterior of an inventory: of what faces share, and of what is each inspected face's own.

What is shared is sampled by importance as in an update, each face's own integrated for every draw;
then each inspected face's own scores are drawn given each draw of what is shared.

Axes: m draws, q draws that totals take, c own draws of each of these.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.distribution import Distribution, distribution
from stripwise.distributions.joint_draws import JointDraws
from stripwise.distributions.posterior_points import LEAST_EFFECTIVE
from stripwise.distributions.random_input import GROUPS, Input
from stripwise.distributions.sampling import InputSampler, random_stream
from stripwise.evidence.inspections.inspection_sets import InspectionSet
from stripwise.risk.probability.parallel import run_parallel
from stripwise.risk.probability.shared_draws import shared_names
from stripwise.studies.inventory.element_likelihood import ElementLikelihood
from stripwise.studies.inventory.face_classes import FaceClasses
from stripwise.studies.inventory.inspected_faces import MOST_NAMED, Inspections
from stripwise.studies.inventory.learned_scores import Learned, SharedInputs
from stripwise.studies.update.before_and_after import learned_table
from stripwise.studies.update.cover_spread import MORE, cover_spread
from stripwise.studies.update.epistemic_scores import EpistemicDraws, EpistemicScores
from stripwise.studies.update.evidence_of_sets import SetLikelihoods, unknown_errors
from stripwise.studies.update.posterior_of_sets import Posterior, find_posterior
from stripwise.studies.update.prior_predictive import surprise_table
from stripwise.units.formatting import count, first_few, length

__all__ = ["Lesson", "learn", "spread_notes"]

Array = NDArray[np.float64]

DRAWS = 2**13
"""Draws of equal weight."""

INTEGRAL_POINTS = 32
"""Points of each integral, before they are checked."""

OWN_NODES, OWN_NODES_WITH_POINTS = 32, 16
"""Nodes among which the own scores of a face are drawn, and where points of it were counted."""

OWN_RUNS = 4
"""Own draws of an inspected face for each draw of what is shared, in totals."""


NOTHING = EpistemicDraws({}, {}, {}, 0)


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """What inspections say of an inventory.

    Attributes
    ----------
    learned
        Draws of the posterior.
    posterior
        The sample that they come from.
    inputs
        What was learned of each shared input, the columns of `learned`.
    checks
        By face and kind of data how surprising they are, the columns of `inspected` as far as they
        are known before a face is computed.
    notes
        What a reader must know.
    """

    learned: Learned
    posterior: Posterior
    inputs: pd.DataFrame
    checks: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def record(self) -> dict[str, Any]:
        """What run.json says of the method."""
        points = self.posterior.points
        return {
            "draws": DRAWS,
            "effective_draws": points.effective,
            "least_effective_draws": LEAST_EFFECTIVE,
            "tempering_steps": points.rungs,
            "log_evidence": points.log_evidence(),
            "log_likelihood_error": self.posterior.integral_error,
            "integral_points": self.posterior.integral_points,
        }


def learn(
    classes: FaceClasses,
    inspections: Inspections,
    *,
    keys: list[str],
    totals: int,
    workers: int,
    progress: Callable[[float], None] | None = None,
) -> Lesson:
    """Find the posterior; NumericalError where fewer than 400 effective draws are left.

    Parameters
    ----------
    keys
        Keys of all scores that faces share.
    totals
        Draws q that totals take.
    """
    seed = classes.case.sampling.seed
    likelihoods, told = list[ElementLikelihood](), dict[str, None]()
    errors: dict[str, Distribution] = {}
    for face in inspections.faces:
        one = classes.classes[face.place]
        wall, sets = face.wall(one), inspections.sets[face.name]
        likelihoods.append(ElementLikelihood.from_sets(face.name, sets, one.case, one, wall))
        reached = likelihoods[-1].told(wall)
        told |= {one.draw_key(name): None for name in shared_names(wall) if name in reached}
        errors |= unknown_errors(sets)
    # without anything shared one score that nothing reads keeps the rest as it is
    scores = _scores(list(told) or [""], errors)
    posterior = find_posterior(
        classes.classes[0].wall,
        scores,
        SetLikelihoods(tuple(likelihoods), workers, INTEGRAL_POINTS),
        seed=seed,
        progress=progress,
    )
    rows = posterior.points.equal_weight_rows(
        DRAWS, random_stream(seed, stage="inventory", index=(9, 0))
    )
    draws = posterior.all_draws.rows(rows)
    few = _few(draws, totals)
    points = posterior.integral_points

    def own(k: int) -> tuple[dict[str, Array], dict[str, Array]]:
        rng = random_stream(seed, stage="inventory", index=(9, 1, k))
        one = likelihoods[k]
        nodes = OWN_NODES_WITH_POINTS if one.points else OWN_NODES
        many = one.own_scores(draws, points=points, nodes=nodes, count=1, rng=rng)
        runs = one.own_scores(few, points=points, nodes=nodes, count=OWN_RUNS, rng=rng)
        return {name: z[:, 0] for name, z in many.items()}, {
            name: z.T.ravel() for name, z in runs.items()
        }

    found = list(run_parallel(own, len(likelihoods), workers=workers))
    rng = random_stream(seed, stage="inventory", index=(9, 2))
    learned = Learned(
        told=frozenset(told),
        scores=_completed(draws.scores, keys, DRAWS, rng),
        own={
            one.name: {name: z.astype(np.float32) for name, z in many.items()}
            for one, (many, _) in zip(likelihoods, found, strict=True)
        },
        few=_completed(few.scores, keys, totals, rng),
        few_own={one.name: few_ for one, (_, few_) in zip(likelihoods, found, strict=True)},
    )
    notes = [note for one in inspections.files for note in one.notes]
    return Lesson(
        learned,
        posterior,
        _learned_inputs(classes, learned),
        _checks(classes, inspections, workers=workers),
        (*spread_notes(classes, inspections), *inspections.notes, *notes),
    )


def spread_notes(classes: FaceClasses, inspections: Inspections) -> list[str]:
    """Say on which faces covers scatter more than the scenario has it, which keeps its own spread."""
    texts, read = list[str](), 0
    for face in inspections.faces:
        wall = face.wall(classes.classes[face.place])
        table = cover_spread(inspections.sets[face.name], wall)
        if table is None:
            continue
        read += 1
        wide = table[table["status"] == MORE]
        if len(wide):
            row = wide.sort_values("sd_mm", kind="stable").iloc[-1]
            found, kept = (
                length(float(row[name]), units=classes.case.units)
                for name in ("sd_mm", "sd_scenario_mm")
            )
            texts.append(f"{face.name} ({found}, in the scenario {kept})")
    if not texts:
        return []
    named = first_few(texts, most=MOST_NAMED)
    return [
        f"Covers read on {count(len(texts))} of {count(read)} faces scatter more than the scenario says, "
        f"whose standard deviation is kept: {named}. Chance would do so on one face in forty. Where thin "
        "covers decide, the probability there is too low. Write the standard deviation that was found "
        "into the row of the face (cover_sd_mm) and compute again."
    ]


def _checks(classes: FaceClasses, inspections: Inspections, *, workers: int) -> pd.DataFrame:
    """Say how surprising the data of each face and kind are for that face alone."""

    def check(k: int) -> pd.DataFrame:
        face = inspections.faces[k]
        one, sets = classes.classes[face.place], inspections.sets[face.name]
        wall = face.wall(one)
        scores = EpistemicScores.from_wall(wall, unknown_errors(sets))
        likelihoods = SetLikelihoods.from_sets(
            sets, one.case, wall, middle=scores.middle(), workers=1, points=INTEGRAL_POINTS
        )
        table = surprise_table(sets, likelihoods, scores, seed=one.case.sampling.seed)
        by_kind: dict[str, list[InspectionSet]] = {}
        for found in sets:
            by_kind.setdefault(found.data_file.kind.description, []).append(found)
        return table.assign(
            element=face.name,
            file=[", ".join(s.data_file.name for s in by_kind[kind]) for kind in table["data"]],
            size=["; ".join(s.size for s in by_kind[kind]) for kind in table["data"]],
            age_yr=[max(s.last_age for s in by_kind[kind]) or np.nan for kind in table["data"]],
        )

    found = run_parallel(check, len(inspections.faces), workers=workers)
    return pd.concat(list(found), ignore_index=True)


def _scores(keys: list[str], errors: dict[str, Distribution]) -> EpistemicScores:
    """Return the scores by key as those of inputs, whose values a class knows alone."""
    normal = distribution("normal", mean=0.0, sd=1.0)
    items = tuple(Input(key, key, normal, "", GROUPS[0], between_walls=0.5) for key in keys)
    sampler = InputSampler.from_inputs(items, ())
    return EpistemicScores(items, sampler, errors)


def _few(draws: EpistemicDraws, count: int) -> EpistemicDraws:
    """Return draws that stand for all, each for those that are like it."""
    parts = {**draws.scores, **draws.errors}
    ordered = JointDraws(tuple(parts), np.array(list(parts.values())), (True,) * len(parts)).part()
    chosen = dict(zip(ordered.names, ordered.thinned(count), strict=True))
    errors = {name: chosen.pop(name) for name in draws.errors}
    return EpistemicDraws({}, chosen, errors, count)


def _completed(
    scores: Mapping[str, Array], keys: list[str], count: int, rng: np.random.Generator
) -> dict[str, Array]:
    """Return the scores of all keys: what the data do not reach by a Latin hypercube of the prior."""
    found = {}
    for key in keys:
        if key in scores:
            found[key] = scores[key]
        else:
            found[key] = special.ndtri((rng.permutation(count) + rng.random(count)) / count)
    return found or {"": np.zeros(count)}


def _learned_inputs(classes: FaceClasses, learned: Learned) -> pd.DataFrame:
    """Tabulate what was learned of each shared input that the data reach, as the columns of `learned`."""
    done: set[str] = set()
    tables = []
    for one in classes.classes:
        shared = SharedInputs.from_class(one)
        fresh = {
            item.name: key
            for item, key in zip(shared.items, shared.keys, strict=True)
            if key in learned.told and key not in done
        }
        if not fresh:
            continue
        done |= set(fresh.values())
        draws = shared.draws(learned.scores, DRAWS)
        items = tuple(item for item in shared.items if item.name in fresh)
        table = learned_table(items, draws, {})
        blocks = [fresh[name].removesuffix(name).rstrip(":") for name in table["input"]]
        table["label"] = [
            f"{label}, {block.partition(':')[2]}" if block else label
            for label, block in zip(table["label"], blocks, strict=True)
        ]
        table["input"] = [fresh[name] for name in table["input"]]
        tables.append(table)
    return pd.concat(tables, ignore_index=True) if tables else learned_table((), NOTHING, {})
