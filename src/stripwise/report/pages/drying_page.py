"""What the report of a drying test says and draws."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from stripwise.evidence.drying_rates import DryingResult, RankCorrelation
from stripwise.report import formatting
from stripwise.report.components import Report, Section, Table
from stripwise.report.figures import sheet, style
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.report.figures.label_placement import shorten_text, spread_labels
from stripwise.studies.fit.drying_study import DryingStudy

__all__ = ["drying_report", "plot_losses"]

LABEL_WIDTH_MM = 46.0
"""Width right of the axes for the names of the strategies."""

MAX_LINES = 60
"""Most specimens drawn."""

NOT_A_DIFFUSIVITY = (
    "Mass loss is supporting evidence: it orders strategies by how open the face is to moisture, "
    "and is never a diffusivity."
)


def drying_report(study: DryingStudy) -> Report:
    """Write up a drying test."""
    data_file, result, correlations = study.data_file, study.result, study.correlations
    with sheet.style_context():
        figures = {
            "losses": sheet.parent_figure(plot_losses(data_file.data, result)),
            "rates": sheet.parent_figure(_plot_rates(result)),
        }
    return Report(
        title=f"Drying test: {data_file.path.stem}",
        about=f"Mass loss of {len(result.specimens)} specimens of "
        f"{result.specimens['strategy'].nunique()} strategies. {NOT_A_DIFFUSIVITY}",
        findings=_findings(result),
        sections=_sections(result),
        source=data_file.path,
        digest=data_file.digest,
        warnings=study.warnings,
        method=_method(result),
        assumptions=ASSUMPTIONS,
        figures=figures,
        tables={
            "specimens.csv": result.specimens,
            "strategies.csv": result.strategies,
            **({} if correlations is None else {"correlations.csv": correlations}),
        },
        record={
            "kind": "drying",
            "age_d": result.age,
            "window_d": result.window,
            "strategies": result.strategies.to_dict("records"),
            "correlations": [] if correlations is None else correlations.to_dict("records"),
        },
    )


ASSUMPTIONS = (
    NOT_A_DIFFUSIVITY + " No input for a scenario is made from it.",
    "A drying specimen loses water through faces and into air of the laboratory; temperature, "
    "humidity and wind at the wall differ, and so does the moisture from which drying starts.",
    "An order of strategies carries over to the wall only if the specimens were cast, kept in "
    "forms and stripped as the wall was.",
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
        ax.annotate(
            shorten_text(name, width=room, size=style.TEXT_SIZE),
            xy=(1.0, y / height),
            xycoords="axes fraction",
            xytext=(7.0, 0.0),
            textcoords="offset points",
            va="center",
            fontsize=style.TEXT_SIZE,
            color=color,
            annotation_clip=False,
            parse_math=False,
        )


def _plot_rates(result: DryingResult) -> Axes:
    rows = []
    for row in result.ranked("initial rate"):
        own = result.specimens.loc[result.specimens["strategy"] == row["strategy"], "rate_pct_d"]
        rows.append(
            DotRow(
                row["strategy"],
                row["mean"],
                row["low95"],
                row["high95"],
                f"{formatting.number(row['mean'])}, rank {_rank_text(row)}",
                tuple(own[:MAX_LINES]),
            )
        )
    return plot_dot_intervals(
        rows,
        title=_title(result, "initial rate"),
        note="Dot: mean of the strategy; bar: 95 % interval by the scatter pooled over strategies; "
        "small dots: specimens. Rank 1 loses least; its 95 % interval in brackets.",
        label="Initial rate of mass loss [% per d]",
    )


def _title(result: DryingResult, quantity: str) -> str:
    table = result.ranked(quantity)
    what = "first" if quantity == "initial rate" else f"by {formatting.number(result.age)} d"
    if len(table) < 2:
        return f"Mass loss {what} of the only strategy: {table[0]['strategy']}"
    least, most = table[0], table[-1]
    if least["mean"] == most["mean"]:
        return f"No difference in mass loss {what} between strategies"
    apart = least["high95"] < most["low95"]
    verb = "lost" if apart else "seems to have lost"
    adverb = "fastest at" if quantity == "initial rate" else "most"
    return f"{most['strategy']} {verb} mass {adverb} {what}, {least['strategy']} the least"


def _findings(result: DryingResult) -> tuple[str, ...]:
    texts = []
    for quantity, unit in (("initial rate", "% per d"), ("loss at age", "%")):
        parts = [
            f"{row['strategy']} {formatting.number(row['mean'])}{_interval(row)}"
            for row in result.ranked(quantity)
        ]
        name = (
            f"Initial rate of mass loss ({unit})"
            if quantity == "initial rate"
            else f"Mass loss at {formatting.number(result.age)} d ({unit})"
        )
        shown = parts if len(parts) <= 8 else [*parts[:4], "...", *parts[-3:]]
        texts.append(f"{name}, from least to most: {'; '.join(shown)}.")
    texts += [_correlation_text(item) for item in result.correlations]
    texts.append(NOT_A_DIFFUSIVITY)
    return tuple(texts)


def _interval(row: dict[Hashable, Any]) -> str:
    low, high = row["low95"], row["high95"]
    return "" if math.isnan(low) else f" ({formatting.number(low)} to {formatting.number(high)})"


def _correlation_text(item: RankCorrelation) -> str:
    start = f"Rank correlation of {item.quantity} and fitted diffusivity, by {item.level}"
    if math.isnan(item.coefficient):
        return f"{start}: undefined, since one side has equal values only."
    return (
        f"{start}: {item.coefficient:.2f} over {item.pairs} pairs "
        f"(p = {formatting.number(item.p_value, 2)}{', all orders counted' if item.exact else ''})."
    )


def _rank_text(row: dict[Hashable, Any]) -> str:
    rank, low, high = (float(row[k]) for k in ("rank", "rank_low95", "rank_high95"))
    return f"{rank:g}" if math.isnan(low) else f"{rank:g} ({low:g} to {high:g})"


def _sections(result: DryingResult) -> tuple[Section, ...]:
    tables = tuple(
        Table(
            f"{quantity[0].upper()}{quantity[1:]} by strategy; rank 1 loses least; 95 % intervals "
            "by the scatter pooled over strategies.",
            ("Strategy", "Specimens", f"Mean [{unit}]", "95 % interval", "sd", "Rank"),
            tuple(
                (
                    row["strategy"],
                    str(row["specimens"]),
                    formatting.number(row["mean"]),
                    formatting.interval(row["low95"], row["high95"], formatting.number),
                    formatting.number(row["sd"]),
                    _rank_text(row),
                )
                for row in result.ranked(quantity)
            ),
            frozenset({1, 2, 3, 4, 5}),
        )
        for quantity, unit in (("initial rate", "% per d"), ("loss at age", "%"))
    )
    rows = result.specimens.head(MAX_LINES)
    each = Table(
        "Each specimen"
        + (
            f"; the first {MAX_LINES}, all in specimens.csv"
            if len(result.specimens) > MAX_LINES
            else ""
        )
        + ".",
        (
            "Specimen",
            "Strategy",
            "Readings",
            "Last [d]",
            "Initial rate [% per d]",
            "Standard error",
            f"Loss at {formatting.number(result.age)} d [%]",
            "Notes",
        ),
        tuple(
            (
                r["specimen"],
                r["strategy"],
                str(r["readings"]),
                formatting.number(r["last_d"]),
                formatting.number(r["rate_pct_d"]),
                formatting.number(r["rate_se"], 2),
                formatting.number(r["loss_pct"]),
                r["notes"],
            )
            for r in rows.to_dict("records")
        ),
        frozenset({2, 3, 4, 5, 6}),
    )
    return (
        Section("Mass loss over time", (), "losses", "Data: the file that was fitted.", tables[1:]),
        Section("Initial rate", (), "rates", "Data: strategies.csv, specimens.csv.", tables[:1]),
        Section("Specimens", (), "", "", (each,)),
    )


def _method(result: DryingResult) -> tuple[str, ...]:
    return (
        f"Initial rate: slope of a straight line by least squares through the readings of the "
        f"first {formatting.number(result.window)} d after the first reading, three at least, with a "
        "free intercept. Loss at an age: linear between the readings around it; nothing is "
        "extrapolated.",
        "Intervals of a strategy's mean by Student's t with the scatter between specimens pooled "
        "over strategies, which holds where strategies scatter alike; intervals of ranks from "
        "draws of the means under the same model.",
        "Rank correlation: Spearman (1904), its p-value by going through all orders up to eight "
        "pairs, by Student's t beyond.",
    )
