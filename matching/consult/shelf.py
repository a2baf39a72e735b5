"""Looking after the catalogue: what it holds, one reference, taking out, safe keeping."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from matching.consult.derive import all_cards
from matching.consult.progress import Progress, silent
from matching.consult.starter import (
    ensure_system,
    loaded_systems,
    open_with_starters,
    want_starters,
)
from refdb.cards import find_card
from refdb.catalogue import Catalogue
from refdb.catalogue_place import catalogue_place
from refdb.records import ContextCount, Damage, HistoryEntry, Reference
from seed_references.pack import packed_systems

Place = str | os.PathLike[str] | None


@dataclass(frozen=True, slots=True)
class Shown:
    """One reference and all that was done to it, oldest first."""

    reference: Reference
    history: tuple[HistoryEntry, ...]


def list_references(
    *,
    catalogue: Place = None,
    system: str | None = None,
    engine_family: str | None = None,
    condition: str | None = None,
    label: str | None = None,
    progress: Progress = silent,
) -> tuple[Reference, ...]:
    """The accepted references that fit, in order of id. system: its name or an alias; its starter
    references are loaded if they are due, without a system those of the others are left waiting.

    Raises StraygaugeError for an unknown system and a catalogue that cannot be read.
    """
    name = None if system is None else find_card(system, all_cards(catalogue)).name
    with open_with_starters(catalogue) as opened:
        if name is not None:
            ensure_system(opened, name, progress)
        return opened.references(
            system=name,
            engine_family=engine_family,
            condition=None if condition is None else condition.lower(),
            label=label,
        )


def contexts(
    *, catalogue: Place = None, system: str | None = None, progress: Progress = silent
) -> tuple[ContextCount, ...]:
    """How many vehicles, good and per fault, stand behind each context; as `list_references`."""
    name = None if system is None else find_card(system, all_cards(catalogue)).name
    with open_with_starters(catalogue) as opened:
        if name is not None:
            ensure_system(opened, name, progress)
        return opened.contexts(system=name)


def waiting(*, catalogue: Place = None) -> tuple[str, ...]:
    """Systems whose simulated starter references are loaded when they are first asked for."""
    with open_with_starters(catalogue) as opened:
        if not want_starters(opened):
            return ()
        return tuple(sorted(set(packed_systems()) - loaded_systems(opened)))


def show(id: int, *, catalogue: Place = None) -> Shown:
    """A reference, whatever its state, with its history. Raises CatalogueError for no such id."""
    with open_with_starters(catalogue) as opened:
        return Shown(opened.reference(id), opened.history(id))


def remove(id: int, why: str, *, catalogue: Place = None) -> Reference:
    """Takes a reference out for good and gives what it was; its history stays.

    Raises CatalogueError for no such id.
    """
    with open_with_starters(catalogue) as opened, opened.write() as unit:
        gone = opened.reference(id)
        unit.remove(id, why)
        unit.commit()
    return gone


def verify(*, catalogue: Place = None) -> list[Damage]:
    """All that is wrong with the catalogue; empty when all is well. Never makes a new one.

    Raises CatalogueError for a file that is none.
    """
    with Catalogue.open(catalogue, create=False) as opened:
        return opened.verify()


def backup(target: str | os.PathLike[str], *, catalogue: Place = None) -> list[Damage]:
    """Writes a verified copy as of now to `target`; gives what is wrong with it, if anything.

    Raises CatalogueError if `target` is another file than a backup, or cannot be written.
    """
    with Catalogue.open(catalogue, create=False) as opened:
        return opened.backup(target)


def restore(source: str | os.PathLike[str], *, catalogue: Place = None) -> Path | None:
    """Puts a backup in the catalogue's place; gives where the one that was there is kept.

    Raises CatalogueError, and changes nothing, for a backup that is damaged, newer or none.
    """
    return Catalogue.restore(source, catalogue)


def place(catalogue: Place = None) -> Path:
    """The file that `catalogue`, the environment or the platform means."""
    return catalogue_place(catalogue)
