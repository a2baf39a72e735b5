"""Fuel-pump current: one hump per commutator ripple."""

from __future__ import annotations

import numpy as np

from .common import (
    Array,
    Case,
    Context,
    Fault,
    Params,
    Rng,
    Sensor,
    between,
    blend,
    low_pass,
    near,
    spikes,
    wander,
)


def pump_speed(p: Params, fs: float, n: int, rng: Rng, running: Array) -> Array:
    """Revolutions per second, spinning up where the recording holds the switch-on."""
    steady = (
        p["rpm"]
        / 60
        * (1 + 0.006 * wander(rng, n, fs, 0.06) + p["unsteady"] * wander(rng, n, fs, 0.012))
    )
    return steady * (1 - np.exp(-np.maximum(running, 0) / p["spin_up"]))


def segment_wave(p: Params, turn: Array, rng: Rng) -> Array:
    """One hump per commutator ripple, each with its own height; fixed from turn to turn."""
    count = int(p["ripples"])
    seeds = np.random.default_rng(int(p["winding"]))
    heights = 1 + p["spread"] * seeds.normal(size=count)
    base = p["spread"] * 0.4 * seeds.normal(size=count)
    bad = int(p["bad"])
    heights[bad % count] *= 1 - p["bad_bar"]
    base[bad % count] -= 0.75 * p["bad_bar"] + 1.6 * p["open_bar"]
    base[(bad + 1) % count] += 0.35 * p["bad_bar"] - 0.8 * p["open_bar"]
    position = turn % 1 * count
    index = position.astype(int) % count
    f = position - np.floor(position)
    hump = np.abs(np.sin(np.pi * f)) ** p["round"] - 0.62 + p["skew"] * np.sin(2 * np.pi * f)
    nxt = (index + 1) % count
    ramp = f * f * (3 - 2 * f)
    return hump * (heights[index]) + base[index] * (1 - ramp) + base[nxt] * ramp


def pump_current(
    p: Params, turn: Array, omega: Array, running: Array, fs: float, rng: Rng
) -> Array:
    n = len(turn)
    full = p["rpm"] / 60
    load = p["amps"] * (
        1 + 0.02 * wander(rng, n, fs, 0.1) + p["drag"] * np.sin(2 * np.pi * turn + 0.4)
    )
    inrush = (p["inrush"] - p["amps"]) * np.clip(1 - omega / full, 0, 1)
    wave = segment_wave(p, turn, rng) * p["ripple"]
    arcs = low_pass(rng.normal(size=n), fs, 2500) * np.sqrt(fs / 1.2e4) * p["arcing"] * p["ripple"]
    chatter = (1 + p["chatter"] * wander(rng, n, fs, 0.004)) * wave
    current = load + inrush + chatter * np.clip(omega / full, 0, 1) + arcs
    current = current * (1 - np.exp(-np.maximum(running, 0) / 1.2e-3))
    return np.where(running > 0, current, 0.0)


def render_pump(case: Case, fs: float, n: int, rng: Rng) -> Array:
    p = case.broken if case.broken is not None and not case.intermittent else case.sound
    t = np.arange(n) / fs
    prime = p["prime"] > 0
    switch_on = between(rng, 0.005, 0.03) if prime else -3.0
    running = t - switch_on
    omega = pump_speed(p, fs, n, rng, running)
    turn = np.cumsum(omega) / fs + between(rng, 0, 1)
    state = rng.bit_generator.state

    def make(q: Params) -> Array:
        rng.bit_generator.state = state
        return pump_current(q, turn, omega, running, fs, rng)

    out = blend(case, rng, turn.astype(int), make, int(0.0006 * fs))
    out = low_pass(out, fs, p["corner"])
    out = (
        out
        + p["mains"] * np.sin(2 * np.pi * 1240 * t + 1)
        + spikes(rng, n, fs, 0.036, 0.06, 1.5e4, 2e-4)
    )
    return out + rng.normal(0, 0.02, n)


def pump_vehicle(rng: Rng, amps: float, rpm: float, ripples: float, ripple: float) -> Params:
    return {
        "amps": near(rng, amps, 0.07),
        "rpm": near(rng, rpm, 0.05),
        "ripples": ripples,
        "ripple": near(rng, ripple, 0.12),
        "winding": float(rng.integers(1 << 30)),
        "spread": near(rng, 0.07, 0.25),
        "bad": float(rng.integers(64)),
        "bad_bar": 0.0,
        "open_bar": 0.0,
        "round": near(rng, 1.0, 0.12),
        "skew": near(rng, 0.06, 0.5),
        "arcing": near(rng, 0.06, 0.25),
        "chatter": near(rng, 0.06, 0.3),
        "drag": abs(near(rng, 0.016, 0.45)),
        "unsteady": 0.001,
        "inrush": near(rng, 18, 0.1),
        "spin_up": near(rng, 0.05, 0.15),
        "prime": 0.0,
        "corner": near(rng, 6000, 0.2),
        "mains": abs(near(rng, 0.02, 0.5)),
    }


def dunmere_idle(rng: Rng) -> Params:
    return pump_vehicle(rng, 5.4, 5600, 8, 0.75)


def fenwick_prime(rng: Rng) -> Params:
    # Odd bar count seen twice per turn: fourteen ripples a revolution.
    p = pump_vehicle(rng, 4.2, 4700, 14, 0.50)
    p["prime"] = 1.0
    return p


def worn_bar(p: Params, s: float, rng: Rng) -> None:
    p["bad_bar"] = 0.95 * s


def worn_brushes(p: Params, s: float, rng: Rng) -> None:
    p["arcing"] += 0.55 * s
    p["chatter"] += 0.45 * s
    p["unsteady"] += 0.012 * s
    p["amps"] *= 1 - 0.08 * s


def restricted(p: Params, s: float, rng: Rng) -> None:
    p["amps"] *= 1 + 0.55 * s
    p["rpm"] *= 1 - 0.32 * s


def low_load(p: Params, s: float, rng: Rng) -> None:
    p["amps"] *= 1 - 0.45 * s
    p["rpm"] *= 1 + 0.24 * s
    p["ripple"] *= 1 - 0.15 * s


def open_bar(p: Params, s: float, rng: Rng) -> None:
    p["open_bar"] = 1.5 * s**1.3


def feed_resistance(p: Params, s: float, rng: Rng) -> None:
    p["amps"] *= 1 - 0.3 * s
    p["rpm"] *= 1 - 0.38 * s
    p["inrush"] *= 1 - 0.4 * s


def tight_bearing(p: Params, s: float, rng: Rng) -> None:
    p["drag"] += 0.15 * s**1.3
    p["amps"] *= 1 + 0.12 * s


PUMP = {
    "system": "fuel-pump-current",
    "channels": (("pump", "A"),),
    "render": render_pump,
    "rates": (2.3e4, 2.6e5),
    "low_rates": (2.5e2, 7e2),
    "sim_rate": 9e4,
    "hum": 0.15,
    "ac_corner": (0.8, 8.0),
}


# A clamp as sensitive as the current allows: on eight bits the ripple would otherwise drown in the
# steps.
SMALL_CLAMP = (Sensor(2.5, 0.015, 0.05, 2.2e4), Sensor(2.5, 0.01, 0.04, 8e4))


WIDE_CLAMP = (Sensor(6.25, 0.02, 0.08, 2.2e4), Sensor(6.25, 0.012, 0.05, 8e4))


KNOWN_PUMP = (
    Fault("worn-bar", worn_bar),
    Fault("worn-brushes", worn_brushes),
    Fault("restricted-flow", restricted, False),
    Fault("low-load", low_load, False),
)


CONTEXTS = (
    Context(
        family="dunmere-20",
        condition="idle",
        draw=dunmere_idle,
        known=KNOWN_PUMP,
        sensors=SMALL_CLAMP,
        unknown=(Fault("open-bar", open_bar), Fault("feed-resistance", feed_resistance, False)),
        span=(0.08, 1.5),
        event=0.0108,
        peak=9.5,
        **PUMP,
    ),
    Context(
        family="fenwick-16",
        condition="prime",
        draw=fenwick_prime,
        known=KNOWN_PUMP,
        sensors=WIDE_CLAMP,
        unknown=(
            Fault("tight-bearing", tight_bearing),
            Fault("feed-resistance", feed_resistance, False),
            Fault("open-bar", open_bar),
        ),
        span=(0.35, 1.8),
        event=0.0128,
        peak=21.0,
        **PUMP,
    ),
)
