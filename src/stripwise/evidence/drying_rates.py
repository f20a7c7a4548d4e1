"""How fast specimens lost mass in a drying test, and how the strategies rank by it.

Mass loss orders strategies by the openness of the face to moisture. It is no diffusivity of
chloride, and nothing here turns it into one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from stripwise.errors import InputError
from stripwise.evidence.tables.data_file import LINE, DataFile
from stripwise.units.result_columns import columns

__all__ = [
    "DryingResult",
    "RankCorrelation",
    "analyse_drying",
    "initial_rate",
    "mass_loss_at",
    "rank_correlation",
]

Array = NDArray[np.float64]

INITIAL_WINDOW = 1.0
"""Time from the first reading over which the initial rate is fitted, unless given [d]."""

MIN_READINGS = 3

RANK_DRAWS = 20_000
"""Simulated means per strategy for the intervals of the ranks."""

MAX_EXACT_PAIRS = 8
"""Most pairs of which all orders are enumerated, 8! = 40,320."""


@dataclass(frozen=True, slots=True)
class RankCorrelation:
    """Rank correlation of a drying quantity with fitted diffusivities.

    Attributes
    ----------
    quantity
        Which quantity of the drying test.
    level
        "strategy" or "specimen": what was paired with the diffusivity.
    pairs
        Number of pairs.
    coefficient
        Spearman's rank correlation; NaN where an order has ties only.
    p_value
        Probability of a coefficient at least as far from 0 if the orders were unrelated.
    exact
        Whether `p_value` counts all orders; otherwise by Student's t.
    """

    quantity: str
    level: str
    pairs: int
    coefficient: float
    p_value: float
    exact: bool


@dataclass(frozen=True, slots=True)
class DryingResult:
    """A drying test, analysed.

    Attributes
    ----------
    specimens
        One row per specimen: initial rate [% per d] with its standard error, loss at `age` [%].
    strategies
        One row per strategy and quantity: mean over its specimens with a 95 % interval, rank
        (1 loses least) with its interval.
    age
        Age at which the loss is compared [d from the start of the test].
    window
        Time from the first reading over which the initial rate was fitted [d].
    correlations
        With fitted diffusivities, where they were given.
    warnings
        What to know before using the numbers.
    """

    specimens: pd.DataFrame
    strategies: pd.DataFrame
    age: float
    window: float
    correlations: tuple[RankCorrelation, ...]
    warnings: tuple[str, ...]

    def ranked(self, quantity: str) -> list[dict[Hashable, Any]]:
        """Return the rows of `strategies` for one quantity, least first."""
        rows = self.strategies[self.strategies["quantity"] == quantity]
        return rows.sort_values("rank", kind="stable").to_dict("records")


def analyse_drying(
    data_file: DataFile,
    *,
    rng: np.random.Generator,
    age: float | None = None,
    window: float = INITIAL_WINDOW,
    diffusivities: pd.DataFrame | None = None,
) -> DryingResult:
    """Analyse a file of kind drying; `age` and `window` in d.

    The loss is compared at the latest age that all specimens reach unless `age` is given.
    `diffusivities` has columns strategy, diffusivity and optionally specimen.
    """
    data = data_file.data.sort_values(["specimen", "time_d"], kind="stable")
    _check_specimens(data_file, data)
    last_reading = data.groupby("specimen", sort=False)["time_d"].max()
    compared_age = float(last_reading.min()) if age is None else age
    if compared_age > float(last_reading.max()):
        raise InputError(
            "--age",
            f"= {compared_age:g} d: the longest test ends at {last_reading.max():g} d; nothing is extrapolated",
        )
    rows, warnings = [], []
    for (name, strategy), group in data.groupby(["specimen", "strategy"], sort=False):
        row = _specimen_row(
            group["time_d"].to_numpy(), group["mass_loss_pct"].to_numpy(), compared_age, window
        )
        rows.append({"specimen": name, "strategy": strategy, **row})
    specimens = pd.DataFrame(rows, columns=columns("drying/specimens"))
    with_notes = specimens[specimens["notes"] != ""]
    for note, group in with_notes.groupby("notes", sort=False):
        names = group["specimen"].tolist()
        rest = f" and {len(names) - 3} more" if len(names) > 3 else ""
        warnings.append(f"{', '.join(names[:3])}{rest}: {note}.")
    tables = [
        _strategy_table(specimens, column, quantity, rng=rng)
        for column, quantity in (("rate_pct_d", "initial rate"), ("loss_pct", "loss at age"))
    ]
    strategies = pd.concat(tables, ignore_index=True)
    single = strategies[(strategies["specimens"] == 1) & (strategies["quantity"] == "initial rate")]
    if len(single):
        warnings.append(
            f"One specimen only for {', '.join(single['strategy'])}: its interval borrows the "
            "scatter of the other strategies, if they have any."
        )
    if strategies["low95"].isna().any():
        warnings.append("No strategy has replicates that differ, so that there are no intervals.")
    correlations = _correlations(specimens, diffusivities)
    return DryingResult(specimens, strategies, compared_age, window, correlations, tuple(warnings))


def initial_rate(time: ArrayLike, loss: ArrayLike, *, window: float) -> tuple[float, float, int]:
    """Fit a straight line to the first readings of one specimen by least squares.

    Parameters
    ----------
    time, loss
        (k,) rising times [d] and mass loss [%], at least three.
    window
        Time from the first reading up to which readings count [d]; never fewer than three.

    Returns
    -------
    Slope [% per d], its standard error, and the number of readings used.

    Examples
    --------
    >>> initial_rate([0.0, 0.5, 1.0, 7.0], [0.0, 0.2, 0.4, 1.0], window=1.0)
    (0.4, 0.0, 3)
    """
    t, m = np.asarray(time, dtype=float), np.asarray(loss, dtype=float)
    if t.size < MIN_READINGS:
        raise InputError("readings", f"are {t.size}; an initial rate needs {MIN_READINGS}")
    count = max(MIN_READINGS, int(np.sum(t - t[0] <= window)))
    t, m = t[:count], m[:count]
    centred = t - t.mean()
    spread = float(np.sum(centred**2))
    slope = float(np.sum(centred * m)) / spread
    residual = m - m.mean() - slope * centred
    variance = float(np.sum(residual**2)) / (count - 2)
    # residuals at the size of rounding count as none
    if variance <= (1e-14 * float(np.max(np.abs(m), initial=0.0))) ** 2:
        variance = 0.0
    return slope, math.sqrt(variance / spread), count


def mass_loss_at(time: ArrayLike, loss: ArrayLike, *, age: float) -> float:
    """Interpolate the mass loss [%] at an age [d], linearly; NaN outside the readings.

    Examples
    --------
    >>> mass_loss_at([0.0, 1.0, 7.0], [0.0, 0.4, 1.0], age=4.0)
    0.7
    """
    t = np.asarray(time, dtype=float)
    return float(np.interp(age, t, np.asarray(loss, dtype=float), left=np.nan, right=np.nan))


def rank_correlation(x: ArrayLike, y: ArrayLike) -> tuple[float, float, bool]:
    """Return Spearman's rank correlation, exact for few pairs.

    Returns
    -------
    Coefficient, two-sided p-value, and whether that counts all orders (up to eight pairs);
    NaN for both numbers where all values of one side are equal.

    References
    ----------
    Spearman (1904); ties take their mean rank.

    Examples
    --------
    >>> rank_correlation([1.0, 2.0, 3.0], [10.0, 30.0, 90.0])
    (1.0, 0.3333333333333333, True)
    """
    a, b = stats.rankdata(x), stats.rankdata(y)
    if a.size < 3 or a.size != b.size:
        raise InputError("rank correlation", f"has {a.size} and {b.size} values; needs 3 pairs")
    a, b = a - a.mean(), b - b.mean()
    scale = math.sqrt(float(a @ a) * float(b @ b))
    exact = a.size <= MAX_EXACT_PAIRS
    if scale == 0:
        return math.nan, math.nan, exact
    coefficient = float(a @ b) / scale
    if exact:
        orders = np.array(list(itertools.permutations(b)))
        p = float(np.mean(np.abs(orders @ a) >= abs(coefficient) * scale * (1.0 - 1e-12)))
    elif abs(coefficient) >= 1.0:
        p = 0.0
    else:
        t = coefficient * math.sqrt((a.size - 2) / (1.0 - coefficient**2))
        p = float(2.0 * stats.t.sf(abs(t), a.size - 2))
    return coefficient, p, exact


def _check_specimens(data_file: DataFile, data: pd.DataFrame) -> None:
    problems = data_file.problems()
    headers = data_file.headers
    first = data.groupby("specimen", sort=False)["strategy"].transform("first")
    for row in data[data["strategy"] != first].to_dict("records"):
        problems.add(
            "belongs to another strategy in an earlier row; a specimen has one strategy",
            line=row[LINE],
            about=row["specimen"],
            column=headers["strategy"],
            found=row["strategy"],
        )
    for row in data[data.duplicated(["specimen", "time_d"])].to_dict("records"):
        problems.add(
            "is given twice for the specimen; keep one reading",
            line=row[LINE],
            about=row["specimen"],
            column=headers["time_d"],
            found=f"{row['time_d']:g} d",
        )
    counts = data.groupby("specimen", sort=False).agg(n=("time_d", "size"), line=(LINE, "max"))
    for row in counts[counts["n"] < MIN_READINGS].reset_index().to_dict("records"):
        problems.add(
            f"has fewer than {MIN_READINGS} readings; an initial rate needs {MIN_READINGS}",
            line=row[LINE],
            about=row["specimen"],
            found=row["n"],
        )
    problems.raise_all()


def _specimen_row(time: Array, loss: Array, age: float, window: float) -> dict[str, object]:
    rate, standard_error, count = initial_rate(time, loss, window=window)
    at_age = mass_loss_at(time, loss, age=age)
    notes = []
    if time[count - 1] - time[0] > window:
        notes.append(
            f"fewer than {MIN_READINGS} readings in the first {window:g} d, "
            f"so that the first {MIN_READINGS} count"
        )
    if np.ptp(loss) == 0:
        notes.append("all readings are equal")
    elif np.any(np.diff(loss) < 0):
        notes.append("gains mass between two readings")
    if math.isnan(at_age):
        notes.append(f"has no reading on both sides of {age:g} d, so no loss at that age")
    return {
        "readings": time.size,
        "last_d": float(time[-1]),
        "rate_pct_d": rate,
        "rate_se": standard_error,
        "rate_readings": count,
        "loss_pct": at_age,
        "notes": "; ".join(notes),
    }


def _strategy_table(
    specimens: pd.DataFrame, column: str, quantity: str, *, rng: np.random.Generator
) -> pd.DataFrame:
    """Means with intervals by the scatter pooled over strategies, and ranks with intervals."""
    usable = specimens.dropna(subset=[column])
    groups = usable.groupby("strategy", sort=False)[column]
    table = groups.agg(specimens="size", mean="mean", sd="std").reset_index()
    counts, means = table["specimens"].to_numpy(), table["mean"].to_numpy(dtype=float)
    degrees_of_freedom = int(np.sum(counts - 1))
    squares = float(np.sum((usable[column] - groups.transform("mean")) ** 2))
    pooled = (
        math.sqrt(squares / degrees_of_freedom) if degrees_of_freedom and squares > 0 else math.nan
    )
    half_width = stats.t.ppf(0.975, max(degrees_of_freedom, 1)) * pooled / np.sqrt(counts)
    table["quantity"] = quantity
    table["low95"], table["high95"] = means - half_width, means + half_width
    table["rank"] = stats.rankdata(means)
    table["rank_low95"] = table["rank_high95"] = math.nan
    if math.isfinite(pooled):
        spread = pooled * np.sqrt(
            degrees_of_freedom / rng.chisquare(degrees_of_freedom, size=(RANK_DRAWS, 1))
        )
        simulated = means + spread / np.sqrt(counts) * rng.standard_normal((RANK_DRAWS, len(table)))
        ranks = stats.rankdata(simulated, axis=1)
        table["rank_low95"], table["rank_high95"] = np.quantile(
            ranks, (0.025, 0.975), axis=0, method="nearest"
        )
    return table[columns("drying/strategies")].sort_values("rank", kind="stable")


def _correlations(
    specimens: pd.DataFrame, diffusivities: pd.DataFrame | None
) -> tuple[RankCorrelation, ...]:
    if diffusivities is None:
        return ()
    levels: Sequence[str] = [
        level for level in ("strategy", "specimen") if level in diffusivities.columns
    ]
    correlations = []
    for column, quantity in (("rate_pct_d", "initial rate"), ("loss_pct", "loss at age")):
        for level in levels:
            # a ratio of diffusivities is what counts, hence the mean of the logarithm
            log_diffusivity = (
                np.log(diffusivities.set_index(level)["diffusivity"]).groupby(level).mean()
            )
            measured = specimens.dropna(subset=[column]).groupby(level)[column].mean()
            pairs = pd.concat([measured, log_diffusivity], axis=1, join="inner")
            if len(pairs) < 3:
                continue
            value, p, exact = rank_correlation(pairs.iloc[:, 0], pairs.iloc[:, 1])
            correlations.append(RankCorrelation(quantity, level, len(pairs), value, p, exact))
    return tuple(correlations)
