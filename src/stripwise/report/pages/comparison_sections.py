"""What pages of tests say of strategies compared, and of the life that each costs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import numpy as np

from stripwise.evidence.statistics.simultaneous_intervals import OPEN
from stripwise.report.components import (
    Bullets,
    Cell,
    Column,
    Figure,
    GroupRow,
    Paragraph,
    Section,
    Table,
    numeric,
    sentence_case,
)
from stripwise.report.even_decimals import even
from stripwise.report.figures import sheet
from stripwise.report.figures.comparison_figures import plot_comparison, plot_life_lost
from stripwise.report.prose import paragraphs, sentence
from stripwise.studies.fit.comparisons import (
    OTHER_PAIR,
    WITH_REFERENCE,
    ComparedPair,
    Comparison,
)
from stripwise.studies.fit.life_lost import LifeLost
from stripwise.units.formatting import (
    first_few,
    interval,
    join_with_and,
    number,
    percent,
    signed_percent,
    value_with_interval,
    years,
)
from stripwise.units.names import slug

__all__ = [
    "comparison_findings",
    "comparison_sections",
    "comparison_warnings",
    "further_findings",
    "further_record",
    "further_sections",
]

UNITS: Mapping[str, tuple[str, float]] = {
    "diffusivity": ("10⁻¹² m²/s", 1e12),
    "migration coefficient": ("10⁻¹² m²/s", 1e12),
    "initial rate": ("% per d", 1.0),
    "loss at age": ("%", 1.0),
}
"""Unit of a compared quantity on the page, and how many of them make one of the study's."""

MOST_PAIRS = 24
"""Most pairs in a table of a page."""


def comparison_sections(comparisons: Iterable[Comparison | None]) -> tuple[Section, ...]:
    """Lay out the comparisons of several quantities."""
    return tuple(_section(item) for item in comparisons if item is not None)


def _section(comparison: Comparison) -> Section:
    """Lay out the comparisons of one quantity."""
    kinds = comparison.condition_kinds
    what = join_with_and(kinds) if kinds else "strategies"
    reference = comparison.of_kind(WITH_REFERENCE)
    unit, size = UNITS[comparison.quantity]
    write = even(size * mean for mean in comparison.means.values())
    order = "; ".join(f"{name} {write(size * mean)}" for name, mean in comparison.means.items())
    tables = [_table(comparison, kind) for kind in kinds]
    if reference:
        tables.append(_table(comparison, WITH_REFERENCE))
    if not kinds and not reference:
        tables.append(_table(comparison, OTHER_PAIR))
    return Section(
        f"{sentence_case(comparison.quantity)}: {what} compared",
        (
            Paragraph(f"Geometric means [{unit}], from the lowest to the highest: {order}."),
            Figure(
                f"comparison-{slug(comparison.quantity)}",
                sheet.draw(plot_comparison, comparison),
                "Data: comparisons.csv.",
            ),
            *tables,
            Bullets(
                paragraphs("comparison.reading", freedom=number(comparison.degrees_of_freedom))
            ),
        ),
    )


def further_sections(comparison: Comparison | None, lost: LifeLost | None) -> tuple[Section, ...]:
    """Lay out what diffusivities show beyond penalties: the comparison, and the life lost."""
    return (*comparison_sections([comparison]), *(() if lost is None else (_life_section(lost),)))


def further_findings(comparison: Comparison | None, lost: LifeLost | None) -> tuple[str, ...]:
    """Say what `further_sections` show."""
    return (
        *(() if lost is None else _life_findings(lost)),
        *(() if comparison is None else comparison_findings(comparison)),
    )


def further_record(comparison: Comparison | None, lost: LifeLost | None) -> dict[str, object]:
    """Return what run.json says of them."""
    found: dict[str, object] = {}
    if comparison is not None:
        found["comparisons"] = comparison.table.to_dict("records")
    if lost is not None:
        found["life_lost"] = lost.table.to_dict("records")
    return found


def comparison_findings(comparison: Comparison) -> tuple[str, ...]:
    """Say what the comparisons show, each condition a sentence, all else alike."""
    texts = []
    for kind in comparison.condition_kinds:
        levels: dict[tuple[str, str], list[ComparedPair]] = {}
        for pair in comparison.of_kind(kind):
            levels.setdefault((pair.name, pair.name_against), []).append(pair)
        parts = [_level_finding(comparison, pairs) for pairs in levels.values()]
        texts.append(
            f"{sentence_case(comparison.quantity)} by {kind}, all else alike: "
            f"{first_few(parts, 'comparisons.csv')}."
        )
    reference = comparison.of_kind(WITH_REFERENCE)
    if reference and not texts:
        parts = [f"{pair.name} {_finding(comparison, pair)}" for pair in reference]
        texts.append(
            f"{sentence_case(comparison.quantity)} against {reference[0].name_against}, for all "
            f"strategies at once: {first_few(parts, 'comparisons.csv')}."
        )
    if not texts:
        shown = sum(_differs(pair) for pair in comparison.pairs)
        texts.append(
            f"{sentence_case(comparison.quantity)}: {shown} of {len(comparison.pairs)} pairs of "
            "strategies are shown to differ."
        )
    return tuple(texts)


def comparison_warnings(comparison: Comparison | None, what: str) -> tuple[str, ...]:
    """Say what was not compared."""
    if comparison is None:
        return (
            f"The strategies are not compared by {what}: that takes two strategies of at least two "
            "specimens each, with values above 0 that scatter.",
        )
    if comparison.left_out:
        names = first_few(comparison.left_out, "specimens.csv")
        return (f"Not compared by {what}, with one specimen each: {names}.",)
    return ()


def _life_section(lost: LifeLost) -> Section:
    """Show the change of life of every strategy as a table and a dot plot."""
    horizon = lost.scenario.sampling.horizon
    ends = ("life_change_know_low", "life_change_know_high")
    if not np.isfinite(lost.table[list(ends)].to_numpy(dtype=float)).any():
        ends = ("life_change_low95", "life_change_high95")
    table = Table(
        f"Life: the time until {percent(lost.scenario.target.probability)} is exceeded. In grey: "
        + ("uncertainty range (95 %)." if "know" in ends[0] else "95 % sampling interval."),
        (
            Column("Strategy", "strategy"),
            numeric(
                "Change of life",
                write=lambda r: Cell(
                    signed_percent(r["life_change_pct"]),
                    interval(r[ends[0]], r[ends[1]], signed_percent),
                ),
            ),
            numeric("Life", "life_at_target_yr", lambda t: years(t, horizon=horizon)),
            numeric(
                "Penalty, mean; sd",
                write=lambda r: f"{number(r['penalty_mean'])}; {number(r['penalty_sd'], 2)}",
            ),
            Column("Note", "life_status", lambda text: "" if text == "ok" else text),
        ),
        lost.table.to_dict("records"),
        bold=lambda r: r["strategy"] == lost.reference,
    )
    about = sentence(
        "comparison.life",
        scenario=lost.scenario.path.name,
        title=lost.scenario.title,
        reference=lost.reference,
    )
    return Section(
        f"Life lost against {lost.reference}",
        (
            Paragraph(about),
            *(
                [Figure("life-lost", sheet.draw(plot_life_lost, lost), "Data: life_lost.csv.")]
                if lost.table["life_change_pct"].notna().any()
                else []
            ),
            table,
        ),
    )


def _life_findings(lost: LifeLost) -> tuple[str, ...]:
    """Say how much life each strategy costs."""
    parts, unknown = [], []
    for row in lost.table.to_dict("records"):
        if row["strategy"] == lost.reference:
            continue
        if not np.isfinite(row["life_change_pct"]):
            unknown.append(row["strategy"])
            continue
        ends = (row["life_change_know_low"], row["life_change_know_high"])
        text = value_with_interval(row["life_change_pct"], *ends, signed_percent)
        parts.append(f"{row['strategy']} {text}")
    about = f"Change of life of {lost.scenario.path.name} against {lost.reference}"
    texts = [f"{about}: {first_few(parts, 'life_lost.csv')}."] if parts else []
    if unknown:
        texts.append(
            f"{about if not parts else 'It'} cannot be given for {join_with_and(unknown)}: one of "
            "the two keeps the limit beyond the horizon, or fails from the start. life_lost.csv gives "
            "the difference of the reliability index instead."
        )
    return tuple(texts)


def _table(comparison: Comparison, kind: str) -> Table:
    pairs = comparison.of_kind(kind)
    caption = {
        WITH_REFERENCE: f"Against {pairs[0].name_against}",
        OTHER_PAIR: "All pairs",
    }.get(kind, f"By {kind}, all else alike")
    if len(pairs) > MOST_PAIRS:
        caption += f"; the first {MOST_PAIRS} of {len(pairs)}"
    rows: list[ComparedPair | GroupRow] = []
    for before, pair in zip((None, *pairs), pairs[:MOST_PAIRS], strict=False):
        if pair.shared and (before is None or before.shared != pair.shared):
            rows.append(GroupRow(sentence_case(pair.shared)))
        rows.append(pair)
    ratio = even(pair.ratio.value for pair in pairs)
    return Table(
        f"{caption}. Intervals by {pairs[0].ratio.method}, 95 % for all pairs at once.",
        (
            Column(
                "Strategy" if kind in (WITH_REFERENCE, OTHER_PAIR) else sentence_case(kind),
                write=_names(kind),
            ),
            numeric(
                "Ratio",
                write=lambda p: Cell(
                    ratio(p.ratio.value), interval(p.ratio.low, p.ratio.high, ratio)
                ),
            ),
            Column("Shown", write=lambda p: _shown(comparison, p)),
            numeric("Apart by less than", write=lambda p: percent(p.ratio.apart)),
        ),
        rows,
    )


def _names(kind: str) -> Callable[[ComparedPair], str]:
    if kind == WITH_REFERENCE:
        return lambda pair: pair.name
    return lambda pair: f"{pair.name} / {pair.name_against}"


def _shown(comparison: Comparison, pair: ComparedPair) -> str:
    text = pair.ratio.finding(comparison.margin)
    if comparison.margin is None:
        return text
    return text.replace("the margin", percent(comparison.margin))


def _finding(comparison: Comparison, pair: ComparedPair) -> str:
    """Write what a pair shows after its names: "1.8 (1.4 to 2.3), higher"."""
    ratio = pair.ratio
    text = _shown(comparison, pair)
    if text == OPEN:
        text += f", less than {percent(ratio.apart)} apart"
    return f"{value_with_interval(ratio.value, ratio.low, ratio.high)}, {text}"


def _level_finding(comparison: Comparison, pairs: list[ComparedPair]) -> str:
    """Write what two levels of a condition show, over all that they have in common."""
    name, other = pairs[0].name, pairs[0].name_against
    if len(pairs) == 1:
        return f"{name} against {other} {_finding(comparison, pairs[0])}"
    values = [pair.ratio.value for pair in pairs]
    found = [_shown(comparison, pair) for pair in pairs]
    parts = []
    for text in dict.fromkeys(found):
        times = found.count(text)
        part = f"{text} in {'all' if times == len(pairs) else f'{times} of'} {len(pairs)}"
        if text == OPEN:
            apart = (p.ratio.apart for p, own in zip(pairs, found, strict=True) if own == OPEN)
            part += f" (less than {percent(max(apart))} apart)"
        parts.append(part)
    return f"{name} {interval(min(values), max(values))} times {other}, {', '.join(parts)}"


def _differs(pair: ComparedPair) -> bool:
    return not pair.ratio.low <= 1.0 <= pair.ratio.high
