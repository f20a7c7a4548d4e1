"""Moisture retention of follow-up curing: [curing.retention] and its defaults."""

from __future__ import annotations

import dataclasses

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.published import published_value
from stripwise.scenario.input_rules import RETENTION
from stripwise.scenario.model import FollowUp
from stripwise.scenario.problems import Problems, words
from stripwise.scenario.random_inputs import build_input
from stripwise.scenario.schema import CuringPart, RandomInput
from stripwise.scenario.sections.curing import FACES, METHODS, cited, retention_name

__all__ = ["retention_inputs", "retention_warnings"]

DEFAULT_RETENTION = {
    ("sheet", "vertical"): "curing.retention.sheet.vertical",
    ("sheet", "horizontal"): "curing.retention.sheet.vertical",
    ("membrane", "vertical"): "curing.retention.membrane.vertical",
    ("membrane", "horizontal"): "curing.retention.membrane.vertical",
    ("wet covering", "vertical"): "curing.retention.wet_covering.vertical",
    ("wet covering", "horizontal"): "curing.retention.wet_covering.horizontal",
    ("kept wet", "vertical"): "curing.retention.kept_wet",
    ("kept wet", "horizontal"): "curing.retention.kept_wet",
}
"""Key of the published default by method and face."""

TAKEN_OVER = (("sheet", "horizontal"), ("membrane", "horizontal"))
"""Methods and faces that have no value of their own and use that of a vertical face."""


def retention_inputs(
    part: CuringPart, follow_ups: list[FollowUp], problems: Problems
) -> list[Input]:
    """Build the retention of each method and face that a strategy or a choice uses.

    Parameters
    ----------
    part
        [curing], whose retentions replace the defaults.
    follow_ups
        All follow-ups of the scenario.
    problems
        Where to note.

    Returns
    -------
    One input per method and face, in the order of `METHODS`.
    """
    used = {(item.method, item.face) for item in follow_ups if item.retention_input}
    for method, faces in part.retention.items():
        for face in faces:
            path = ("curing", "retention", method, face)
            if method not in METHODS[1:]:
                problems.choice(method, path[:3], allowed=METHODS[1:])
            elif face not in FACES:
                problems.choice(face, path, allowed=FACES)
    inputs = []
    for key in DEFAULT_RETENTION:
        if key not in used:
            continue
        spec = part.retention.get(key[0], {}).get(key[1])
        item = _default_retention(*key) if spec is None else _retention(spec, *key, problems)
        if item is not None:
            inputs.append(item)
    return inputs


def retention_warnings(part: CuringPart, follow_ups: list[FollowUp]) -> list[str]:
    """Return a sentence for each retention that is taken over from a vertical face.

    Parameters
    ----------
    part
        [curing], whose retentions replace the defaults.
    follow_ups
        All follow-ups of the scenario.

    Returns
    -------
    Sentences, in the order of `METHODS`.
    """
    used = {(item.method, item.face) for item in follow_ups if item.retention_input}
    return [
        f"curing.retention.{method}.{face}: there is no value for a {face} face; the one of a "
        "vertical face is taken over, an assumption. Give your own under [curing.retention]."
        for method, face in TAKEN_OVER
        if (method, face) in used and face not in part.retention.get(method, {})
    ]


def _default_retention(method: str, face: str) -> Input:
    entry = published_value(DEFAULT_RETENTION[method, face])
    numbers = dict(entry.numbers)
    law = (
        fixed(numbers["mean"]) if entry.family == "fixed" else distribution(entry.family, **numbers)
    )
    source = cited(entry)
    if (method, face) in TAKEN_OVER:
        source += "; taken over from a vertical face, an assumption"
    return _named_retention(
        Input("", "", law, RETENTION.unit, RETENTION.group, RETENTION.kind, source), method, face
    )


def _retention(spec: RandomInput, method: str, face: str, problems: Problems) -> Input | None:
    path = ("curing", "retention", method, face)
    item = build_input(spec, path, name=words(path), rule=RETENTION, problems=problems)
    return None if item is None else _named_retention(item, method, face)


def _named_retention(item: Input, method: str, face: str) -> Input:
    return dataclasses.replace(
        item,
        name=retention_name(method, face),
        label=f"moisture retention of {method}, {face} face",
    )
