"""Injectors: port-injector voltage and direct-injector current."""

from __future__ import annotations

import numpy as np

from .coil_current import CLAMP
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
    place,
    put,
    spikes,
    wander,
)


def injector_event(p: Params, fs: float, rng: Rng) -> tuple[Array, int]:
    """Relative to supply: pulled down, kick on the clamp, decay with the needle's closing hump."""
    width = p["width"] * (1 + p["trim"] * float(rng.normal()))
    on = np.arange(max(int(width * fs), 2)) / fs
    current = p["supply"] / p["ohm"] * (1 - np.exp(-on / p["tau"]))
    low = p["von"] + p["ron"] * current - p["supply"]
    off = np.arange(int(6.5e-3 * fs)) / fs
    height = p["kick"] * (current[-1] / 1.1) ** 0.25 * (1 + 0.008 * float(rng.normal()))
    top = min(height, p["clamp"])
    flat = p["flat"] * top / p["clamp"] if height >= p["clamp"] else 0.0
    decay = top * np.exp(-np.maximum(off - flat, 0) / p["decay"])
    # Eddy tail after the main decay, then the needle seats and its speed drops to nothing.
    decay = decay + 0.05 * top * np.exp(-off / (4 * p["decay"]))
    t_close = p["close"] * (1 + 0.012 * float(rng.normal()))
    x = (off - t_close) / p["hump_width"]
    hump = p["hump"] * np.where(x < 0, np.exp(-(x**2) * 1.2), np.exp(-((x * 1.9) ** 2)))
    edge = np.linspace(low[-1], top, max(int(4e-6 * fs), 2))
    return np.concatenate([low, edge, decay + hump]), len(low)


def render_injector(case: Case, fs: float, n: int, rng: Rng) -> Array:
    p = case.sound
    out = np.zeros(n)
    starts = event_times(rng, n / fs, 120 / p["rpm"], p["jitter"])
    for t, hit in zip(starts, case.schedule(rng, len(starts)), strict=True):
        piece, edge = injector_event(case.params(bool(hit)), fs, rng)
        put(out, piece, int(t * fs) - edge)
    base = (
        case.broken["supply"] if case.broken is not None and not case.intermittent else p["supply"]
    )
    t = np.arange(n) / fs
    out = out + base + p["ripple"] * np.sin(2 * np.pi * p["ripple_f"] * t + between(rng, 0, 6))
    out = out + 0.05 * wander(rng, n, fs, 0.03) + spikes(rng, n, fs, 30 / p["rpm"], 0.9, 2e4, 2e-4)
    return out + rng.normal(0, 0.06, n)


def injector_vehicle(rng: Rng, rpm: float, width: float, clamp: float) -> Params:
    return {
        "rpm": rpm,
        "jitter": near(rng, 0.007, 0.3),
        "supply": near(rng, 14.0, 0.018),
        "width": near(rng, width, 0.08),
        "trim": 0.02,
        "ohm": near(rng, 12.4, 0.04),
        "tau": near(rng, 9.5e-4, 0.07),
        "von": near(rng, 0.28, 0.15),
        "ron": near(rng, 0.28, 0.15),
        "kick": near(rng, 57, 0.05),
        "clamp": clamp,
        "flat": near(rng, 1.2e-4, 0.15),
        "decay": near(rng, 2.6e-4, 0.08),
        "close": near(rng, 1.15e-3, 0.06),
        "hump": near(rng, 2.6, 0.16),
        "hump_width": near(rng, 1.7e-4, 0.1),
        "ripple": abs(near(rng, 0.1, 0.4)),
        "ripple_f": near(rng, 1150, 0.05),
    }


def dunmere_injector(rng: Rng) -> Params:
    return injector_vehicle(rng, near(rng, 790, 0.05), 3.1e-3, 200.0)


def fenwick_injector(rng: Rng) -> Params:
    p = injector_vehicle(rng, near(rng, 2460, 0.03), 2.7e-3, near(rng, 47, 0.02))
    p["close"] = near(rng, 0.95e-3, 0.06)
    return p


def injector_turns(p: Params, s: float, rng: Rng) -> None:
    low = 1 - 0.62 * s
    p["kick"] *= low
    p["clamp"] = min(p["clamp"], p["kick"]) * (1 - 0.5 * s)
    p["ohm"] *= 1 - 0.45 * s
    p["decay"] *= 1 - 0.35 * s


def stuck_needle(p: Params, s: float, rng: Rng) -> None:
    p["hump"] *= max(1 - 1.05 * s, 0)


def lazy_needle(p: Params, s: float, rng: Rng) -> None:
    p["close"] += 9.5e-4 * s
    p["hump_width"] *= 1 + 0.5 * s


def injector_ground(p: Params, s: float, rng: Rng) -> None:
    p["von"] += 0.5 * s
    p["ron"] += 2.4 * s


def feed_drop(p: Params, s: float, rng: Rng) -> None:
    p["supply"] -= 3.8 * s


def leaking_clamp(p: Params, s: float, rng: Rng) -> None:
    p["clamp"] = min(p["clamp"], p["kick"]) * (1 - 0.55 * s)
    p["flat"] *= 1 + 3 * s
    p["hump"] *= 1 - 0.4 * s


def long_pulse(p: Params, s: float, rng: Rng) -> None:
    p["width"] *= 1 + 1.3 * s


def chopped(length: float, mean: float, swing: float, f: float, fs: float, rng: Rng) -> Array:
    """Two-point control between two currents: quick rise, slower freewheeling fall."""
    tau = np.arange(max(int(length * fs), 1)) / fs
    x = (tau * f + between(rng, 0, 0.2)) % 1
    saw = np.where(x < 0.35, x / 0.35, (1 - x) / 0.65) - 0.5
    return mean + swing * saw


def glide(a: float, b: float, tau: float, fs: float, stop: float = 0.03) -> Array:
    """Exponential from a until it has come within ``stop`` of b."""
    n = max(int(tau * np.log(max(abs(a - b) / stop, 1.5)) * fs), 2)
    return b + (a - b) * np.exp(-np.arange(n) / fs / tau)


def gdi_pulse(p: Params, fs: float, width: float, rng: Rng) -> Array:
    peak = p["peak"] * (1 + 0.01 * float(rng.normal()))
    t_peak = min(p["t_peak"] * (1 + 0.02 * float(rng.normal())), width * 0.6)
    x = np.arange(max(int(t_peak * fs), 2)) / fs / t_peak
    rise = peak * x * (1 + p["bow"] * (1 - x))  # positive bow: rounded, for want of voltage
    fall = glide(peak, p["pull"] * 0.9, p["free"], fs, 0.15)
    pull = chopped(p["t_pull"], p["pull"], p["pull_swing"], p["f_pull"], fs, rng)
    drop = glide(p["pull"], p["hold"] * 0.9, p["free"] * 0.8, fs, 0.15)
    used = (len(rise) + len(fall) + len(pull) + len(drop)) / fs
    hold = chopped(max(width - used, 0), p["hold"], p["hold_swing"], p["f_hold"], fs, rng)
    body = np.concatenate([rise, fall, pull, drop, hold])[: max(int(width * fs), 3)]
    return np.concatenate([body, glide(float(body[-1]), -0.3, p["kill"], fs, 0.1)])


def render_gdi(case: Case, fs: float, n: int, rng: Rng) -> Array:
    p = case.sound
    out = np.zeros(n)
    cycle = 120 / p["rpm"]
    starts = event_times(rng, n / fs, cycle, p["jitter"])
    for t, hit in zip(starts, case.schedule(rng, len(starts)), strict=True):
        q = case.params(bool(hit))
        for k in range(int(q["pulses"])):
            width = q["width"] * (1 if k == 0 else q["second"]) * (1 + 0.015 * float(rng.normal()))
            at = t + k * q["spacing"] * cycle
            if k == 0 or rng.random() >= q["skip"]:
                place(out, np.maximum(gdi_pulse(q, fs, width, rng), 0), int(at * fs))
    out = low_pass(out, fs, 1.1e5) + spikes(rng, n, fs, cycle / 4, 0.15, 3e4, 1e-4)
    return out + 0.03 * wander(rng, n, fs, 0.04) + rng.normal(0, 0.03, n)


def gdi_vehicle(rng: Rng, rpm: float, width: float, pulses: float) -> Params:
    return {
        "rpm": rpm,
        "jitter": near(rng, 0.007, 0.3),
        "width": near(rng, width, 0.07),
        "pulses": pulses,
        "second": near(rng, 0.55, 0.06),
        "spacing": near(rng, 0.12, 0.05),
        "skip": 0.0,
        "peak": near(rng, 11.0, 0.03),
        "t_peak": near(rng, 2.1e-4, 0.06),
        "bow": near(rng, -0.28, 0.2),
        "free": near(rng, 1.3e-4, 0.08),
        "pull": near(rng, 5.4, 0.04),
        "pull_swing": near(rng, 1.0, 0.1),
        "t_pull": near(rng, 3.5e-4, 0.08),
        "f_pull": near(rng, 1.7e4, 0.08),
        "hold": near(rng, 2.6, 0.05),
        "hold_swing": near(rng, 0.6, 0.12),
        "f_hold": near(rng, 1.1e4, 0.08),
        "kill": near(rng, 3.5e-5, 0.15),
    }


def quillan_gdi(rng: Rng) -> Params:
    return gdi_vehicle(rng, near(rng, 780, 0.05), 1.7e-3, 2.0)


def asterby_gdi(rng: Rng) -> Params:
    return gdi_vehicle(rng, near(rng, 2450, 0.03), 2.3e-3, 1.0)


def low_boost(p: Params, s: float, rng: Rng) -> None:
    p["t_peak"] *= 1 + 1.7 * s
    p["bow"] += 0.9 * s
    p["peak"] *= 1 - 0.22 * max(s - 0.3, 0)


def weak_hold(p: Params, s: float, rng: Rng) -> None:
    p["hold"] *= 1 - 0.55 * s


def gdi_resistance(p: Params, s: float, rng: Rng) -> None:
    p["peak"] *= 1 - 0.38 * s
    p["pull"] *= 1 - 0.25 * s
    p["bow"] += 0.5 * s


def gdi_short(p: Params, s: float, rng: Rng) -> None:
    p["t_peak"] *= 1 - 0.68 * s
    p["peak"] *= 1 + 0.15 * s
    p["f_hold"] *= 1 + 0.9 * s
    p["f_pull"] *= 1 + 0.9 * s


def no_pull_phase(p: Params, s: float, rng: Rng) -> None:
    p["t_pull"] *= max(1 - s, 0.02)
    p["free"] *= 1 - 0.35 * s


def second_missing(p: Params, s: float, rng: Rng) -> None:
    p["skip"] = 1.0


def slow_kill(p: Params, s: float, rng: Rng) -> None:
    p["kill"] *= 1 + 9 * s


INJECTOR = {
    "system": "injector-voltage",
    "channels": (("injector", "V"),),
    "render": render_injector,
    "rates": (9e4, 1.1e6),
    "low_rates": (1e3, 3e3),
    "peak": 82.0,
    "sim_rate": 5e5,
    "hum": 1.2,
    "ac_corner": (1.0, 10.0),
}


GDI = {
    "system": "gdi-current",
    "channels": (("injector", "A"),),
    "render": render_gdi,
    "rates": (1.9e5, 1.1e6),
    "low_rates": (2e3, 6e3),
    "peak": 15.0,
    "sim_rate": 1e6,
    "sensors": CLAMP[1:],
    "hum": 0.15,
    "ac_corner": (8.0, 60.0),
    "thin": True,
}


INJECTOR_KNOWN = (
    Fault("shorted-turns", injector_turns),
    Fault("stuck-needle", stuck_needle),
    Fault("lazy-needle", lazy_needle),
    Fault("driver-ground-resistance", injector_ground),
)


GDI_KNOWN = (
    Fault("low-boost", low_boost),
    Fault("weak-hold", weak_hold),
    Fault("high-resistance", gdi_resistance),
    Fault("shorted-turns", gdi_short),
)


CONTEXTS = (
    Context(
        family="dunmere-20",
        condition="idle",
        draw=dunmere_injector,
        known=INJECTOR_KNOWN,
        span=(0.17, 1.2),
        event=0.152,
        unknown=(Fault("feed-drop", feed_drop, False), Fault("leaking-clamp", leaking_clamp)),
        **INJECTOR,
    ),
    Context(
        family="fenwick-16",
        condition="r2500",
        draw=fenwick_injector,
        known=INJECTOR_KNOWN,
        span=(0.06, 0.6),
        event=0.0488,
        unknown=(
            Fault("feed-drop", feed_drop, False),
            Fault("leaking-clamp", leaking_clamp),
            Fault("long-pulse", long_pulse),
        ),
        **INJECTOR,
    ),
    Context(
        family="quillan-11",
        condition="idle",
        draw=quillan_gdi,
        known=GDI_KNOWN,
        span=(0.17, 0.9),
        event=0.154,
        unknown=(
            Fault("no-pull-phase", no_pull_phase),
            Fault("second-pulse-missing", second_missing, graded=False),
        ),
        **GDI,
    ),
    Context(
        family="asterby-16",
        condition="r2500",
        draw=asterby_gdi,
        known=GDI_KNOWN,
        span=(0.06, 0.5),
        event=0.049,
        unknown=(Fault("no-pull-phase", no_pull_phase), Fault("slow-decay", slow_kill)),
        **GDI,
    ),
)
