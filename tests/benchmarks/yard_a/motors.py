"""Currents of two DC motors: the fuel pump, and the starter turning the engine."""

from __future__ import annotations

import numpy as np

from .core import (
    Array,
    Context,
    Effect,
    Rng,
    System,
    hiss,
    ignition_noise,
    low_pass,
    scatter,
    spread,
    wander,
)

# --- fuel pump ----------------------------------------------------------------------------


def _pump_speed(ctx: Context, fx: Effect, rng: Rng, turns: int) -> tuple[Array, Array]:
    """Pump speed (rev/s) and mean current per turn: they move against each other with load."""
    clog = fx.each("restricted-filter", turns, rng)
    free = fx.each("no-load", turns, rng)
    supply = fx.each("supply-drop", turns, rng)
    pressure = spread(rng, 1.0, 0.045)
    volts = spread(rng, 1.0, 0.025) * (1 - 0.4 * supply)
    rpm = (
        spread(rng, ctx.car["rpm"], 0.035)
        * volts
        * pressure**-0.3
        * (1 - 0.27 * clog)
        * (1 + 0.22 * free)
    )
    amps = (
        spread(rng, ctx.car["amps"], 0.055)
        * volts**0.8
        * pressure
        * (1 + 0.55 * clog)
        * (1 - 0.42 * free)
    )
    return rpm / 60 * scatter(rng, 0.0015, turns), amps


def _segments(ctx: Context, fx: Effect, rng: Rng, turns: int) -> Array:
    """Hump heights, turn x segment, 1 = healthy."""
    bars = int(ctx.car["bars"])
    own = scatter(rng, rng.uniform(0.02, 0.06), bars)
    heights = np.tile(own, (turns, 1)) * scatter(rng, 0.03, turns * bars).reshape(turns, bars)
    brush = fx.each("worn-brushes", turns, rng)[:, None]
    heights *= 1 + brush * (0.55 + 0.55 * rng.normal(size=heights.shape))
    spot = int(rng.integers(bars))
    heights[:, spot] *= 1 + rng.choice([-0.95, 1.1]) * fx.each("dirty-bar", turns, rng)
    return heights


def _pump_wave(phase: Array, heights: Array, dips: Array, shape: float) -> Array:
    """Current ripple, one rounded hump with a sharp valley per commutator bar."""
    turns, bars = heights.shape
    place = phase * bars
    index = np.clip(place.astype(int), 0, turns * bars - 1)
    x = place - np.floor(place)
    hump = (np.abs(np.sin(np.pi * x)) ** shape) - 0.64 + 0.10 * np.sin(2 * np.pi * x)
    # Neighbouring bars share the current: heights change over smoothly, not in steps.
    flat, dip = heights.ravel(), dips.ravel()
    after = np.append(flat[1:], flat[-1])
    height = flat[index] * (1 - x) + after[index] * x
    return hump * height - dip[index] * np.sin(np.pi * x) ** 2


def simulate_pump(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    turns = int(n / fs * ctx.car["rpm"] / 60 * 1.45) + 3
    speed, amps = _pump_speed(ctx, fx, rng, turns)
    ends = np.cumsum(1 / speed)
    t = np.arange(n) / fs + rng.uniform() * ends[0]
    phase = np.interp(t, np.concatenate([[0], ends]), np.arange(turns + 1))
    turn = np.clip(phase.astype(int), 0, turns - 1)
    heights = _segments(ctx, fx, rng, turns)
    dips = np.zeros_like(heights)
    dips[:, int(rng.integers(heights.shape[1]))] = (
        fx.each("open-bar", turns, rng) ** 1.5 * ctx.car["amps"] * 0.9 / ctx.car["ripple"]
    )
    wave = _pump_wave(phase, heights, dips, rng.uniform(0.8, 1.2))
    ripple = spread(rng, ctx.car["ripple"], 0.11) * (amps[turn] / ctx.car["amps"]) ** 0.6
    mean = low_pass(amps[turn], fs, 60) * (1 + wander(rng, n, 8, 0.008))
    drag = fx.each("rotor-drag", turns, rng)[turn]
    once = rng.uniform(0.01, 0.04) * ctx.car["ripple"]
    trace = (
        mean
        + ripple * wave
        + (once + 0.35 * drag**1.5 * amps[0]) * np.cos(2 * np.pi * phase + rng.uniform(0, 6))
    )
    trace = low_pass(trace, fs, rng.uniform(5e3, 12e3))
    worn = fx("worn-brushes")
    trace += hiss(rng, fs, n, 9e3, ctx.car["ripple"] * (0.03 + 0.08 * worn))
    trace += ignition_noise(rng, fs, n, 800, 4, 0.06) + 0.03 * np.sin(
        2 * np.pi * rng.uniform(900, 1500) * t
    )
    return np.maximum(trace, 0.0)[:, None]


_PUMP_FAULTS = {
    "dirty-bar": "one commutator bar worn or dirty: one odd hump per turn",
    "open-bar": "one commutator bar open: current dips once per turn",
    "worn-brushes": "brushes worn: humps irregular and taller",
    "restricted-filter": "filter clogged: current up, speed down",
    "no-load": "pressure lost or tank empty: current down, speed up",
    "supply-drop": "voltage drop in the feed: current and speed both down",
    "rotor-drag": "rotor rubs: current swings once per turn",
}

FUEL_PUMP = System(
    "fuel-pump-current",
    (("pump_current", "A"),),
    "dc",
    (
        Context(
            "orlin-16",
            "idle",
            ("dirty-bar", "worn-brushes", "restricted-filter", "no-load"),
            ("open-bar", "supply-drop"),
            (0.35, 0.60),
            (("brick8", 100e3), ("slate12", 50e3), ("pad12", 50e3), ("audio16", 96e3)),
            (600.0, 1000.0),
            probes=(1.0, 2.0),
            usual_peak=7.5,
            car={"rpm": 5600, "amps": 4.9, "ripple": 0.85, "bars": 8},
        ),
        Context(
            "hadric-22",
            "idle",
            ("dirty-bar", "open-bar", "restricted-filter", "worn-brushes", "no-load"),
            ("rotor-drag", "supply-drop"),
            (0.35, 0.60),
            (("brick8", 100e3), ("slate12", 100e3), ("pad12", 50e3), ("audio16", 96e3)),
            (600.0, 1000.0),
            probes=(2.0, 5.0),
            usual_peak=12.0,
            car={"rpm": 6500, "amps": 8.2, "ripple": 1.2, "bars": 10},
        ),
    ),
    _PUMP_FAULTS,
    simulate_pump,
    clamp=True,
)

# --- starter ------------------------------------------------------------------------------


def _compressions(ctx: Context, fx: Effect, rng: Rng, cycles: int) -> Array:
    """Hump height per compression in firing order, cycle x cylinder, 1 = healthy."""
    count = int(ctx.car["cylinders"])
    heights = np.tile(scatter(rng, rng.uniform(0.015, 0.04), count), (cycles, 1))
    heights = heights * scatter(rng, 0.018, cycles * count).reshape(cycles, count)
    first = int(rng.integers(count))
    heights[:, first] *= 1 - 0.9 * fx.each("low-cylinder", cycles, rng)
    gasket = fx.each("two-low-cylinders", cycles, rng)
    for k in (first, (first + 1) % count):
        heights[:, k] *= 1 - 0.85 * gasket
    return heights * (1 - 0.62 * fx("all-low"))


def _cranking(ctx: Context, fx: Effect, rng: Rng, t: Array, fs: float) -> Array:
    """Current of the turning part, t = 0 when the pinion starts to turn."""
    car, count = ctx.car, int(ctx.car["cylinders"])
    drag, cable = fx("engine-drag"), fx("cable-resistance")
    rpm = (
        spread(rng, car["rpm"], 0.06)
        * (1 - 0.3 * drag)
        * (1 - 0.32 * cable)
        * (1 + 0.18 * fx("all-low"))
    )
    mean = (
        spread(rng, car["amps"], 0.07)
        * (1 + 0.5 * drag)
        * (1 - 0.33 * cable)
        * (1 - 0.12 * fx("all-low"))
    )
    spin = 1 - np.exp(-np.clip(t, 0, None) / rng.uniform(0.08, 0.15))
    pace = 1 + 0.05 * np.exp(-np.clip(t, 0, None) / 1.5) + wander(rng, len(t), 12, 0.006)
    angle = np.cumsum(6 * rpm * spin * pace * (t > 0)) / fs
    # The engine slows towards each top dead centre: humps lean, valleys are narrower.
    place = angle * count / 720 + rng.uniform(0, count)
    place = place - rng.uniform(0.05, 0.09) * np.sin(2 * np.pi * place) / (2 * np.pi) * 6
    cycles = int(place.max() / count) + 2
    heights = _compressions(ctx, fx, rng, cycles).ravel()
    index = np.round(place).astype(int)
    hump = np.exp(-0.5 * ((place - index) / 0.21) ** 2)
    swing = spread(rng, car["hump"], 0.10) * (1 - 0.2 * cable)
    current = mean - 0.5 * swing + swing * heights[np.clip(index, 0, len(heights) - 1)] * hump
    return current * (1 + 0.10 * np.exp(-np.clip(t, 0, None) / 1.2)) + _commutator(
        fx, rng, angle, mean, fs
    )


def _commutator(fx: Effect, rng: Rng, angle: Array, mean: float, fs: float) -> Array:
    """Bar ripple of the starter; a bad bar or brush gives irregular dips."""
    bars = angle / 360 * rng.uniform(150, 230)
    ripple = rng.uniform(0.010, 0.035) * mean * np.sin(2 * np.pi * bars)
    bad = fx("starter-commutator")
    if bad:
        motor = angle / 360 * 12
        lost = np.abs((motor + 0.1 * rng.normal()) % 1 - 0.5) < 0.13
        struck = rng.uniform(size=int(motor.max()) + 2)[motor.astype(int)] < 0.6
        # The motor's inductance rounds the dips.
        ripple = ripple - mean * (0.15 + 0.6 * bad) * low_pass(
            (lost & struck).astype(float), fs, 90
        )
    return ripple


def simulate_starter(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    # Some captures begin with the key, some only once the engine already turns.
    start = rng.uniform(0.08, 0.5) if rng.uniform() < 0.75 else -rng.uniform(0.3, 0.8)
    lead = max(0.0, -start)
    t = np.arange(-round(lead * fs), n) / fs - max(start, 0.0) + lead
    current = _cranking(ctx, fx, rng, t, fs)
    peak = spread(rng, ctx.car["inrush"], 0.10) * (1 - 0.4 * fx("cable-resistance"))
    decay = rng.uniform(0.025, 0.05)
    x = np.clip(t, 0, None)
    surge = (peak - ctx.car["amps"]) * (np.exp(-x / decay) - np.exp(-x / 0.006)) * 1.35
    current = np.where(t > 0, current * (1 - np.exp(-x / 0.008)) + surge, 0.0)
    if rng.uniform() < 0.3:
        current *= t < t[-1] - rng.uniform(0.1, 0.4)
    current = low_pass(current, fs, rng.uniform(500, 1500))
    current += hiss(rng, fs, len(t), 2e3, 1.2)
    return current[-n:, None]


_STARTER_FAULTS = {
    "low-cylinder": "one cylinder leaks: its hump low",
    "two-low-cylinders": "head gasket between neighbours: two humps in a row low",
    "engine-drag": "engine hard to turn: current high, speed low",
    "cable-resistance": "voltage drop in the cables: current and speed low, inrush low",
    "all-low": "timing jumped: all humps low, cranks fast",
    "starter-commutator": "starter commutator bad: irregular dips",
}
_STARTER_KNOWN = ("low-cylinder", "two-low-cylinders", "engine-drag", "cable-resistance")


def _starter_context(family: str, **car: float) -> Context:
    setups = (("brick8", 10e3), ("slate12", 10e3), ("pad12", 10e3), ("audio16", 8e3))
    return Context(
        family,
        "crank",
        _STARTER_KNOWN,
        ("all-low", "starter-commutator"),
        (3.2, 4.8),
        setups,
        (8.0, 14.0),
        probes=(100.0, 200.0),
        usual_peak=600.0,
        car=car,
    )


STARTER = System(
    "starter-current",
    (("starter_current", "A"),),
    "dc",
    (
        _starter_context("brev-14", cylinders=4, rpm=215, amps=135, hump=75, inrush=520),
        _starter_context("sarn-30", cylinders=6, rpm=195, amps=185, hump=70, inrush=680),
    ),
    _STARTER_FAULTS,
    simulate_starter,
    clamp=True,
    steady=frozenset({"engine-drag", "cable-resistance", "all-low"}),
)
