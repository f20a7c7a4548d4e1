"""The sample of a ranking, doubled until its widest interval is narrow enough.

Axes: r repeats, k sets of inputs, m outputs, q pairs.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import NumericalError
from stripwise.risk.probability.curves import interval
from stripwise.risk.sensitivity.sobol import Estimates, Layout, Sums, accumulate, estimates

__all__ = ["FIRST_POINTS", "MOST_POINTS", "Sample", "Step", "converge", "shift_of"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Model = Callable[[Array], Array]
Progress = Callable[[str, float], None]

FIRST_POINTS = 256
MOST_POINTS = 16_384
"""Base points per repeat, the first and the largest sample."""


@dataclass(frozen=True, slots=True)
class Step:
    """One size of the sample.

    Attributes
    ----------
    points
        Base points per repeat.
    runs
        Evaluations of the model so far.
    seconds
        Time so far [s].
    width
        Full width of the widest 95 % interval of a first or total index.
    set, output
        Which index that is: positions in the sets and the outputs.
    kind
        "first" or "total".
    estimates
        The estimates of that size.
    """

    points: int
    runs: int
    seconds: float
    width: float
    set: int
    output: int
    kind: str
    estimates: Estimates


@dataclass(frozen=True, slots=True)
class Sample:
    """A finished sample with its history, one `Step` per size."""

    steps: tuple[Step, ...]
    reached: bool

    @property
    def last(self) -> Step:
        """The largest size."""
        return self.steps[-1]


def shift_of(model: Model, layout: Layout) -> Array:
    """Return what is taken off each output to keep digits: its value at the medians, (m,)."""
    with np.errstate(all="ignore"):
        shift = model(np.zeros((layout.dimensions, 1)))[:, 0].copy()
    shift[layout.plain :] = 0.0
    return np.where(np.isfinite(shift), shift, 0.0)


def converge(
    model: Model,
    layout: Layout,
    *,
    counts: Callable[[Estimates], Flags],
    precision: float,
    repeats: int,
    seed: int,
    insist: bool = False,
    most: int = MOST_POINTS,
    workers: int = 2,
    progress: Progress | None = None,
    names: Callable[[int, int], str] = lambda k, m: f"set {k}, output {m}",
) -> Sample:
    """Double the sample until the widest interval is narrow enough or the budget is used up.

    Parameters
    ----------
    model
        Maps standard normal columns (d, n) to outputs (m, n).
    layout
        What is estimated.
    counts
        Which indices (k, m) are defined and must be narrow.
    precision
        Full width that the widest 95 % interval must stay below.
    repeats
        Independent scramblings.
    seed
        Seed of the run.
    insist
        Whether to refuse a sample that misses the precision, rather than hand it back.
    most
        Largest number of base points per repeat.
    workers
        Threads; the results do not depend on it.
    progress
        Called with a stage and the share done.
    names
        Words for an index, for the message.

    Returns
    -------
    The `Sample`.

    Raises
    ------
    NumericalError
        If the precision is insisted upon and out of reach of the budget.
    """
    tell = progress or (lambda _stage, _done: None)
    shift = shift_of(model, layout)
    started = time.perf_counter()
    sums: Sequence[Sums] = []
    steps: list[Step] = []
    points = 0
    while True:
        goal = max(FIRST_POINTS, 2 * points)
        more = accumulate(
            model,
            layout,
            start=points,
            points=goal - points,
            repeats=repeats,
            seed=seed,
            shift=shift,
            workers=workers,
        )
        if sums:
            for old, new in zip(sums, more, strict=True):
                old.add(new)
        else:
            sums = more
        points = goal
        found = estimates(sums, layout, shift=shift)
        runs = points * repeats * layout.runs_per_point
        step = _step(found, counts(found), runs, time.perf_counter() - started)
        steps.append(step)
        tell("indices", min(1.0, points / most))
        if step.width < precision:
            return Sample(tuple(steps), True)
        # the best that a scrambled sample can hope for is an interval as narrow as 1 / points
        hopeless = len(steps) > 2 and step.width * points / most > precision
        if points >= most or (insist and hopeless):
            if insist:
                raise NumericalError(_refusal(step, precision, most, repeats, names))
            return Sample(tuple(steps), False)


def _refusal(
    step: Step, precision: float, most: int, repeats: int, names: Callable[[int, int], str]
) -> str:
    return (
        f"--precision {precision:g}: not within the budget of {most} points x {repeats} repeats. "
        f"At {step.points} points ({step.runs} model runs, {step.seconds:.1f} s) the widest 95 % "
        f"interval is {step.width:.3g}, of the {step.kind} index of "
        f"{names(step.set, step.output)}. Ask for a wider interval, for fewer ages, or raise "
        "[sampling] repeats"
    )


def _step(found: Estimates, counts: Flags, runs: int, seconds: float) -> Step:
    widest, place, kind = 0.0, (0, 0), "first"
    for name, values in (("first", found.first), ("total", found.total)):
        with np.errstate(invalid="ignore"):
            _, low, high = interval(values)
        width = np.where(counts & np.isfinite(high - low), high - low, -1.0)
        k, m = np.unravel_index(int(np.argmax(width)), width.shape)
        if width[k, m] > widest:
            widest, place, kind = float(width[k, m]), (int(k), int(m)), name
    return Step(found.points, runs, seconds, widest, *place, kind, found)
