"""`audit --held-back`: simulated vehicles nobody has seen, judged by the packed starter references.

The catalogue is one of its own in a temporary folder, so that what is measured is what ships, not
what a shop has made of it. Both sides come from the same simulation: vehicles differ, physics and
instruments do not, so captures of real vehicles will fare worse. Say so wherever this is shown.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

from matching.answer import Answer
from matching.audit import AuditReport, Judged, report
from matching.consult.audit import in_turn
from matching.consult.check import ALPHA
from matching.consult.crew import pool
from matching.consult.derive import all_cards
from matching.consult.progress import Progress, silent
from matching.consult.shelves import Library, Shelf
from matching.consult.starter import open_with_starters, starter_capture
from matching.judge import judge
from matching.profile import inspect
from refdb.cards import SystemCard, find_card
from refdb.errors import CaptureError, StraygaugeError
from refdb.records import Context
from seed_references.pack import packed_systems
from seed_references.vehicles import Simulated

WHAT = "judging held-back vehicles of systems"


def audit_held_back(
    *, system: str | None = None, alpha: float = ALPHA, progress: Progress = silent
) -> AuditReport:
    """Held-back simulated vehicles of one system, or of all, judged by the packed references.

    Raises StraygaugeError for an unknown system and one without a simulation.
    """
    cards = all_cards()
    names = [name for name in cards if name in packed_systems()]
    if system is not None:
        names = [_simulated(find_card(system, cards), names)]
    found: dict[str, tuple[tuple[Judged, ...], tuple[()]]] = {}
    progress(WHAT, 0, len(names))
    with (
        tempfile.TemporaryDirectory(prefix="straygauge-") as folder,
        open_with_starters(Path(folder) / "starters.sqlite") as opened,
    ):
        shelves = (Library(opened, progress).shelf(cards[name]) for name in names)
        waiting = ((s.card.name, pool().submit(judge_held_back, s, alpha)) for s in shelves)
        for name, rows in in_turn(waiting):
            found[name] = (rows, ())
            progress(WHAT, len(found), len(names))
    return report("held-back", found, alpha)


def _simulated(card: SystemCard, known: Sequence[str]) -> str:
    if card.name not in known:
        raise StraygaugeError(
            f"audit --held-back: expected a system with a simulation, found {card.name}; "
            f"known: {', '.join(known)}"
        )
    return card.name


def judge_held_back(shelf: Shelf, alpha: float) -> tuple[Judged, ...]:
    """Every held-back vehicle of the shelf's system simulated, inspected and judged as a file
    would be."""
    from seed_references.build import discover, held_back

    channels = discover()[shelf.card.name].channels
    return tuple(_one(shelf, one, channels, alpha) for one in held_back(shelf.card.name))


def _one(shelf: Shelf, one: Simulated, channels: Sequence[tuple[str, str]], alpha: float) -> Judged:
    job = one.job
    context = Context(job.system, job.engine_family, job.condition)
    try:
        seen = inspect(shelf.card, starter_capture(one, channels), shelf.hint(context))
        answer: Answer | None = judge(shelf.card, job.source, context, seen, shelf, alpha)
    except CaptureError:  # what cannot be cut at all is unfit, as `check` says
        answer = None
    judged = answer is not None and answer.verdict != "unfit" and answer.p_value is not None
    fault = answer.fault if answer is not None else None
    return Judged(
        0, job.source, job.vehicle, context, job.fault, True,
        answer.p_value if judged and answer else None,
        answer.stray if judged and answer and answer.stray is not None else 0.0,
        answer.basis.pool if answer else 0,
        fault.name if fault else "", fault.p_value if fault else 0.0,
        severity=job.severity if job.fault else None,
    )  # fmt: skip
