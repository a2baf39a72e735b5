"""Shelves: the references of one system, fetched, described and fitted, ready to judge by."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from threadpoolctl import threadpool_limits

from matching.answer import Level
from matching.consult.derive import profiles_of, recipe_of
from matching.consult.progress import Progress, silent
from matching.consult.starter import ensure_system
from matching.fitness import Peers
from matching.footing import Footing, Signature
from matching.model.data import build
from matching.model.system import SystemModel, fit_system
from matching.profile import Profile
from refdb.cards import SystemCard
from refdb.catalogue import Catalogue
from refdb.records import Context, Reference

# So many good vehicles make a context one that can be judged by itself.
ENOUGH_GOOD = 3


@dataclass(slots=True, eq=False)
class Shelf:
    """The references of one system. Models are fitted on first need and kept."""

    card: SystemCard
    revision: str
    references: tuple[Reference, ...]
    profiles: Mapping[int, Profile]
    hints: Mapping[Context, Mapping[str, float]]
    _models: dict[object, tuple[SystemModel, tuple[Reference, ...], dict[Context, int]]] = field(
        default_factory=dict
    )

    def hint(self, context: Context) -> Mapping[str, float]:
        """What the good references of exactly this context agree on; nothing for others, since
        another speed or wheel would mislead the cutting."""
        return self.hints.get(context, {})

    def footing(self, context: Context, signature: Signature, coupling: str | None) -> Footing:
        """What to compare a capture of this context, channels and coupling with."""
        usable = [
            r for r in self.references
            if r.id in self.profiles and _signature(self.profiles[r.id]) == signature
        ]  # fmt: skip
        same_coupling = self._same_coupling(usable, coupling)
        captured = [r for r in same_coupling if not r.simulated]
        for level, alike in _BACK_OFF:
            for pool in (captured, same_coupling):
                near = [r for r in pool if alike(r.context, context)]
                vehicles = {r.vehicle for r in near if r.label == "good"}
                if len(vehicles) >= ENOUGH_GOOD:
                    return self._footing(level, context, signature, near, pool)
        found = len({r.vehicle for r in same_coupling if r.label == "good"})
        return Footing(
            "none", None, 0, (), self._peers(usable), found, 0, False,
            f"{found or 'no'} good vehicles of {self.card.name} to compare with, at least "
            f"{ENOUGH_GOOD} are needed",
        )  # fmt: skip

    def _same_coupling(self, usable: list[Reference], coupling: str | None) -> list[Reference]:
        """References of the capture's coupling. AC and DC are never compared as one: a capture
        that does not say is held against the card's coupling, else against what most have."""
        known = Counter(r.coupling for r in usable if r.coupling)
        if coupling is None and len(known) > 1:
            of_card = self.card.coupling
            coupling = of_card if of_card in known else known.most_common(1)[0][0]
        return [r for r in usable if coupling is None or r.coupling in (None, coupling)]

    def _peers(self, near: list[Reference], exact: bool = False) -> Peers:
        fits = [(r.label, self.profiles[r.id].fit) for r in near]
        couplings = {r.coupling for r in near if r.label == "good" and r.coupling}
        return Peers(
            tuple(f for label, f in fits if label == "good"),
            tuple(f for label, f in fits if label == "fault"),
            couplings.pop() if len(couplings) == 1 else None,
            exact,
        )

    def _footing(
        self,
        level: Level,
        context: Context,
        signature: Signature,
        near: list[Reference],
        everything: list[Reference],
    ) -> Footing:
        exact = level == "exact"
        pool = everything if exact else near
        key = (signature, tuple(r.id for r in pool), exact)
        if key not in self._models:
            self._models[key] = self._fit(pool, merged=not exact)
        model, rows, places = self._models[key]
        good = {r.vehicle for r in near if r.label == "good"}
        bad = {r.vehicle for r in near if r.label == "fault"}
        return Footing(
            level, model, places[context] if exact else 0, rows, self._peers(near, exact),
            len(good), len(bad), any(r.simulated for r in near), _note(level, context, near),
            0 if exact else len({r.context for r in near if r.label == "good"}),
        )  # fmt: skip

    def _fit(
        self, pool: list[Reference], merged: bool
    ) -> tuple[SystemModel, tuple[Reference, ...], dict[Context, int]]:
        """One model over all contexts of the pool; merged: as if they were one context."""
        good_contexts = {r.context for r in pool if r.label == "good"}
        pool = [r for r in pool if merged or r.context in good_contexts]
        contexts = sorted(good_contexts, key=lambda c: (c.engine_family, c.condition))
        places = {c: 0 if merged else i for i, c in enumerate(contexts)}
        faults = tuple(sorted({r.fault for r in pool if r.label == "fault"}))
        vehicles = {v: i for i, v in enumerate(dict.fromkeys(r.vehicle for r in pool))}
        data = build(
            self.card,
            [self.profiles[r.id] for r in pool],
            np.array([0 if merged else places[r.context] for r in pool]),
            np.array([vehicles[r.vehicle] for r in pool]),
            np.array([faults.index(r.fault) if r.label == "fault" else -1 for r in pool]),
            1 if merged else len(contexts),
            faults,
            groups=("shape", "regularity", "spectrum") if merged else None,
        )
        # matrices this small only lose when two cores share them
        with threadpool_limits(1):
            return fit_system(data), tuple(pool), places


def _exact(a: Context, b: Context) -> bool:
    return a == b


def _same_family(a: Context, b: Context) -> bool:
    return bool(b.engine_family) and a.engine_family == b.engine_family


def _same_condition(a: Context, b: Context) -> bool:
    return bool(b.condition) and a.condition == b.condition


def _any(a: Context, b: Context) -> bool:
    return True


_BACK_OFF: tuple[tuple[Level, Callable[[Context, Context], bool]], ...] = (
    ("exact", _exact),
    ("condition", _same_family),
    ("family", _same_condition),
    ("system", _any),
)


def _signature(profile: Profile) -> Signature:
    return profile.roles, profile.units


def _note(level: Level, context: Context, near: list[Reference]) -> str:
    """In plain words: what stood in for a missing context, and what that leaves out."""
    if level == "exact":
        return ""
    conditions = ", ".join(sorted({r.context.condition or "unknown" for r in near}))
    families = ", ".join(sorted({r.context.engine_family or "unknown" for r in near}))
    what = {
        "condition": f"other conditions ({conditions}) of {context.engine_family}",
        "family": f"other engine families ({families}) in {context.condition}",
        "system": f"any family ({families}) in any condition ({conditions})",
    }[level]
    return (
        f"too few good references for {context.engine_family or 'an unknown family'} in "
        f"{context.condition or 'an unknown condition'}: compared with {what}; levels and times "
        "were not judged"
    )


def _stands_alone(references: tuple[Reference, ...]) -> bool:
    """Whether the shop's own captures fill a context: then simulated ones are not needed."""
    vehicles: dict[Context, set[str]] = {}
    for r in references:
        if r.label == "good" and not r.simulated:
            vehicles.setdefault(r.context, set()).add(r.vehicle)
    return any(len(v) >= ENOUGH_GOOD for v in vehicles.values())


class Library:
    """Every shelf that was asked for, at one moment; made once per check run."""

    def __init__(self, catalogue: Catalogue, progress: Progress = silent) -> None:
        self._catalogue = catalogue
        self._progress = progress
        self._shelves: dict[str, Shelf] = {}

    def shelf(self, card: SystemCard) -> Shelf:
        """The references of a card's system, described; the starter set is added if due."""
        if card.name not in self._shelves:
            known = self._catalogue.reference_set(card.name, recipe_of(card))
            if not _stands_alone(known.references):
                ensure_system(self._catalogue, card.name, self._progress)
                known = self._catalogue.reference_set(card.name, recipe_of(card))
            profiles, hints = profiles_of(self._catalogue, card, known, self._progress)
            self._shelves[card.name] = Shelf(
                card, known.revision, known.references, profiles, hints
            )
        return self._shelves[card.name]
