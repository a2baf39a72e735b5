"""`add`: captures become references, one by one or by manifest; nothing half-done is kept."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

from matching.conditioning import assign_channels
from matching.consult.crew import pool
from matching.consult.derive import all_cards
from matching.consult.progress import Progress, silent
from matching.consult.requests import Request, request_of
from matching.consult.shelves import Library
from matching.consult.starter import open_with_starters
from refdb import captures
from refdb.cards import SystemCard, find_card
from refdb.catalogue import Catalogue
from refdb.errors import ManifestError, StraygaugeError
from refdb.manifest import ManifestRow, read_manifest
from refdb.records import Capture, Context, NewReference, Reference

# Files are kept in groups of this many: a crash loses at most what was not yet reported.
GROUP = 25
_AHEAD = 16


@dataclass(frozen=True, slots=True)
class Refused:
    """A manifest line that was not added, and why in one line."""

    line: int
    path: str
    reason: str


@dataclass(frozen=True, slots=True)
class EnrolReport:
    """What `add_manifest` did."""

    added: tuple[Reference, ...]
    refused: tuple[Refused, ...]


def add_file(
    request: Request,
    said: NewReference,
    *,
    catalogue: str | os.PathLike[str] | None = None,
    progress: Progress = silent,
) -> Reference:
    """One capture file as a reference.

    Raises StraygaugeError: unreadable, wrong channels, or DuplicateReference.
    """
    card = find_card(request.context.system, all_cards(catalogue))
    capture = captures.read(request.file, request.options)
    assign_channels(card, capture)
    context = Context(card.name, request.context.engine_family, request.context.condition)
    with open_with_starters(catalogue) as opened:
        with opened.write() as unit:
            reference = unit.add(capture, _in_context(said, context))
            unit.commit()
        Library(opened, progress).shelf(card)
    return reference


def _in_context(said: NewReference, context: Context) -> NewReference:
    return NewReference(
        context, said.label, said.vehicle, said.fault, said.origin, said.state,
        said.confirmed_fix, said.note, said.tags,
    )  # fmt: skip


def add_manifest(
    path: str | os.PathLike[str],
    *,
    catalogue: str | os.PathLike[str] | None = None,
    all_or_nothing: bool = False,
    progress: Progress = silent,
) -> EnrolReport:
    """Every line of a manifest as a reference; bad lines are refused with their reasons.

    all_or_nothing: one bad line and nothing is added. Raises StraygaugeError for the manifest or
    the catalogue itself.
    """
    rows = read_manifest(Path(path), for_check=False)
    known = all_cards(catalogue)
    added: list[Reference] = []
    refused: list[Refused] = []
    with open_with_starters(catalogue) as opened:
        with opened.write() as unit:
            pending: list[Reference] = []
            progress("adding", 0, len(rows))
            for i, (row, got) in enumerate(_read_all(rows, known)):
                try:
                    if isinstance(got, str):
                        raise ManifestError(got)
                    pending.append(unit.add(got, _said(row, known)))
                except StraygaugeError as problem:
                    refused.append(Refused(row.line, row.path, str(problem)))
                if len(pending) >= GROUP and not all_or_nothing:
                    unit.commit()
                    added += pending
                    pending = []
                progress("adding", i + 1, len(rows))
            if all_or_nothing and refused:
                return EnrolReport((), tuple(refused))
            unit.commit()
            added += pending
        _describe(opened, added, progress)
    return EnrolReport(tuple(added), tuple(refused))


def _describe(opened: Catalogue, added: list[Reference], progress: Progress) -> None:
    """Profiles of what is new, so that the next check finds everything ready."""
    library = Library(opened, progress)
    for system in dict.fromkeys(r.context.system for r in added):
        library.shelf(find_card(system, all_cards(opened.path)))


def _said(row: ManifestRow, known: Mapping[str, SystemCard]) -> NewReference:
    """What the manifest line says of its capture. Raises ManifestError."""
    request = request_of(row)
    card = find_card(request.context.system, known)
    label = row.get("label").lower()
    if label not in ("good", "fault"):
        raise ManifestError(
            f"line {row.line}: label '{row.get('label')}': expected good or fault; correct it"
        )
    fault = row.get("fault")
    if label == "fault" and not fault:
        raise ManifestError(f"line {row.line}: label fault without a fault's name; name it")
    if label == "good" and fault:
        raise ManifestError(f"line {row.line}: label good with the fault '{fault}'; drop one")
    if not row.get("vehicle"):
        raise ManifestError(
            f"line {row.line}: no vehicle; any word that tells this car from others will do"
        )
    context = Context(card.name, request.context.engine_family, request.context.condition)
    return NewReference(
        context, "good" if label == "good" else "fault", row.get("vehicle"), fault,
        note=row.get("note"), tags=row.tags,
    )  # fmt: skip


def _read_all(
    rows: list[ManifestRow], known: Mapping[str, SystemCard]
) -> Iterator[tuple[ManifestRow, Capture | str]]:
    """Every row with its capture, or why there is none; read on both cores, in order."""
    if len(rows) < 2 * _AHEAD:
        for row in rows:
            yield row, _read(row, known)
        return
    waiting: list[Future[Capture | str] | None] = []
    for i in range(len(rows) + _AHEAD):
        if i < len(rows):
            waiting.append(pool().submit(_read, rows[i], _only(rows[i], known)))
        done = i - _AHEAD
        if done >= 0 and (future := waiting[done]) is not None:
            yield rows[done], future.result()
            waiting[done] = None


def _only(row: ManifestRow, known: Mapping[str, SystemCard]) -> dict[str, SystemCard]:
    """What a worker needs of the cards: the row's own, or all for the error text."""
    try:
        card = find_card(row.get("system"), known)
        return {card.name: card}
    except StraygaugeError:
        return dict(known)


def _read(row: ManifestRow, known: Mapping[str, SystemCard]) -> Capture | str:
    try:
        _said(row, known)
        request = request_of(row)
        capture = captures.read(request.file, request.options)
        assign_channels(find_card(request.context.system, known), capture)
        return capture
    except StraygaugeError as problem:
        return str(problem)
