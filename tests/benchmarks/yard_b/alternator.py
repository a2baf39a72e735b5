"""Alternator ripple: a six-diode bridge feeding a battery."""

from __future__ import annotations

import numpy as np

from .common import (
    Array,
    Case,
    Context,
    Fault,
    Params,
    Rng,
    between,
    blend,
    crank_angle,
    low_pass,
    near,
    spikes,
    wander,
)


def phase_volts(p: Params, theta: Array) -> list[Array]:
    """Three stator phases with a little third and fifth harmonic, unequal within winding
    tolerance.
    """
    out = []
    for k in range(3):
        a = theta - 2 * np.pi * k / 3 - p[f"shift{k}"]
        out.append(p[f"gain{k}"] * (np.sin(a) + p["h3"] * np.sin(3 * a) + p["h5"] * np.sin(5 * a)))
    return out


def bridge(p: Params, theta: Array) -> Array:
    """Open-circuit output of the six-diode bridge, weak diodes modelled as an extra drop in
    their leg.
    """
    phases = phase_volts(p, theta)
    top = np.max([v - p[f"up{k}"] for k, v in enumerate(phases)], axis=0)
    bottom = np.min([v + p[f"dn{k}"] for k, v in enumerate(phases)], axis=0)
    return top - bottom


def bridge_current(p: Params, theta: Array) -> Array:
    """Current into the car: what the bridge has above the battery, never negative, scaled to
    the load.
    """
    volts = bridge(p, theta)
    # The battery sits where the mean current is the load's; a few steps of bisection on a slice
    # suffice.
    piece = volts[:: max(len(volts) // 4000, 1)]
    lo, hi = float(piece.min()) - 3.0, float(piece.max())
    for _ in range(18):
        mid = 0.5 * (lo + hi)
        lo, hi = (mid, hi) if np.maximum(piece - mid, 0).mean() > p["head"] else (lo, mid)
    current = np.maximum(volts - lo, 0) / p["head"]
    if p["short"] > 0:  # a leaking diode ties its phase to a rail for half a period
        leak = np.maximum(np.sin(theta - p["short_at"]), 0) ** 0.8
        current = current - p["short"] * leak
    return current - current.mean()


def render_ripple(case: Case, fs: float, n: int, rng: Rng) -> Array:
    p = case.sound
    crank = crank_angle(rng, n, fs, p["rpm"], 2, p["torsion"])
    rotor = np.deg2rad(crank) * (case.broken or p)["ratio"] + between(rng, 0, 2 * np.pi)
    state = rng.bit_generator.state

    def make(q: Params) -> Array:
        rng.bit_generator.state = state  # same noise for the sound and the broken version
        slip = q["slip"] * wander(rng, n, fs, 0.03)
        turn = rotor + np.cumsum(slip) * 2 * np.pi / fs * q["ratio"] * q["rpm"] / 60
        return ripple_volts(q, turn, crank, fs, rng)

    return blend(case, rng, (crank / 360).astype(int), make, int(0.004 * fs))


def ripple_volts(p: Params, rotor: Array, crank: Array, fs: float, rng: Rng) -> Array:
    n = len(rotor)
    theta = rotor * p["poles"]
    field = 1 + p["eccentric"] * np.sin(rotor + 0.7) + 0.03 * wander(rng, n, fs, 0.08)
    brush = low_pass((rng.random(n) < p["brush"] * 900 / fs).astype(float), fs, 90) * fs / 565
    field = field * np.clip(1 - p["brush_depth"] * np.minimum(brush, 1), 0.05, 2)
    current = bridge_current(p, theta) * field
    out = p["amp"] * low_pass(current, fs, p["corner"])
    out = out + p["amp"] * (field - field.mean()) * 0.4
    # Regulator chopping: a slow triangle at its own frequency; engine-speed sag with each torque
    # pulse.
    duty = p["duty"] * (1 + 0.1 * wander(rng, n, fs, 0.05))
    phase = np.cumsum(np.full(n, p["reg_f"])) / fs % 1
    saw = np.where(phase < duty, phase / duty, (1 - phase) / (1 - duty)) - 0.5
    out = out + p["reg"] * saw + p["sag"] * np.sin(np.deg2rad(2 * crank) + 1.0)
    out = out + spikes(rng, n, fs, 30 / p["rpm"], p["spike"], 2.5e4, 1.5e-4)
    return out + 0.012 * wander(rng, n, fs, 0.02) + rng.normal(0, p["hiss"], n)


def alternator_vehicle(rng: Rng, rpm: float, amp: float) -> Params:
    p = {
        "rpm": rpm,
        "torsion": near(rng, 0.008, 0.4),
        "ratio": near(rng, 2.62, 0.004),
        "poles": 6.0,
        "slip": 0.0,
        "h3": near(rng, 0.06, 0.4),
        "h5": near(rng, 0.015, 0.4),
        "head": near(rng, 0.26, 0.18),
        "amp": near(rng, amp, 0.2),
        "corner": near(rng, 7500, 0.25),
        "short": 0.0,
        "short_at": 0.0,
        "eccentric": abs(near(rng, 0.03, 0.5)),
        "brush": 0.0,
        "brush_depth": 0.0,
        "reg": abs(near(rng, 0.022, 0.4)),
        "reg_f": near(rng, 210, 0.25),
        "duty": between(rng, 0.3, 0.7),
        "sag": abs(near(rng, 0.012, 0.4)),
        "spike": abs(near(rng, 0.06, 0.5)),
        "hiss": 0.006,
    }
    for k in range(3):
        p[f"gain{k}"], p[f"shift{k}"] = near(rng, 1.0, 0.010), 0.012 * float(rng.normal())
        p[f"up{k}"] = p[f"dn{k}"] = 0.0
    return p


def oakby_idle(rng: Rng) -> Params:
    return alternator_vehicle(rng, near(rng, 830, 0.04), 0.21)


def oakby_fast(rng: Rng) -> Params:
    p = alternator_vehicle(rng, near(rng, 2450, 0.03), 0.26)
    p["corner"] = near(rng, 11000, 0.25)
    return p


def open_diode(p: Params, s: float, rng: Rng) -> None:
    side = "up" if rng.random() < 0.5 else "dn"
    p[f"{side}{int(rng.integers(3))}"] += 0.05 * s if s < 0.35 else 1.1 * s**2


def open_phase(p: Params, s: float, rng: Rng) -> None:
    k = int(rng.integers(3))
    drop = 0.045 * s if s < 0.35 else 1.0 * s**2
    p[f"up{k}"] += drop
    p[f"dn{k}"] += drop


def leaking_diode(p: Params, s: float, rng: Rng) -> None:
    p["short"] += 2.6 * s**1.6
    p["short_at"] = between(rng, 0, 2 * np.pi)


def battery_impedance(p: Params, s: float, rng: Rng) -> None:
    p["amp"] *= 1 + 2.2 * s
    p["reg"] *= 1 + 2.2 * s
    p["spike"] *= 1 + s


def stator_turns(p: Params, s: float, rng: Rng) -> None:
    k = int(rng.integers(3))
    p[f"gain{k}"] *= 1 - 0.17 * s**1.3
    p[f"shift{k}"] += 0.10 * s


def worn_slip_rings(p: Params, s: float, rng: Rng) -> None:
    p["brush"] = 0.03 + 0.07 * s
    p["brush_depth"] = 0.9 * s**1.2
    p["eccentric"] += 0.22 * s


def belt_slip(p: Params, s: float, rng: Rng) -> None:
    p["ratio"] *= 1 - 0.10 * s
    p["slip"] = 0.12 * s


RIPPLE = {
    "system": "alternator-ripple",
    "channels": (("ripple", "V"),),
    "render": render_ripple,
    "coupling": "ac",
    "rates": (9e4, 5.2e5),
    "low_rates": (9e2, 2.6e3),
    "peak": 1.8,
    "sim_rate": 1.9e5,
    "hum": 0.25,
}


KNOWN_ALTERNATOR = (
    Fault("open-diode", open_diode),
    Fault("open-phase", open_phase),
    Fault("leaking-diode", leaking_diode),
    Fault("battery-impedance", battery_impedance, False),
)


CONTEXTS = (
    Context(
        family="oakby-16",
        condition="idle",
        draw=oakby_idle,
        known=KNOWN_ALTERNATOR,
        unknown=(
            Fault("shorted-stator-turns", stator_turns),
            Fault("worn-slip-rings", worn_slip_rings),
        ),
        span=(0.03, 0.8),
        event=0.0725,
        **RIPPLE,
    ),
    Context(
        family="oakby-16",
        condition="r2500",
        draw=oakby_fast,
        known=KNOWN_ALTERNATOR,
        unknown=(
            Fault("shorted-stator-turns", stator_turns),
            Fault("worn-slip-rings", worn_slip_rings),
            Fault("belt-slip", belt_slip, False),
        ),
        span=(0.012, 0.5),
        event=0.0245,
        **RIPPLE,
    ),
)
