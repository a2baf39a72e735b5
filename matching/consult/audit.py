"""`audit`: are the catalogue's own answers right? Every reference judged by the others.

Fitting a system without each of its vehicles takes seconds, so finished systems are kept in a
small file beside the catalogue and an audit that was stopped goes on where it was. What is kept is
keyed by all it was made from: the system's references as they are labelled now, the recipe of
their profiles and the code that judges. (Not by the catalogue's revision, which also moves when
profiles are kept, and whenever another system is added to.) Alpha is no part of it: the rows hold
p-values, and any alpha reads them. The file is never trusted over the catalogue and may be deleted.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future
from functools import cache
from pathlib import Path
from typing import TypeVar

import matching
from matching.audit import AuditReport, Judged, Thin, judged_rows, report
from matching.consult.audit_kept import Kept
from matching.consult.check import ALPHA
from matching.consult.crew import pool, workers
from matching.consult.derive import all_cards, recipe_of
from matching.consult.progress import Progress, silent
from matching.consult.shelves import ENOUGH_GOOD, Library, Shelf
from matching.consult.starter import (
    ensure_system,
    loaded_systems,
    open_with_starters,
    want_starters,
)
from matching.footing import Signature
from refdb.cards import SystemCard, find_card
from refdb.catalogue import Catalogue
from refdb.records import Context, Reference
from seed_references.pack import packed_systems

Found = tuple[tuple[Judged, ...], tuple[Thin, ...]]
WHAT = "auditing systems"
_About = TypeVar("_About")
_Rows = TypeVar("_Rows")


def audit(
    *,
    catalogue: str | os.PathLike[str] | None = None,
    system: str | None = None,
    alpha: float = ALPHA,
    progress: Progress = silent,
) -> AuditReport:
    """Every reference judged without its own vehicle: one system, or all that hold references.

    system: its name or an alias; its starter references are loaded if they are due. Without one,
    systems whose starter references were never asked for are named as waiting.

    Raises StraygaugeError for an unknown system and a catalogue that cannot be used.
    """
    cards = all_cards(catalogue)
    wanted = None if system is None else find_card(system, cards).name
    with open_with_starters(catalogue) as opened:
        if wanted is not None:
            ensure_system(opened, wanted, progress)
            names = [wanted]
        else:
            held = {count.context.system for count in opened.contexts()}
            names = [name for name in cards if name in held]
        waiting = _waiting(opened) if wanted is None else ()
        found = _audited(opened, [cards[name] for name in names], progress)
        return report("left-out", found, alpha, waiting)


def _waiting(catalogue: Catalogue) -> tuple[str, ...]:
    if not want_starters(catalogue):
        return ()
    return tuple(sorted(set(packed_systems()) - loaded_systems(catalogue)))


def _audited(
    catalogue: Catalogue, cards: Sequence[SystemCard], progress: Progress
) -> dict[str, Found]:
    """Rows of each system: those kept, else shelves made here and judged by all cores."""
    kept = Kept(catalogue.path)
    found: dict[str, Found] = {}
    left = []
    for card in cards:
        held = kept.get(card.name, key_of(card, catalogue.references(system=card.name)))
        if held is None:
            left.append(card)
        else:
            found[card.name] = held
    progress(WHAT, len(found), len(cards))
    if left:
        shelves = (Library(catalogue, progress).shelf(card) for card in left)
        for shelf, rows in in_turn((s, pool().submit(audit_shelf, s)) for s in shelves):
            kept.put(shelf.card.name, key_of(shelf.card, shelf.references), rows)
            found[shelf.card.name] = rows
            progress(WHAT, len(found), len(cards))
    return {card.name: found[card.name] for card in cards}


def in_turn(
    submitted: Iterable[tuple[_About, Future[_Rows]]],
) -> Iterator[tuple[_About, _Rows]]:
    """What futures give, in order, a few ahead of the one that is waited for: while the pool judges
    one system, `submitted` may describe the next. Ended early, what was not begun is dropped."""
    ahead: list[tuple[_About, Future[_Rows]]] = []
    try:
        for about, future in submitted:
            ahead.append((about, future))
            while ahead and (len(ahead) > workers() or ahead[0][1].done()):
                first, oldest = ahead.pop(0)
                yield first, oldest.result()
        for first, oldest in ahead:
            yield first, oldest.result()
    except BaseException:
        for _, future in ahead:
            future.cancel()
        raise


def audit_shelf(shelf: Shelf) -> Found:
    """The rows of a system, and its contexts that cannot be judged by themselves. Opens nothing."""
    rows: dict[tuple[int, Context], Judged] = {}
    thin: list[Thin] = []
    done: dict[int, tuple[Judged, ...]] = {}
    for context, near in _by_context(shelf.references).items():
        by_itself = False
        for signature, coupling in _kinds(shelf, near):
            footing = shelf.footing(context, signature, coupling)
            model = footing.model
            if footing.level != "exact" or model is None:  # held against another coupling
                continue
            by_itself = True
            if id(model) not in done:
                done[id(model)] = judged_rows(model, footing.references)
            for row in done[id(model)]:
                if row.context == context:
                    rows.setdefault((row.reference, context), row)
        if not by_itself:
            thin.append(_thin(context, near))
    return tuple(rows.values()), tuple(thin)


def _by_context(references: Sequence[Reference]) -> dict[Context, list[Reference]]:
    found: dict[Context, list[Reference]] = {}
    for reference in references:
        found.setdefault(reference.context, []).append(reference)
    return found


def _kinds(shelf: Shelf, near: Sequence[Reference]) -> list[tuple[Signature, str | None]]:
    """The channels and couplings of which a context has enough good vehicles to be judged by."""
    found: dict[tuple[Signature, str | None], set[str]] = {}
    usable = [r for r in near if r.id in shelf.profiles]
    for r in usable:
        profile = shelf.profiles[r.id]
        found[(profile.roles, profile.units), r.coupling] = set()
    for (signature, coupling), vehicles in found.items():
        for r in usable:
            profile = shelf.profiles[r.id]
            alike = (profile.roles, profile.units) == signature
            if alike and r.label == "good" and (coupling is None or r.coupling in (None, coupling)):
                vehicles.add(r.vehicle)
    return [kind for kind, vehicles in found.items() if len(vehicles) >= ENOUGH_GOOD]


def _thin(context: Context, near: Sequence[Reference]) -> Thin:
    good = len({r.vehicle for r in near if r.label == "good"})
    return Thin(
        context, good,
        f"{good} good vehicles, where {ENOUGH_GOOD} alike in channels and coupling are the fewest "
        "to be judged by: other contexts stand in, and levels and times are not judged",
    )  # fmt: skip


def key_of(card: SystemCard, references: Sequence[Reference]) -> str:
    """Fingerprint of all that the rows of a system are made from."""
    digest = hashlib.sha256(f"{recipe_of(card)} {_code_digest()}".encode())
    for r in references:
        facts = (r.id, r.context, r.label, r.fault, r.vehicle, r.origin, r.coupling, r.sha256)
        digest.update(repr((facts, sorted(r.tags.items()))).encode())
    return digest.hexdigest()


@cache
def _code_digest() -> str:
    """Fingerprint of the code that makes rows of profiles."""
    root = Path(matching.__file__).parent
    files = [root / name for name in ("audit.py", "judge.py", "grid.py", "consult/shelves.py")]
    for folder in ("model", "dtw"):
        files += sorted((root / folder).glob("*.py"))
    digest = hashlib.sha256()
    for file in (*files, Path(__file__)):
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()
