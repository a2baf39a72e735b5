"""What every model shares: context and fault records, vehicle spread, speed and event helpers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

Array = NDArray[np.float64]
Params = dict[str, float]
Rng = np.random.Generator


@dataclass(frozen=True)
class Fault:
    """A defect: ``apply`` worsens a healthy parameter set in place, by strength 0 (none) to 1
    (severe).
    """

    name: str
    apply: Callable[[Params, float, Rng], None]
    intermittent_ok: bool = True
    # A swapped plug or a lost message either is or is not: no honest mild form exists.
    graded: bool = True


@dataclass(frozen=True)
class Sensor:
    """What stands between the car and the instrument's input plug."""

    per_volt: float = 1.0  # physical units per volt at the plug
    noise: float = 0.0  # physical units rms
    zero: float = 0.0  # physical units, spread of the zero offset
    bandwidth: float = 0.0  # Hz, 0 = no limit worth modelling


@dataclass(frozen=True)
class Context:
    """One system on one engine family in one condition, with all that is needed to simulate it."""

    system: str
    family: str
    condition: str
    channels: tuple[tuple[str, str], ...]
    draw: Callable[[Rng], Params]
    render: Callable[[Case, float, int, Rng], Array]
    known: tuple[Fault, ...]
    unknown: tuple[Fault, ...]
    rates: tuple[float, float]  # useful sample rates, Hz
    low_rates: tuple[float, float]  # far too low for this system
    span: tuple[float, float]  # seconds
    event: float  # seconds of one event, roughly
    peak: float  # largest physical value to expect, faults included
    sim_rate: float = 0.0  # the model needs at least this rate to draw its edges
    sensors: tuple[Sensor, ...] = (Sensor(),)
    coupling: str = "dc"
    coupling_matters: bool = True
    ac_corner: tuple[float, float] = (0.5, 8.0)
    thin: bool = False
    hum: float = 0.05  # physical units of mains hum an open lead picks up

    @property
    def key(self) -> str:
        return f"{self.system}/{self.family}/{self.condition}"


@dataclass
class Case:
    """One vehicle as found on the day: sound parameters, defective ones, and when the defect
    shows.
    """

    sound: Params
    broken: Params | None = None
    intermittent: bool = False
    share: float = 0.4

    def schedule(self, rng: Rng, n: int) -> NDArray[np.bool_]:
        """Which of n events the defect touches; intermittent defects come in short runs."""
        if self.broken is None:
            return np.zeros(n, bool)
        if not self.intermittent:
            return np.ones(n, bool)
        flags = np.zeros(n, bool)
        state = False
        for i in range(n):
            # Leaving a run is likelier than entering one, so that the share comes out about right.
            flip = 0.45 if state else 0.45 * self.share / (1 - self.share)
            state = state ^ bool(rng.random() < flip)
            flags[i] = state
        if n > 2 and not flags[1:-1].any():
            flags[1 + int(rng.integers(n - 2))] = True
        return flags

    def params(self, hit: bool) -> Params:
        return self.broken if hit and self.broken is not None else self.sound


def near(rng: Rng, mid: float, rel: float) -> float:
    """A vehicle-to-vehicle value: normal about mid, tails cut so that no good car is absurd."""
    return float(mid * (1 + rel * np.clip(rng.normal(), -2.3, 2.3)))


def between(rng: Rng, lo: float, hi: float) -> float:
    return float(rng.uniform(lo, hi))


def wander(rng: Rng, n: int, fs: float, knot: float) -> Array:
    """Slow smooth random drift of unit size, with one independent value every ``knot`` seconds."""
    count = int(n / fs / knot) + 4
    knots = np.cumsum(rng.normal(size=count)) * 0.5
    knots = 0.5 * (knots - knots.mean()) + 0.7 * rng.normal(size=count)
    x = (np.arange(n) / fs / knot) + rng.random()
    i = x.astype(int)
    f = x - i
    f = f * f * (3 - 2 * f)
    return knots[i] * (1 - f) + knots[i + 1] * f


def crank_angle(
    rng: Rng, n: int, fs: float, rpm: float, pulses: int, ripple: float, drift: float = 0.01
) -> Array:
    """Crank degrees at each sample; ``pulses`` torque pulses per revolution modulate the speed
    by ``ripple``.
    """
    base = 6 * rpm * (1 + drift * wander(rng, n, fs, 0.25))
    start = between(rng, 0, 720)
    angle = start + np.cumsum(base) / fs
    phase = between(rng, 0, 2 * np.pi)
    swing = ripple * np.sin(np.deg2rad(angle) * pulses + phase)
    swing *= 1 + 0.15 * wander(rng, n, fs, 0.1)
    return start + np.cumsum(base * (1 + swing)) / fs


def event_times(rng: Rng, span: float, period: float, jitter: float) -> Array:
    """Event start times covering the capture, the first one somewhere before its beginning."""
    out = [-between(rng, 0.0, 1.0) * period]
    while out[-1] < span:
        out.append(out[-1] + period * (1 + jitter * float(rng.normal())))
    return np.array(out)


def place(out: Array, piece: Array, start: int) -> None:
    """Add a piece to the record where it falls, cutting what sticks out at either end."""
    lo, hi = max(start, 0), min(start + len(piece), len(out))
    if hi > lo:
        out[lo:hi] += piece[lo - start : hi - start]


def put(out: Array, piece: Array, start: int) -> None:
    """Overwrite the record with a piece where it falls."""
    lo, hi = max(start, 0), min(start + len(piece), len(out))
    if hi > lo:
        out[lo:hi] = piece[lo - start : hi - start]


def low_pass(x: Array, fs: float, corner: float, order: int = 1) -> Array:
    """Settled low-pass: the filter starts at the record's first value, not at zero."""
    if corner <= 0 or corner >= 0.45 * fs:
        return x
    if order == 1:
        a = float(np.exp(-2 * np.pi * corner / fs))
        y, _ = lfilter([1 - a], [1, -a], x, zi=np.array([a * x[0]]))
        return np.asarray(y)
    sos = butter(order, corner / (fs / 2), output="sos")
    return np.asarray(sosfilt(sos, x - x[0])) + x[0]


def spikes(
    rng: Rng, n: int, fs: float, period: float, size: float, ring: float, length: float
) -> Array:
    """Ignition-like interference: short decaying bursts, roughly periodic, of uneven size and
    sign.
    """
    out = np.zeros(n)
    m = max(int(length * fs), 4)
    tau = np.arange(m) / fs
    for t0 in event_times(rng, n / fs, period, 0.03):
        frequency = ring * between(rng, 0.8, 1.2)
        burst = np.exp(-tau / (length / 5)) * np.cos(
            2 * np.pi * frequency * tau + between(rng, 0, 6.28)
        )
        place(out, size * float(rng.lognormal(0, 0.4)) * burst, int(t0 * fs))
    return out


def blend(
    case: Case, rng: Rng, index: NDArray[np.intp], make: Callable[[Params], Array], fade: int
) -> Array:
    """Render sound and broken versions of a continuous signal and switch between them by event
    index.
    """
    if case.broken is None:
        return make(case.sound)
    if not case.intermittent:
        return make(case.broken)
    index = index - index.min()
    mask = case.schedule(rng, int(index.max()) + 1)[index].astype(float)
    if fade > 1:
        mask = np.convolve(mask, np.ones(fade) / fade, mode="same")
    return make(case.sound) * (1 - mask) + make(case.broken) * mask


def exponential_steps(steps: list[tuple[float, float, float]], fs: float, n: int) -> Array:
    """A line driven to successive levels: each step is (time s, level, time constant s)."""
    times = np.array([s[0] for s in steps])
    target = np.array([s[1] for s in steps])
    tau = np.array([s[2] for s in steps])
    gaps = np.diff(times, append=times[-1] + 1.0)
    start = np.empty(len(steps))
    value = target[0]
    for i in range(
        len(steps)
    ):  # where a step is shorter than its settling, the next begins from what was reached
        start[i] = value
        value = target[i] + (value - target[i]) * np.exp(-gaps[i] / tau[i])
    t = np.arange(n) / fs
    k = np.clip(np.searchsorted(times, t, side="right") - 1, 0, len(times) - 1)
    since = np.maximum(t - times[k], 0)
    return target[k] + (start - target)[k] * np.exp(-since / tau[k])
