"""Moisture retention of follow-up curing: [curing.retention] and its defaults."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Iterable, Mapping

from stripwise.curing.follow_up import FACES, FOLLOW_UPS, retention_name
from stripwise.distributions.random_input import Input
from stripwise.published import published_value
from stripwise.scenario.fields import Default
from stripwise.scenario.problems import Problems, words
from stripwise.scenario.random_tables import default_input, read_input
from stripwise.scenario.sections.curing import RETENTION
from stripwise.scenario.sections.follow_up_table import FollowUp
from stripwise.scenario.shapes import InputTable

__all__ = ["every_retention", "retention_inputs", "retention_warnings"]

Retentions = Mapping[str, Mapping[str, InputTable]]


def every_retention() -> list[tuple[str, str]]:
    """Return every method on every face."""
    return [(method, face) for method in FOLLOW_UPS for face in FACES]


def retention_inputs(
    given: Retentions, used: Iterable[tuple[str, str]], problems: Problems
) -> list[Input]:
    """Build the retention of each method and face in use, in the order of `FOLLOW_UPS`.

    `given` are those of the file by method and face, which replace the defaults.
    """
    used = set(used)
    for method, faces in given.items():
        for face in faces:
            path = ("curing", "retention", method, face)
            if method not in FOLLOW_UPS:
                problems.choice(method, path[:3], allowed=FOLLOW_UPS)
            elif face not in FACES:
                problems.choice(face, path, allowed=FACES)
    items = (
        _retention(given.get(method, {}).get(face), method, face, problems)
        for method, face in every_retention()
        if (method, face) in used
    )
    return [item for item in items if item is not None]


def retention_warnings(given: Retentions, follow_ups: list[FollowUp]) -> list[str]:
    """Return a sentence for each retention that is taken over from a vertical face."""
    used = {(item.method, item.face) for item in follow_ups if item.retention_input}
    return [
        f"curing.retention.{method}.{face}: there is no value for a {face} face; the one of a "
        "vertical face is taken over, an assumption. Give your own under [curing.retention]."
        for method, face in every_retention()
        if FOLLOW_UPS[method].taken_over(face)
        and (method, face) in used
        and face not in given.get(method, {})
    ]


def _retention(
    table: InputTable | None, method: str, face: str, problems: Problems
) -> Input | None:
    if table is None:
        known = FOLLOW_UPS[method]
        return _default(method, face, known.retention_key(face), known.taken_over(face))
    declared = dataclasses.replace(RETENTION, label=_label(method, face))
    path = ("curing", "retention", method, face)
    item = read_input(declared, table, path, name=words(path), problems=problems)
    return item and dataclasses.replace(item, name=retention_name(method, face))


@functools.cache
def _default(method: str, face: str, key: str, taken_over: bool) -> Input:
    """Return the published retention of a key as the input of a method on a face."""
    source = published_value(key).citation
    if taken_over:
        source += "; taken over from a vertical face, an assumption"
    default = Default(key, source=source)
    declared = dataclasses.replace(RETENTION, label=_label(method, face), default=default)
    return default_input(declared, retention_name(method, face))


def _label(method: str, face: str) -> str:
    return f"moisture retention of {method}, {face} face"
