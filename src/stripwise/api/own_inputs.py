"""Inputs from values that were measured or drawn, as a scenario writes them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from stripwise.errors import InputError

__all__ = ["empirical"]

MOST_WRITTEN = 1001


def empirical(
    values: ArrayLike,
    *,
    unit: str = "",
    probabilities: ArrayLike | None = None,
    **options: Any,
) -> dict[str, Any]:
    """Make an input of a sample, or of quantiles, for `case.replace`.

    Between the sorted values the distribution function is straight, from the least to the largest.
    Of more than 1,001 values their quantiles at 1,001 even probabilities are taken.

    Parameters
    ----------
    values
        (m,) sample, or quantiles where `probabilities` stand beside them, in `unit`.
    unit
        Unit as a scenario writes it, such as "mm" or "m^2/s"; empty for a number.
    probabilities
        (m,) rising from 0 to 1.
    **options
        kind, between_walls, source, unusual, as of any input.

    Returns
    -------
    The table of the input.

    Raises
    ------
    InputError
        If a value is not finite, or there are fewer than two.

    Examples
    --------
    >>> empirical([52, 58, 61.5], unit="mm", kind="scatter")["values"]
    ['52.0 mm', '58.0 mm', '61.5 mm']
    """
    sample = np.asarray(values, dtype=float).ravel()
    if sample.size < 2 or not np.isfinite(sample).all():
        raise InputError("values", "must be at least two finite numbers")
    table: dict[str, Any] = {"family": "empirical"}
    if probabilities is None:
        sample = np.sort(sample)
        if sample.size > MOST_WRITTEN:
            sample = np.quantile(sample, np.linspace(0.0, 1.0, MOST_WRITTEN))
    else:
        table["probabilities"] = [float(p) for p in np.asarray(probabilities, dtype=float)]
    table["values"] = [f"{x!r} {unit}" if unit else x for x in sample.tolist()]
    return {**table, **options}
