"""Which captures to make: library and queries of every context, as small picklable jobs."""

from __future__ import annotations

from dataclasses import dataclass
from zlib import crc32

import numpy as np

from .common import Context, Fault

GOOD, KNOWN, UNKNOWN, UNFIT = "good", "known", "unknown", "unfit"
SEVERITIES = ("mild", "moderate", "severe")
# Strength bands of a fault: mild sits about the edge of what good vehicles do themselves.
BANDS = {"mild": (0.16, 0.30), "moderate": (0.42, 0.62), "severe": (0.85, 1.05)}


@dataclass(frozen=True)
class Job:
    context: int
    library: bool
    kind: str
    fault: str = ""
    severity: str = ""
    intermittent: bool = False
    unfit: str = ""
    serial: int = 0  # of this context and part, fixes the random stream
    name: str = ""  # file stem, says nothing about the kind


def shrunk(count: int, scale: float) -> int:
    return max(1, round(count * scale))


def library_jobs(index: int, context: Context, scale: float) -> list[Job]:
    good = 4 if context.thin else shrunk(30, scale)
    jobs = [Job(index, True, GOOD) for _ in range(good)]
    order = ("moderate", "severe", "mild", "severe", "moderate", "mild")
    for fault in context.known:
        for i in range(shrunk(6, scale)):
            severity = order[i % 6] if fault.graded else "severe"
            # One library vehicle in six shows its fault only now and then, as in a real workshop.
            jobs.append(
                Job(index, True, KNOWN, fault.name, severity, fault.intermittent_ok and i % 6 == 4)
            )
    return jobs


def fault_queries(index: int, fault: Fault, kind: str, count: int, turn: int) -> list[Job]:
    jobs = []
    for i in range(count):
        severity = SEVERITIES[(i + turn) % 3] if fault.graded else "severe"
        # The last of each kind comes and goes; never a mild one, which nobody could tell from
        # chance.
        hidden = fault.intermittent_ok and i == count - 1 and severity != "mild"
        jobs.append(Job(index, False, kind, fault.name, severity, hidden))
    return jobs


def unfit_queries(index: int, context: Context, scale: float) -> list[Job]:
    names = ["clipped", "clipped", "under-sampled", "under-sampled", "dead", "open"]
    # Variable-reluctance signals may be taken either way; there the slot goes to far too short
    # captures.
    names += (
        ["coupling-declared", "coupling-hidden"]
        if context.coupling_matters
        else ["too-short", "too-short"]
    )
    return [
        Job(index, False, UNFIT, unfit=name)
        for name in names[: max(1, round(len(names) * min(scale, 1)))]
    ]


def query_jobs(index: int, context: Context, scale: float) -> list[Job]:
    jobs = [Job(index, False, GOOD) for _ in range(shrunk(12, scale))]
    for turn, fault in enumerate(context.known):
        jobs += fault_queries(index, fault, KNOWN, shrunk(4, scale), turn)
    for turn, fault in enumerate(context.unknown):
        jobs += fault_queries(index, fault, UNKNOWN, shrunk(3, scale), turn)
    return jobs + unfit_queries(index, context, scale)


def named(jobs: list[Job], contexts: list[Context], seed: int) -> list[Job]:
    """Number the jobs: stream serials in plan order, file names in a shuffled order that gives
    nothing away.
    """
    out: list[Job] = []
    for index in sorted({job.context for job in jobs}):
        context = contexts[index]
        for library in (True, False):
            part = [j for j in jobs if j.context == index and j.library == library]
            rng = np.random.default_rng([seed, crc32(context.key.encode()), int(library), 77])
            order = rng.permutation(len(part))
            for serial, (job, place) in enumerate(zip(part, order, strict=True)):
                prefix = "ref" if library else "cap"
                code = crc32(f"{context.family}{context.condition}".encode()) % 97
                name = f"{prefix}{code:02d}{place:03d}"
                out.append(
                    Job(
                        job.context,
                        library,
                        job.kind,
                        job.fault,
                        job.severity,
                        job.intermittent,
                        job.unfit,
                        serial,
                        name,
                    )
                )
    return out


def make_plan(
    contexts: list[Context], systems: set[str] | None, seed: int, scale: float
) -> list[Job]:
    jobs: list[Job] = []
    for index, context in enumerate(contexts):
        if systems is not None and context.system not in systems:
            continue
        jobs += library_jobs(index, context, scale) + query_jobs(index, context, scale)
    return named(jobs, contexts, seed)
