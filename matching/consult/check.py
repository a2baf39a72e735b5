"""`check`: does this capture look normal? One file, or a manifest of many."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, replace
from pathlib import Path

from matching.answer import Answer
from matching.consult.bench import find_bench
from matching.consult.crew import pool
from matching.consult.derive import all_cards
from matching.consult.progress import Progress, silent
from matching.consult.requests import Request, request_of
from matching.consult.shelves import Library
from matching.consult.starter import open_with_starters
from matching.families import family_readings
from matching.judge import judge, unreadable
from matching.profile import Inspection, inspect
from refdb import captures
from refdb.bench_records import Bench, Family
from refdb.cards import SystemCard, find_card
from refdb.catalogue import Catalogue
from refdb.errors import StraygaugeError
from refdb.manifest import ManifestRow, read_manifest
from refdb.records import Context

ALPHA = 0.05


def check_file(
    request: Request,
    *,
    catalogue: str | os.PathLike[str] | None = None,
    alpha: float = ALPHA,
    progress: Progress = silent,
    keep_recording: bool = False,
    instrument: str | None = None,
) -> Answer:
    """The answer for one capture file. keep_recording: with the whole recording as a strip and how
    it was made, for a report.  instrument: its name on record, for the fitness step.

    Raises StraygaugeError for an unknown system or instrument, an unreadable file or catalogue.
    """
    bench = find_bench(instrument, catalogue=catalogue) if instrument else None
    card = find_card(request.context.system, all_cards(catalogue))
    request = _canonical(request, card)
    capture = captures.read(request.file, request.options)
    with open_with_starters(catalogue) as opened:
        library = Library(opened, progress)
        shelf = library.shelf(card)
        seen = inspect(card, capture, shelf.hint(request.context), keep=keep_recording)
        answer = judge(card, request.shown, request.context, seen, shelf, alpha, bench)
        answer = _with_family(answer, card, seen, _families(opened))
        if seen.recording is None:
            return answer
        return replace(answer, recording=replace(seen.recording, revision=shelf.revision))


def _canonical(request: Request, card: SystemCard) -> Request:
    """The request with the system's own name, whatever alias was typed."""
    context = Context(card.name, request.context.engine_family, request.context.condition)
    return Request(request.file, request.shown, context, request.options)


def check_manifest(
    path: str | os.PathLike[str],
    *,
    catalogue: str | os.PathLike[str] | None = None,
    alpha: float = ALPHA,
    progress: Progress = silent,
    instrument: str | None = None,
) -> Iterator[Answer]:
    """One answer per manifest line, in order, from one load of the catalogue.

    A line that cannot be read gives an answer with the verdict "unreadable". Raises
    StraygaugeError for the manifest, the instrument or the catalogue itself.
    """
    bench = find_bench(instrument, catalogue=catalogue) if instrument else None
    rows = read_manifest(Path(path), for_check=True)
    with open_with_starters(catalogue) as opened:
        library = Library(opened, progress)
        known = all_cards(opened.path)
        asked = [_asked(row, known) for row in rows]
        for card in {a.card.name: a.card for a in asked if isinstance(a, _Asked)}.values():
            library.shelf(card)
        progress("checking", 0, len(asked))
        beside = _Beside(bench, _families(opened))
        yield from _answers(asked, library, alpha, progress, beside)


@dataclass(frozen=True, slots=True)
class _Asked:
    request: Request
    card: SystemCard


@dataclass(frozen=True, slots=True)
class _Beside:
    """What is on record beside the references."""

    bench: Bench | None
    families: Mapping[str, Family]


@dataclass(frozen=True, slots=True)
class _Refused:
    shown: str
    reason: str


def _asked(row: ManifestRow, known: Mapping[str, SystemCard]) -> _Asked | _Refused:
    try:
        request = request_of(row)
        card = find_card(request.context.system, known)
        return _Asked(_canonical(request, card), card)
    except StraygaugeError as problem:
        return _Refused(row.path, str(problem))


def _families(opened: Catalogue) -> dict[str, Family]:
    return {one.name: one for one in opened.families()}


def _with_family(
    answer: Answer, card: SystemCard, seen: Inspection, known: Mapping[str, Family]
) -> Answer:
    """The answer with what the family's record lets one work out, which is shown, never judged."""
    family = known.get(answer.context.engine_family)
    if family is None:
        return answer
    more = family_readings(card, seen.profile.measured, seen.duration_s, family)
    return replace(answer, measurements=(*answer.measurements, *more)) if more else answer


# Inspections that wait to be judged hold memory; so many are under way at once.
_AHEAD = 24


def _answers(
    asked: list[_Asked | _Refused],
    library: Library,
    alpha: float,
    progress: Progress,
    beside: _Beside,
) -> Iterator[Answer]:
    """Read and cut in the pool, judge here, in order."""
    waiting: list[Future[Inspection | str] | None] = []
    for i in range(len(asked) + _AHEAD):
        if i < len(asked):
            item = asked[i]
            waiting.append(
                pool().submit(
                    _inspect, item, dict(library.shelf(item.card).hint(item.request.context))
                )
                if isinstance(item, _Asked)
                else None
            )
        done = i - _AHEAD
        if done < 0:
            continue
        item, future = asked[done], waiting[done]
        waiting[done] = None
        yield _answer(item, future, library, alpha, beside)
        progress("checking", done + 1, len(asked))


def _answer(
    item: _Asked | _Refused,
    future: Future[Inspection | str] | None,
    library: Library,
    alpha: float,
    beside: _Beside,
) -> Answer:
    if isinstance(item, _Refused) or future is None:
        assert isinstance(item, _Refused)
        return unreadable(item.shown, item.reason, alpha)
    seen = future.result()
    if isinstance(seen, str):
        return unreadable(item.request.shown, seen, alpha)
    shelf = library.shelf(item.card)
    try:
        answer = judge(
            item.card, item.request.shown, item.request.context, seen, shelf, alpha, beside.bench
        )
        return _with_family(answer, item.card, seen, beside.families)
    except StraygaugeError as problem:
        return unreadable(item.request.shown, str(problem), alpha)


def _inspect(item: _Asked, hint: dict[str, float]) -> Inspection | str:
    """In a worker: the inspection of one file, or why it cannot be read."""
    try:
        capture = captures.read(item.request.file, item.request.options)
        return inspect(item.card, capture, hint)
    except StraygaugeError as problem:
        return str(problem)
