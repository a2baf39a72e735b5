"""Inductive sensors at toothed wheels: crankshaft and wheel speed."""

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

GRID = 96  # points per tooth pitch


def wheel_wave(p: Params) -> Array:
    """Induced voltage over one turn at nominal speed and gap, unit amplitude for an ordinary
    tooth.
    """
    teeth, missing = int(p["teeth"]), int(p["missing"])
    seeds = np.random.default_rng(int(p["wheel"]))
    height = 1 + p["uneven"] * seeds.normal(size=teeth)
    place = np.arange(teeth) + p["pitch_error"] * seeds.normal(size=teeth)
    height[teeth - missing :] = 0.0
    if missing:  # the teeth beside the gap share their flux with nobody on one side
        height[0] *= 1 + p["edge_gain"]
        height[teeth - missing - 1] *= 1 + p["edge_gain"]
    bad = int(p["bad_tooth"]) % (teeth - missing)
    height[bad] *= 1 - p["chip"]
    x = np.arange(teeth * GRID) / GRID
    flux = np.zeros_like(x)
    for k in np.flatnonzero(height):
        flux += height[k] * bump(x, place[k], p["width"], teeth)
    if p["debris"] > 0:  # swarf on a tooth gap: an extra, narrower bump
        flux += p["debris"] * bump(x, bad + 0.5, p["width"] * 0.55, teeth)
    for k in rng_teeth(seeds, teeth, p["rust"]):
        flux += 0.45 * p["rust"] * float(seeds.normal()) * bump(x, k + 0.3, p["width"] * 0.8, teeth)
    wave = -np.gradient(flux, 1 / GRID)
    return wave / np.percentile(np.abs(wave), 97)


def rng_teeth(seeds: Rng, teeth: int, rust: float) -> list[int]:
    return [int(k) for k in seeds.permutation(teeth)[: int(teeth * 0.6)]] if rust > 0 else []


def bump(x: Array, at: float, width: float, turn: float) -> Array:
    d = (x - at + turn / 2) % turn - turn / 2
    return np.exp(-(np.abs(d / width) ** 2.3))


def wheel_angle(p: Params, fs: float, n: int, rng: Rng) -> Array:
    """Turns of the wheel at each sample."""
    angle = crank_angle(rng, n, fs, p["rpm"], int(p["pulses"]), p["swing"], p["drift"])
    turns = angle / 360
    if p["spin_up"] > 0:  # recording begins at standstill
        t = np.arange(n) / fs
        speed = np.gradient(turns) * (1 - np.exp(-np.maximum(t - p["still"], 0) / p["spin_up"]))
        turns = turns[0] + np.cumsum(speed)
    return turns


def inductive(p: Params, turns: Array, fs: float, rng: Rng) -> Array:
    n = len(turns)
    wave = wheel_wave(p)
    x = turns % 1 * len(wave)
    i = x.astype(int) % len(wave)
    f = x - np.floor(x)
    value = wave[i] * (1 - f) + wave[(i + 1) % len(wave)] * f
    speed = np.gradient(turns) * fs * 60 / p["rpm"]
    size = p["amp"] * np.maximum(speed, 0) ** p["speed_power"]
    size = size * (
        1
        + p["runout"] * np.sin(2 * np.pi * turns + p["runout_at"])
        + p["gap_play"] * wander(rng, n, fs, p["play_time"])
    )
    out = p["sign"] * size * value
    out = low_pass(out, fs, p["corner"]) + p["bias"]
    out = out + spikes(rng, n, fs, p["noise_period"], p["spike"], 1.2e4, 3e-4)
    t = np.arange(n) / fs
    out = out + p["whine"] * np.sin(2 * np.pi * p["whine_f"] * t + 2 * wander(rng, n, fs, 0.02))
    return out + rng.normal(0, p["hiss"], n)


def render_inductive(case: Case, fs: float, n: int, rng: Rng) -> Array:
    turns = wheel_angle(case.sound, fs, n, rng)
    state = rng.bit_generator.state

    def make(q: Params) -> Array:
        rng.bit_generator.state = state
        return inductive(q, turns, fs, rng)

    return blend(case, rng, turns.astype(int), make, int(0.0004 * fs))


def wheel_vehicle(rng: Rng, rpm: float, teeth: int, missing: int, amp: float) -> Params:
    return {
        "rpm": rpm,
        "pulses": 2.0,
        "swing": 0.012,
        "drift": 0.008,
        "spin_up": 0.0,
        "still": 0.0,
        "teeth": float(teeth),
        "missing": float(missing),
        "wheel": float(rng.integers(1 << 30)),
        "uneven": near(rng, 0.018, 0.3),
        "pitch_error": near(rng, 0.006, 0.3),
        "width": near(rng, 0.30, 0.05),
        "bad_tooth": float(rng.integers(2, 200)),
        "chip": 0.0,
        "debris": 0.0,
        "rust": 0.0,
        "edge_gain": near(rng, 0.09, 0.3),
        "amp": near(rng, amp, 0.14),
        "speed_power": near(rng, 0.95, 0.03),
        "sign": 1.0,
        "runout": abs(near(rng, 0.025, 0.5)),
        "runout_at": between(rng, 0, 6.28),
        "gap_play": 0.006,
        "play_time": 0.02,
        "corner": near(rng, 9000, 0.2),
        "bias": 0.03 * amp * float(rng.normal()),
        "noise_period": 30 / rpm,
        "spike": 0.02 * amp,
        "whine": abs(near(rng, 0.006, 0.5)) * amp,
        "whine_f": 1250.0,
        "hiss": 0.006 * amp,
    }


def corvane_idle(rng: Rng) -> Params:
    return wheel_vehicle(rng, near(rng, 800, 0.05), 60, 2, 4.6)


def brackwater_crank(rng: Rng) -> Params:
    p = wheel_vehicle(rng, near(rng, 215, 0.09), 36, 1, 0.95)
    p.update(
        swing=near(rng, 0.11, 0.2),
        drift=0.025,
        spike=0.03,
        width=near(rng, 0.28, 0.05),
        whine_f=330.0,
    )
    if rng.random() < 0.2:
        p.update(spin_up=between(rng, 0.08, 0.16), still=between(rng, 0.0, 0.1))
    return p


def pindle_walk(rng: Rng) -> Params:
    p = wheel_vehicle(rng, near(rng, 172, 0.08), 48, 0, 1.3)
    p.update(
        swing=0.0,
        drift=0.02,
        width=near(rng, 0.33, 0.04),
        sign=1.0 if rng.random() < 0.5 else -1.0,
        runout=abs(near(rng, 0.05, 0.4)),
        noise_period=0.07,
        spike=0.01,
        whine_f=1900.0,
    )
    return p


def asterby_road(rng: Rng) -> Params:
    p = wheel_vehicle(rng, near(rng, 512, 0.05), 44, 0, 6.5)
    p.update(
        swing=0.0,
        drift=0.012,
        width=near(rng, 0.33, 0.04),
        sign=1.0 if rng.random() < 0.5 else -1.0,
        runout=abs(near(rng, 0.05, 0.4)),
        noise_period=0.03,
        whine_f=3200.0,
    )
    return p


def large_gap(p: Params, s: float, rng: Rng) -> None:
    p["amp"] *= 1 - 0.74 * min(s, 1.1)
    p["width"] *= 1 + 0.18 * s


def chipped_tooth(p: Params, s: float, rng: Rng) -> None:
    p["chip"] = 0.85 * s


def runout(p: Params, s: float, rng: Rng) -> None:
    p["runout"] += 0.5 * s**1.3


def reversed_leads(p: Params, s: float, rng: Rng) -> None:
    p["sign"] *= -1


def debris(p: Params, s: float, rng: Rng) -> None:
    p["debris"] = 0.75 * s


def noise_entry(p: Params, s: float, rng: Rng) -> None:
    p["spike"] += 0.9 * s * p["amp"]
    p["whine"] += 0.15 * s * p["amp"]


def loose_sensor(p: Params, s: float, rng: Rng) -> None:
    p["gap_play"] += 0.28 * s


def rusty_ring(p: Params, s: float, rng: Rng) -> None:
    p["rust"] = 0.75 * s
    p["uneven"] += 0.16 * s


VR = {
    "channels": (("sensor", "V"),),
    "render": render_inductive,
    "coupling_matters": False,
    "hum": 0.1,
    "sim_rate": 4e4,
}


CRANK_KNOWN = (
    Fault("large-air-gap", large_gap),
    Fault("chipped-tooth", chipped_tooth),
    Fault("wheel-runout", runout, False),
    Fault("reversed-leads", reversed_leads, False, graded=False),
)


WHEEL_KNOWN = (
    Fault("large-air-gap", large_gap),
    Fault("broken-tooth", chipped_tooth),
    Fault("ring-runout", runout, False),
    Fault("rusty-ring", rusty_ring, False),
)


CONTEXTS = (
    Context(
        system="ckp-inductive",
        family="corvane-13",
        condition="idle",
        draw=corvane_idle,
        known=CRANK_KNOWN,
        unknown=(Fault("metal-debris", debris), Fault("noise-entry", noise_entry)),
        rates=(2.3e4, 2.6e5),
        low_rates=(3e2, 9e2),
        span=(0.09, 2.0),
        event=0.075,
        peak=9.0,
        **VR,
    ),
    Context(
        system="ckp-inductive",
        family="brackwater-19d",
        condition="crank",
        draw=brackwater_crank,
        known=CRANK_KNOWN,
        unknown=(
            Fault("metal-debris", debris),
            Fault("loose-sensor", loose_sensor, False),
            Fault("noise-entry", noise_entry),
        ),
        rates=(5e3, 1.1e5),
        low_rates=(6e1, 1.8e2),
        span=(0.45, 4.5),
        event=0.28,
        peak=2.4,
        **VR,
    ),
    Context(
        system="wheel-speed-inductive",
        family="pindle-12",
        condition="roll20",
        draw=pindle_walk,
        known=WHEEL_KNOWN,
        unknown=(Fault("swarf", debris), Fault("loose-bearing", loose_sensor, False)),
        rates=(5e3, 1.1e5),
        low_rates=(6e1, 1.7e2),
        span=(0.5, 4.5),
        event=0.35,
        peak=2.6,
        **VR,
    ),
    Context(
        system="wheel-speed-inductive",
        family="asterby-16",
        condition="road60",
        draw=asterby_road,
        known=WHEEL_KNOWN,
        unknown=(
            Fault("swarf", debris),
            Fault("loose-bearing", loose_sensor, False),
            Fault("noise-entry", noise_entry),
        ),
        rates=(1e4, 1.3e5),
        low_rates=(1.5e2, 4.5e2),
        span=(0.2, 2.2),
        event=0.117,
        peak=12.0,
        **VR,
    ),
)
