"""A long ignition recording made from the house's own model: known bad firings, harmless nuisances.

One coil of one simulated vehicle fires some 2 000 times in five minutes while its speed and level
drift slowly. Twelve firings are bad (severities as stated), ten harmless things happen around
others. Deterministic: everything comes from one seed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from seed_references.models.ignition import FINE_HZ, firing, vehicle, worsen

RATE_HZ = 50_000.0
SECONDS = 300.0
FULL_SCALE_KV, BITS = 50.0, 12
BAD = (
    ("open-secondary", 1.0), ("wide-gap", 0.9), ("wide-gap", 0.5), ("fouled-plug", 0.9),
    ("fouled-plug", 0.4), ("lead-resistance", 0.9), ("lead-resistance", 0.4), ("weak-coil", 0.8),
    ("weak-coil", 0.4), ("lean-cylinder", 0.9), ("no-spark-at-all", 1.0), ("open-secondary", 0.5),
)  # fmt: skip
"""Fault of `seed_references` and its severity 0..1, one firing each; no-spark-at-all: the coil is
not even charged, so that a firing is missing."""
NUISANCES = (
    "bump", "bump-slow", "bump-negative", "radio", "radio-long", "radio-between", "spike",
    "spike-in-event", "neighbour-coil", "gain-step",
)  # fmt: skip

HARD: dict[str, Any] = {
    "bad": (
        ("open-secondary", 0.0), ("wide-gap", 0.2), ("wide-gap", 0.0), ("fouled-plug", 0.2),
        ("fouled-plug", 0.0), ("lead-resistance", 0.2), ("lead-resistance", 0.0),
        ("weak-coil", 0.2), ("weak-coil", 0.0), ("lean-cylinder", 0.2), ("lean-cylinder", 0.0),
        ("no-spark-at-all", 1.0),
    ),
    "nuisances": (*NUISANCES, "bump-short", "radio-short"),
}  # fmt: skip
"""The mildest faults the models know, and two disturbances that begin and end inside an event."""


@dataclass(frozen=True, eq=False)
class Recording:
    """samples: int16 (n,), one step is `step` kV.  bad, harmless: (what, sample of its anchor)."""

    samples: NDArray[np.int16]
    step: float
    rate_hz: float
    firings: NDArray[np.float64]
    bad: tuple[tuple[str, float], ...]
    harmless: tuple[tuple[str, float], ...]


def make(
    seed: int = 1,
    seconds: float = SECONDS,
    cylinder_every: int = 0,
    context: tuple[str, str] = ("harbour-6", "idle"),
    bad: tuple[tuple[str, float], ...] = BAD,
    nuisances: tuple[str, ...] = NUISANCES,
) -> Recording:
    """The recording. cylinder_every > 0: the bad firings are all at that rhythm."""
    rng = np.random.default_rng(seed)
    coil, rpm = vehicle(*context, rng)
    times = _train(rng, 120.0 / rpm, seconds)
    n = int(seconds * RATE_HZ)
    out = np.zeros(n)
    chosen = _chosen(rng, times.size, cylinder_every, len(bad), len(nuisances))
    done: list[tuple[str, float]] = []
    for k, when in enumerate(times):
        # a warming coil: resistance and the gap's voltage creep by some percent over the recording
        share = when / seconds
        now = replace(
            coil,
            ohms=coil.ohms * (1 + 0.05 * share),
            gap_volts=coil.gap_volts * (1 + 0.08 * np.sin(2 * np.pi * share)),
        )
        if k in chosen[0]:
            fault, severity = bad[chosen[0][k]]
            done.append((f"{fault} {severity:g}", float(when * RATE_HZ)))
            if fault == "no-spark-at-all":
                continue
            now = worsen(now, fault, severity)
        volts, _, edge = firing(now, rng)
        _add(out, volts / 1e3, edge, when)
    harmless = [(nuisances[i], float(times[k] * RATE_HZ)) for k, i in sorted(chosen[1].items())]
    for name, at in harmless:
        _disturb(out, name, int(at), rng)
    step = 2.0 * FULL_SCALE_KV / 2**BITS
    out += rng.normal(0.0, 1.2 * step, n)
    codes = np.clip(np.rint(out / step), -(2 ** (BITS - 1)), 2 ** (BITS - 1) - 1)
    return Recording(codes.astype(np.int16), step, RATE_HZ, times * RATE_HZ, tuple(done),
                     tuple(harmless))  # fmt: skip


def _train(rng: np.random.Generator, period: float, seconds: float) -> NDArray[np.float64]:
    """Firing times: 0.8 % jitter and a slow swing of speed by 6 %."""
    times, t = [], 0.07
    while t < seconds - 0.05:
        times.append(t + rng.normal(0.0, 0.003 * period))
        t += period * (1.0 + 0.06 * np.sin(2 * np.pi * t / 97.0)) * (1 + 0.008 * rng.normal())
    return np.array(times)


def _chosen(
    rng: np.random.Generator, n: int, every: int, n_bad: int, n_harmless: int
) -> tuple[dict[int, int], dict[int, int]]:
    """Firing -> which bad one, and firing -> which nuisance, all well apart."""
    room = np.arange(20, n - 20, 8)
    room = room // every * every + 1 if every else room + rng.integers(0, 5, room.size)
    picked = rng.permutation(np.unique(room))[: n_bad + n_harmless]
    bad = {int(k): i for i, k in enumerate(picked[:n_bad])}
    return bad, {int(k): i for i, k in enumerate(picked[n_bad:])}


def _add(out: NDArray[np.float64], volts: NDArray[np.float64], edge: int, when: float) -> None:
    """Lays a firing (on FINE_HZ) into the recording; a coarse sample is the mean about its time."""
    ratio = round(FINE_HZ / RATE_HZ)
    place = round(when * FINE_HZ) - edge + ratio // 2
    skip = -place % ratio
    part = volts[skip : skip + (volts.size - skip) // ratio * ratio].reshape(-1, ratio).mean(axis=1)
    at = (place + skip) // ratio
    a, b = max(at, 0), min(at + part.size, out.size)
    out[a:b] += part[a - at : b - at]


def _disturb(out: NDArray[np.float64], name: str, at: int, rng: np.random.Generator) -> None:
    """A harmless thing near the firing at sample `at`."""
    ms = RATE_HZ / 1000.0
    if name.startswith("bump"):
        length = int(
            {"bump": 40, "bump-slow": 400, "bump-negative": 60, "bump-short": 8}[name] * ms
        )
        height = {"bump": 1.5, "bump-slow": 2.5, "bump-negative": -1.2, "bump-short": 1.0}[name]
        a = at - length // 2
        out[a : a + length] += height * np.sin(np.linspace(0, np.pi, length))
    elif name.startswith("radio"):
        length = int(
            {"radio": 30, "radio-long": 200, "radio-between": 25, "radio-short": 6}[name] * ms
        )
        a = at + (int(40 * ms) if name == "radio-between" else -length // 2)
        t = np.arange(length) / RATE_HZ
        envelope = np.sin(np.linspace(0, np.pi, length)) ** 0.5
        out[a : a + length] += 0.9 * envelope * np.sin(2 * np.pi * 17_300.0 * t + rng.uniform(0, 6))
    elif name == "spike":
        out[at + int(30 * ms) : at + int(30 * ms) + 2] += 12.0
    elif name == "spike-in-event":
        out[at + int(3.0 * ms)] += 6.0
    elif name == "neighbour-coil":
        t = np.arange(int(3 * ms)) / RATE_HZ
        a = at + int(37 * ms)
        out[a : a + t.size] += 1.2 * np.exp(-t / 0.4e-3) * np.cos(2 * np.pi * 6000 * t)
    elif name == "gain-step":  # the pickup slipped and was put back: two percent for a second
        a = at - int(500 * ms)
        out[a : a + int(1000 * ms)] *= 1.02
