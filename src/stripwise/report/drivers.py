"""Figures of the sensitivity: which uncertainty drives the answer, and which choice matters."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from stripwise.assessment import Assessment
from stripwise.report import paper, style, words
from stripwise.report.labels import wrapped

__all__ = ["Share", "choice_shares", "driver_shares", "plot_choices", "plot_drivers"]

LABEL_MM = 58.0
VALUE_MM = 26.0
ROW_MM = 5.6
SMALL = 0.01
"""Inputs below 1 % with interactions are counted in one line instead of drawn."""


OVER_KNOWLEDGE = "choices over knowledge"
"""Name of the analysis whose bounds are quantiles over the knowledge inputs."""


@dataclass(frozen=True, slots=True)
class Share:
    """Share of the variance that one input, group or choice explains.

    Attributes
    ----------
    label
        Words for the reader.
    first, first_low, first_high
        Alone, with the ends of its interval.
    total, total_low, total_high
        With interactions.
    status
        Why there is no number, or empty.
    """

    label: str
    first: float
    first_low: float
    first_high: float
    total: float
    total_low: float
    total_high: float
    status: str

    @property
    def rank(self) -> float:
        """Value to sort by; -1 where undefined."""
        return self.total if np.isfinite(self.total) else -1.0


def driver_shares(assessment: Assessment) -> tuple[list[Share], list[Share], float]:
    """Select the shares of the depth margin at the age nearest to the service life.

    Parameters
    ----------
    assessment
        Results of a run.

    Returns
    -------
    Groups and single inputs, each with the largest total share first, and the age [yr].
    """
    table = assessment.sensitivity
    rows = table[(table["analysis"] == "uncertainty") & (_text(table, "input2") == "")]
    reference = rows[rows["strategy"] == assessment.scenario.reference_strategy]
    rows = reference if len(reference) else rows
    margin = rows[rows["quantity"].str.contains("margin")]
    rows = margin if len(margin) else rows[rows["quantity"] == rows["quantity"].iloc[0]]
    life = assessment.scenario.target.service_life
    ages = rows["age_yr"].dropna()
    age = float(ages.iloc[int(np.argmin(np.abs(ages - life)))]) if len(ages) else np.nan
    rows = rows[rows["age_yr"] == age] if len(ages) else rows
    names = dict(zip(assessment.inputs["name"], assessment.inputs["label"], strict=True))
    single = rows[_text(rows, "input") != ""]
    group = rows[(_text(rows, "input") == "") & (_text(rows, "group") != "")]
    return (
        _sorted([_share(row, str(row["group"]), joint=True) for _, row in group.iterrows()]),
        _sorted(
            [_share(row, names.get(row["input"], row["input"])) for _, row in single.iterrows()]
        ),
        age,
    )


def choice_shares(assessment: Assessment) -> list[Share]:
    """Select the shares of the choices, each worded as the question that it answers.

    Parameters
    ----------
    assessment
        Results of a run.

    Returns
    -------
    Cover, strip age and follow-up as far as they are open, the largest total share first; the
    intervals are over the knowledge inputs where the run has them, of the sampling otherwise.
    """
    table = assessment.sensitivity
    single = table[(_text(table, "input2") == "") & (_text(table, "input") != "")]
    known = single[single["analysis"] == OVER_KNOWLEDGE].set_index("input")
    shares = []
    for _, row in single[single["analysis"] == "choices"].iterrows():
        share = _share(row, _question(assessment, row["input"]))
        if row["input"] in known.index:
            wide = _share(known.loc[row["input"]], share.label)
            share = replace(
                share,
                first_low=wide.first_low,
                first_high=wide.first_high,
                total_low=wide.total_low,
                total_high=wide.total_high,
            )
        shares.append(share)
    return _sorted(shares)


def plot_drivers(data: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot which uncertain inputs drive the depth margin at the service life.

    Parameters
    ----------
    data
        Results of a run with rows of the analysis "uncertainty".
    ax
        Axes to draw on; a new figure of print size if None.

    Returns
    -------
    The axes.
    """
    groups, singles, age = driver_shares(data)
    large = [s for s in singles if s.rank >= SMALL or s.status]
    small = len(singles) - len(large)
    blocks = [("By group", groups), ("By input", large)]
    title = _driver_title(groups, singles)
    note = (
        f"Share of the variance of the depth margin (cover minus chloride front) at "
        f"{words.number(age)} yr, reference strategy. Filled: the input "
        "alone; open: with its interactions (numbers in this order); bars: 95 % sampling interval."
    )
    if small:
        note += f" {small} more input{'s' if small > 1 else ''} below 1 % not drawn."
    return _plot(blocks, ax, title, note)


def plot_choices(data: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot which of the open choices moves the reliability index most.

    Parameters
    ----------
    data
        Results of a run with rows of the analysis "choices".
    ax
        Axes to draw on; a new figure of print size if None.

    Returns
    -------
    The axes.
    """
    shares = choice_shares(data)
    target = data.scenario.target
    title = "No choice can be ranked"
    if shares and shares[0].rank >= 0:
        best = shares[0]
        question = best.label.split("?")[0] + "?"
        title = f"The choice that matters most: {question} {_percent(best.total)} of the spread"
    knows = bool((data.sensitivity["analysis"] == OVER_KNOWLEDGE).any())
    source = "over the knowledge inputs" if knows else "of the sampling"
    note = (
        "Share of the variance of the reliability index (depassivation, within "
        f"{words.number(target.service_life)} yr, target {words.index(target.reliability_index)}) "
        "over the ranges in brackets. Filled: the choice alone; open: with its interactions "
        "(numbers in this order); "
        f"bars: 95 % interval {source}."
    )
    return _plot([("", shares)], ax, title, note)


def _plot(blocks: list[tuple[str, list[Share]]], ax: Axes | None, title: str, note: str) -> Axes:
    blocks = [(name, rows) for name, rows in blocks if rows]
    wrap = (LABEL_MM - 3.0) * paper.POINTS_PER_MM
    places, labels, at = [], [], 0.0
    for name, rows in blocks:
        if name:
            places.append(at)
            labels.append(name)
            at += 1.0
        for share in rows:
            lines = wrapped(share.label, width=wrap, size=style.TEXT_SIZE)
            extra = 0.35 * (len(lines) - 1)
            places.append(at + extra)
            labels.append("\n".join(lines))
            at += 1.0 + 2 * extra
        at += 0.4
    bottom = max(at, 1.0)
    if ax is None:
        ax = paper.sheet(
            height=ROW_MM * bottom + 1.0,
            left=LABEL_MM,
            right=VALUE_MM,
            bottom=11.0,
            title=title,
            note=note,
        )
    paper.dress(ax)
    ax.set_xlim(0.0, 100.0)
    ax.set_ylim(bottom - 0.6, -0.6)
    ax.set_yticks(places, labels=labels, parse_math=False)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.grid(axis="x", color=style.PALE, linewidth=0.5)
    ax.set_axisbelow(True)
    row = iter(range(len(places)))
    for block, (name, rows) in enumerate(blocks):
        if name:
            ax.get_yticklabels()[next(row)].set_fontweight("bold")
        for share in rows:
            _dot(ax, share, places[next(row)], style.PALETTE[block])
    ax.set_xlabel("Share of the variance [%]", fontsize=style.TEXT_SIZE)
    paper.headline(ax, title, note=note)
    return ax


def _dot(ax: Axes, share: Share, y: float, color: str) -> None:
    if not np.isfinite(share.total) and not np.isfinite(share.first):
        text = share.status or "undefined"
        ax.text(1.0, y, text, va="center", fontsize=style.NOTE_SIZE, color=style.GREY,
                parse_math=False)  # fmt: skip
        return
    # The two sit a little apart, so that neither hides the other where they are equal.
    for value, low, high, shift, fill in (
        (share.first, share.first_low, share.first_high, -0.14, color),
        (share.total, share.total_low, share.total_high, 0.14, "white"),
    ):
        if not np.isfinite(value):
            continue
        if np.isfinite(low) and np.isfinite(high):
            ax.plot([100 * low, 100 * high], [y + shift] * 2, color=color, lw=1.0,
                    solid_capstyle="butt", clip_on=True)  # fmt: skip
        ax.plot([100 * value], [y + shift], "o", ms=4.2, mfc=fill, mec=color, mew=1.0,
                clip_on=False)  # fmt: skip
    ax.annotate(_values(share), xy=(1.0, y), xycoords=("axes fraction", "data"),
                xytext=(6.0, 0.0), textcoords="offset points", va="center",
                fontsize=style.NOTE_SIZE, color=style.INK, annotation_clip=False,
                parse_math=False)  # fmt: skip


def _values(share: Share) -> str:
    """Both numbers in words, or one where they read the same."""
    first, total = _percent(share.first), _percent(share.total)
    return total if first == total else f"{first} / {total}"


def _percent(x: float) -> str:
    if not np.isfinite(x):
        return words.DASH
    value = 100.0 * x
    return f"{value:.0f} %" if value >= 1 or value <= 0 else f"{value:.1f} %"


def _driver_title(groups: list[Share], singles: list[Share]) -> str:
    ranked = [s for s in singles if s.rank >= 0] or [s for s in groups if s.rank >= 0]
    if not ranked:
        return "What drives the answer cannot be ranked"
    best = ranked[0]
    share = _percent(best.total)
    return f"What drives the answer most: {best.label} ({share} of the uncertainty)"


def _question(assessment: Assessment, name: str) -> str:
    choices = assessment.scenario.choices
    units = assessment.scenario.units
    if "follow" in name:
        methods = [f.label for f in choices.follow_up] if choices else []
        return f"Which follow-up? ({', '.join(methods)})" if methods else "Which follow-up?"
    if "strip" in name:
        span = words.interval(*choices.strip_age, words.duration) if choices else ""
        return f"When to strip? ({span})" if span else "When to strip?"
    if "cover" in name:
        span = ""
        if choices:
            low, high, _ = choices.cover
            span = words.interval(low, high, lambda x: words.length(x, units=units))
        return f"How much cover? ({span})" if span else "How much cover?"
    return name


def _share(row: pd.Series[object], label: str, *, joint: bool = False) -> Share:
    columns = ("first", "first_low95", "first_high95", "total", "total_low95", "total_high95")
    status = str(row["status"]) if isinstance(row["status"], str) else ""
    name = f"{label} (all together)" if joint else label
    numbers = [float(str(row[column])) for column in columns]
    return Share(name, *numbers, "" if status == "ok" else status)


def _sorted(shares: list[Share]) -> list[Share]:
    return sorted(shares, key=lambda share: -share.rank)


def _text(table: pd.DataFrame, column: str) -> pd.Series[str]:
    return table[column].fillna("").astype(str)
