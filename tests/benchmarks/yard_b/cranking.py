"""Starter current and battery voltage while cranking: one compression after another."""

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
    low_pass,
    near,
    wander,
)


def compression_wave(angle: Array, cylinders: int, strengths: Array, sharp: float) -> Array:
    """Load torque over crank degrees: one lopsided hump per compression, unit size for a sound
    cylinder.
    """
    step = 720 / cylinders
    x = angle / step
    index = np.floor(x).astype(int)
    f = x - index
    # Slower up the compression than down the expansion.
    lean = f**0.88
    hump = (0.5 - 0.5 * np.cos(2 * np.pi * lean)) ** sharp
    return strengths[index % cylinders] * hump


def strengths_of(p: Params) -> Array:
    seeds = np.random.default_rng(int(p["engine"]))
    count = int(p["cylinders"])
    s = 1 + p["spread"] * seeds.normal(size=count)
    bad = int(p["bad"]) % count
    s[bad] *= 1 - p["leak"]
    s[(bad + 1) % count] *= 1 - p["leak_next"]
    return s * p["squeeze"]


def per_event(case: Case, rng: Rng, angle: Array) -> Array:
    """Strengths per engine cycle, so that a sticking valve can come and go."""
    p = case.sound
    step = 720
    cycle = (angle // step).astype(int)
    cycle -= cycle.min()
    flags = case.schedule(rng, int(cycle.max()) + 1)
    sound = compression_wave(angle, int(p["cylinders"]), strengths_of(p), p["sharp"])
    if case.broken is None:
        return sound
    broken = compression_wave(angle, int(p["cylinders"]), strengths_of(case.broken), p["sharp"])
    return np.where(flags[cycle], broken, sound)


def crank_run(case: Case, p: Params, fs: float, n: int, rng: Rng) -> tuple[Array, Array, Array]:
    """Crank angle, load wave (zero before the key is turned) and time since the starter engaged."""
    t = np.arange(n) / fs
    since = t - p["key"]
    rise = 1 - np.exp(-np.maximum(since, 0) / p["spin_up"])
    speed = 6 * p["rpm"] * rise * (1 + p["drift"] * wander(rng, n, fs, 0.4))
    start = between(rng, 0, 720)
    rough = start + np.cumsum(speed) / fs
    load = per_event(case, np.random.default_rng(1), rough)
    angle = start + np.cumsum(speed * (1 + p["lag"] * (0.45 - load / max(p["squeeze"], 0.3)))) / fs
    wave = per_event(case, rng, angle)
    # A compression builds with speed: the first one is met at walking pace and leaks more.
    return angle, wave * (0.55 + 0.45 * rise), since


def starter_amps(case: Case, p: Params, fs: float, n: int, rng: Rng) -> tuple[Array, Array]:
    angle, wave, since = crank_run(case, p, fs, n, rng)
    on = since > 0
    settle = np.exp(-np.maximum(since, 0) / p["inrush_tau"])
    wave = wave * (1 + 0.025 * wander(rng, n, fs, 0.12))
    amps = p["mean"] + p["hump"] * (wave - 0.4 * p["squeeze"]) + (p["inrush"] - p["mean"]) * settle
    ripple = p["comm"] * np.sin(2 * np.pi * angle / 360 * p["gear"] * 6) * (1 - settle)
    brush = p["dips"] * dips(angle / 360 * p["gear"] / 4, rng)
    slip = slips(p, n, fs, rng)
    amps = (amps + ripple) * (1 - brush) * slip + p["trend"] * np.maximum(since, 0)
    amps = amps * (1 - np.exp(-np.maximum(since, 0) / 3e-3))
    return np.where(on, amps, 0.0), since


def dips(turns: Array, rng: Rng) -> Array:
    """A burnt commutator bar: a short loss of contact at irregular armature turns."""
    k = np.floor(turns).astype(int)
    k -= k.min()
    size = np.clip(rng.normal(0.5, 0.5, int(k.max()) + 1), 0, 1)
    f = turns - np.floor(turns)
    return size[k] * np.exp(-(((f - 0.5) / 0.16) ** 2))


def slips(p: Params, n: int, fs: float, rng: Rng) -> Array:
    """A slipping one-way clutch: stretches where the starter spins free and draws little."""
    out = np.ones(n)
    count = int(rng.poisson(p["slip"] * n / fs))
    if p["slip"] > 0:
        count = max(count, 1)
    for _ in range(count):
        at, length = between(rng, 0.1, 0.95) * n, between(rng, 0.06, 0.25) * fs
        out[int(at) : int(at + length)] = between(rng, 0.3, 0.5)
    return low_pass(out, fs, 25)


def render_starter(case: Case, fs: float, n: int, rng: Rng) -> Array:
    p = case.broken if case.broken is not None else case.sound
    amps, _ = starter_amps(case, p, fs, n, rng)
    return p["arrow"] * (low_pass(amps, fs, 900) + rng.normal(0, 0.9, n))


def render_battery(case: Case, fs: float, n: int, rng: Rng) -> Array:
    p = case.broken if case.broken is not None else case.sound
    amps, since = starter_amps(case, p, fs, n, rng)
    contact = loose(p, n, fs, rng)
    # Fast ohmic drop plus a slower polarisation that follows the current.
    volts = p["rest"] - p["ohm"] * amps * contact - 0.35 * p["ohm"] * low_pass(amps, fs, 0.6)
    fired = since - p["fire"]
    run = np.clip(fired / 0.12, 0, 1)
    charge = (
        p["rest"]
        - 0.3
        + (p["charge"] - p["rest"] + 0.3) * (1 - np.exp(-np.maximum(fired, 0) / 0.35))
    )
    volts = volts * (1 - run) + charge * run + run * 0.04 * np.sin(2 * np.pi * 26 * since)
    volts = volts + 0.02 * wander(rng, n, fs, 0.3) + rng.normal(0, 0.012, n)
    return np.asarray(low_pass(volts, fs, 3000))


def loose(p: Params, n: int, fs: float, rng: Rng) -> Array:
    """Multiplies the drop: a loose clamp's resistance jumps about."""
    if p["loose"] <= 0:
        return np.ones(n)
    jumps = np.zeros(n)
    for _ in range(2 + int(rng.poisson(9 * n / fs))):
        at, length = int(rng.integers(n)), int(between(rng, 0.004, 0.05) * fs)
        jumps[at : at + length] += float(rng.lognormal(-0.5, 0.5))
    return 1 + p["loose"] * jumps


def crank_vehicle(
    rng: Rng, cylinders: int, rpm: float, mean: float, hump: float, inrush: float
) -> Params:
    startup = rng.random() < 0.5
    r = near(rng, rpm, 0.06)
    return {
        "cylinders": float(cylinders),
        "rpm": r,
        "engine": float(rng.integers(1 << 30)),
        "bad": float(rng.integers(cylinders)),
        "spread": near(rng, 0.035, 0.3),
        "leak": 0.0,
        "leak_next": 0.0,
        "squeeze": 1.0,
        "sharp": near(rng, 1.15, 0.06),
        "mean": near(rng, mean, 0.08),
        "hump": near(rng, hump, 0.10),
        "inrush": near(rng, inrush, 0.10),
        "inrush_tau": near(rng, 0.045, 0.15),
        "spin_up": near(rng, 0.09, 0.15),
        "lag": near(rng, 0.13, 0.2),
        "drift": 0.02,
        "key": between(rng, 0.03, 0.3) if startup else -between(rng, 0.6, 3.0),
        "comm": near(rng, 4.5, 0.3),
        "gear": near(rng, 13, 0.02),
        "dips": 0.0,
        "slip": 0.0,
        "trend": -between(rng, 0, 3),
        "arrow": 1.0,
        "rest": near(rng, 12.55, 0.010),
        "ohm": near(rng, 0.0105, 0.10),
        "fire": 99.0,
        "charge": near(rng, 14.1, 0.012),
        "loose": 0.0,
    }


def selwick_crank(rng: Rng) -> Params:
    return crank_vehicle(rng, 4, 225, 125, 75, 560)


def hollin_crank(rng: Rng) -> Params:
    p = crank_vehicle(rng, 6, 205, 170, 62, 680)
    if rng.random() < 0.08:
        p["arrow"] = -1.0  # clamp put on the wrong way round
    return p


def battery_vehicle(rng: Rng, p: Params, fires: float) -> Params:
    p["key"] = between(rng, 0.05, 0.5) if rng.random() < 0.8 else -between(rng, 0.4, 1.5)
    if rng.random() < fires:
        p["fire"] = between(rng, 1.0, 2.2)
    return p


def corvane_battery(rng: Rng) -> Params:
    return battery_vehicle(rng, crank_vehicle(rng, 4, 235, 118, 68, 330), 0.35)


def brackwater_battery(rng: Rng) -> Params:
    p = battery_vehicle(rng, crank_vehicle(rng, 4, 190, 235, 105, 560), 0.2)
    p["ohm"] = near(rng, 0.0068, 0.10)
    p["spread"] = near(rng, 0.03, 0.3)
    return p


def one_leaking(p: Params, s: float, rng: Rng) -> None:
    p["leak"] = 0.72 * s
    p["rpm"] *= 1 + 0.03 * s


def two_leaking(p: Params, s: float, rng: Rng) -> None:
    p["leak"] = 0.70 * s
    p["leak_next"] = 0.66 * s
    p["rpm"] *= 1 + 0.06 * s


def engine_drag(p: Params, s: float, rng: Rng) -> None:
    p["mean"] *= 1 + 0.65 * s
    p["rpm"] *= 1 - 0.38 * s
    p["spin_up"] *= 1 + 0.6 * s


def cable_resistance(p: Params, s: float, rng: Rng) -> None:
    p["mean"] *= 1 - 0.30 * s
    p["hump"] *= 1 - 0.32 * s
    p["inrush"] *= 1 - 0.50 * s
    p["rpm"] *= 1 - 0.36 * s


def all_leaking(p: Params, s: float, rng: Rng) -> None:
    p["squeeze"] = 1 - 0.58 * s
    p["mean"] *= 1 - 0.16 * s
    p["rpm"] *= 1 + 0.24 * s


def commutator(p: Params, s: float, rng: Rng) -> None:
    p["dips"] = 0.5 * s


def slipping_drive(p: Params, s: float, rng: Rng) -> None:
    p["slip"] = 2.6 * s


def discharged(p: Params, s: float, rng: Rng) -> None:
    p["rest"] -= 0.75 * s
    p["ohm"] *= 1 + 0.55 * s
    p["rpm"] *= 1 - 0.30 * s


def internal_resistance(p: Params, s: float, rng: Rng) -> None:
    p["ohm"] *= 1 + 1.25 * s
    p["rpm"] *= 1 - 0.18 * s
    p["inrush"] *= 1 - 0.15 * s


def loose_clamp(p: Params, s: float, rng: Rng) -> None:
    p["loose"] = 0.75 * s


BIG_CLAMP = (Sensor(100.0, 0.6, 2.0, 2e4), Sensor(1000.0, 2.0, 3.0, 1e4))
STARTER = {
    "system": "starter-current",
    "channels": (("starter", "A"),),
    "render": render_starter,
    "sensors": BIG_CLAMP,
    "rates": (5e3, 2.6e4),
    "low_rates": (9.0, 17.0),
    "sim_rate": 5e3,
    "hum": 2.0,
    "ac_corner": (0.5, 3.0),
}
BATTERY = {
    "system": "battery-cranking",
    "channels": (("battery", "V"),),
    "render": render_battery,
    "rates": (5e3, 2.6e4),
    "low_rates": (8.0, 15.0),
    "sim_rate": 5e3,
    "peak": 15.5,
    "hum": 0.3,
    "ac_corner": (0.5, 3.0),
}
KNOWN_STARTER = (
    Fault("one-cylinder-low", one_leaking),
    Fault("two-neighbours-low", two_leaking),
    Fault("engine-drag", engine_drag, False),
    Fault("cable-resistance", cable_resistance, False),
)
KNOWN_BATTERY = (
    Fault("discharged", discharged, False),
    Fault("internal-resistance", internal_resistance, False),
    Fault("one-cylinder-low", one_leaking),
    Fault("engine-drag", engine_drag, False),
)

CONTEXTS = (
    Context(
        family="selwick-20",
        condition="crank",
        draw=selwick_crank,
        known=KNOWN_STARTER,
        span=(1.1, 6.0),
        event=0.54,
        peak=700.0,
        unknown=(
            Fault("all-cylinders-low", all_leaking, False),
            Fault("burnt-commutator", commutator, False),
        ),
        **STARTER,
    ),
    Context(
        family="hollin-30",
        condition="crank",
        draw=hollin_crank,
        known=KNOWN_STARTER,
        span=(1.2, 6.0),
        event=0.585,
        peak=850.0,
        unknown=(
            Fault("all-cylinders-low", all_leaking, False),
            Fault("burnt-commutator", commutator, False),
            Fault("slipping-drive", slipping_drive, False),
        ),
        **STARTER,
    ),
    Context(
        family="corvane-13",
        condition="crank",
        draw=corvane_battery,
        known=KNOWN_BATTERY,
        span=(1.4, 5.0),
        event=0.51,
        unknown=(
            Fault("burnt-commutator", commutator, False),
            Fault("loose-clamp", loose_clamp, False),
        ),
        **BATTERY,
    ),
    Context(
        family="brackwater-19d",
        condition="crank-cold",
        draw=brackwater_battery,
        known=KNOWN_BATTERY,
        span=(1.4, 5.0),
        event=0.63,
        unknown=(
            Fault("burnt-commutator", commutator, False),
            Fault("loose-clamp", loose_clamp, False),
            Fault("all-cylinders-low", all_leaking, False),
        ),
        **BATTERY,
    ),
)
