"""What the report of a strip log says, draws and writes."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from stripwise.evidence.strip_ages import AGE_COLUMNS, StripLog
from stripwise.report.components import (
    GATES_BLOCK,
    Cell,
    Column,
    Figure,
    Paragraph,
    Report,
    Section,
    Table,
    data_report,
    numeric,
)
from stripwise.report.even_decimals import even_numbers
from stripwise.report.figures import sheet, style
from stripwise.report.figures.fitted_families_figure import family_table, plot_fit
from stripwise.report.figures.label_placement import shorten_text
from stripwise.report.files import input_toml
from stripwise.report.prose import paragraphs, sentence
from stripwise.studies.decision import YES
from stripwise.studies.fit.strip_log_study import StripLogStudy
from stripwise.units import formatting
from stripwise.units.caution import STRENGTH_FIRST

__all__ = ["plot_ages", "plot_pours", "strip_log_report", "strip_log_sentences"]

MAX_POURS = 40
"""Most pours in figure and printed table."""

MAX_NAMED = 12
"""Most pours named in a sentence."""

NAME_WIDTH_MM = 34.0
"""Width left of the axes for the names of the pours."""

NO_PERMISSION = (
    f"These are ages at which forms were removed, not ages at which they may be: {STRENGTH_FIRST}."
)


def strip_log_report(study: StripLogStudy) -> Report:
    """Write up a strip log."""
    data_file, log, fits = study.data_file, study.log, study.fits
    ages = Figure("ages", sheet.draw(plot_ages, study), "Data: pours.csv, families.csv.")
    return data_report(
        data_file,
        title=f"Strip log: {data_file.path.stem}",
        about=f"Age at which the forms of {len(log.pours)} pours were removed, by the clock and by the "
        "temperature of the concrete.",
        findings=strip_log_sentences(study),
        sections=(
            *_assessed_sections(study),
            Section(
                "Each pour",
                (
                    Figure("pours", sheet.draw(plot_pours, log), "Data: pours.csv."),
                    _pour_table(log),
                ),
            ),
            Section(
                "Distribution of the strip age",
                (
                    Paragraph(_scenario_advice(study)),
                    ages,
                    *((family_table(fits, unit="h", chosen=study.chosen),) if fits else ()),
                ),
            ),
        ),
        warnings=(*log.warnings, *(study.assessed.notes if study.assessed else ())),
        method=_method(log),
        assumptions=paragraphs("strip_log.assumptions"),
        tables={
            "pours.csv": log.pours,
            "families.csv": study.families,
            "assessed.csv": None if study.assessed is None else study.assessed.table,
        },
        texts=_scenario_inputs(study),
        record={
            "kind": "strip-log",
            "maturity": log.function,
            "reference_temperature_degC": log.reference_c,
            "specified_h": log.specified,
            "pours": len(log.pours),
            "missed": list(study.missed),
            "families": study.families.to_dict("records"),
        },
        further=log.sources,
    )


def strip_log_sentences(study: StripLogStudy) -> tuple[str, ...]:
    """Say at which ages the pours were stripped, and which of them fail a target."""
    return (*_assessed_findings(study), *_findings(study.log))


def _assessed_findings(study: StripLogStudy) -> tuple[str, ...]:
    if study.assessed is None:
        return ()
    table, target = study.assessed.table, study.assessed.scenario.target
    failing = table[table["meets_target"] != YES]
    worst = table.iloc[0]
    names = [str(name) for name in failing["pour"]]
    if len(names) > MAX_NAMED:
        names = [*names[:MAX_NAMED], f"{len(names) - MAX_NAMED} more in assessed.csv"]
    found = (
        f"{formatting.count(len(table) - len(failing))} of {formatting.count(len(table))} pours meet "
        f"the target of at most {formatting.percent(target.probability)} within "
        f"{formatting.years(target.service_life)} by durability alone",
        f"; {formatting.join_with_and(names)} {'do' if len(failing) > 1 else 'does'} not."
        if names
        else ".",
    )
    return (
        "".join(found),
        f"The worst is {worst['pour']}: {formatting.percent(worst['probability_at_target'])}.",
    )


def _assessed_sections(study: StripLogStudy) -> tuple[Section, ...]:
    """Return the assessment of every pour, with room for the decision, beside the record."""
    if study.assessed is None:
        return ()
    percent, dash = formatting.percent, formatting.DASH

    def maybe(value: float) -> str:
        return dash if np.isnan(value) else percent(value)

    pours = study.assessed.table.head(MAX_POURS).to_dict("records")
    table = Table(
        f"Pours as walls of their own, the worst first; years lost against {study.assessed.against}. "
        f"The record itself stands below, unchanged. All: assessed.csv.",
        (
            Column("Pour", "pour"),
            Column("Meets", "meets_target"),
            numeric("Probability", "probability_at_target", percent),
            numeric(
                "Confidence",
                "confidence",
                lambda share: dash if np.isnan(share) else formatting.confidence(share),
            ),
            numeric("Equivalent age [h]", "equivalent_h", formatting.decimals),
            even_numbers("Penalty", "penalty_mean", pours),
            numeric(
                "Years lost",
                "years_lost",
                lambda lost: dash if np.isinf(lost) or np.isnan(lost) else formatting.number(lost),
            ),
            numeric("With a sheet for 7 d", "probability_with_sheet", maybe),
            numeric("Kept wet for 7 d", "probability_kept_wet", maybe),
            Column("Decision", write=lambda _row: ""),
            Column("Name, date", write=lambda _row: ""),
        ),
        pours,
    )
    return (
        Section(
            "What each strip did",
            (GATES_BLOCK, table, Paragraph(sentence("strip_log.still_buys"), "note")),
        ),
    )


def plot_pours(log: StripLog, *, ax: Axes | None = None) -> Axes:
    """Plot clock age and equivalent age of each pour, the youngest at the top."""
    column = AGE_COLUMNS[log.function]
    pours = log.pours.sort_values(column, kind="stable").head(MAX_POURS)
    note = (
        f"Filled: hours at {_degrees(log.reference_c)} of equal hydration; "
        "open: hours by the clock."
    )
    if len(log.pours) > len(pours):
        note += f" The youngest {MAX_POURS} of {len(log.pours)} pours."
    if log.specified is not None:
        note += " Dashed: the specified age; pours that miss it in vermilion."
    title = _title(log)
    if ax is None:
        ax = sheet.new_axes(
            height=4.6 * max(len(pours), 4) + 4.0,
            left=NAME_WIDTH_MM,
            right=6.0,
            bottom=12.0,
            title=title,
            note=note,
        )
    sheet.style_axes(ax)
    height = np.arange(len(pours))[::-1].astype(float)
    for y, pour in zip(height, pours.to_dict("records"), strict=True):
        missed = pour["misses"] == "yes"
        color = style.PALETTE[1] if missed else style.PALETTE[0]
        ax.plot([pour[column], pour["clock_h"]], [y, y], color=style.LIGHT_GREY, lw=1.4, zorder=1)
        ax.plot([pour["clock_h"]], [y], "o", ms=4.2, mfc="white", mec=color, mew=0.9, zorder=2)
        ax.plot(
            [pour[column]], [y], "o", ms=5.0, color=color, mew=0, gid=f"pour-{int(y)}", zorder=3
        )
    if log.specified is not None:
        ax.axvline(log.specified, color=style.TARGET_COLOR, lw=0.9, ls=(0, (4, 2)), gid="specified")
    room = (NAME_WIDTH_MM - 4.0) * sheet.POINTS_PER_MM
    names = [
        shorten_text(
            f"{row['pour']}{', ' + row['face'] if row['face'] else ''}",
            width=room,
            size=style.TEXT_SIZE,
        )
        for row in pours.to_dict("records")
    ]
    ax.set_yticks(height, names, parse_math=False)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(-0.8, len(pours) - 0.2)
    ax.set_xlim(left=0.0)
    ax.set_xlabel("Age at stripping [h]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def plot_ages(study: StripLogStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the share of pours up to an equivalent age, as logged and by the fitted families."""
    log = study.log
    median = formatting.duration(float(np.median(study.ages)))
    return plot_fit(
        study.ages,
        study.fits,
        chosen=study.chosen,
        label=f"Equivalent age at stripping [h at {_degrees(log.reference_c)}]",
        title=f"Half of the pours were stripped before an equivalent age of {median}",
        note="Steps: pours; curves: fitted families, the one for the scenario in bold.",
        limit=log.specified,
        limit_text=""
        if log.specified is None
        else f"specified: {formatting.duration(log.specified)}",
        ax=ax,
    )


def _title(log: StripLog) -> str:
    if log.specified is None:
        low, high = log.pours[AGE_COLUMNS[log.function]].agg(["min", "max"])
        return (
            f"Pours were stripped at equivalent ages from {formatting.duration(low)} to "
            f"{formatting.duration(high)}"
        )
    missed = int((log.pours["misses"] == "yes").sum())
    what = f"the specified equivalent age of {formatting.duration(log.specified)}"
    if not missed:
        return f"All {len(log.pours)} pours reached {what}"
    return f"{missed} of {len(log.pours)} pours missed {what}"


def _findings(log: StripLog) -> tuple[str, ...]:
    ages, clock = log.pours[AGE_COLUMNS[log.function]], log.pours["clock_h"]
    texts = [f"{_title(log)}."]
    missed = log.pours[log.pours["misses"] == "yes"].sort_values(AGE_COLUMNS[log.function])
    if len(missed):
        names = [
            f"{row['pour']} ({formatting.duration(row[AGE_COLUMNS[log.function]])})"
            for row in missed.head(MAX_NAMED).to_dict("records")
        ]
        more = (
            f" and {formatting.count(len(missed) - MAX_NAMED)} more"
            if len(missed) > MAX_NAMED
            else ""
        )
        texts.append(f"Missed by: {', '.join(names)}{more}.")
    sd = "" if len(ages) < 2 else f", sd {formatting.duration(float(ages.std()))}"
    texts.append(
        f"Equivalent age at stripping, hours at {_degrees(log.reference_c)}: "
        f"mean {formatting.duration(float(ages.mean()))}{sd}; by the clock "
        f"{formatting.duration(float(clock.mean()))}."
    )
    texts.append(NO_PERMISSION)
    return tuple(texts)


def _pour_table(log: StripLog) -> Table:
    rows = log.pours.sort_values(AGE_COLUMNS[log.function], kind="stable").head(MAX_POURS)
    more = f" The youngest {MAX_POURS}; all in pours.csv." if len(log.pours) > len(rows) else ""
    one = formatting.decimals
    return Table(
        f"Pours, youngest first. Equivalent ages at {_degrees(log.reference_c)}.{more}",
        (
            Column("Pour", "pour"),
            Column("Face", "face"),
            Column(
                "Placed, by the log",
                write=lambda r: Cell(
                    r["placed_log"], f"{r['placed_utc'][:16].replace('T', ' ')} UTC"
                ),
                kind="tight",
            ),
            numeric("Clock [h]", "clock_h", one),
            numeric("Mean [\N{DEGREE SIGN}C]", "temperature_mean_degC", one),
            numeric("Arrhenius [h]", "equivalent_arrhenius_h", one),
            numeric("Nurse-Saul [h]", "equivalent_nurse_saul_h", one),
            Column("Misses", "misses"),
            Column("Curing after stripping", "follow_up"),
            Column("Temperature from", "temperature_source"),
            *([Column("Notes", "notes")] * bool((rows["notes"] != "").any())),
        ),
        rows.to_dict("records"),
    )


def _degrees(celsius: float) -> str:
    return formatting.temperature(celsius, units="SI")


def _scenario_advice(study: StripLogStudy) -> str:
    reference = formatting.number(study.log.reference_c)
    return (
        f"strip-age.toml gives the equivalent age ({study.chosen}) as an input for a scenario: "
        'strip_age = { from = "strip-age.toml" } in a [[strategy]], with concrete_temperature = '
        f'"{reference} degC" beside it and the same maturity function and reference temperature in '
        "[curing], so that the hours are not converted twice. strip-age-clock.toml gives hours by "
        "the clock, to go with the concrete's own mean temperature."
    )


def _scenario_inputs(study: StripLogStudy) -> dict[str, str]:
    data_file, log = study.data_file, study.log
    count = f"{len(log.pours)} pours of {data_file.name}, SHA-256 {data_file.digest[:12]}"
    about = "Ages at which forms were taken. No permission to strip at such an age."
    reference = f"{formatting.number(log.reference_c)} degC"
    return {
        "strip-age.toml": input_toml(
            study.strip_age,
            unit="h",
            source=f"equivalent age at stripping ({log.function}, {reference}), {count}",
            about=(
                about,
                f"Equivalent hours at {reference} ({log.function}): give the strategy "
                f'concrete_temperature = "{reference}".',
            ),
        ),
        "strip-age-clock.toml": input_toml(
            study.clock_strip_age,
            unit="h",
            source=f"age at stripping by the clock, {count}",
            about=(
                about,
                "Hours by the clock: give the strategy the concrete's own temperature; the mean "
                f"over these pours is {formatting.number(study.mean_temperature)} degC.",
            ),
        ),
    }


def _method(log: StripLog) -> tuple[str, ...]:
    return paragraphs(
        "strip_log.method",
        q=formatting.number(log.activation_temperature),
        datum=_degrees(log.datum_c),
        reference=_degrees(log.reference_c),
        function=log.function,
    )
