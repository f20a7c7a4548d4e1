"""What an earlier update left: its data, so that a second one counts all data once, from the prior."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stripwise.errors import EvidenceError
from stripwise.scenario.model import Scenario
from stripwise.scenario.posterior_record import file_digest, read_posterior_record
from stripwise.units.formatting import join_with_and
from stripwise.units.names import printable
from stripwise.units.source_files import SourceFile

__all__ = ["EarlierUpdate", "earlier_update"]


@dataclass(frozen=True, slots=True)
class EarlierUpdate:
    """An update whose posterior a scenario names as its knowledge.

    Attributes
    ----------
    prior
        The scenario without it.
    paths
        Its data, where they lie.
    first_exposure
        Date from which its dates count; None without one.
    note
        What to tell.
    """

    prior: Scenario
    paths: tuple[Path, ...]
    first_exposure: str | None
    note: str


def earlier_update(
    case: Scenario, given: Sequence[Path], *, first_exposure: str | None = None
) -> EarlierUpdate | None:
    """Return the update that a case's joint draws come from; None where they are someone else's.

    Its data are looked for beside the draws and the scenario, by name and hash, where they are not
    among the `given` files; EvidenceError where one is not found, where the update itself started
    from joint draws, or where its dates count from another `first_exposure`.
    """
    if case.draws is None or not case.draws.source:
        return None
    draws = case.path.parent / case.draws.source
    record = read_posterior_record(draws)
    if not record:
        return None
    _check_start(record, case.draws.source, first_exposure)
    known = {file_digest(path): path for path in given}
    paths, missing = list[Path](), list[str]()
    for item in record.get("data", ()):
        source = SourceFile(str(item["file"]), str(item["sha256"]))
        if source.sha256 in known:
            continue
        places = [folder / source.name for folder in (draws.parent, case.path.parent)]
        found = next((p for p in places if file_digest(p) == source.sha256), None)
        if found is None:
            missing.append(source.name)
        else:
            paths.append(found)
    if missing:
        raise EvidenceError(
            [
                f"{case.draws.source}: was made with {name}, which lies neither beside it nor among "
                "the files given; give it too, so that all data count once, from the prior"
                for name in missing
            ]
        )
    names = join_with_and([str(item["file"]) for item in record["data"]])
    return EarlierUpdate(
        prior=case.replace({"knowledge": None}),
        paths=tuple(paths),
        first_exposure=record.get("first_exposure"),
        note=f"{case.draws.source} was made with {names}. All data are counted anew, from the scenario "
        "without it, so that the order of inspections does not matter.",
    )


def _check_start(record: dict[str, Any], source: str, first_exposure: str | None) -> None:
    prior, first = record.get("prior"), record.get("first_exposure")
    draws = prior.get("knowledge") if isinstance(prior, dict) else None
    if draws:
        raise EvidenceError(
            [
                f"{source}: was made from the joint draws of {printable(str(draws))}; name those in "
                "knowledge.from, and give all data at once"
            ]
        )
    if first and first_exposure and first.strip() != first_exposure.strip():
        raise EvidenceError(
            [
                f"{source}: its dates count from {printable(first)}, and --first-exposure says "
                f"{printable(first_exposure)}; a wall has one"
            ]
        )
