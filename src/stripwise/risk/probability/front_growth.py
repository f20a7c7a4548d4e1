"""What a front has in common over epistemic points, strategies and ages: how far it has grown.

The front of a uniform face is start + length g. Start and length vary along the wall; the growth
g = sqrt(k_c k_e k_t times effective time) holds all that penalty, temperature and age do. Where
what is epistemic acts through g alone, P of every epistemic point, strategy and age is read from
one curve over g, in place of an integral each.

Axes: k epistemic points, s strategies, t ages, n aleatory points, m values of g, c curves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.model.wall import DIFFUSIVITY, FRONT_INPUTS, Number, Values, Wall
from stripwise.risk.probability.reliability_index import INFINITE_INDEX, Curves

__all__ = ["FrontGrowth"]

Array = NDArray[np.float64]

LOG_STEP = 0.125
"""First step of ln g between nodes."""
TOLERANCE = 2e-6
"""Largest error of P in the middle between nodes, before the middles become nodes too."""

MOST_NODES, PROBABILITIES_PER_NODE = 1200, 4
"""Most nodes, and how many probabilities must be read for each: for fewer they cost less alone."""

LARGEST_FALL, SEEN = 3.0, 8.0
"""Largest fall of the index between two nodes, where it is not beyond these at either end."""


@dataclass(frozen=True, slots=True)
class FrontGrowth:
    """The fronts of one aleatory sample, and how far they have grown.

    Attributes
    ----------
    start
        Depth that each front starts from, (n,) or a number [mm].
    length
        Its growth where g is 1, (n,) or a number [mm].
    log_growth
        ln g, (k, s, t); -inf at age 0.
    """

    start: Array
    length: Array
    log_growth: Array

    @classmethod
    def from_inputs(
        cls, wall: Wall, aleatory: Values, epistemic: Values, ages: Array
    ) -> FrontGrowth | None:
        """Part the fronts at ages (t,) [yr]; None where they are not of this form.

        `aleatory` are inputs (n,) or numbers, `epistemic` inputs (k,).
        """
        closed_form = not wall.layered and wall.conditions is None and wall.front_model is None
        if not (closed_form and epistemic and FRONT_INPUTS.isdisjoint(epistemic)):
            return None
        log_growth = _log_growth(wall, aleatory, epistemic, ages)
        if log_growth is None or not np.isfinite(log_growth).any():
            return None
        one_point = {name: float(np.asarray(column)[0]) for name, column in epistemic.items()}
        block = wall.sample_block({**aleatory, **one_point})
        length = 2.0 * np.asarray(block.root)
        if DIFFUSIVITY in aleatory:
            length = length * np.sqrt(np.asarray(aleatory[DIFFUSIVITY]))
        return cls(np.asarray(block.start_depth), length, log_growth)

    def depths(self, growth: Array) -> Array:
        """Return the depth of the fronts at some growths (m,), (m, n) [mm]."""
        return np.atleast_2d(self.start + self.length * growth[:, np.newaxis])

    def read(self, index_at: Callable[[Array], Array]) -> Array | None:
        """Return a falling index everywhere, (c, k, s, t), by its curves (c, m) over g (m,).

        None where they bend so often, or so little is read, that it does not pay.
        """
        finite = self.log_growth[np.isfinite(self.log_growth)]
        low = float(finite.min())
        high = max(float(finite.max()), low + LOG_STEP)  # all may be the same
        steps = max(int(np.ceil((high - low) / LOG_STEP)), 3)
        most = min(MOST_NODES, self.log_growth.size // PROBABILITIES_PER_NODE)
        if 2 * steps > most:
            return None
        nodes = np.append(0.0, np.exp(np.linspace(low, high, steps + 1)))
        known = index_at(nodes)
        error = np.inf
        while error > TOLERANCE:
            if nodes.size > most:
                return None
            middle = np.sqrt(nodes[1:-1] * nodes[2:])
            exact = index_at(middle)
            guess = Curves(nodes, known).at(middle)
            error = float(np.abs(special.ndtr(-exact) - special.ndtr(-guess)).max())
            nodes, known = np.append(nodes, middle), np.concatenate([known, exact], axis=1)
            order = np.argsort(nodes)
            nodes, known = nodes[order], known[:, order]
            if _leaps(known[:, 1:]):
                error = np.inf
        found = Curves(nodes, known).at(np.exp(self.log_growth).ravel())
        return found.reshape(len(found), *self.log_growth.shape)


def _leaps(index: Array) -> bool:
    """Tell whether P rises so much between two nodes that the middle may miss it."""
    before, after = (
        np.clip(part, -INFINITE_INDEX, INFINITE_INDEX) for part in (index[:, :-1], index[:, 1:])
    )
    return bool(np.any((before - after > LARGEST_FALL) & (before > -SEEN) & (after < SEEN)))


def _log_growth(wall: Wall, aleatory: Values, epistemic: Values, ages: Array) -> Array | None:
    """Return ln g (k, s, t), a diffusivity along the wall left out; None where more varies there."""
    few: dict[str, Number] = {
        name: np.asarray(value)[:2] if np.ndim(value) else value
        for name, value in aleatory.items()
        if name != DIFFUSIVITY
    }
    few |= {name: np.asarray(column)[:, np.newaxis] for name, column in epistemic.items()}
    block = wall.sample_block(few)
    effective = [wall.ageing_law.log_effective_time(age, block.exponent) for age in ages]
    parts = [block.log_rate, *block.log_penalty, *effective]
    if any(np.ndim(part) > 0 and np.shape(part)[-1] > 1 for part in parts):
        return None
    k = max(np.size(column) for column in epistemic.values())
    rate, *others = (np.broadcast_to(np.reshape(part, -1), k) for part in parts)
    by_plan = np.array(others[: len(wall.plans)]).T
    by_age = np.array(others[len(wall.plans) :]).T
    return np.asarray(0.5 * (rate[:, None, None] + by_plan[:, :, None] + by_age[:, None, :]))
