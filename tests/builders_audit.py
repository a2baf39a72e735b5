"""Shelves of simulated starter references, and rows of an audit made by hand."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

from matching.audit import Judged
from matching.consult.shelves import Library, Shelf
from matching.consult.starter import open_with_starters
from refdb.cards import shipped_cards
from refdb.records import Context, Reference

HERE = Context("vref-5v", "brisk-4", "idle")


@cache
def starter_shelf(system: str) -> Shelf:
    """The starter references of a system, described; made once per test run."""
    with (
        tempfile.TemporaryDirectory() as folder,
        open_with_starters(Path(folder) / "c.sqlite") as catalogue,
    ):
        return Library(catalogue).shelf(shipped_cards()[system])


def changed(shelf: Shelf, change: Callable[[Reference], Reference | None]) -> Shelf:
    """The shelf with other labels or vehicles; None takes a reference out."""
    references = tuple(r for r in map(change, shelf.references) if r is not None)
    return Shelf(shelf.card, shelf.revision, references, shelf.profiles, shelf.hints)


def row(vehicle: str = "v1", fault: str = "", p: float | None = 0.5, **changes: object) -> Judged:
    """A capture judged: good and among 30 others unless said otherwise."""
    plain = Judged(
        1, "simulated/x", vehicle, HERE, fault, True, p, 0.7, 30, "", 0.0
    )  # fmt: skip
    return replace(plain, **changes)  # type: ignore[arg-type]
