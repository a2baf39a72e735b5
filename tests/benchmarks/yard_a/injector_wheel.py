"""Injector current (port and direct injection) and active wheel-speed sensors."""

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
    place,
    repeats,
    scatter,
    spread,
    wander,
)

# --- port injector ------------------------------------------------------------------------


def _port_pulse(t: Array, p: dict[str, float]) -> Array:
    """Saturated-switch current: exponential rise with the needle's dip, clamped release."""
    on = (t >= 0) & (t < p["width"])
    out = np.zeros(len(t))
    x = t[on]
    rise = p["top"] * (1 - np.exp(-x / p["tau"]))
    # The moving armature works against the supply: a dip with a sharp end when it lands.
    lead = x - p["open"]
    dip = np.where(lead < 0, np.exp(lead / 0.22e-3), np.exp(-lead / 0.10e-3))
    out[on] = rise - p["dip"] * p["top"] * dip
    end = p["top"] * (1 - np.exp(-p["width"] / p["tau"]))
    off = t >= p["width"]
    r = t[off] - p["width"]
    out[off] = end * np.clip(1 - r / p["fall"], 0, 1) ** 1.3
    return out


def _port_events(ctx: Context, fx: Effect, rng: Rng, count: int) -> dict[str, Array]:
    volts = spread(rng, 14.1, 0.02) * (1 - 0.22 * fx.each("supply-low", count, rng))
    coil = spread(rng, 12.0, 0.035) * (1 - 0.48 * fx.each("shorted-turns", count, rng))
    ohms = coil + 0.8 + 8.0 * fx.each("series-resistance", count, rng)
    henry = spread(rng, 11e-3, 0.07) * (1 - 0.55 * fx.each("shorted-turns", count, rng))
    gum = fx.each("slow-needle", count, rng)
    width = spread(rng, ctx.car["width"], 0.09) * scatter(rng, 0.025, count)
    late = spread(rng, 1.15e-3, 0.06) * (ohms / 12.8) ** 0.5 + 0.65e-3 * gum
    tired = fx.each("slow-release", count, rng)
    return {
        "width": width,
        "top": volts / ohms,
        "tau": henry / ohms,
        "open": late * scatter(rng, 0.015, count),
        "dip": spread(rng, 0.11, 0.15)
        * (1 - 0.97 * fx.each("stuck-needle", count, rng))
        * scatter(rng, 0.06, count),
        "fall": spread(rng, 0.22e-3, 0.12) * (1 + 5 * tired),
    }


# --- direct injector ----------------------------------------------------------------------


def _direct_pulse(t: Array, p: dict[str, float], rng: Rng) -> Array:
    """Boost to peak, freewheel to pull-in chopping, drop to hold chopping, quick off."""
    up, pull, width = p["up"], p["pull_end"], p["width"]
    x = np.clip(t / up, 0, 1.2)
    bow = np.clip(p["bow"], 0, 0.95)
    rise = p["peak"] * ((1 - bow) * x + bow * (1 - np.exp(-2.5 * x)) / (1 - np.exp(-2.5)))
    settle = p["pull"] + (p["peak"] - p["pull"]) * np.exp(-(t - up) / p["free"])
    pull_in = settle + p["chop"] * _saw(t * p["chop_hz"] * 0.7 + p["phase"])
    hold = p["hold"] + (p["pull"] - p["hold"]) * np.exp(-(t - pull) / 0.06e-3)
    hold = hold + 0.8 * p["chop"] * _saw(t * p["chop_hz"] + p["phase"])
    body = np.where(t < up, rise, np.where(t < pull, pull_in, hold))
    body = np.where((t >= 0) & (t < width), body, 0.0)
    end = p["hold"] if width > pull else p["pull"]
    tail = end * np.exp(-np.clip(t - width, 0, None) / p["off"])
    return np.where(t >= width, tail, body)


def _saw(phase: Array) -> Array:
    """Two-point current control: quick up, slow down."""
    x = phase % 1
    return np.where(x < 0.3, x / 0.3, (1 - x) / 0.7) - 0.5


def _direct_events(ctx: Context, fx: Effect, rng: Rng, count: int) -> dict[str, Array]:
    boost = fx.each("low-boost", count, rng)
    ohms = fx.each("series-resistance", count, rng)
    short = fx.each("shorted-turns", count, rng)
    ones = np.ones(count)
    return {
        "up": spread(rng, 0.235e-3, 0.06)
        * (1 + 1.3 * boost + 0.3 * ohms)
        * (1 - 0.6 * short)
        * scatter(rng, 0.012, count),
        "peak": spread(rng, 10.6, 0.025)
        * (1 - 0.25 * boost)
        * (1 - 0.38 * ohms)
        * (1 + 0.3 * short)
        * scatter(rng, 0.01, count),
        "bow": 0.25 + 0.5 * boost + 0.4 * ohms,
        "pull": spread(rng, 5.6, 0.035) * (1 - 0.2 * ohms) * ones,
        "free": spread(rng, 0.09e-3, 0.08) * ones,
        "pull_end": spread(rng, 0.78e-3, 0.025) * ones,
        "hold": spread(rng, 2.75, 0.04)
        * (1 - 0.6 * fx.each("weak-hold", count, rng))
        * (1 - 0.1 * ohms),
        "chop": spread(rng, 0.8, 0.12) * ones,
        "chop_hz": spread(rng, 11e3, 0.08) * scatter(rng, 0.02, count),
        "phase": rng.uniform(size=count),
        "width": spread(rng, ctx.car["width"], 0.08) * scatter(rng, 0.02, count),
        "off": spread(rng, 0.035e-3, 0.10) * (1 + 5 * fx.each("slow-decay", count, rng)),
    }


def simulate_injector(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    direct = bool(ctx.car["direct"])
    rpm = spread(rng, ctx.car["rpm"], 0.035)
    times = repeats(rng, 120 / rpm, 0.01, n / fs)
    events = (_direct_events if direct else _port_events)(ctx, fx, rng, len(times))
    again = fx.each("extra-pulse", len(times), rng)
    skip = fx.each("missing-pulses", len(times), rng) > rng.uniform(0, 1.3, len(times))
    trace = np.zeros(n)
    for k, when in enumerate(times):
        p = {name: values[k] for name, values in events.items()}
        if skip[k]:
            continue
        starts = [when] if not again[k] else [when, when + p["width"] * 1.6 + 0.4e-3]
        for first in starts:
            part, t = place(trace, fs, first, 0.0, p["width"] + 3e-3)
            trace[part] += _direct_pulse(t, p, rng) if direct else _port_pulse(t, p)
            p = {**p, "width": p["width"] * (0.3 + 0.4 * fx.level)}
    trace = low_pass(trace, fs, rng.uniform(40e3, 90e3) if direct else rng.uniform(12e3, 25e3))
    trace += ignition_noise(rng, fs, n, rpm, 4, 0.012 * ctx.usual_peak)
    return (trace + hiss(rng, fs, n, 30e3, 0.003 * ctx.usual_peak))[:, None]


_INJECTOR_FAULTS = {
    "stuck-needle": "needle does not move: no dip in the rise",
    "slow-needle": "needle gummed: opens late",
    "series-resistance": "resistance in the circuit: current low and bowed",
    "shorted-turns": "coil turns shorted: current high, rise quick",
    "supply-low": "low injector supply",
    "slow-release": "release clamp failed: current dies slowly",
    "missing-pulses": "pulses missing",
    "low-boost": "boost voltage low: slow rise, low peak",
    "weak-hold": "hold current low",
    "slow-decay": "turn-off slow",
    "extra-pulse": "a second, unwanted pulse",
}

INJECTOR = System(
    "injector-current",
    (("injector_current", "A"),),
    "dc",
    (
        Context(
            "orlin-16",
            "idle",
            ("stuck-needle", "slow-needle", "series-resistance", "shorted-turns"),
            ("slow-release", "missing-pulses"),
            (0.65, 0.90),
            (("brick8", 250e3), ("slate12", 200e3), ("pad12", 125e3), ("audio16", 192e3)),
            (1.0e3, 2.0e3),
            probes=(1.0, 2.0),
            usual_peak=1.15,
            car={"rpm": 790, "width": 2.9e-3, "direct": 0},
        ),
        Context(
            "hadric-22",
            "r2500",
            ("low-boost", "weak-hold", "series-resistance", "slow-decay"),
            ("extra-pulse", "shorted-turns"),
            (0.22, 0.34),
            (("brick8", 1e6), ("brick8", 500e3), ("slate12", 500e3), ("slate12", 250e3)),
            (2.0e3, 4.0e3),
            probes=(10.0, 5.0),
            usual_peak=12.0,
            car={"rpm": 2500, "width": 1.7e-3, "direct": 1},
        ),
    ),
    _INJECTOR_FAULTS,
    simulate_injector,
    clamp=True,
    unscaled=frozenset({"extra-pulse"}),
)

# --- active wheel-speed sensor ------------------------------------------------------------


def _pole_edges(ctx: Context, fx: Effect, rng: Rng, turns: int) -> Array:
    """Edge positions in turns: rising at even, falling at odd index, turn x edge."""
    poles = int(ctx.car["poles"])
    duty = spread(rng, 0.5, 0.03)
    pitch = 1 / poles
    rise = np.arange(poles) * pitch + 0.006 * pitch * rng.normal(size=poles)
    fall = rise + pitch * (duty + 0.008 * rng.normal(size=poles))
    edges = np.stack([rise, fall], axis=1)[None] + np.arange(turns)[:, None, None]
    gap = fx.each("large-gap", turns, rng)[:, None, None]
    edges = edges + pitch * (0.004 + 0.07 * gap) * rng.normal(size=edges.shape)
    edges[:, :, 1] -= pitch * 0.22 * gap[:, :, 0]
    # An encoder that is not centred makes long and short poles once per turn.
    eccentric = (
        0.0012 * rng.uniform(0.2, 1) + 0.013 * fx.each("encoder-run-out", turns, rng)[:, None, None]
    )
    edges = edges + eccentric * np.sin(2 * np.pi * edges + rng.uniform(0, 6))
    bad = int(rng.integers(poles))
    hurt = fx.each("damaged-pole", turns, rng)
    edges[:, bad, 1] -= np.clip(1.15 * hurt, 0, 1) * (edges[:, bad, 1] - edges[:, bad, 0])
    return np.maximum.accumulate(edges.reshape(-1))


def _wheel_levels(fx: Effect, rng: Rng, turns: int) -> tuple[Array, Array]:
    leak = fx.each("leakage", turns, rng)
    weak = fx.each("series-resistance", turns, rng)
    low = spread(rng, 7.0, 0.035) + 4.2 * leak
    high = spread(rng, 14.0, 0.03) + 4.5 * leak
    return low * (1 - 0.25 * weak), high * (1 - 0.36 * weak)


def simulate_wheel(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    rate = spread(rng, ctx.car["turns"], 0.14)
    t = np.arange(n) / fs
    speed = rate * (1 + wander(rng, n, 6, 0.012) + rng.normal() * 0.05 * t)
    phase = np.cumsum(speed) / fs + rng.uniform()
    turns = int(phase[-1]) + 2
    edges = _pole_edges(ctx, fx, rng, turns)
    state = (np.searchsorted(edges, phase, side="right") % 2).astype(float)
    bump = fx("bump-dropouts")
    for _ in range(int(bump * 3 + 1) if bump else 0):
        first = int(rng.uniform(0, 0.9) * n)
        state[first : first + int(rng.uniform(0.01, 0.02 + 0.06 * bump) * fs)] = 0.0
    turn = np.clip(phase.astype(int), 0, turns - 1)
    low, high = _wheel_levels(fx, rng, turns)
    trace = low[turn] + (high - low)[turn] * state
    trace = low_pass(trace, fs, rng.uniform(12e3, 30e3))
    # The supply's ripple reaches the loop current a little.
    trace += 0.05 * rng.uniform(0.2, 1.0) * np.sin(2 * np.pi * rng.uniform(900, 1600) * t)
    spikes = fx("spark-noise")
    trace += ignition_noise(rng, fs, n, 1500, 4, 0.25 + 12 * spikes)
    return (trace + hiss(rng, fs, n, 12e3, 0.05))[:, None]


_WHEEL_FAULTS = {
    "damaged-pole": "one encoder pole damaged: a short or missing pulse each turn",
    "series-resistance": "series resistance: both levels low",
    "leakage": "moisture bridge: both levels high",
    "large-gap": "gap too large: edges jitter, pulses narrow",
    "encoder-run-out": "encoder off centre: pulse length swings once per turn",
    "bump-dropouts": "loose contact: signal sticks low for some milliseconds",
    "spark-noise": "interference spikes on the loop",
}
_WHEEL_KNOWN = ("damaged-pole", "series-resistance", "leakage", "large-gap")


def _wheel_context(
    family: str,
    condition: str,
    unknown: tuple[str, ...],
    seconds: tuple[float, float],
    **car: float,
) -> Context:
    setups = (("brick8", 50e3), ("slate12", 50e3), ("pad12", 40e3), ("slate12", 100e3))
    return Context(
        family,
        condition,
        _WHEEL_KNOWN,
        unknown,
        seconds,
        setups,
        (200.0, 350.0),
        probes=(10.0, 5.0),
        usual_peak=19.0,
        car=car,
    )


WHEEL = System(
    "wheel-speed-active",
    (("wheel_speed", "mA"),),
    "dc",
    (
        _wheel_context(
            "velda-20",
            "roll-30",
            ("encoder-run-out", "bump-dropouts"),
            (0.70, 1.1),
            turns=4.3,
            poles=48,
        ),
        _wheel_context(
            "brev-14", "roll-15", ("spark-noise", "bump-dropouts"), (1.0, 1.6), turns=2.2, poles=44
        ),
    ),
    _WHEEL_FAULTS,
    simulate_wheel,
)
