"""What a capture stands on: the references it is compared with, and how near they are."""

from __future__ import annotations

from dataclasses import dataclass

from matching.answer import Level
from matching.fitness import Peers
from matching.model.system import SystemModel
from refdb.records import Reference

# roles and units of a capture's channels: only captures with the same ones are compared
Signature = tuple[tuple[str, ...], tuple[str, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Footing:
    """What a capture in a certain context is compared with.

    model: fitted, or None when there is nothing to compare with.  index: the context's place in
    the model.  references: one per row of the model's data.  peers: for the fitness check.
    siblings: how many other contexts stand in for a missing one.
    """

    level: Level
    model: SystemModel | None
    index: int
    references: tuple[Reference, ...]
    peers: Peers
    n_good: int
    n_fault: int
    simulated: bool
    note: str
    siblings: int = 0
