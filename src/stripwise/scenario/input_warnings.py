"""What a reader must know of an input although it is no error."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from stripwise.distributions.random_input import Input

__all__ = ["published_spread_warning", "truncation_warning"]

CUT = 0.01
"""Relative change of a moment by truncation above which the reader is warned."""

PUBLISHED_SPREAD = re.compile(r"\b(fib|DuraCrete|JCSS|ISO|EN \d+|ASTM|HERON)\b")
"""Sources whose spreads mix structures."""


def truncation_warning(item: Input) -> str:
    """Return a sentence where cutting a normal at its bounds moved its moments, else ""."""
    law = item.distribution
    if not law.is_truncated:
        return ""
    moved = abs(law.mean - law.parent_mean) > CUT * abs(law.parent_mean)
    narrowed = abs(law.sd - law.parent_sd) > CUT * law.parent_sd
    if not (moved or narrowed):
        return ""
    unit = f" {item.unit}" if item.unit else ""
    ends = " and ".join(f"{x:.4g}{unit}" for x in (law.low, law.high) if math.isfinite(x))
    return (
        f"{item.name}: the normal is cut at {ends}, which changes its mean from "
        f"{law.parent_mean:.4g} to {law.mean:.4g}{unit} and its sd from {law.parent_sd:.4g} to "
        f"{law.sd:.4g}{unit}."
    )


def published_spread_warning(inputs: Sequence[Input]) -> str:
    """Return a sentence on published spreads that count as varying along this one wall, else ""."""
    labels = [
        item.label
        for item in inputs
        if item.epistemic_share == 0.0
        and not item.distribution.is_fixed
        and not item.kind_stated
        and PUBLISHED_SPREAD.search(item.source)
    ]
    if not labels:
        return ""
    return (
        f"Published spreads mix structures; here they count as varying along this wall: "
        f"{', '.join(labels)}. between_walls, such as 0.5, makes that share one value for the whole "
        "wall: the probability stays, confidence and uncertainty range change."
    )
