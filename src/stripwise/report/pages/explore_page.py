"""The page to try pairs of cover and strip age on, which computes in the browser."""

from __future__ import annotations

import base64
import json
from typing import Any

import numpy as np
from markupsafe import Markup

from stripwise.report.components import (
    Bullets,
    Program,
    Report,
    Section,
    limit_state,
    scenario_signature,
)
from stripwise.report.figures.style import MAP_SHADES, MARKER_COLOR, PALETTE, TEXT_COLOR
from stripwise.report.pages.site_page import follow_up_text
from stripwise.report.prose import paragraphs
from stripwise.report.render import read_template, template
from stripwise.scenario.model import FollowUp, Scenario
from stripwise.studies.decision import CLEAR
from stripwise.studies.design.design_result import DesignResult
from stripwise.studies.design.explore_reading import EPISTEMIC_TOLERANCE, TOLERANCE
from stripwise.studies.design.explore_tables import LEVELS, SCALE, ExploreTables, IndexTable
from stripwise.units.caution import DURABILITY_ONLY, GATES
from stripwise.units.curing_words import strip_age
from stripwise.units.formatting import MM_PER_INCH, length, percent, temperature

__all__ = ["explore_page"]

MAP_TICKS = (1.0, 2.0, 4.0, 8.0, 12.0, 24.0, 48.0, 96.0, 168.0, 336.0, 672.0)
"""Strip ages marked on the map [h], besides the first of the range."""


def explore_page(result: DesignResult) -> Report:
    """Make the page; `result.explore` must hold its tables."""
    scenario, tables = result.scenario, result.explore
    assert tables is not None
    notes = list(paragraphs("explore.notes"))
    if scenario.target.confidence and tables.epistemic is not None:
        demanded = percent(scenario.target.confidence)
        notes.append(f"“Meets” asks for the demanded confidence of {demanded} too.")
    if tables.left_out:
        names = "; ".join(f"“{name}” {reason}" for name, reason in tables.left_out)
        notes.append(f"Not on this page: {names}.")
    return Report(
        title=f"Try cover and strip age: {scenario.title}",
        about=f"Scenario {scenario.path.name}; {limit_state(scenario)}. Move the pair; the answer "
        "follows. Before anything is specified, have the pair worked through with the line below.",
        findings=(),
        sections=(Section("What the page does and leaves out", (Bullets(tuple(notes)),)),),
        signature=scenario_signature(scenario, result.run["versions"]),
        program=Program(
            html=Markup(_elements(scenario, tables)),
            style=Markup(_style()),
            script=Markup(read_template("explore.js")),
            data=Markup(_json(_data(scenario, tables))),
        ),
    )


def _style() -> str:
    colors = {
        "no": MAP_SHADES[0],
        "close": MAP_SHADES[2],
        "marker": MARKER_COLOR,
        "marker-dark": PALETTE[5],
        "text": TEXT_COLOR,
    }
    named = "; ".join(f"--{name}: {color}" for name, color in colors.items())
    return f":root {{ {named}; }}\n" + read_template("explore.css")


def _json(data: dict[str, Any]) -> str:
    """Write data so that it cannot end the element that it stands in."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c")


def _elements(scenario: Scenario, tables: ExploreTables) -> str:
    """Write the controls and what the script fills."""
    target, start = scenario.target, _start(scenario, tables)
    rows = [
        ("pair", "Pair"),
        ("meets", "Target"),
        ("probability", "Probability of depassivation"),
        ("range", "Uncertainty range (95 %)"),
        ("confidence", "Confidence"),
        ("life", "Years until the target is missed"),
    ]
    if scenario.cost is not None:
        rows += [("first", "First cost"), ("expected", "With expected repairs")]
    rows += [
        ("earliest", "Earliest strip age at this cover"),
        ("least", "Least cover at this strip age"),
    ]
    return template("explore.html.j2").render(
        covers=len(tables.covers),
        hours=len(tables.hours),
        temperatures=len(tables.temperatures),
        follow_ups=[_after_text(f, scenario.units) for f in _follow_ups(scenario)],
        start=start,
        life=f"{target.service_life:g}",
        last_life=int(scenario.sampling.horizon),
        allowed=f"{100.0 * target.probability:.4g}",
        currency="" if scenario.cost is None else f"{scenario.cost.currency}/m²",
        prices=_price_entries(scenario),
        rows=rows,
        pairs_caption="The pair as set now, and two to hold it against, all under the target above"
        + ("" if scenario.cost is None else f"; costs in {scenario.cost.currency}/m²"),
        map_caption="Nominal cover against time in the forms, at the temperature and with the curing "
        "after stripping as set. Dark: fails; light: too close, run it; white: meets. The dot is the "
        "pair; A and B are drawn where they share its temperature and curing.",
        durability_only=DURABILITY_ONLY,
        gates=[gate.split(":")[0] for gate in GATES],
    )


def _follow_ups(scenario: Scenario) -> tuple[FollowUp, ...]:
    assert scenario.choices is not None
    return scenario.choices.follow_up


def _after_text(after: FollowUp, units: str) -> str:
    """Name a curing after stripping with the temperature that it keeps."""
    text = follow_up_text(after.label)
    return f"{text} at {temperature(after.temperature, units=units)}" if after.duration_h else text


def _start(scenario: Scenario, tables: ExploreTables) -> dict[str, int]:
    """Begin with the reference strategy, or what lies nearest to it."""
    reference = scenario.strategy(scenario.reference_strategy)
    hours = scenario.input(reference.strip_age_input).distribution.mean
    labels = [item.label for item in _follow_ups(scenario)]
    label = reference.follow_up.label
    return {
        "cover": int(np.argmin(np.abs(tables.covers - scenario.nominal_cover))),
        "hours": int(np.argmin(np.abs(tables.hours - hours))),
        "temperature": int(
            np.argmin(np.abs(np.array(tables.temperatures) - scenario.curing.temperature))
        ),
        "followUp": labels.index(label) if label in labels else 0,
    }


def _prices(scenario: Scenario) -> dict[str, float]:
    """Return the prices that the page moves, by name."""
    cost = scenario.cost
    if cost is None:
        return {}
    found = {"forms": cost.forms, "cover": cost.cover, "repair": cost.repair}
    for method in dict.fromkeys(item.method for item in _follow_ups(scenario)):
        flat, hourly = cost.follow_up.get(method, (0.0, 0.0))
        if flat:
            found[f"flat-{method}"] = flat
        if hourly:
            found[f"daily-{method}"] = 24.0 * hourly
    return found


def _price_entries(scenario: Scenario) -> list[tuple[str, str, str]]:
    """Return id, label and value of the fields for prices."""
    words = {
        "forms": "Forms, an hour",
        "cover": "Cover, a mm",
        "repair": "A repair",
    }
    return [
        (f"price-{key}", words.get(key) or _price_label(key), f"{value:.6g}")
        for key, value in _prices(scenario).items()
    ]


def _price_label(key: str) -> str:
    kind, _, method = key.partition("-")
    name = f"{method[:1].upper()}{method[1:]}"
    return f"{name}, a day" if kind == "daily" else name


def _data(scenario: Scenario, tables: ExploreTables) -> dict[str, Any]:
    """Collect all that the script reads."""
    units, target, cost = scenario.units, scenario.target, scenario.cost
    ticks = [0, *(k for k, h in enumerate(tables.hours) if k and h in MAP_TICKS)]
    if len(ticks) > 1 and tables.hours[ticks[1]] < 1.25 * tables.hours[0]:
        del ticks[1]
    return {
        "file": scenario.path.name,
        "scale": SCALE,
        "tolerance": TOLERANCE,
        "epistemicTolerance": EPISTEMIC_TOLERANCE,
        "clear": CLEAR,
        "levels": LEVELS,
        "horizon": scenario.sampling.horizon,
        "target": {
            "life": target.service_life,
            "allowed": target.probability,
            "index": target.reliability_index,
            "confidence": target.confidence if tables.epistemic is not None else 0.0,
        },
        "start": _start(scenario, tables),
        "covers": tables.covers.tolist(),
        "coverTexts": [length(float(mm), units=units) for mm in tables.covers],
        "coverWords": [_cover_words(float(mm), units) for mm in tables.covers],
        "lowestCover": tables.lowest_cover,
        "leastCover": tables.least_cover,
        "hours": tables.hours.tolist(),
        "hourTexts": [strip_age(float(h)) for h in tables.hours],
        "hourWords": [f"{h:.10g} h" for h in tables.hours],
        "ticks": ticks,
        "temperatureTexts": [temperature(t, units=units) for t in tables.temperatures],
        "temperatureWords": [_temperature_words(t, units) for t in tables.temperatures],
        "factors": tables.factors,
        "followUps": [
            {
                "text": _after_text(item, units),
                "words": item.label
                if not item.duration_h
                else f"{item.label} at {_temperature_words(item.temperature, units)}",
                "method": item.method,
                "durationH": item.duration_h,
                "offset": axis.offset_h,
                "borders": axis.borders,
            }
            for item, axis in zip(_follow_ups(scenario), tables.axes, strict=True)
        ],
        "mean": _table(tables.mean),
        "epistemic": None if tables.epistemic is None else _table(tables.epistemic),
        "prices": _prices(scenario),
        "cost": None if cost is None else {"weights": tables.repair_weights.tolist()},
    }


def _table(table: IndexTable) -> dict[str, Any]:
    return {
        "perPiece": table.per_piece,
        "ages": table.ages.tolist(),
        "channels": len(table.values[0]),
        "values": [base64.b64encode(v.astype("<i2").tobytes()).decode() for v in table.values],
    }


def _cover_words(mm: float, units: str) -> str:
    """Write a cover as --choose reads it."""
    return f"{mm / MM_PER_INCH:.10g} in" if units == "US" else f"{mm:.10g} mm"


def _temperature_words(celsius: float, units: str) -> str:
    """Write a temperature as --choose reads it."""
    return f"{1.8 * celsius + 32.0:.10g} degF" if units == "US" else f"{celsius:.10g} degC"
