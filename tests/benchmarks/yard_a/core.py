"""Shared vocabulary of the yard: what a system, a context and a fault effect are.

Every model works in physical units on an ideal, noise-free input; everything that belongs to
the measuring side (range, coupling, noise, quantisation) lives in ``instrument``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicSpline

Array = np.ndarray
Rng = np.random.Generator


@dataclass(frozen=True)
class Effect:
    """A fault as the model sees it: a name, a level 0..1, and whether it comes and goes."""

    name: str | None = None
    level: float = 0.0
    intermittent: bool = False

    def __call__(self, name: str) -> float:
        return self.level if name == self.name else 0.0

    def each(self, name: str, count: int, rng: Rng) -> Array:
        """Level per event. An intermittent fault hits runs of events."""
        levels = np.full(count, self(name))
        if self.intermittent and name == self.name and count > 1:
            levels *= _some_runs(count, rng)
        return levels


def _some_runs(count: int, rng: Rng) -> Array:
    share = rng.uniform(0.25, 0.55)
    wanted = int(np.clip(round(share * count), 1, count - 1))
    hit = np.zeros(count)
    while hit.sum() < wanted:
        # Not the first: it may lie before the capture begins.
        start = int(rng.integers(min(1, count - 1), count))
        length = int(rng.integers(1, max(2, wanted // 2 + 1)))
        hit[start : start + min(length, wanted - int(hit.sum()))] = 1.0
    return hit


Simulate = Callable[["Context", Effect, Rng, float, int], Array]


@dataclass(frozen=True)
class Context:
    """One system on one invented family at one condition, and how it is usually captured."""

    family: str
    condition: str
    known: tuple[str, ...]
    unknown: tuple[str, ...]
    seconds: tuple[float, float]
    setups: tuple[tuple[str, float], ...]
    slow_rates: tuple[float, ...]
    probes: tuple[float, ...] = (1.0,)
    usual_peak: float = 1.0
    car: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class System:
    name: str
    channels: tuple[tuple[str, str], ...]
    coupling: str
    contexts: tuple[Context, ...]
    faults: Mapping[str, str]
    simulate: Simulate
    # Faults that are built in (a jumped tooth) cannot come and go.
    steady: frozenset[str] = frozenset()
    # Faults that are there or not, without a mild form.
    unscaled: frozenset[str] = frozenset()
    good_vehicles: int = 30
    oversample: int = 2
    # A VR sensor has no level worth keeping: AC coupling does not spoil it.
    coupling_matters: bool = True
    clamp: bool = False
    flips: float = 0.0


def spread(rng: Rng, centre: float, relative: float) -> float:
    """A vehicle's own value: normal, but without the far tails a factory would reject."""
    return float(centre * (1 + relative * np.clip(rng.normal(), -2.2, 2.2)))


def scatter(rng: Rng, relative: float, size: int) -> Array:
    """Multipliers of repeated events around 1."""
    return 1 + relative * np.clip(rng.normal(size=size), -2.8, 2.8)


def wander(rng: Rng, n: int, knots: int, size: float) -> Array:
    """A smooth random curve of about ``size`` rms: drift of speed, temperature, mixture."""
    values = rng.normal(size=max(4, knots)) * size
    return CubicSpline(np.linspace(0, n - 1, len(values)), values)(np.arange(n))


def repeats(rng: Rng, period: float, jitter: float, seconds: float) -> Array:
    """Event times from a random start phase; the first lies before the capture."""
    count = int(seconds / period) + 4
    gaps = period * scatter(rng, jitter, count)
    times = np.cumsum(gaps) - gaps[0] - rng.uniform(0.0, 1.0) * period
    return times[times < seconds]


def place(trace: Array, fs: float, when: float, before: float, after: float) -> tuple[slice, Array]:
    """Slice of the trace around an event and the local time axis (sub-sample exact)."""
    first = max(0, int(np.ceil((when - before) * fs)))
    last = min(len(trace), int((when + after) * fs))
    last = max(first, last)
    return slice(first, last), np.arange(first, last) / fs - when


def crosstalk(rng: Rng, fs: float, n: int, times: Array, size: float) -> Array:
    """Ignition pick-up: short decaying rings at the firing times, random in height."""
    trace = np.zeros(n)
    ring = min(rng.uniform(8e3, 60e3), fs / 6)
    decay = rng.uniform(1.0, 2.5) / ring
    for when in times:
        part, t = place(trace, fs, when, 0.0, 8 * decay)
        height = size * rng.normal(1.0, 0.3) * rng.choice([-1.0, 1.0])
        trace[part] += height * np.exp(-t / decay) * np.cos(2 * np.pi * ring * t)
    return trace


def ignition_noise(rng: Rng, fs: float, n: int, rpm: float, cylinders: int, size: float) -> Array:
    """Crosstalk at firing rate, present on some cars and nearly absent on others."""
    times = repeats(rng, 120 / (rpm * cylinders), 0.01, n / fs)
    return crosstalk(rng, fs, n, times, size * rng.choice([0.15, 0.5, 1.0, 1.8]))


def crank_angle(
    rng: Rng, fs: float, n: int, rpm: float, cylinders: int, ripple: float, drift: float = 0.006
) -> Array:
    """Crank angle in degrees; speed swings with the compressions and wanders slowly."""
    t = np.arange(n) / fs
    phase = 2 * np.pi * (cylinders * rpm / 120 * t + rng.uniform())
    swing = ripple * (np.cos(phase) + 0.25 * np.cos(2 * phase + rng.uniform(0, 6)))
    half = 0.2 * ripple * np.cos(phase / cylinders + rng.uniform(0, 6))
    speed = 6 * rpm * (1 + swing + half + wander(rng, n, int(t[-1] * 4) + 4, drift))
    return np.cumsum(speed) / fs + rng.uniform(0, 720)


def low_pass(trace: Array, fs: float, corner: float) -> Array:
    """First-order low-pass (skipped when the corner is beyond what the grid can show)."""
    from scipy.signal import lfilter

    if corner > 0.4 * fs:
        return trace
    a = np.exp(-2 * np.pi * corner / fs)
    out, _ = lfilter([1 - a], [1, -a], trace, zi=[a * trace[0]])
    return out


def hiss(rng: Rng, fs: float, n: int, corner: float, size: float) -> Array:
    """Band-limited noise of rms ``size`` (turbulence, brush noise)."""
    raw = low_pass(rng.normal(size=n), fs, corner)
    return size * raw / (raw.std() + 1e-12)
