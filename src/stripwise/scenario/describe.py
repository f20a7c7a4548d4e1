"""A scenario as it was understood, for a reader and for the tables of a run."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from stripwise.curing.laws import DEFAULT_LAW, LAWS
from stripwise.distributions.families import SAMPLE
from stripwise.distributions.random_input import Input
from stripwise.ingress.season import MONTHS
from stripwise.scenario.as_written import written_conversion, written_input, written_lines
from stripwise.scenario.model import Cost, Scenario, Strategy
from stripwise.units.formatting import percent, years
from stripwise.units.quantities import convert
from stripwise.units.result_columns import columns

__all__ = ["as_record", "describe", "inputs_table", "shown"]

MATURITY = {"arrhenius": "Arrhenius", "nurse-saul": "Nurse-Saul"}

HEADS = ("input", "family", "mean", "sd", "5 %", "50 %", "95 %", "unit", "kind", "as written")

SECTIONS = ("target", "choices", "cost")
"""Tables that are shown as the file writes them."""


def inputs_table(scenario: Scenario) -> pd.DataFrame:
    """Tabulate every input as resolved, in internal units; a cut normal as it is after the cut."""
    rows = []
    for item in scenario.inputs:
        law = item.distribution
        p05, p50, p95 = (float(x) for x in law.quantile([0.05, 0.5, 0.95]))
        rows.append(
            {
                "name": item.name,
                "label": item.label,
                "family": law.family,
                "mean": law.mean,
                "sd": law.sd,
                "p05": p05,
                "p50": p50,
                "p95": p95,
                "unit": item.unit,
                "kind": item.kind,
                "between_walls": item.epistemic_share,
                "kind_reason": "" if law.is_fixed else kind_reason(item),
                "group": item.group,
                "source": item.source,
            }
        )
    table = pd.DataFrame(rows)
    return table.reindex(columns=table.columns.union(columns("inputs"), sort=False))


def kind_reason(item: Input) -> str:
    """Say why an input counts as epistemic, as aleatory or as both."""
    if item.distribution.family == SAMPLE:
        return "joint draws"
    if item.kind_stated:
        return "stated in the scenario"
    if 0.0 < item.between_walls < 1.0:
        return "mean_sd in the scenario"
    if item.kind == "knowledge":
        return "by default: one value for the wall, not known exactly"
    return "by default: varies along the wall"


def shown(value: float, item: Input, *, units: str, difference: bool = False) -> tuple[float, str]:
    """Convert a value in an input's unit to the one that a reader of "SI" or "US" is used to.

    A cover comes in mm or in, a temperature in degC or degF, a diffusivity in 1e-12 m2/s or in2/yr;
    anything else stays.
    """
    if item.is_temperature:
        to = "degC" if units == "SI" else "degF"
        return convert(value, "K", to=to, difference=difference), to
    if item.unit == "mm2/yr":
        if units == "SI":
            return convert(value, "mm ** 2 / year", to="m ** 2 / second") * 1e12, "1e-12 m2/s"
        return convert(value, "mm ** 2 / year", to="inch ** 2 / year"), "in2/yr"
    if item.unit == "mm" and units == "US":
        return convert(value, "mm", to="inch"), "in"
    return value, "% binder" if item.unit == "%" else item.unit


def as_record(scenario: Scenario) -> dict[str, Any]:
    """Return the scenario as resolved, ready for JSON, in internal units."""
    return {
        "title": scenario.title,
        "file": scenario.path.name,
        "sha256": scenario.digest,
        "target": {
            "service_life_yr": scenario.target.service_life,
            "probability": scenario.target.probability,
            "reliability_index": scenario.target.reliability_index,
        },
        "reference_strategy": scenario.reference_strategy,
        "strategies": [
            {
                "strategy": strategy.name,
                "strip_age_h": scenario.input(strategy.strip_age_input).distribution.mean,
                "concrete_temperature_degC": strategy.temperature,
                "follow_up": strategy.follow_up.label,
                "face": strategy.follow_up.face,
                "penalty_given": bool(strategy.penalty_input),
            }
            for strategy in scenario.strategies
        ],
        "inputs": inputs_table(scenario).to_dict(orient="records"),
        "correlations": [
            {"first": item.first, "second": item.second, "rank": item.rank}
            for item in scenario.correlations
        ],
        "monthly_temperature_degC": list(scenario.monthly_temperature),
        "sampling": {
            "points": scenario.sampling.points,
            "repeats": scenario.sampling.repeats,
            "seed": scenario.sampling.seed,
            "horizon_yr": scenario.sampling.horizon,
        },
        "data_files": [{"file": name, "sha256": sha} for name, sha in scenario.data_files],
        "cost": None if scenario.cost is None else _cost_record(scenario.cost),
        "warnings": list(scenario.warnings),
        **_intervention_record(scenario),
    }


def _intervention_record(scenario: Scenario) -> dict[str, Any]:
    records = [
        {"name": i.name, "price_per_m2": i.price, "year_yr": i.year, "effect": i.effect}
        for i in scenario.interventions
    ]
    return {"interventions": records} if records else {}


def _cost_record(cost: Cost) -> dict[str, Any]:
    return {
        "currency": cost.currency,
        "forms_per_m2_h": cost.forms,
        "follow_up_per_m2": {method: flat for method, (flat, _) in cost.follow_up.items()},
        "follow_up_per_m2_h": {method: hourly for method, (_, hourly) in cost.follow_up.items()},
        "cover_per_m2_mm": cost.cover,
        "repair_per_m2": cost.repair,
        "repair_parts": [{"after_yr": after, "share": share} for after, share in cost.instalments],
        "real_rate": cost.rate,
        "horizon_yr": cost.horizon,
    }


def describe(scenario: Scenario) -> str:
    """Write out what a scenario file says, for `stripwise check`, in the units of the report."""
    blocks = [
        _head(scenario),
        ["Strategies:", *(_strategy_line(scenario, item) for item in scenario.strategies)],
        ["Inputs:", *_input_lines(scenario)],
        _truncated_lines(scenario),
        _source_lines(scenario),
        _correlation_lines(scenario),
        _cost_lines(scenario),
        *_sections(scenario),
        _notes(scenario),
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _chloride_lines(scenario: Scenario) -> list[str]:
    if not scenario.service.chloride:
        return []
    ends = scenario.ageing_ends
    conversion = written_conversion(scenario.raw)
    return [
        f"Ageing: {scenario.ageing_convention} diffusivity"
        + ("." if math.isinf(ends) else f", ends at {ends:g} yr."),
        f"Contents: the file gives them by mass of {scenario.chloride_basis}; shown here by mass "
        f"of binder{conversion and f' ({conversion})'}.",
    ]


def _law_notes(scenario: Scenario) -> list[str]:
    """State where the curing law is extrapolated, and which it is unless that of every scenario."""
    if not scenario.service.chloride:
        return []
    name, row = scenario.curing.law, scenario.curing.row
    told = [] if row is LAWS[DEFAULT_LAW] else [f"Curing law: {name}; {row.citation}."]
    return [*told, row.extrapolation]


def _sections(scenario: Scenario) -> list[list[str]]:
    """Give the target, the choices and the prices as the file writes them."""
    tables = ((name, scenario.raw.get(name)) for name in SECTIONS)
    return [
        [f"[{name}] as written:", *(f"  {line}" for line in written_lines(table))]
        for name, table in tables
        if table
    ]


def _notes(scenario: Scenario) -> list[str]:
    notes = [*_law_notes(scenario), *scenario.warnings]
    return ["Notes:", *(f"  - {note}" for note in notes)] if notes else []


def _service_lines(scenario: Scenario) -> list[str]:
    """Write the options of the physics that the file asks for."""
    service = scenario.service
    named = [
        word
        for word, there in (("chloride", service.chloride), ("carbonation", service.carbonation))
        if there
    ]
    lines = [f"Mechanisms: {' and '.join(named)}."] if service.carbonation else []
    if service.history is not None and service.history.shape == "table":
        pairs = zip(service.history.ages, service.history.relative_contents, strict=True)
        rows = ", ".join(f"{share:g} at {age:g} yr" for age, share in pairs)
        lines.append(f"Surface chloride in time: share of the level {rows}.")
    elif service.history is not None:
        lines.append(f"Surface chloride in time: {service.history.shape} to its level.")
    if service.first_month is not None:
        lines.append(f"First exposure: {MONTHS[service.first_month]}; the seasons are integrated.")
    if service.factor_input:
        lines.append("Model uncertainty: a factor on the depth of the front.")
    if service.layers:
        lines.append(f"Layers from the surface: {len(service.layers)}; a numerical solution.")
    if service.coating is not None:
        lines.append("Coating: credit is taken until its life ends; a numerical solution.")
    if service.uncredited_coating:
        lines.append("Coating: no credit is taken (coating.credit).")
    if service.cracking is not None:
        steel = f" Steel: {service.cracking.steel}." if service.cracking.steel else ""
        lines.append(f"After depassivation: the first crack is computed.{steel}")
    if service.extent is not None:
        face = service.extent
        shares = ", ".join(f"{100.0 * x:g} %" for x in face.shares)
        lines.append(
            f"Extent: face of {face.width:g} m by {face.height:g} m, correlation length "
            f"{face.correlation_length:g} m, shares {shares}."
        )
    return lines


def _head(scenario: Scenario) -> list[str]:
    target, curing, sampling = scenario.target, scenario.curing, scenario.sampling
    depth = "a skin (curing.affected_depth)" if curing.layered else "the whole cover"
    lines = [
        scenario.title,
        f"Target: depassivation with a probability of at most {target.probability:.4g} within "
        f"{target.service_life:g} yr (reliability index {target.reliability_index:.3f} over that "
        "period).",
        f"Curing: the penalty factor is 1 after {curing.reference_d:g} d at "
        f"{_temperature(curing.reference_temperature, scenario.units)}; it acts on {depth}; "
        f"equivalent age by {MATURITY.get(curing.maturity, curing.maturity)}.",
        *_chloride_lines(scenario),
        f"Sample: {sampling.repeats} repeats of {sampling.points} points, seed {sampling.seed}, "
        f"horizon {sampling.horizon:g} yr.",
    ]
    if scenario.monthly_temperature:
        months = ", ".join(_temperature(t, scenario.units) for t in scenario.monthly_temperature)
        lines.append(f"Monthly temperatures: {months}.")
    return [*lines, *_service_lines(scenario)]


def _temperature(celsius: float, units: str) -> str:
    to = "degC" if units == "SI" else "degF"
    return f"{convert(celsius, 'degC', to=to):.4g} {to}"


def _strategy_line(scenario: Scenario, strategy: Strategy) -> str:
    law = scenario.input(strategy.strip_age_input).distribution
    age = f"{law.mean:.4g} h" if law.is_fixed else f"{law.mean:.4g} h (sd {law.sd:.3g} h)"
    mark = " [reference]" if strategy.name == scenario.reference_strategy else ""
    follow_up = strategy.follow_up
    after = f", then {follow_up.label}, {follow_up.face} face" if follow_up.retention_input else ""
    given = "; penalty given" if strategy.penalty_input else ""
    if strategy.penalty_origin:
        given = f"; penalty from {strategy.penalty_origin}"
    if strategy.model_factor_input:
        given += f" times {strategy.model_factor_input}"
    temperature = _temperature(strategy.temperature, scenario.units)
    return f"  {strategy.name}{mark}: in the forms {age} at {temperature}{after}{given}"


def _input_lines(scenario: Scenario) -> list[str]:
    rows: list[tuple[str, ...]] = [HEADS]
    for item, row in zip(
        scenario.inputs, inputs_table(scenario).to_dict(orient="records"), strict=True
    ):
        cells = [str(row["name"]), str(row["family"])]
        unit = ""
        for key in ("mean", "sd", "p05", "p50", "p95"):
            value, unit = shown(row[key], item, units=scenario.units, difference=key == "sd")
            cells.append(f"{value:.4g}")
        rows.append((*cells, unit, item.kind, _as_written(scenario, item)))
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADS))]
    numbers = range(2, 7)
    return [
        "  "
        + "  ".join(
            cell.rjust(width) if column in numbers else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def _truncated_lines(scenario: Scenario) -> list[str]:
    """Give both pairs of moments of every normal that was cut at a bound."""
    lines = []
    for item in scenario.inputs:
        law = item.distribution
        if not law.is_truncated:
            continue
        pairs = []
        for mean, sd in ((law.parent_mean, law.parent_sd), (law.mean, law.sd)):
            value, unit = shown(mean, item, units=scenario.units)
            spread, _ = shown(sd, item, units=scenario.units, difference=True)
            pairs.append(f"mean {value:.4g}, sd {spread:.4g} {unit}".rstrip())
        lines.append(f"  {item.name}: before {pairs[0]}; after {pairs[1]}")
    return ["Normals cut at a bound:", *lines] if lines else []


def _source_lines(scenario: Scenario) -> list[str]:
    lines = [f"  {item.name}: {item.source}" for item in scenario.inputs if item.source]
    return ["Sources:", *lines] if lines else []


def _correlation_lines(scenario: Scenario) -> list[str]:
    lines = [f"  {c.first} with {c.second}: {c.rank:g}" for c in scenario.correlations]
    return ["Rank correlations:", *lines] if lines else []


def _cost_lines(scenario: Scenario) -> list[str]:
    cost = scenario.cost
    if cost is None:
        return []
    money = f"{cost.currency}/m2"
    lines = [f"  forms: {cost.text(cost.forms, f'{money}/h')}"]
    for method, (flat, hourly) in cost.follow_up.items():
        if method != "none":
            price = cost.text(24 * hourly, f"{money}/d") if hourly else cost.text(flat)
            lines.append(f"  {method}: {price}")
    parts = ", ".join(f"{100 * s:g} % after {a:g} yr" for a, s in cost.instalments)
    lines += [
        f"  cover: {cost.text(cost.cover, f'{money}/mm')}",
        f"  repair: {cost.text(cost.repair)} ({parts})",
        f"  real discount rate {100 * cost.rate:.4g} % a year, horizon {cost.horizon:g} yr",
    ]
    lines += [
        f"  {one.name}: {cost.text(one.price)} after {years(one.year)}, prevents "
        f"{percent(one.effect)} of later depassivation"
        for one in scenario.interventions
    ]
    return ["Cost:", *lines]


def _as_written(scenario: Scenario, item: Input) -> str:
    """Return the numbers of an input as the file writes them; the key `curing.law` names a law."""
    return "" if item.name == "curing.law" else written_input(scenario.raw, item.name)
