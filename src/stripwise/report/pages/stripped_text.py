"""What an early strip has cost and what still helps, in words, for the terminal and the page."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any

from stripwise.report.components import Column, Table, numeric
from stripwise.scenario.model import Scenario
from stripwise.studies.decision import TOO_CLOSE, YES, manner
from stripwise.studies.stripped import SiteAnswer
from stripwise.units.formatting import (
    DASH,
    amount,
    confidence,
    duration,
    interval,
    number,
    percent,
    signed_percent,
    signed_points,
    temperature,
    value_with_interval,
    years,
)

__all__ = ["comparison_rows", "follow_up_table", "headline", "maturity_lines", "plan_line"]


def _rows(answer: SiteAnswer) -> list[dict[Hashable, Any]]:
    return answer.outcomes.to_dict(orient="records")


def headline(answer: SiteAnswer, scenario: Scenario) -> str:
    """State the answer in two sentences."""
    record, target = answer.record, scenario.target
    planned, stripped_row = _rows(answer)[:2]
    horizon = scenario.sampling.horizon
    lives = [years(row["life_at_target_yr"], horizon=horizon) for row in (planned, stripped_row)]
    worse = stripped_row["probability_change"]
    before, after = (percent(row["probability_at_target"]) for row in (planned, stripped_row))
    verb = "raises" if worse > 0 else "lowers"
    moved = f"from {before} to {after}"
    if before == after:
        verb, moved = "leaves", f"at {after}"
    allowed = percent(target.probability)
    shorter = stripped_row["life_at_target_yr"] < planned["life_at_target_yr"]
    life = f"{'fall' if shorter else 'rise'} from {lives[0]} to {lives[1]}"
    if lives[0] == lives[1]:
        life = f"stay {lives[0]}"
    text = (
        f"Stripping after {duration(record.strip_age_h)} at "
        f"{temperature(record.temperature, units=scenario.units)}, where the plan was "
        f'"{record.plan}", {verb} the '
        f"probability of depassivation within {years(target.service_life)} {moved}, if nothing "
        f"follows. {_target_sentence(stripped_row, allowed)} The years until the {allowed} limit is "
        f"exceeded {life}."
    )
    days = answer.kept_wet_to_match_d
    if math.isfinite(days) and days > 0.0:
        text += (
            f" Keeping the face wet for about {number(days, 2)} d from now counts as much "
            "curing as the plan, if no hour is lost and the face does not freeze."
        )
    return text


def _target_sentence(stripped_row: dict[Hashable, Any], allowed: str) -> str:
    """State whether the target is met after the strip, as far as durability goes."""
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


def comparison_rows(answer: SiteAnswer, scenario: Scenario) -> list[tuple[str, ...]]:
    """Compare the plan with the strip, line by line, the heads first."""
    target, horizon = scenario.target, scenario.sampling.horizon
    plan_and_strip = _rows(answer)[:2]

    def line(label: str, write: Any) -> tuple[str, ...]:
        return (label, *(write(row) for row in plan_and_strip))

    return [
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


def plan_line(answer: SiteAnswer) -> str:
    """Name the plan, the face and what was to follow."""
    follow_up = _rows(answer)[0]["follow_up"]
    return f"Plan: {answer.record.plan} ({answer.record.face} face; curing after stripping as planned: {follow_up})"


def maturity_lines(answer: SiteAnswer, scenario: Scenario) -> list[str]:
    """Give the equivalent age at stripping by both functions, a line each."""
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


def follow_up_table(answer: SiteAnswer, scenario: Scenario) -> Table:
    """Give what each follow-up still buys, a line each."""
    target, horizon = scenario.target, scenario.sampling.horizon
    return Table(
        caption(answer, scenario),
        (
            Column("curing\nfrom now", "follow_up"),
            numeric("curing\ncounted", "effective_curing_h", duration),
            numeric("k_c\n(5 to 95 %)", write=_penalty, kind="tight"),
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


def caption(answer: SiteAnswer, scenario: Scenario) -> str:
    """Head the table of follow-ups."""
    at = temperature(answer.record.follow_up_temperature, units=scenario.units)
    what = (
        "Without curing after stripping"
        if answer.record.freezes_after
        else "What curing from now on still buys"
    )
    return f"{what} on the {answer.record.face} face, at {at}:"


def _penalty(row: dict[Hashable, Any]) -> str:

    return value_with_interval(row["penalty_mean"], row["penalty_p05"], row["penalty_p95"])


def _percentage_points(change: float) -> str:

    return f"{signed_points(change)} pts"
