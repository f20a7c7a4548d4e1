"""`stripwise stripped`: the forms went early; what it cost and what still helps."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    ScenarioFile,
    Workers,
    align_columns,
    app,
    print_json,
    progress_bar,
    report_errors,
    wrap,
)

if TYPE_CHECKING:
    from collections.abc import Hashable

    from stripwise.scenario.model import Scenario
    from stripwise.studies.stripped import SiteAnswer

__all__ = ["stripped"]


@app.command(epilog='Example:  stripwise stripped wall.toml --after "14 h" --at "6 degC"')
def stripped(  # noqa: PLR0917 - typer reads the options from the signature
    file: ScenarioFile,
    after: Annotated[
        str, typer.Option("--after", metavar="AGE", help='Age at which the forms went: "14 h".')
    ],
    at: Annotated[
        str,
        typer.Option(
            "--at",
            metavar="TEMPERATURE",
            help='Mean concrete temperature until then: "6 degC", "43 degF".',
        ),
    ],
    plan: Annotated[
        str | None,
        typer.Option(
            "--plan",
            metavar="NAME",
            help="Strategy that was meant; the reference strategy unless given.",
        ),
    ] = None,
    face: Annotated[
        str | None,
        typer.Option(
            "--face", metavar="FACE", help="vertical or horizontal; that of the plan unless given."
        ),
    ] = None,
    follow_up_at: Annotated[
        str | None,
        typer.Option(
            "--follow-up-at",
            metavar="TEMPERATURE",
            help="Concrete temperature during a follow-up; as --at unless given.",
        ),
    ] = None,
    unusual: Annotated[
        bool,
        typer.Option(
            "--unusual", help="Take an age or a temperature outside its usual range as meant."
        ),
    ] = False,
    workers: Workers = 2,
    allow_outside: AllowOutside = False,
    as_json: AsJson = False,
) -> None:
    """Say what an early strip has cost against the plan, and what each follow-up still buys.

    Strength, stability and frost come first; this command checks none of them.
    """
    with report_errors():
        from stripwise.scenario.loading import load
        from stripwise.studies.stripped import stripped_early

        scenario = load(file, allow_outside=allow_outside)
        with progress_bar(quiet=as_json) as report_progress:
            answer = stripped_early(
                scenario,
                after=after,
                at=at,
                plan=plan,
                face=face,
                follow_up_at=follow_up_at,
                unusual=unusual,
                workers=workers,
                progress=report_progress,
            )
        if as_json:
            print_json(_record(answer, scenario))
        else:
            typer.echo("\n\n".join(_blocks(answer, scenario)))


def _blocks(answer: SiteAnswer, scenario: Scenario) -> list[str]:
    """Lay the answer out as text: cautions, the strip against the plan, follow-ups, notes."""
    return [
        "FIRST, before any number:\n" + _listed(answer.cautions),
        _headline(answer, scenario),
        _strip_table(answer, scenario),
        _follow_up_table(answer, scenario),
        "Before you use the numbers:\n" + _listed(answer.notes),
    ]


def _listed(sentences: tuple[str, ...]) -> str:
    return "\n".join(wrap(text, first="  - ", then="    ", always=True) for text in sentences)


def _rows(answer: SiteAnswer) -> list[dict[Hashable, Any]]:
    return answer.outcomes.to_dict(orient="records")


def _headline(answer: SiteAnswer, scenario: Scenario) -> str:
    """State the answer in two sentences."""
    from stripwise.units import formatting

    record, target = answer.record, scenario.target
    planned, stripped_row = _rows(answer)[:2]
    horizon = scenario.sampling.horizon
    lives = [
        formatting.years(row["life_at_target_yr"], horizon=horizon)
        for row in (planned, stripped_row)
    ]
    worse = stripped_row["probability_change"]
    before, after = (
        formatting.percent(row["probability_at_target"]) for row in (planned, stripped_row)
    )
    verb = "raises" if worse > 0 else "lowers"
    moved = f"from {before} to {after}"
    if before == after:
        verb, moved = "leaves", f"at {after}"
    allowed = formatting.percent(target.probability)
    life = f"fall from {lives[0]} to {lives[1]}" if lives[0] != lives[1] else f"stay {lives[0]}"
    text = (
        f"Stripping after {formatting.duration(record.strip_age_h)} at "
        f"{formatting.temperature(record.temperature, units=scenario.units)}, where the plan was "
        f'"{record.plan}", {verb} the '
        f"probability of depassivation within {formatting.years(target.service_life)} {moved}, if nothing "
        f"follows. {_target_sentence(stripped_row, allowed)} The years until the {allowed} limit is "
        f"exceeded {life}."
    )
    days = answer.kept_wet_to_match_d
    if math.isfinite(days) and days > 0.0:
        text += (
            f" Keeping the face wet for about {formatting.number(days, 2)} d from now counts as much "
            "curing as the plan, if no hour is lost and the face does not freeze."
        )
    return wrap(text, always=True)


def _target_sentence(stripped_row: dict[Hashable, Any], allowed: str) -> str:
    """State whether the target is met after the strip, as far as durability goes."""
    from stripwise.studies.decision import TOO_CLOSE, YES, manner
    from stripwise.units.formatting import confidence

    answer, sure = str(stripped_row["meets_target"]), float(stripped_row["confidence"])
    if answer == TOO_CLOSE:
        return f"By durability alone it is too close to call against the {allowed} limit: count it as failing."
    how = manner(answer, sure)
    text = (
        f"By durability alone it {'still meets' if answer == YES else 'fails'} the {allowed} limit"
    )
    text += f", {how}" if how else ""
    if math.isnan(sure):
        return f"{text}."
    if answer == YES:
        return f"{text} (confidence {confidence(sure)})."
    return f"{text} (chance that it meets it nevertheless: {confidence(sure)})."


def _strip_table(answer: SiteAnswer, scenario: Scenario) -> str:
    """Compare the plan with the strip, line by line."""
    from stripwise.units.formatting import DASH, confidence, duration, interval, percent, years

    target, horizon = scenario.target, scenario.sampling.horizon
    plan_and_strip = _rows(answer)[:2]

    def line(label: str, write: Any) -> tuple[str, ...]:
        return (label, *(write(row) for row in plan_and_strip))

    rows = [
        ("", "plan", "stripped"),
        line("strip age", lambda r: duration(r["strip_age_h"])),
        line("equivalent age at strip", lambda r: duration(r["equivalent_age_h"])),
        line("effective curing", lambda r: duration(r["effective_curing_h"])),
        line("penalty factor k_c, mean (5 to 95 %)", _penalty),
        line(
            f"probability at {years(target.service_life)}",
            lambda r: percent(r["probability_at_target"]),
        ),
        line(
            "  uncertainty range (95 %)",
            lambda r: interval(r["know_low"], r["know_high"], percent) or DASH,
        ),
        line(
            f"years until {percent(target.probability)}",
            lambda r: years(r["life_at_target_yr"], horizon=horizon),
        ),
        line("confidence", lambda r: confidence(r["confidence"])),
        line("meets the limit", lambda r: r["meets_target"]),
    ]
    face = f"{answer.record.face} face; follow-up as planned: {plan_and_strip[0]['follow_up']}"
    return "\n".join(
        [f"Plan: {answer.record.plan} ({face})", *align_columns(rows), *_maturity(answer, scenario)]
    )


def _maturity(answer: SiteAnswer, scenario: Scenario) -> list[str]:
    """Give the equivalent age at stripping by both functions, a line each."""
    from stripwise.units.formatting import amount, duration, number, temperature

    units = scenario.units
    at = temperature(scenario.curing.reference_temperature, units=units)
    lines = [f"  Equivalent age at {at}:"]
    for row in answer.maturity.to_dict(orient="records"):
        if row["function"] == "arrhenius":
            detail = f"Arrhenius, Q {number(scenario.curing.activation_temperature)} K"
        else:
            factor = amount(row["temperature_time_degCh"], "degC", units=units, difference=True)
            datum = temperature(scenario.curing.datum_temperature, units=units)
            detail = f"Nurse-Saul, datum {datum} ({factor} h)"
        used = ", used below" if row["used"] else ""
        lines.append(f"    {duration(row['equivalent_age_h'])} by {detail}{used}")
    return lines


def _follow_up_table(answer: SiteAnswer, scenario: Scenario) -> str:
    """Give what each follow-up still buys, a line each."""
    from stripwise.report.components import Column, Table, numeric
    from stripwise.units.formatting import duration, percent, signed_percent, temperature, years

    target, horizon = scenario.target, scenario.sampling.horizon
    table = Table(
        "",
        (
            Column("follow-up\nfrom now", "follow_up"),
            numeric("curing\ncounted", "effective_curing_h", duration),
            numeric("k_c\n(5 to 95 %)", write=_penalty),
            numeric(f"prob.\nat {years(target.service_life)}", "probability_at_target", percent),
            numeric(
                "points\noff plan", "probability_change", lambda x: _percentage_points(x).split()[0]
            ),
            numeric(
                f"years until\n{percent(target.probability)}",
                "life_at_target_yr",
                lambda t: years(t, horizon=horizon).replace("more than", "over"),
            ),
            numeric("against\nplan", "life_change_pct", signed_percent),
            Column(
                "\nmeets", "meets_target", lambda text: text.replace("too close to call", "close")
            ),
        ),
        _rows(answer)[1:],
    )
    at = temperature(answer.record.follow_up_temperature, units=scenario.units)
    what = (
        "Without a follow-up" if answer.record.freezes_after else "What each follow-up still buys"
    )
    head = f"{what} on the {answer.record.face} face, at {at}:"
    return "\n".join([head, *align_columns(table.texts())])


def _penalty(row: dict[Hashable, Any]) -> str:
    from stripwise.units.formatting import value_with_interval

    return value_with_interval(row["penalty_mean"], row["penalty_p05"], row["penalty_p95"])


def _percentage_points(change: float) -> str:
    from stripwise.units.formatting import signed_points

    return f"{signed_points(change)} pts"


def _record(answer: SiteAnswer, scenario: Scenario) -> dict[str, Any]:
    return {
        "cautions": list(answer.cautions),
        "record": {
            name.replace("temperature", "temperature_degC"): value
            for name, value in dataclasses.asdict(answer.record).items()
        },
        "target": {
            "service_life_yr": scenario.target.service_life,
            "probability": scenario.target.probability,
        },
        "maturity": answer.maturity.to_dict(orient="records"),
        "outcomes": answer.outcomes.to_dict(orient="records"),
        "kept_wet_to_match_d": answer.kept_wet_to_match_d,
        "notes": list(answer.notes),
    }
