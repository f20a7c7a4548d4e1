"""What the joint draws of an update were made of, as the record beside them says."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from stripwise.distributions.random_input import Input
from stripwise.units.formatting import join_with_and

__all__ = [
    "MADE_BY",
    "POSTERIOR",
    "SIDECAR",
    "changed_since",
    "changed_text",
    "file_digest",
    "law_record",
    "read_posterior_record",
]

POSTERIOR, SIDECAR = "posterior.csv", "posterior.json"
"""Draws that an update writes, and what they were made of."""
MADE_BY = "stripwise update"
LARGEST = 1_000_000
"""Largest such record that is read, in bytes."""


def read_posterior_record(draws: Path) -> dict[str, Any]:
    """Return the record beside a file of draws; empty unless an update made these very draws."""
    path = draws.with_name(SIDECAR)
    try:
        if path.stat().st_size > LARGEST:
            return {}
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    own = isinstance(found, dict) and found.get("made_by") == MADE_BY
    return found if own and found.get("sha256") == file_digest(draws) else {}


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file; empty where it cannot be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def law_record(inputs: Iterable[Input]) -> dict[str, list[str]]:
    """Return the distribution of every input in a form that a record keeps."""
    return {
        item.name: [
            item.distribution.family,
            *(
                f"{value:.9g}"
                for value in (
                    item.distribution.mean,
                    item.distribution.sd,
                    item.distribution.low,
                    item.distribution.high,
                    item.epistemic_share,
                )
            ),
        ]
        for item in inputs
    }


def changed_since(record: Mapping[str, Any], inputs: Iterable[Input]) -> tuple[str, ...]:
    """Name the inputs that are no longer those that draws were found with."""
    before = record.get("inputs")
    if not isinstance(before, dict):
        return ()
    now = law_record(inputs)
    return tuple(key for key in now if key in before and before[key] != now[key])


def changed_text(changed: Sequence[str], name: str) -> str:
    """Say which inputs differ from those that the draws of a file were found with."""
    return (
        f"{join_with_and(list(changed))} {'differs' if len(changed) == 1 else 'differ'} from the scenario "
        f"that {name} was made of. Its draws hold for that one; update again from this one."
    )
