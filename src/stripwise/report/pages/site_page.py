"""The strip-age table of a design, as one page to print for the site."""

from __future__ import annotations

from stripwise.report.components import (
    Column,
    Paragraph,
    Report,
    Section,
    Signature,
    Table,
    limit_state,
    numeric,
)
from stripwise.report.prose import sentence
from stripwise.studies.design.design_result import DesignResult
from stripwise.units.curing_words import strip_age
from stripwise.units.formatting import DASH, duration, length, temperature

__all__ = ["follow_up_text", "site_page"]


def follow_up_text(label: str) -> str:
    """Name a follow-up, or say that there is none."""
    return "no curing after stripping" if label == "none" else label


def site_page(result: DesignResult) -> Report:
    """Make the strip-age table as one page to print for the site."""
    scenario, table, hours = result.scenario, result.strip_ages, result.design["strip_age_h"]
    units = scenario.units
    covers = sorted(table["nominal_cover_mm"].unique())
    rows = [
        (
            temperature(float(str(warmth)), units=units),
            follow_up_text(str(label)),
            *rows.sort_values("nominal_cover_mm")["site_strip_age_h"],
        )
        for warmth, block in table.groupby("temperature_degC", sort=True)
        for label, rows in block.groupby("follow_up", sort=False)
    ]
    grid = Table(
        "Hours in the forms at least, by temperature of the concrete in the forms and after, by "
        f"curing after stripping and by nominal cover on the drawing. “{DASH}”: not met within "
        f"{duration(float(hours.max()))}. Rounded up to whole hours or days; “{duration(float(hours.min()))}” is the "
        "shortest that was looked at.",
        (
            Column("Concrete at", 0, kind="tight"),
            Column("Curing after stripping", 1),
            *(
                numeric(length(float(c), units=units), k + 2, strip_age, kind="tight")
                for k, c in enumerate(covers)
            ),
        ),
        rows,
    )
    note = sentence("design.site", file=scenario.path.name, digest=scenario.digest[:16])
    return Report(
        title=f"Earliest strip age for durability: {scenario.title}",
        about=f"The hours say when the durability target allows it ({limit_state(scenario)}).",
        findings=(),
        sections=(Section("", (grid, Paragraph(note, "note"))),),
        signature=Signature(heading="", rows=(("Approved by", "Date", "Valid for"),)),
        caution_label="These are not permissions to strip",
        compact=True,
    )
