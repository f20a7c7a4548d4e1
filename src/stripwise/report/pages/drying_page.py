"""What the report of a drying test says and draws."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from stripwise.evidence.drying_rates import DryingResult, RankCorrelation
from stripwise.report.components import (
    Column,
    Figure,
    Report,
    Section,
    Table,
    data_report,
    numeric,
    sentence_case,
)
from stripwise.report.even_decimals import even, even_numbers
from stripwise.report.figures import sheet, style
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.report.figures.label_placement import shorten_text, spread_labels
from stripwise.report.pages.comparison_sections import (
    comparison_findings,
    comparison_sections,
    comparison_warnings,
)
from stripwise.report.prose import paragraphs, sentence
from stripwise.studies.fit.drying_study import DryingStudy
from stripwise.units.formatting import interval, number, value_with_interval

__all__ = ["drying_report", "drying_sentences", "plot_losses", "plot_rates"]

LABEL_WIDTH_MM = 46.0
"""Width right of the axes for the names of the strategies."""

MAX_LINES = 60
"""Most specimens drawn."""


def drying_report(study: DryingStudy) -> Report:
    """Write up a drying test."""
    data_file, result, correlations = study.data_file, study.result, study.correlations
    compared = [item.table for item in study.comparisons]
    return data_report(
        data_file,
        title=f"Drying test: {data_file.path.stem}",
        about=f"Mass loss of {len(result.specimens)} specimens of "
        f"{result.specimens['strategy'].nunique()} strategies.",
        findings=drying_sentences(study),
        sections=_sections(study),
        warnings=(*study.warnings, *_comparison_warnings(study)),
        method=paragraphs("drying.method", window=number(result.window)),
        assumptions=paragraphs("drying.assumptions"),
        tables={
            "specimens.csv": result.specimens,
            "strategies.csv": result.strategies,
            "correlations.csv": correlations,
            "comparisons.csv": pd.concat(compared, ignore_index=True) if compared else None,
        },
        record={
            "kind": "drying",
            "age_d": result.age,
            "window_d": result.window,
            "strategies": result.strategies.to_dict("records"),
            "correlations": [] if correlations is None else correlations.to_dict("records"),
            "comparisons": [row for table in compared for row in table.to_dict("records")],
        },
        further=() if study.diffusivities is None else study.diffusivities.sources,
    )


def plot_losses(data: pd.DataFrame, result: DryingResult, *, ax: Axes | None = None) -> Axes:
    """Plot mass loss over time, a line per specimen, coloured by strategy."""
    names = list(dict.fromkeys(result.specimens["strategy"]))
    shown = result.specimens["specimen"].tolist()[:MAX_LINES]
    note = "A line per specimen; the vertical line marks the age at which losses are compared."
    if len(result.specimens) > len(shown):
        note += f" The first {MAX_LINES} of {len(result.specimens)} specimens are drawn."
    title = _title(result, "loss at age")
    if ax is None:
        ax = sheet.new_axes(
            height=78.0, left=15.0, right=LABEL_WIDTH_MM, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    chosen = data[data["specimen"].isin(shown)].sort_values("time_d", kind="stable")
    ends: dict[str, list[float]] = {}
    for name, group in chosen.groupby("specimen", sort=False):
        strategy = group["strategy"].iloc[0]
        color, pattern = style.line_style(names.index(strategy))
        ax.plot(
            group["time_d"],
            group["mass_loss_pct"],
            color=color,
            ls=pattern,
            lw=1.0,
            marker="o",
            ms=2.2,
            mew=0,
            gid=f"specimen-{name}",
        )
        ends.setdefault(strategy, []).append(float(group["mass_loss_pct"].iloc[-1]))
    last = float(chosen["time_d"].max())
    ax.set_xlim(0.0, last)
    low, high = ax.get_ylim()
    ax.set_ylim(min(low, 0.0), high)
    ax.axvline(result.age, color=style.GREY, lw=0.8, ls=(0, (3, 2)), gid="age")
    _name_ends(ax, {k: float(np.mean(v)) for k, v in ends.items()}, names)
    ax.set_xlabel("Time of drying [d]", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Mass loss [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def _name_ends(ax: Axes, ends: dict[str, float], names: list[str]) -> None:
    """Write each strategy at the end of its lines, spread so that none overlap."""
    _, height = sheet.axes_size(ax)
    low, high = ax.get_ylim()
    order = list(ends)
    wanted = [(ends[name] - low) / (high - low) * height for name in order]
    placed = spread_labels(wanted, heights=style.TEXT_SIZE * 1.45, low=0.0, high=height)
    for name, y in zip(order, placed, strict=True):
        color, _ = style.line_style(names.index(name))
        room = (LABEL_WIDTH_MM - 5.0) * sheet.POINTS_PER_MM
        sheet.annotate(
            ax,
            shorten_text(name, width=room, size=style.TEXT_SIZE),
            (1.0, y / height),
            offset=(7.0, 0.0),
            size=style.TEXT_SIZE,
            xycoords="axes fraction",
            va="center",
            color=color,
        )


def plot_rates(result: DryingResult, *, ax: Axes | None = None) -> Axes:
    """Plot the initial rate of mass loss [% per d] of each strategy with its interval."""
    rows = []
    for row in result.ranked("initial rate"):
        own = result.specimens.loc[result.specimens["strategy"] == row["strategy"], "rate_pct_d"]
        rows.append(
            DotRow(
                row["strategy"],
                row["mean"],
                row["low95"],
                row["high95"],
                f"{number(row['mean'])}, rank {_rank_text(row)}",
                tuple(own[:MAX_LINES]),
            )
        )
    return plot_dot_intervals(
        rows,
        title=_title(result, "initial rate"),
        note="Dot: mean of the strategy; bar: 95 % interval from the scatter pooled over strategies; "
        "small dots: specimens. Rank 1 loses least; in brackets its 95 % interval.",
        label="Initial rate of mass loss [% per d]",
        ax=ax,
    )


def _title(result: DryingResult, quantity: str) -> str:
    table = result.ranked(quantity)
    what = "first" if quantity == "initial rate" else f"by {number(result.age)} d"
    if len(table) < 2:
        return f"Mass loss {what} of the only strategy: {table[0]['strategy']}"
    least, most = table[0], table[-1]
    if least["mean"] == most["mean"]:
        return f"No difference in mass loss {what} between strategies"
    apart = least["high95"] < most["low95"]
    verb = "lost" if apart else "seems to have lost"
    adverb = "fastest at" if quantity == "initial rate" else "most"
    return f"{most['strategy']} {verb} mass {adverb} {what}, {least['strategy']} the least"


def drying_sentences(study: DryingStudy) -> tuple[str, ...]:
    """Say how fast each strategy dries."""
    result = study.result
    texts = []
    for name, quantity in (
        ("Initial rate of mass loss (% per d)", "initial rate"),
        (f"Mass loss at {number(result.age)} d (%)", "loss at age"),
    ):
        parts = [
            f"{r['strategy']} {value_with_interval(r['mean'], r['low95'], r['high95'])}"
            for r in result.ranked(quantity)
        ]
        shown = parts if len(parts) <= 8 else [*parts[:4], "...", *parts[-3:]]
        texts.append(f"{name}, from least to most: {'; '.join(shown)}.")
    compared = [text for item in study.comparisons for text in comparison_findings(item)]
    by_condition = any(item.condition_kinds for item in study.comparisons)
    texts = [*compared, *texts] if by_condition else [*texts, *compared]
    texts += [_correlation_text(item) for item in result.correlations]
    texts.append(sentence("drying.no_diffusivity"))
    return tuple(texts)


def _correlation_text(item: RankCorrelation) -> str:
    start = f"Rank correlation of {item.quantity} and fitted diffusivity, by {item.level}"
    if math.isnan(item.coefficient):
        return f"{start}: undefined, since one side has equal values only."
    return (
        f"{start}: {number(item.coefficient, 2)} over {item.pairs} pairs "
        f"(p = {number(item.p_value, 2)}{', all orders counted' if item.exact else ''})."
    )


def _rank_text(row: dict[Hashable, Any]) -> str:
    return value_with_interval(row["rank"], row["rank_low95"], row["rank_high95"])


def _quantity(result: DryingResult, quantity: str) -> str:
    return f"loss at {number(result.age)} d" if quantity == "loss at age" else quantity


def _strategy_table(result: DryingResult, quantity: str, unit: str) -> Table:
    rows = result.ranked(quantity)
    mean = even(row["mean"] for row in rows)
    return Table(
        f"{sentence_case(_quantity(result, quantity))} by strategy. Rank 1 loses least. Intervals take "
        "the scatter pooled over strategies.",
        (
            Column("Strategy", "strategy"),
            numeric("Specimens", "specimens", str),
            numeric(f"Mean [{unit}]", "mean", mean),
            numeric("95 % interval", write=lambda r: interval(r["low95"], r["high95"], mean)),
            even_numbers("sd", "sd", rows),
            numeric("Rank", write=_rank_text),
        ),
        rows,
    )


def _comparison_warnings(study: DryingStudy) -> tuple[str, ...]:
    found = {item.quantity: item for item in study.comparisons}
    quantities = ("initial rate", "loss at age")
    return tuple(text for name in quantities for text in comparison_warnings(found.get(name), name))


def _sections(study: DryingStudy) -> tuple[Section, ...]:
    data, result = study.data_file.data, study.result
    more = len(result.specimens) > MAX_LINES
    rows = result.specimens.head(MAX_LINES).to_dict("records")
    each = Table(
        "Each specimen" + (f"; the first {MAX_LINES}, all in specimens.csv" if more else "") + ".",
        (
            Column("Specimen", "specimen"),
            Column("Strategy", "strategy"),
            numeric("Readings", "readings", str),
            even_numbers("Last [d]", "last_d", rows),
            even_numbers("Initial rate [% per d]", "rate_pct_d", rows),
            even_numbers("Standard error", "rate_se", rows, 2),
            even_numbers(f"Loss at {number(result.age)} d [%]", "loss_pct", rows),
            Column("Notes", "notes"),
        ),
        rows,
    )
    losses = sheet.draw(plot_losses, data, result)
    rates = sheet.draw(plot_rates, result)
    return (
        Section(
            "Mass loss over time",
            (
                Figure("losses", losses, "Data: the file that was read."),
                _strategy_table(result, "loss at age", "%"),
            ),
        ),
        Section(
            "Initial rate",
            (
                Figure("rates", rates, "Data: strategies.csv, specimens.csv."),
                _strategy_table(result, "initial rate", "% per d"),
            ),
        ),
        *comparison_sections(study.comparisons),
        Section("Specimens", (each,)),
    )
