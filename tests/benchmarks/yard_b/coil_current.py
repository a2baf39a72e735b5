"""Ignition-coil current: one charge per firing."""

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
    event_times,
    low_pass,
    near,
    place,
    spikes,
    wander,
)


def coil_ramp(p: Params, fs: float, rng: Rng) -> Array:
    """One charge: exponential ramp, bent upward by saturation, flattened by the driver's
    limiter, cut sharply.
    """
    dwell = p["dwell"] * (1 + 0.012 * float(rng.normal()))
    volts = p["supply"] * (1 + 0.006 * float(rng.normal()))
    tau = np.arange(max(int(dwell * fs), 2)) / fs
    end = (volts - 1.3) / p["ohm"]
    current = end * (1 - np.exp(-tau * p["ohm"] / p["henry"]))
    current = current + p["knee"] * np.minimum(np.maximum(current / p["saturate"], 0) ** 6, 3.0)
    # Shorted turns are a loaded transformer: current jumps before the core has any flux.
    current = current + p["jump"] * (1 - np.exp(-tau / 2.5e-5))
    current = current * (1 - p["fade"] * np.clip(tau / dwell - 0.55, 0, 1) * 2)
    if p["limit"] > 0:
        over = current > p["limit"]
        if over.any():
            late = tau - tau[int(np.argmax(over))]
            wave = (
                0.06
                * p["limit"]
                * np.exp(-np.maximum(late, 0) / 1.2e-4)
                * np.cos(2 * np.pi * 4e3 * np.maximum(late, 0))
            )
            current = np.where(late >= 0, p["limit"] + wave, current)
    fall = np.arange(int(4e-4 * fs)) / fs
    return np.concatenate([current, current[-1] * np.exp(-fall / p["fall"])])


def coil_event(p: Params, fs: float, rng: Rng) -> tuple[Array, int]:
    ramp = coil_ramp(p, fs, rng)
    at = int(p["dwell"] * fs)
    if rng.random() < p["bounce"]:  # the command chatters: a gap in the charge
        hole = int(between(rng, 0.35, 0.6) * at)
        width = max(int(p["hole"] * fs), 2)
        rest = np.arange(len(ramp) - hole)
        ramp[hole:] -= ramp[hole] * np.exp(-rest / (p["henry"] / p["ohm"] * 0.5 * fs)) * 0.9
        ramp[hole : hole + width] = np.maximum(ramp[hole : hole + width] * 0.1, 0)
    return np.maximum(ramp, 0), at


def render_coil(case: Case, fs: float, n: int, rng: Rng) -> Array:
    p = case.sound
    out = np.zeros(n)
    starts = event_times(rng, n / fs, 120 / p["rpm"], p["jitter"])
    for t, hit in zip(starts, case.schedule(rng, len(starts)), strict=True):
        piece, edge = coil_event(case.params(bool(hit)), fs, rng)
        place(out, piece, int(t * fs) - edge)
    out = low_pass(out, fs, p["corner"]) + spikes(
        rng, n, fs, 30 / p["rpm"], p["spike"], 2.5e4, 1.5e-4
    )
    return out + 0.03 * wander(rng, n, fs, 0.05) + rng.normal(0, 0.015, n)


def coil_vehicle(rng: Rng, rpm: float, dwell: float) -> Params:
    return {
        "rpm": rpm,
        "jitter": near(rng, 0.007, 0.3),
        "supply": near(rng, 14.0, 0.018),
        "ohm": near(rng, 0.62, 0.07),
        "henry": near(rng, 3.6e-3, 0.06),
        "dwell": near(rng, dwell, 0.05),
        "knee": abs(near(rng, 0.7, 0.4)),
        "saturate": near(rng, 9.0, 0.05),
        "jump": 0.0,
        "fade": 0.0,
        "limit": 0.0,
        "fall": near(rng, 2.2e-5, 0.2),
        "bounce": 0.0,
        "hole": 2e-4,
        "corner": near(rng, 5e4, 0.2),
        "spike": abs(near(rng, 0.12, 0.4)),
    }


def marlow_idle(rng: Rng) -> Params:
    return coil_vehicle(rng, near(rng, 780, 0.05), 2.5e-3)


def selwick_coil(rng: Rng) -> Params:
    p = coil_vehicle(rng, near(rng, 2480, 0.03), 3.3e-3)
    p["henry"] = near(rng, 3.9e-3, 0.06)
    p["limit"] = near(rng, 7.6, 0.025)
    return p


def shorted_turns(p: Params, s: float, rng: Rng) -> None:
    p["jump"] += 2.8 * s**1.3
    p["henry"] *= 1 - 0.42 * s


def high_resistance(p: Params, s: float, rng: Rng) -> None:
    p["ohm"] *= 1 + 2.0 * s


def low_coil_supply(p: Params, s: float, rng: Rng) -> None:
    p["supply"] *= 1 - 0.36 * s


def short_charge(p: Params, s: float, rng: Rng) -> None:
    p["dwell"] *= 1 - 0.55 * s


def limiter_failed(p: Params, s: float, rng: Rng) -> None:
    p["limit"] *= 1 + 0.6 * s


def driver_fades(p: Params, s: float, rng: Rng) -> None:
    p["fade"] = 0.75 * s**1.4


def command_bounce(p: Params, s: float, rng: Rng) -> None:
    p["bounce"] = min(0.4 + s, 1.0)
    p["hole"] = 4e-5 + 3.5e-4 * s


CLAMP = (Sensor(10.0, 0.02, 0.06, 6e4), Sensor(10.0, 0.015, 0.05, 1.1e5))


COIL = {
    "system": "coil-current",
    "channels": (("coil", "A"),),
    "render": render_coil,
    "rates": (9e4, 1.1e6),
    "low_rates": (1e3, 3e3),
    "peak": 12.0,
    "sim_rate": 4e5,
    "sensors": CLAMP,
    "hum": 0.15,
    "ac_corner": (8.0, 60.0),
}


COIL_KNOWN = (
    Fault("shorted-turns", shorted_turns),
    Fault("high-resistance", high_resistance),
    Fault("low-supply", low_coil_supply),
    Fault("short-dwell", short_charge),
)


CONTEXTS = (
    Context(
        family="marlow-18",
        condition="idle",
        draw=marlow_idle,
        known=COIL_KNOWN,
        span=(0.17, 1.2),
        event=0.154,
        unknown=(Fault("driver-fades", driver_fades), Fault("command-bounce", command_bounce)),
        **COIL,
    ),
    Context(
        family="selwick-20",
        condition="r2500",
        draw=selwick_coil,
        known=COIL_KNOWN,
        span=(0.06, 0.6),
        event=0.0484,
        unknown=(
            Fault("limiter-failed", limiter_failed),
            Fault("driver-fades", driver_fades),
            Fault("command-bounce", command_bounce),
        ),
        **COIL,
    ),
)
