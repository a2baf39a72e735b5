"""Every simulated vehicle of every system, from seeds that depend on nothing but its own name.

Guaranteed: the same source, numpy and scipy on the same kind of machine give the same codes, in
whatever order or process they are made. Another processor may round a sine differently in the
last bit; nearly always that vanishes in the quantisation, and `python -m seed_references check`
says where it did not.
"""

from __future__ import annotations

import importlib
import os
import pkgutil
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from hashlib import blake2b

import numpy as np

from seed_references import models
from seed_references.chain import at_range, clipped, digitise, draw_instrument
from seed_references.model import Model
from seed_references.vehicles import Job, Simulated

GOOD = 26
PER_FAULT = 6
MILD, SEVERE = 0.15, 1.0
HELD_GOOD = 15
HELD_PER_FAULT = 4
_MOST_RANGES = 4


@cache
def discover() -> dict[str, Model]:
    """Every model of `seed_references.models`, by system, in order of name.

    Raises ValueError when two models claim one system.
    """
    found: dict[str, Model] = {}
    for entry in sorted(pkgutil.iter_modules(models.__path__), key=lambda entry: entry.name):
        module = importlib.import_module(f"{models.__name__}.{entry.name}")
        for model in getattr(module, "MODELS", ()):
            if model.system in found:
                raise ValueError(f"{module.__name__}: a second model of {model.system}")
            found[model.system] = model
    return dict(sorted(found.items()))


def jobs(
    model: Model, batch: str = "packed", good: int = GOOD, per_fault: int = PER_FAULT
) -> list[Job]:
    """The vehicles of a model: per context the good ones, then each fault from mild to severe."""
    out = []
    severities = np.linspace(MILD, SEVERE, per_fault).round(3).tolist()
    for family, condition in model.contexts:
        where = (batch, model.system, family, condition)
        out += [Job(*where, "", k, k + 1, 0.0) for k in range(good)]
        number = good
        for fault in model.faults:
            for k, severity in enumerate(severities):
                number += 1
                out.append(Job(*where, fault, k, number, severity))
    return out


def simulate(job: Job) -> Simulated:
    """The capture of one vehicle. Pure: the job says all.

    A vehicle that would touch a rail is recorded one range up, as a technician would.
    """
    model = discover()[job.system]
    recording = model.simulate(
        job.engine_family, job.condition, job.fault, job.severity, _rng(job, "vehicle")
    )
    instrument = draw_instrument(model, _rng(job, "instrument"))
    for attempt in range(_MOST_RANGES):
        stored = digitise(recording, model.record_hz, instrument, _rng(job, "noise"))
        rail = clipped(stored, instrument.bits)
        if not any(rail):
            parameters = {key: float(value) for key, value in recording.parameters.items()}
            return Simulated(job, stored, instrument, parameters, attempt > 0)
        wider = [
            f * (2.0 if hit else 1.0) for f, hit in zip(instrument.full_scale, rail, strict=True)
        ]
        instrument = at_range(instrument, tuple(wider))
    raise ValueError(f"{job.source}: clips far beyond the model's full scale {model.full_scale}")


def build(wanted: Iterable[Job], processes: int | None = None) -> Iterator[Simulated]:
    """The captures of many vehicles, in order, made on all cores; `processes` 1: in this one."""
    wanted = list(wanted)
    count = processes or os.cpu_count() or 1
    if count == 1 or len(wanted) < 8:
        yield from map(simulate, wanted)
        return
    with ProcessPoolExecutor(count) as pool:
        yield from pool.map(simulate, wanted, chunksize=8)


def held_back(
    system: str,
    good: int = HELD_GOOD,
    per_fault: int = HELD_PER_FAULT,
    processes: int | None = 1,
) -> Iterator[Simulated]:
    """Vehicles of a system that are in no packed file, for the audit. Never packed.

    Raises KeyError for a system without a model.
    """
    return build(jobs(discover()[system], "held-back", good, per_fault), processes)


def _rng(job: Job, purpose: str) -> np.random.Generator:
    """A stream of its own for each purpose, so that a change in one leaves the others alone."""
    digest = blake2b(f"{job.seed}/{purpose}".encode(), digest_size=16).digest()
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest, "little")))
