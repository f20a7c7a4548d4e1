"""How many samples a ranking needs: doubled until the widest interval is narrow enough.

Axes: r repeats, k sets of inputs, m outputs, q pairs.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import NumericalError
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.sensitivity.sobol import (
    SobolDesign,
    SobolEstimates,
    SobolSums,
    accumulate_sums,
    indices_from_sums,
    output_shift,
)

__all__ = ["FIRST_POINTS", "MAX_POINTS", "SampleHistory", "Step", "converge"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Model = Callable[[Array], Array]
Progress = Callable[[str, float], None]

FIRST_POINTS = 256
MAX_POINTS = 16_384
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
    estimates: SobolEstimates


@dataclass(frozen=True, slots=True)
class SampleHistory:
    """A finished sample with its history, one `Step` per size."""

    steps: tuple[Step, ...]
    reached: bool

    @property
    def last(self) -> Step:
        """The largest size."""
        return self.steps[-1]


def converge(
    model: Model,
    layout: SobolDesign,
    *,
    is_required: Callable[[SobolEstimates], Flags],
    precision: float,
    repeats: int,
    seed: int,
    raise_if_missed: bool = False,
    max_points: int = MAX_POINTS,
    workers: int = 2,
    progress: Progress | None = None,
    names: Callable[[int, int], str] = lambda k, m: f"set {k}, output {m}",
) -> SampleHistory:
    """Double the sample until the widest interval is narrow enough or the budget is used up.

    `model` maps standard normal columns (d, n) to outputs (m, n); `is_required` marks the indices
    (k, m) that are defined and must be narrow; `precision` is the full width of the widest 95 %
    interval; `max_points` the budget of base points per repeat. With `raise_if_missed` a sample
    that misses the precision is a NumericalError; `names` words an index for its message.
    """
    report_progress = progress or (lambda _stage, _done: None)
    shift = output_shift(model, layout)
    started = time.perf_counter()
    sums: Sequence[SobolSums] = []
    steps: list[Step] = []
    points = 0
    while True:
        total_points = max(FIRST_POINTS, 2 * points)
        more = accumulate_sums(
            model,
            layout,
            start=points,
            points=total_points - points,
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
        points = total_points
        sobol_estimates = indices_from_sums(sums, layout, shift=shift)
        runs = points * repeats * layout.runs_per_point
        step = _step(
            sobol_estimates, is_required(sobol_estimates), runs, time.perf_counter() - started
        )
        steps.append(step)
        report_progress("indices", min(1.0, points / max_points))
        if step.width < precision:
            return SampleHistory(tuple(steps), True)
        # the best that a scrambled sample can hope for is an interval as narrow as 1 / points
        out_of_reach = len(steps) > 2 and step.width * points / max_points > precision
        if points >= max_points or (raise_if_missed and out_of_reach):
            if raise_if_missed:
                raise NumericalError(
                    _precision_message(step, precision, max_points, repeats, names)
                )
            return SampleHistory(tuple(steps), False)


def _precision_message(
    step: Step, precision: float, max_points: int, repeats: int, names: Callable[[int, int], str]
) -> str:
    return (
        f"--precision {precision:g}: not within the budget of {max_points} points x {repeats} repeats. "
        f"At {step.points} points ({step.runs} model runs, {step.seconds:.1f} s) the widest 95 % "
        f"interval is {step.width:.3g}, of the {step.kind} index of "
        f"{names(step.set, step.output)}. Ask for a wider interval, for fewer ages, or raise "
        "[sampling] repeats"
    )


def _step(sobol_estimates: SobolEstimates, is_required: Flags, runs: int, seconds: float) -> Step:
    widest, place, kind = 0.0, (0, 0), "first"
    for name, values in (("first", sobol_estimates.first), ("total", sobol_estimates.total)):
        with np.errstate(invalid="ignore"):
            _, low, high = t_interval(values)
        width = np.where(is_required & np.isfinite(high - low), high - low, -1.0)
        k, m = np.unravel_index(int(np.argmax(width)), width.shape)
        if width[k, m] > widest:
            widest, place, kind = float(width[k, m]), (int(k), int(m)), name
    return Step(sobol_estimates.points, runs, seconds, widest, *place, kind, sobol_estimates)
