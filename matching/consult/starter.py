"""Starter references: what a new catalogue knows before anyone has taught it anything.

They are simulated, say so, and are added system by system when a system is first asked for: a
first answer then costs a second instead of the whole set. Each system is one transaction, kept
with a history row that says so: killed at any moment, a catalogue holds all of a system or none,
and what a user removed later is not added again.
"""

from __future__ import annotations

import os
from collections.abc import Iterable

from matching.consult.progress import Progress, silent
from refdb.captures.gate import fingerprint
from refdb.catalogue import Catalogue
from refdb.errors import DuplicateReference
from refdb.records import Capture, Channel, Context, NewReference
from seed_references import pack
from seed_references.vehicles import Simulated

ACTION = "starter"
WHO = "straygauge"


def open_with_starters(
    place: str | os.PathLike[str] | None = None, *, create: bool = True
) -> Catalogue:
    """The catalogue; a new one is marked as wanting starter references. Raises CatalogueError."""
    catalogue = Catalogue.open(place, create=create)
    want_starters(catalogue)
    return catalogue


def want_starters(catalogue: Catalogue, wanted: bool = True) -> bool:
    """Marks a catalogue nobody has written to yet as wanting starters, or not; gives what holds.

    A catalogue with a history keeps what it was made with.
    """
    held = _wants(catalogue)
    if held is not None:
        return held
    with catalogue.write(who=WHO) as unit:
        why = "made with starter references" if wanted else "made without starter references"
        unit.note(ACTION, why, {"wanted": wanted})
        again = _wants(catalogue)  # the write lock is held: nobody is faster now
        if again is not None:
            return again
        unit.commit()
    return wanted


def ensure_system(catalogue: Catalogue, system: str, progress: Progress = silent) -> int:
    """Adds a system's starter references if the catalogue wants them and never had them.

    Gives how many were added: 0 nearly always, at the cost of one small query.

    Raises CatalogueError when the packed file is damaged or the catalogue cannot be written.
    """
    if system not in pack.packed_systems() or not want_starters(catalogue):
        return 0
    return load_starter(catalogue, progress, [system])


def load_starter(
    catalogue: Catalogue, progress: Progress = silent, systems: Iterable[str] | None = None
) -> int:
    """Adds the starter references of `systems` (None: all packed ones) not loaded before.

    Gives how many references were added. Raises CatalogueError as `ensure_system` does.
    """
    done = loaded_systems(catalogue)
    known = pack.packed_systems()
    wanted = known if systems is None else [name for name in systems if name in known]
    left = [name for name in dict.fromkeys(wanted) if name not in done]
    return sum(_load(catalogue, name, progress) for name in left)


def loaded_systems(catalogue: Catalogue) -> frozenset[str]:
    """The systems whose starter references were added once, be they removed since or not."""
    notes = catalogue.history(action=ACTION)
    return frozenset(str(note.detail["system"]) for note in notes if "system" in note.detail)


def starter_capture(one: Simulated, channels: Iterable[tuple[str, str]]) -> Capture:
    """A simulated vehicle's capture as a reader would give it. channels: (role, unit)."""
    samples = one.stored.samples
    return Capture(
        samples=samples,
        rate_hz=one.stored.rate_hz,
        channels=tuple(Channel(name, unit) for name, unit in channels),
        coupling="ac" if one.instrument.ac_corner_hz > 0.0 else "dc",
        attenuation=1.0,
        scale=1.0,
        source=one.job.source,
        sha256=fingerprint(samples, one.stored.rate_hz),
    )


def said_of(one: Simulated) -> NewReference:
    """What is known of a simulated vehicle, marked as simulated."""
    job = one.job
    tags = {"seed": job.seed, "bits": str(one.instrument.bits)}
    if job.fault:
        tags["severity"] = f"{job.severity:g}"
    return NewReference(
        context=Context(job.system, job.engine_family, job.condition),
        label="fault" if job.fault else "good",
        vehicle=job.vehicle,
        fault=job.fault,
        origin="simulated",
        note="simulated starter reference",
        tags=tags,
    )


def _wants(catalogue: Catalogue) -> bool | None:
    """What the catalogue was made with; None while it has no history at all."""
    for note in catalogue.history(action=ACTION):
        if "wanted" in note.detail:
            return bool(note.detail["wanted"])
    return None if catalogue.revision.startswith("0-") else False


def _load(catalogue: Catalogue, system: str, progress: Progress) -> int:
    packed = pack.read_system(system)
    what = f"loading simulated starter references of {system}"
    count, added = len(packed.captures), 0
    with catalogue.write(who=WHO) as unit:
        detail = {"system": system, "content": packed.content, "captures": count}
        unit.note(ACTION, "starter references added", detail)
        if system in loaded_systems(catalogue):  # another program was faster
            return 0
        for k, one in enumerate(packed.captures):
            progress(what, k, count)
            try:
                unit.add(starter_capture(one, packed.channels), said_of(one))
                added += 1
            except DuplicateReference:
                continue
        unit.commit()
    progress(what, count, count)
    return added
