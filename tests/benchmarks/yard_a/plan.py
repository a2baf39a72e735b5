"""Which captures are made: one job per file, each with its own seed, and how a job is run."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from .can_bus import CAN
from .core import Array, Context, Effect, Rng, System
from .crank_cam import CKP, CMP
from .engine_sensors import O2, PRESSURE, TP
from .ignition_alternator import ALTERNATOR, IGNITION
from .injector_wheel import INJECTOR, WHEEL
from .instrument import Wish, measure
from .motors import FUEL_PUMP, STARTER
from .writers import Row, write

SYSTEMS: dict[str, System] = {
    s.name: s
    for s in (
        IGNITION,
        ALTERNATOR,
        CAN,
        CKP,
        FUEL_PUMP,
        STARTER,
        INJECTOR,
        CMP,
        WHEEL,
        O2,
        TP,
        PRESSURE,
    )
}

LEVELS = {"mild": (0.12, 0.25), "moderate": (0.45, 0.60), "severe": (0.85, 1.0)}
LIBRARY_SEVERITIES = ("mild", "moderate", "moderate", "severe", "moderate", "severe")
QUERY_SEVERITIES = ("mild", "moderate", "severe")
UNKNOWN_SEVERITIES = ("mild", "moderate", "severe")
UNFIT = ("clipped", "slow", "coupling", "dead")
UNFIT_WHY = {
    "clipped": "input range too small: peaks cut off at the rail",
    "slow": "sample rate far too low for this system",
    "coupling": "coupled wrongly for this system",
    "dead": "a channel is dead or its lead is open",
    "short": "capture ends long before one whole event",
}
WORKSHOP = "Brackenford yard"


@dataclass(frozen=True)
class Job:
    system: str
    context: int
    part: str  # library | queries
    kind: str  # good | known | unknown | unfit
    fault: str
    severity: str
    intermittent: bool
    spoil: str
    vehicle: str
    ident: str  # file name stem; says nothing
    seed: tuple[int, ...]


def jobs(seed: int, scale: float, names: list[str]) -> list[Job]:
    """All jobs of the chosen systems, shuffled per part so that order tells nothing."""
    chosen: list[Job] = []
    for name in names:
        for index in range(len(SYSTEMS[name].contexts)):
            chosen += _context_jobs(seed, scale, SYSTEMS[name], index)
    mix = np.random.default_rng([seed, 77])
    return [chosen[k] for k in mix.permutation(len(chosen))]


def _context_jobs(seed: int, scale: float, system: System, index: int) -> list[Job]:
    context = system.contexts[index]
    out: list[Job] = []
    code = zlib.crc32(f"{system.name}/{index}".encode())

    def add(
        part: str,
        kind: str,
        fault: str = "",
        severity: str = "",
        sometimes: bool = False,
        spoil: str = "",
    ) -> None:
        number = len(out)
        key = (seed, code, number)
        stem = np.random.default_rng(key).bytes(4).hex()
        vehicle = f"bf-{code % 9973:04d}-{number:03d}"
        out.append(
            Job(
                system.name,
                index,
                part,
                kind,
                fault,
                severity,
                sometimes,
                spoil,
                vehicle,
                stem,
                key,
            )
        )

    for _ in range(_count(system.good_vehicles, scale)):
        add("library", "good")
    for fault in context.known:
        for k in range(_count(6, scale)):
            add("library", "known", fault, _severity(system, fault, LIBRARY_SEVERITIES[k % 6]))
    for _ in range(_count(12, scale)):
        add("queries", "good")
    _query_faults(system, context, scale, add)
    for spoil in UNFIT:
        for _ in range(_count(2, scale)):
            add(
                "queries",
                "unfit",
                spoil="short" if spoil == "coupling" and not system.coupling_matters else spoil,
            )
    return out


def _query_faults(system: System, context: Context, scale: float, add) -> None:
    for place, fault in enumerate(context.known):
        for k in range(_count(4, scale)):
            # The fourth vehicle has the fault only some of the time, if it can.
            sometimes = k == 3 and fault not in system.steady
            severity = (
                *QUERY_SEVERITIES,
                "severe" if sometimes and place % 2 == 0 else "moderate",
            )[k]
            add("queries", "known", fault, _severity(system, fault, severity), sometimes)
    for fault in context.unknown:
        for k in range(_count(3, scale)):
            add("queries", "unknown", fault, _severity(system, fault, UNKNOWN_SEVERITIES[k % 3]))


def _severity(system: System, fault: str, wanted: str) -> str:
    return "severe" if fault in system.unscaled else wanted


def _count(full: int, scale: float) -> int:
    return max(1, round(full * scale))


def run(job: Job, out: Path) -> tuple[Row, Row]:
    """Make one capture; gives its manifest row and its truth row."""
    system = SYSTEMS[job.system]
    context = system.contexts[job.context]
    rng = np.random.default_rng(job.seed)
    effect = Effect(job.fault or None, _level(job, rng), job.intermittent)
    wish, seconds = _wish(job, system, context, rng)
    fs = wish.fs * system.oversample
    signal = system.simulate(context, effect, rng, fs, int(seconds * fs))
    if rng.uniform() < system.flips:
        # Some coils fire the other way round, and some pick-ups invert.
        signal = -signal
    recording = measure(signal, fs, wish, system, rng)
    folder = out / job.part / job.system
    folder.mkdir(parents=True, exist_ok=True)
    path, row = write(folder / job.ident, recording, system, rng, job.spoil == "clipped")
    row |= {
        "path": path.relative_to(out).as_posix(),
        "system": system.name,
        "engine_family": context.family,
        "condition": context.condition,
        "note": f"{WORKSHOP}, bay {rng.integers(1, 5)}, {recording.instrument}",
    }
    honest = _claimed_coupling(job, row, system, rng)
    if job.part == "library":
        row |= {
            "label": "good" if job.kind == "good" else "fault",
            "fault": job.fault,
            "vehicle": job.vehicle,
        }
    return row, _truth(job, row, system, honest)


def _level(job: Job, rng: Rng) -> float:
    return float(rng.uniform(*LEVELS[job.severity])) if job.severity else 0.0


def _wish(job: Job, system: System, context: Context, rng: Rng) -> tuple[Wish, float]:
    instrument, fs = context.setups[rng.integers(len(context.setups))]
    probe = float(rng.choice(context.probes))
    seconds = rng.uniform(*context.seconds)
    coupling, slow = system.coupling, 0.0
    if job.spoil == "coupling":
        coupling = "ac" if coupling == "dc" else "dc"
    if job.spoil == "slow":
        # A whole divisor of the fast rate, so that skipping samples is exact.
        step = round(fs * system.oversample / rng.choice(context.slow_rates))
        slow = fs * system.oversample / step
        seconds *= 1.5
    if job.spoil == "short":
        seconds *= 0.02
    return Wish(instrument, fs, probe, coupling, context.usual_peak, job.spoil, slow), seconds


def _claimed_coupling(job: Job, row: Row, system: System, rng: Rng) -> bool:
    """Most manifests tell the truth about a wrong coupling; some forgot to change the entry."""
    if job.spoil == "coupling" and rng.uniform() < 0.3:
        row["coupling"] = str(rng.choice(["", system.coupling]))
        return False
    if rng.uniform() < 0.1 and job.spoil != "coupling":
        row["coupling"] = ""
    return True


def _truth(job: Job, row: Row, system: System, honest: bool) -> Row:
    if job.kind == "good":
        why = "healthy vehicle"
    elif job.kind == "unfit":
        why = UNFIT_WHY[job.spoil] + ("" if honest else " (manifest does not admit it)")
    else:
        why = system.faults[job.fault]
    return {
        "path": row["path"],
        "kind": job.kind,
        "fault": job.fault or job.spoil,
        "severity": job.severity,
        "intermittent": "yes" if job.intermittent else "no",
        "vehicle": job.vehicle,
        "why": why,
    }


def preview(name: str, index: int, fault: str, level: float, seed: int) -> tuple[Array, float]:
    """Ideal signal of one vehicle, for looking at the models without the measuring side."""
    system = SYSTEMS[name]
    context = system.contexts[index]
    fs = context.setups[0][1]
    signal = system.simulate(
        context,
        Effect(fault or None, level),
        np.random.default_rng(seed),
        fs,
        int(context.seconds[0] * fs),
    )
    return signal, fs
