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
    app,
    folded,
    lined_up,
    plain_errors,
    print_json,
    progress_bar,
)

if TYPE_CHECKING:
    from collections.abc import Hashable

    from stripwise.scenario.model import Scenario
    from stripwise.studies.stripped import SiteAnswer

__all__ = ["stripped"]

MEETS = {"yes": "still met", "no": "missed"}

HEADS = (
    "follow-up",
    "effective",
    "penalty k_c",
    "probability",
    "against",
    "life",
    "against",
    "target",
)
SECOND = (
    "from now",
    "curing",
    "(5\N{EN DASH}95 %)",
    "at {life}",
    "plan",
    "at {limit}",
    "plan",
    "met",
)


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
    workers: Workers = 2,
    allow_outside: AllowOutside = False,
    as_json: AsJson = False,
) -> None:
    """Say what an early strip has cost against the plan, and what each follow-up still buys.

    Strength, stability and frost come first; this command checks none of them.
    """
    with plain_errors():
        from stripwise.scenario.loading import load
        from stripwise.studies.stripped import stripped_early

        case = load(file, allow_outside=allow_outside)
        with progress_bar(quiet=as_json) as tell:
            answer = stripped_early(
                case,
                after=after,
                at=at,
                plan=plan,
                face=face,
                follow_up_at=follow_up_at,
                workers=workers,
                progress=tell,
            )
        if as_json:
            print_json(_record(answer, case))
        else:
            typer.echo("\n\n".join(_blocks(answer, case)))


def _blocks(answer: SiteAnswer, case: Scenario) -> list[str]:
    """Lay the answer out as text: cautions, the strip against the plan, follow-ups, notes."""
    return [
        "FIRST, before any number:\n" + _listed(answer.cautions),
        _headline(answer, case),
        _strip_table(answer, case),
        _follow_up_table(answer, case),
        "Before you use the numbers:\n" + _listed(answer.notes),
    ]


def _listed(sentences: tuple[str, ...]) -> str:
    return "\n".join(folded(text, first="  - ", then="    ", always=True) for text in sentences)


def _rows(answer: SiteAnswer) -> list[dict[Hashable, Any]]:
    return answer.outcomes.to_dict(orient="records")


def _headline(answer: SiteAnswer, case: Scenario) -> str:
    """Say the answer in two sentences."""
    from stripwise.report import formatting

    record, target = answer.record, case.target
    meant, now = _rows(answer)[:2]
    horizon = case.sampling.horizon
    lives = [formatting.years(row["life_at_target_yr"], horizon=horizon) for row in (meant, now)]
    worse = now["probability_change"]
    before, after = (formatting.percent(row["probability_at_target"]) for row in (meant, now))
    verb = "raises" if worse > 0 else "lowers"
    moved = f"from {before} to {after}"
    if before == after:
        verb, moved = "leaves", f"at {after}"
    life = f"goes from {lives[0]} to {lives[1]}" if lives[0] != lives[1] else f"stays {lives[0]}"
    text = (
        f"Stripping after {formatting.duration(record.strip_age_h)} at "
        f'{_degrees(record.temperature, case)}, where the plan was "{record.plan}", {verb} the '
        f"probability of depassivation within {target.service_life:g} yr {moved}, if nothing "
        f"follows; {formatting.percent(target.probability)} is allowed. "
        f"{_answer(now, target.probability)} The life until the target is reached {life}."
    )
    days = answer.kept_wet_to_match_d
    if math.isfinite(days) and days > 0.0:
        text += (
            f" Keeping the face wet for about {formatting.number(days, 2)} d from now counts as much "
            "curing as the plan, if no hour is lost and the face does not freeze."
        )
    return folded(text, always=True)


def _answer(now: dict[Hashable, Any], allowed: float) -> str:
    """Say whether the target is met after the strip, as far as durability goes."""
    from stripwise.report import formatting

    if now["meets_target"] != "undecided":
        return f"By durability alone the target is {MEETS[now['meets_target']]}."
    mean = "met" if now["probability_at_target"] <= allowed else "missed"
    band = formatting.interval(now["know_low"], now["know_high"], formatting.percent)
    reason = f"{band} over what is not known" if band else "by sampling error alone"
    return f"By durability alone the target is {mean} on average, but not surely ({reason})."


def _strip_table(answer: SiteAnswer, case: Scenario) -> str:
    """Set the plan beside the strip, line by line."""
    from stripwise.report import formatting

    horizon, meant_and_now = case.sampling.horizon, _rows(answer)[:2]

    def line(label: str, write: Any) -> tuple[str, ...]:
        return (label, *(write(row) for row in meant_and_now))

    def band(row: dict[Hashable, Any]) -> str:
        return (
            formatting.interval(row["know_low"], row["know_high"], formatting.percent)
            or formatting.DASH
        )

    rows = [
        ("", "plan", "stripped"),
        line("strip age", lambda r: formatting.duration(r["strip_age_h"])),
        line("equivalent age at strip", lambda r: _hours(r["equivalent_age_h"])),
        line("effective curing", lambda r: _hours(r["effective_curing_h"])),
        line("penalty factor k_c, mean (5\N{EN DASH}95 %)", _penalty),
        line(
            f"probability at {case.target.service_life:g} yr",
            lambda r: formatting.percent(r["probability_at_target"]),
        ),
        line("  over what is not known", band),
        line(
            f"life at {formatting.percent(case.target.probability)}",
            lambda r: formatting.years(r["life_at_target_yr"], horizon=horizon),
        ),
        line("target met", lambda r: r["meets_target"]),
    ]
    face = f"{answer.record.face} face; follow-up as planned: {meant_and_now[0]['follow_up']}"
    return "\n".join(
        [f"Plan: {answer.record.plan} ({face})", *lined_up(rows), *_maturity(answer, case)]
    )


def _maturity(answer: SiteAnswer, case: Scenario) -> list[str]:
    """Give the equivalent age at stripping by both functions, a line each."""
    lines = [f"  Equivalent age at {_degrees(case.curing.reference_temperature, case)}:"]
    for row in answer.maturity.to_dict(orient="records"):
        if row["function"] == "arrhenius":
            detail = f"Arrhenius, Q {case.curing.activation_temperature:g} K"
        else:
            datum = _degrees(case.curing.datum_temperature, case)
            unit = "degC" if case.units == "SI" else "degF"
            factor = row["temperature_time_degCh"] * (1.0 if case.units == "SI" else 1.8)
            detail = f"Nurse-Saul, datum {datum} ({factor:.3g} {unit} h)"
        used = ", used below" if row["used"] else ""
        lines.append(f"    {_hours(row['equivalent_age_h'])} by {detail}{used}")
    return lines


def _follow_up_table(answer: SiteAnswer, case: Scenario) -> str:
    """Give what each follow-up still buys, a line each."""
    from stripwise.report import formatting

    target, horizon = case.target, case.sampling.horizon
    life, limit = f"{target.service_life:g} yr", formatting.percent(target.probability)
    rows = [HEADS, tuple(head.format(life=life, limit=limit) for head in SECOND)]
    rows += [
        (
            row["follow_up"],
            _hours(row["effective_curing_h"]),
            _penalty(row),
            formatting.percent(row["probability_at_target"]),
            _points(row["probability_change"]),
            formatting.years(row["life_at_target_yr"], horizon=horizon).replace(
                "more than", "over"
            ),
            formatting.signed_percent(row["life_change_pct"]),
            row["meets_target"],
        )
        for row in _rows(answer)[1:]
    ]
    at = _degrees(answer.record.follow_up_temperature, case)
    what = (
        "Without a follow-up" if answer.record.freezes_after else "What each follow-up still buys"
    )
    head = f"{what} on the {answer.record.face} face, at {at}:"
    return "\n".join([head, *lined_up(rows)])


def _penalty(row: dict[Hashable, Any]) -> str:
    mean, low, high = row["penalty_mean"], row["penalty_p05"], row["penalty_p95"]
    return f"{mean:.2f} ({low:.2f}\N{EN DASH}{high:.2f})"


def _points(change: float) -> str:
    text = f"{100.0 * change:+.1f}"
    return "0 pts" if float(text) == 0.0 else f"{text} pts".replace("-", "\N{MINUS SIGN}")


def _hours(hours: float) -> str:
    return f"{hours:.3g} h"


def _degrees(celsius: float, case: Scenario) -> str:
    from stripwise.units.quantities import convert

    unit = "degC" if case.units == "SI" else "degF"
    return f"{convert(celsius, 'degC', to=unit):.3g} {unit}"


def _record(answer: SiteAnswer, case: Scenario) -> dict[str, Any]:
    return {
        "cautions": list(answer.cautions),
        "record": {
            name.replace("temperature", "temperature_degC"): value
            for name, value in dataclasses.asdict(answer.record).items()
        },
        "target": {
            "service_life_yr": case.target.service_life,
            "probability": case.target.probability,
        },
        "maturity": answer.maturity.to_dict(orient="records"),
        "outcomes": answer.outcomes.to_dict(orient="records"),
        "kept_wet_to_match_d": answer.kept_wet_to_match_d,
        "notes": list(answer.notes),
    }
