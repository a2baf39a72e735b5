"""Ignition primary: volts at the driver's collector."""

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
    event_times,
    low_pass,
    near,
    put,
    spikes,
)
from .secondary import burn_ms, ring

PRIMARY_FIRE = 4.0e-3


def primary_event(p: Params, fs: float, rng: Rng) -> tuple[Array, int]:
    """Collector volts relative to supply: dwell, peak, plateau, ringing."""
    dwell = p["dwell"] * (1 + 0.012 * float(rng.normal()))
    tau = np.arange(max(int(dwell * fs), 2)) / fs
    current = p["ohm_i"] * (1 - np.exp(-tau / p["tau"]))
    on = p["vce"] + p["vce_r"] * current - p["supply"]
    if p["limit"] > 0 and dwell > p["limit"]:
        on[tau > p["limit"]] += p["limit_lift"]
    kv = p["kv"] * (1 + p["kv_cov"] * float(rng.normal()))
    vb = p["vb"] * (1 + 0.04 * float(rng.normal()))
    t_burn = burn_ms(p, p["energy"], kv, vb) * 1e-3 * (1 + 0.04 * float(rng.normal()))
    wanted = kv * 1000 / p["turns"] * 1.08
    top = min(wanted, p["clamp"] * (1 + 0.004 * float(rng.normal())))
    ramp = np.linspace(on[-1], top, max(int(p["edge"] * fs), 2))
    if kv > p["able"]:
        shot = no_spark_primary(p, fs, top)
    else:
        shot = spark_primary(p, fs, rng, top, vb, t_burn)
    return np.concatenate([on, ramp, shot]), len(on)


def no_spark_primary(p: Params, fs: float, top: float) -> Array:
    """Open secondary: flat on the clamp until the energy is spent, then a large free ring."""
    flat = np.full(max(int(p["energy"] / 1000 / (p["clamp"] * 3.5) * 2 * fs), 2), top)
    tau = np.arange(int(PRIMARY_FIRE * fs)) / fs
    f = p["ring"] * 0.8
    return np.concatenate([flat, 0.55 * top * np.exp(-tau * f / 3.0) * np.cos(2 * np.pi * f * tau)])


def spark_primary(p: Params, fs: float, rng: Rng, top: float, vb: float, t_burn: float) -> Array:
    plateau = vb * 1000 / p["turns"] * 2.2
    tau = np.arange(max(int(t_burn * fs), 2)) / fs
    x = tau / t_burn
    line = plateau * (0.95 + 0.1 * x + 0.25 * x**8)
    line = line + 0.03 * plateau * low_pass(rng.normal(size=len(tau)), fs, 9e3) * np.sqrt(fs / 4e4)
    line = line + (top - plateau) * np.exp(-tau / p["fall"])
    line = line + 0.15 * top * np.exp(-tau / 6e-5) * np.sin(2 * np.pi * p["leak_f"] * tau)
    tail = np.arange(int(PRIMARY_FIRE * fs)) / fs
    return np.concatenate([line, ring(p, tail, float(line[-1]), rng)])


def render_primary(case: Case, fs: float, n: int, rng: Rng) -> Array:
    p = case.sound
    out = np.zeros(n)
    starts = event_times(rng, n / fs, 120 / p["rpm"], p["jitter"])
    for t, hit in zip(starts, case.schedule(rng, len(starts)), strict=True):
        piece, edge = primary_event(case.params(bool(hit)), fs, rng)
        put(out, piece, int(t * fs) - edge)
    base = (case.broken or p)["supply"] if not case.intermittent else p["supply"]
    out = out + base + 0.12 * np.sin(2 * np.pi * 1150 * np.arange(n) / fs + between(rng, 0, 6))
    out = out + spikes(rng, n, fs, 120 / p["rpm"] / 4, 3.0, 3e4, 1.5e-4)
    return out + rng.normal(0, 0.25, n)


def primary_vehicle(rng: Rng, rpm: float, kv: float, dwell: float, clamp: float) -> Params:
    return {
        "rpm": rpm,
        "jitter": near(rng, 0.007, 0.3),
        "supply": near(rng, 14.1, 0.018),
        "dwell": near(rng, dwell, 0.06),
        "ohm_i": near(rng, 22, 0.1),
        "tau": near(rng, 6e-3, 0.08),
        "vce": near(rng, 1.3, 0.12),
        "vce_r": near(rng, 0.09, 0.15),
        "limit": 0.0,
        "limit_lift": 4.5,
        "kv": near(rng, kv, 0.09),
        "kv_cov": near(rng, 0.05, 0.3),
        "vb": near(rng, 1.05, 0.07),
        "able": 34.0,
        "turns": near(rng, 74, 0.03),
        "clamp": near(rng, clamp, 0.03),
        "edge": near(rng, 11e-6, 0.2),
        "energy": near(rng, 55, 0.07),
        "cap": 0.09,
        "henry": near(rng, 17, 0.06),
        "fall": near(rng, 1.4e-5, 0.2),
        "leak_f": near(rng, 2.6e4, 0.1),
        "ring": near(rng, 4800, 0.08),
        "ring_q": near(rng, 3.0, 0.12),
    }


def hollin_idle(rng: Rng) -> Params:
    return primary_vehicle(rng, near(rng, 760, 0.05), 12.5, 3.0e-3, 395)


def selwick_primary(rng: Rng) -> Params:
    p = primary_vehicle(rng, near(rng, 2480, 0.03), 10.5, 3.5e-3, 365)
    p["limit"] = near(rng, 3.0e-3, 0.04)
    return p


def primary_open(p: Params, s: float, rng: Rng) -> None:
    p["kv"] *= 1 + 2.3 * s**1.4
    p["vb"] *= 1 + 0.7 * s
    p["kv_cov"] = 0.05 + 0.06 * s


def leaky_driver(p: Params, s: float, rng: Rng) -> None:
    p["clamp"] = min(p["clamp"], p["kv"] * 1000 / p["turns"] * 1.08) * (1 - 0.6 * s)
    p["edge"] *= 1 + 6 * s
    p["energy"] *= 1 - 0.35 * s


def primary_fouled(p: Params, s: float, rng: Rng) -> None:
    p["kv"] *= 1 - 0.62 * s
    p["vb"] *= 1 - 0.38 * s


def driver_ground(p: Params, s: float, rng: Rng) -> None:
    p["vce"] += 1.6 * s
    p["vce_r"] += 0.28 * s
    p["ohm_i"] *= 1 - 0.2 * s


def primary_turns(p: Params, s: float, rng: Rng) -> None:
    p["tau"] *= 1 - 0.6 * s
    p["energy"] *= 1 - 0.6 * s
    p["turns"] *= 1 + 0.35 * s
    p["ring_q"] *= 1 - 0.7 * s


def short_dwell(p: Params, s: float, rng: Rng) -> None:
    p["dwell"] *= 1 - 0.5 * s
    p["energy"] *= (1 - 0.5 * s) ** 1.7


def low_supply(p: Params, s: float, rng: Rng) -> None:
    p["supply"] -= 3.6 * s
    p["ohm_i"] *= 1 - 0.25 * s
    p["energy"] *= 1 - 0.45 * s


PRIMARY = {
    "system": "ignition-primary",
    "channels": (("primary", "V"),),
    "render": render_primary,
    "rates": (1.9e5, 1.1e6),
    "low_rates": (1e3, 3e3),
    "peak": 410.0,
    "sim_rate": 1e6,
    "ac_corner": (5.0, 40.0),
    "hum": 3.0,
}


KNOWN_PRIMARY = (
    Fault("open-secondary", primary_open),
    Fault("fouled-plug", primary_fouled),
    Fault("leaky-driver", leaky_driver),
    Fault("driver-ground-resistance", driver_ground, False),
)


CONTEXTS = (
    Context(
        family="hollin-30",
        condition="idle",
        draw=hollin_idle,
        known=KNOWN_PRIMARY,
        unknown=(Fault("shorted-primary-turns", primary_turns), Fault("short-dwell", short_dwell)),
        span=(0.17, 1.1),
        event=0.158,
        **PRIMARY,
    ),
    Context(
        family="selwick-20",
        condition="r2500",
        draw=selwick_primary,
        known=(*KNOWN_PRIMARY, Fault("shorted-primary-turns", primary_turns)),
        unknown=(Fault("short-dwell", short_dwell), Fault("low-supply", low_supply, False)),
        span=(0.06, 0.5),
        event=0.0484,
        **PRIMARY,
    ),
)
