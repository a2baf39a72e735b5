"""Profiles of catalogue references: made once per recipe, in parallel, kept in the catalogue."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path

import numpy as np

import matching
from matching.consult.crew import pool
from matching.consult.progress import Progress, silent
from matching.profile import Profile, inspect, pack, scout, unpack
from refdb.cards import SystemCard
from refdb.catalogue import Catalogue
from refdb.errors import CaptureError, CatalogueError
from refdb.records import Context, Derived, Reference, ReferenceSet
from refdb.shop_cards import cards_in_force

# Fewer than this are made here: starting a pool costs more than they do.
POOL_FROM = 12
# So many good references settle a context's hint.
HINT_FROM = 12
# A hint this much off (as a ratio) makes a profile stale.
HINT_SLACK = 0.08
_SOURCES = ("tools", "conditioning", "grid", "profile", "fitness_figures")


@cache
def _code_digest() -> str:
    """Fingerprint of the code that profiles depend on."""
    root = Path(matching.__file__).parent
    files = [root / f"{name}.py" for name in _SOURCES]
    for folder in ("events", "measurements", "views"):
        files += sorted((root / folder).glob("*.py"))
    digest = hashlib.sha256()
    for file in files:
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()[:16]


def recipe_of(card: SystemCard) -> str:
    """The recipe under which profiles of this card are kept: code and card together."""
    digest = hashlib.sha256(repr((card.channels, card.events, card.measurements)).encode())
    digest.update(card.polarity.encode())
    return f"profile:{_code_digest()}:{digest.hexdigest()[:12]}"


def telling(references: Iterable[Reference]) -> list[Reference]:
    """The good references that a context's hint stands on: always the same ones, whatever is
    described already, so that the same catalogue gives the same hint the second time too."""
    count: Counter[Context] = Counter()
    out = []
    for r in references:
        if r.label == "good" and count[r.context] < HINT_FROM:
            count[r.context] += 1
            out.append(r)
    return out


def hints_of(
    references: Iterable[Reference], scouts: Mapping[int, Mapping[str, float]]
) -> dict[Context, dict[str, float]]:
    """Per context: the median of what the event rule finds in its telling references."""
    found: dict[Context, dict[str, list[float]]] = {}
    for r in telling(references):
        if r.id in scouts:
            for name, value in scouts[r.id].items():
                found.setdefault(r.context, {}).setdefault(name, []).append(value)
    return {
        context: {name: float(np.median(values)) for name, values in table.items()}
        for context, table in found.items()
    }


def profiles_of(
    catalogue: Catalogue, card: SystemCard, known: ReferenceSet, progress: Progress = silent
) -> tuple[dict[int, Profile], dict[Context, dict[str, float]]]:
    """Profiles by reference id, and the hint of each context; what is missing is made and kept.

    A reference whose samples cannot be used as this card wants has no profile.
    """
    profiles = {id_: unpack(payload) for id_, payload in known.derived.items()}
    scouts = {id_: profile.scout for id_, profile in profiles.items()}
    _scout_missing(catalogue, card, known.references, scouts)
    hints = hints_of(known.references, scouts)
    jobs = [
        (r.id, hints.get(r.context, {}))
        for r in known.references
        if r.id not in profiles or stale(profiles[r.id].hint, hints.get(r.context, {}))
    ]
    for part in _made(catalogue, card, jobs, progress):
        with catalogue.write(who="straygauge") as unit:
            unit.put_derived(Derived(i, known.recipe, body) for i, body in part if body)
            unit.commit()
        profiles |= {id_: unpack(body) for id_, body in part if body}
    return profiles, hints


def stale(used: Mapping[str, float], now: Mapping[str, float]) -> bool:
    """Whether a profile was cut with a hint that the context has moved away from."""
    if set(used) != set(now):
        return True
    return any(abs(now[k] - used[k]) > HINT_SLACK * max(abs(now[k]), 1e-12) for k in now)


def _scout_missing(
    catalogue: Catalogue,
    card: SystemCard,
    references: Sequence[Reference],
    scouts: dict[int, Mapping[str, float]],
) -> None:
    """Make sure that every context's hint stands on its telling references before cutting."""
    wanted = [(r.id, None) for r in telling(references) if r.id not in scouts]
    for part in _run(catalogue, card, wanted, silent, "scouting"):
        for id_, found in part:
            if isinstance(found, dict):
                scouts[id_] = found


def _made(
    catalogue: Catalogue,
    card: SystemCard,
    jobs: Sequence[tuple[int, Mapping[str, float]]],
    progress: Progress,
) -> Iterator[list[tuple[int, bytes | None]]]:
    for part in _run(catalogue, card, jobs, progress, f"describing {card.name} references"):
        yield [(id_, body if isinstance(body, bytes) else None) for id_, body in part]


def _run(
    catalogue: Catalogue,
    card: SystemCard,
    jobs: Sequence[tuple[int, Mapping[str, float] | None]],
    progress: Progress,
    what: str,
) -> Iterator[list[tuple[int, bytes | dict[str, float] | None]]]:
    """Jobs (id, hint or None for scouting) in parts, on both cores when there are many."""
    if not jobs:
        return
    size = 8
    parts = [list(jobs[i : i + size]) for i in range(0, len(jobs), size)]
    progress(what, 0, len(jobs))
    done = 0
    if len(jobs) < POOL_FROM:
        for part in parts:
            yield [_one(catalogue, card, id_, hint) for id_, hint in part]
            done += len(part)
            progress(what, done, len(jobs))
        return
    path = str(catalogue.path)
    for result in pool().map(_part, [(path, card, part) for part in parts]):
        yield result
        done += len(result)
        progress(what, done, len(jobs))


def _part(
    job: tuple[str, SystemCard, list[tuple[int, Mapping[str, float] | None]]],
) -> list[tuple[int, bytes | dict[str, float] | None]]:
    path, card, part = job
    with Catalogue.open(path, create=False) as catalogue:
        return [_one(catalogue, card, id_, hint) for id_, hint in part]


def _one(
    catalogue: Catalogue, card: SystemCard, id_: int, hint: Mapping[str, float] | None
) -> tuple[int, bytes | dict[str, float] | None]:
    try:
        capture = catalogue.capture(id_)
        if hint is None:
            return id_, scout(card, capture)
        return id_, pack(inspect(card, capture, hint).profile)
    except (CaptureError, CatalogueError):
        return id_, None


def all_cards(catalogue: str | os.PathLike[str] | None = None) -> dict[str, SystemCard]:
    """The cards in force: the shipped ones and those the shop keeps in this catalogue.

    Raises CatalogueError for a file that is no catalogue; where there is none yet, none is made.
    """
    return cards_in_force(catalogue)
