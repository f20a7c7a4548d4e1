"""How well distribution families fit measured values: readings as steps, families as curves."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike, NDArray

from stripwise.evidence.statistics.family_fit import FittedFamily, fitted_distribution
from stripwise.report.components import Column, Table, numeric
from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import spread_labels
from stripwise.units import formatting

__all__ = ["family_table", "plot_fit"]

LABEL_WIDTH_MM = 30.0
MOST_STEPS = 2_000
"""Most steps that are drawn."""


def plot_fit(
    values: ArrayLike,
    fits: Sequence[FittedFamily],
    *,
    chosen: str,
    label: str,
    title: str,
    note: str,
    limit: float | None = None,
    limit_text: str = "",
    ax: Axes | None = None,
) -> Axes:
    """Plot the share of values (n,) up to x, as measured and by the fitted families.

    `chosen` is the family that goes to the scenario, drawn strongly; `limit` is a vertical line.
    """
    x = np.sort(np.asarray(values, dtype=float))
    if ax is None:
        ax = sheet.new_axes(
            height=74.0, left=15.0, right=LABEL_WIDTH_MM, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    steps, shares = _steps(x)
    ax.step(steps, 100.0 * shares, where="post", color=style.TEXT_COLOR, lw=1.2, gid="values")
    span = max(float(x[-1] - x[0]), 1e-6 * abs(float(x[-1])), 1e-9)
    extra = (limit,) if limit is not None else ()
    low = min(float(x[0]) - 0.08 * span, *(v - 0.05 * span for v in extra), float(x[0]))
    high = max(float(x[-1]) + 0.08 * span, *(v + 0.05 * span for v in extra), float(x[-1]))
    low = max(low, 0.0) if x[0] >= 0 else low
    grid = np.linspace(low, high, 400)
    for row, fit in enumerate(fits):
        color, _ = style.line_style(row)
        main = fit.family == chosen
        ax.plot(
            grid,
            100.0 * fitted_distribution(fit, x).cdf(grid),
            color=color,
            lw=1.8 if main else 0.9,
            ls="-" if main else (0, (4, 2)),
            gid=f"family-{fit.family}",
            zorder=3 if main else 2,
        )
    if limit is not None:
        ax.axvline(limit, color=style.GREY, lw=0.9, ls=(0, (3, 2)), gid="limit")
        label_at_right = limit < low + 0.6 * (high - low)
        sheet.annotate(
            ax,
            limit_text,
            (limit, 1.0),
            offset=(4.0 if label_at_right else -4.0, -2.0),
            xycoords=("data", "axes fraction"),
            ha="left" if label_at_right else "right",
            va="top",
            color=style.GREY,
        )
    ax.set_xlim(low, high)
    ax.set_ylim(0.0, 100.0)
    _label_curves(ax, fits, chosen)
    ax.set_xlabel(label, fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Share up to that value [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def family_table(fits: Sequence[FittedFamily], *, unit: str, chosen: str) -> Table:
    """Tabulate fitted families, best first; `unit` is that of mean and sd."""
    best = fits[0].aic if fits else 0.0
    return Table(
        "Families fitted by maximum likelihood. Difference of Akaike's criterion: 0 is best, below "
        "2 is no difference worth the name. p: share of simulated samples that fit no better; "
        "below 5 % speaks against the family.",
        (
            Column("Family", "family", lambda n: n + " (to the scenario)" * (n == chosen)),
            numeric(f"Mean [{unit}]", "mean"),
            numeric(f"sd [{unit}]", "sd"),
            numeric("Log likelihood", "log_likelihood", formatting.decimals),
            numeric("Criterion, difference", "aic", lambda x: formatting.decimals(x - best)),
            numeric("Anderson-Darling (p)", write=lambda r: _statistic(r, "anderson")),
            numeric("Kolmogorov-Smirnov (p)", write=lambda r: _statistic(r, "kolmogorov")),
        ),
        [dataclasses.asdict(fit) for fit in fits],
    )


def _statistic(row: dict[str, Any], name: str) -> str:
    text = formatting.number(row[name])
    return text if np.isnan(row[name]) else f"{text} ({formatting.percent(row[f'{name}_p'])})"


def _steps(x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    distinct, counts = np.unique(x, return_counts=True)
    shares = np.cumsum(counts) / x.size
    if distinct.size > MOST_STEPS:
        pick = np.linspace(0, distinct.size - 1, MOST_STEPS).astype(int)
        distinct, shares = distinct[pick], shares[pick]
    return np.concatenate([distinct[:1], distinct]), np.concatenate([[0.0], shares])


def _label_curves(ax: Axes, fits: Sequence[FittedFamily], chosen: str) -> None:
    """List the curves at the right."""
    _, height = sheet.axes_size(ax)
    names = ["as measured", *(fit.family for fit in fits)]
    colors = [style.TEXT_COLOR, *(style.line_style(row)[0] for row in range(len(fits)))]
    placed = spread_labels([0.5 * height] * len(names), heights=1.6 * style.TEXT_SIZE)
    for name, color, y in zip(names, colors, placed[::-1], strict=True):
        sheet.annotate(
            ax,
            name,
            (1.0, y / height),
            offset=(8.0, 0.0),
            size=style.TEXT_SIZE,
            xycoords="axes fraction",
            va="center",
            color=color,
            fontweight="bold" if name == chosen else "normal",
        )
