"""The one decision rule: whether a strategy meets the target, how sure that is, and in which words.

The predictive probability, over all that is uncertain, is held against the allowed one, as ISO
2394, the JCSS Probabilistic Model Code and fib Bulletin 34 (2006) do (recalled).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.risk.probability.intervals import highest_mean, is_rare

__all__ = [
    "CLEAR",
    "ERROR_CHANCE",
    "NO",
    "TOO_CLOSE",
    "YES",
    "Decision",
    "decide",
    "decide_sample",
    "decision_limit",
    "grow_until_decided",
    "is_decided",
    "is_sample_decided",
    "manner",
]

Array = NDArray[np.float64]
Counts = NDArray[np.int_]

YES, NO, TOO_CLOSE = "yes", "no", "too close to call"
"""Values of meets_target."""

ERROR_CHANCE = 3.2e-5
"""Chance that sampling error puts P on the wrong side of the allowed value."""

CLEAR = 0.9
"""From this chance on an answer is clear."""


def decision_limit(repeats: int) -> float:
    """Return how many standard errors must lie between P and the allowed value.

    Student's t with one degree of freedom less than there are repeats.

    Examples
    --------
    >>> round(decision_limit(16), 1)
    5.5
    """
    return -float(special.stdtrit(repeats - 1, ERROR_CHANCE))


def is_decided(
    probability: ArrayLike, error: ArrayLike, *, allowed: float, repeats: int
) -> np.ndarray:
    """Whether probabilities lie so far from the allowed one that sampling error decides nothing.

    A probability without sampling error is decided, at the allowed value too: it then meets it.
    """
    gap = np.abs(np.asarray(probability, dtype=float) - allowed)
    error = np.asarray(error, dtype=float)
    return np.asarray((gap > decision_limit(repeats) * error) | (error == 0.0))


@dataclass(frozen=True, slots=True)
class Decision:
    """The answer on one strategy.

    Attributes
    ----------
    meets_target
        yes, no or too close to call; the last counts as not met.
    confidence
        Share of the epistemic points that meet the target; NaN where nothing is epistemic.
    """

    meets_target: str
    confidence: float = math.nan

    @property
    def met(self) -> bool:
        """Whether the target counts as met."""
        return self.meets_target == YES

    @property
    def manner(self) -> str:
        """The word beside the answer: clearly, narrowly, or nothing where that cannot be said."""
        return manner(self.meets_target, self.confidence)


def decide(
    probability: float,
    error: float,
    *,
    allowed: float,
    repeats: int,
    confidence: float = math.nan,
    demanded: Array | None = None,
    highest: float | None = None,
) -> Decision:
    """Decide on a probability with its standard error over repeats.

    `demanded` is, for an owner who demands a confidence, the quantile of P over the epistemic
    points at that confidence, by scrambling; it must be allowed too. `highest` stands in for the
    error of a probability too rare for its sample: what P exceeds with `ERROR_CHANCE` at most.
    """
    if highest is None:
        answers = [_answer(probability, error, allowed=allowed, repeats=repeats)]
    else:
        answers = [YES if highest <= allowed else TOO_CLOSE]
    if demanded is not None:
        count = len(demanded)
        spread = float(np.std(demanded, ddof=1) / np.sqrt(count))
        answers.append(_answer(float(np.mean(demanded)), spread, allowed=allowed, repeats=count))
    worst = next((word for word in (NO, TOO_CLOSE) if word in answers), YES)
    return Decision(worst, confidence)


def _answer(probability: float, error: float, *, allowed: float, repeats: int) -> str:
    if not bool(is_decided(probability, error, allowed=allowed, repeats=repeats)):
        return TOO_CLOSE
    return YES if probability <= allowed else NO


def is_sample_decided(p: Array, *, allowed: float, points: ArrayLike) -> np.ndarray:
    """Whether plain probabilities by repeat (r, s) are decided, each a mean over `points`."""
    return np.array(
        [one.meets_target != TOO_CLOSE for one in decide_sample(p, allowed=allowed, points=points)]
    )


def grow_until_decided(
    p: Array,
    compute: Callable[[int, Counts], Array],
    *,
    allowed: float,
    points: int,
    most: int,
) -> tuple[Array, Counts]:
    """Double the sample of what is still open among plain probabilities by repeat (r, s).

    `compute` returns those at some positions, (r, len(positions)), from a number of points, at most
    `most`. Return the probabilities with the points (s,) that each stands on.
    """
    found, counts = p.copy(), np.full(p.shape[1], points)
    while 2 * points <= most:
        still = np.flatnonzero(~is_sample_decided(found, allowed=allowed, points=counts))
        if not still.size:
            break
        points *= 2
        found[:, still], counts[still] = compute(points, still), points
    return found, counts


def decide_sample(
    p: Array,
    *,
    allowed: float,
    points: ArrayLike,
    confidence: Array | None = None,
    demanded: Array | None = None,
) -> tuple[Decision, ...]:
    """Decide on plain probabilities by repeat (r, s), each a mean over `points` (s,).

    A probability too rare for its sample is held to what it exceeds with `ERROR_CHANCE` at most.
    `confidence` (s,) and `demanded`, by scrambling and strategy, are those of `decide`.
    """
    repeats = len(p)
    mean, error = p.mean(axis=0), np.std(p, axis=0, ddof=1) / np.sqrt(repeats)
    bound = highest_mean(
        mean, samples=repeats * np.asarray(points, dtype=float), chance=ERROR_CHANCE
    )
    bounded = is_rare(mean, error, points=points) & (mean <= allowed)
    return tuple(
        decide(
            float(mean[s]),
            float(error[s]),
            allowed=allowed,
            repeats=repeats,
            confidence=math.nan if confidence is None else float(confidence[s]),
            demanded=None if demanded is None else demanded[:, s],
            highest=float(bound[s]) if bounded[s] else None,
        )
        for s in range(p.shape[1])
    )


def manner(meets_target: str, confidence: float) -> str:
    """Return "clearly", "narrowly" or, without a confidence or an answer, an empty text."""
    if math.isnan(confidence) or meets_target == TOO_CLOSE:
        return ""
    sure = confidence >= CLEAR if meets_target == YES else confidence <= 1.0 - CLEAR
    return "clearly" if sure else "narrowly"
