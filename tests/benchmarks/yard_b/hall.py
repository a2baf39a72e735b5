"""Hall crankshaft sensor."""

from __future__ import annotations

import numpy as np

from .common import (
    Array,
    Case,
    Context,
    Fault,
    Params,
    Rng,
    exponential_steps,
    near,
    spikes,
    wander,
)
from .inductive import wheel_angle


def hall_edges(
    p: Params, turns: Array, fs: float, rng: Rng, flags: dict[int, Params]
) -> list[tuple[float, float, float]]:
    """Level changes at tooth edges; one parameter set per wheel turn, so that a defect can come
    and go.
    """
    teeth, missing = int(p["teeth"]), int(p["missing"])
    first, last = int(np.floor(turns[0])), int(np.floor(turns[-1]))
    seeds = np.random.default_rng(int(p["wheel"]))
    error = 0.006 * seeds.normal(size=teeth)
    t = np.arange(len(turns)) / fs
    steps: list[tuple[float, float, float]] = [(-1.0, p["high"], p["tau_up"])]
    for turn in range(first, last + 1):
        q = flags[turn]
        for k in range(teeth - missing):
            if rng.random() < q["drop"] or (
                k == int(q["bad_tooth"]) % 50 and rng.random() < q["lost_tooth"]
            ):
                continue
            jitter = q["jitter"] * rng.normal(size=2)
            on = (k + error[k] + jitter[0]) / teeth + turn
            off = on + (q["duty"] + jitter[1]) / teeth
            a, b = np.interp([on, off], turns, t, left=-0.5, right=t[-1] + 0.5)
            steps += [(float(a), q["low"], q["tau_down"]), (float(b), q["high"], q["tau_up"])]
    return steps


def render_hall(case: Case, fs: float, n: int, rng: Rng) -> Array:
    p = case.sound
    turns = wheel_angle(p, fs, n, rng)
    first, last = int(np.floor(turns[0])), int(np.floor(turns[-1]))
    hits = case.schedule(rng, last - first + 1)
    flags = {first + i: case.params(bool(h)) for i, h in enumerate(hits)}
    out = exponential_steps(hall_edges(p, turns, fs, rng, flags), fs, n)
    noisy = case.broken if case.broken is not None else p
    t = np.arange(n) / fs
    out = (
        out
        + spikes(rng, n, fs, 30 / p["rpm"], noisy["spike"], 2e4, 2e-4)
        + noisy["whine"] * np.sin(2 * np.pi * 1300 * t)
    )
    return out + 0.01 * wander(rng, n, fs, 0.05) + rng.normal(0, 0.01, n)


def hall_vehicle(rng: Rng, rpm: float, high: float) -> Params:
    return {
        "rpm": rpm,
        "pulses": 2.0,
        "swing": 0.012,
        "drift": 0.008,
        "spin_up": 0.0,
        "still": 0.0,
        "teeth": 60.0,
        "missing": 2.0,
        "wheel": float(rng.integers(1 << 30)),
        "bad_tooth": float(rng.integers(3, 50)),
        "high": near(rng, high, 0.012),
        "low": near(rng, 0.22, 0.3),
        "duty": near(rng, 0.5, 0.03),
        "jitter": 0.004,
        "tau_up": near(rng, 7e-6, 0.25),
        "tau_down": near(rng, 1.2e-6, 0.2),
        "drop": 0.0,
        "lost_tooth": 0.0,
        "spike": 0.08,
        "whine": abs(near(rng, 0.02, 0.5)),
    }


def quillan_idle(rng: Rng) -> Params:
    return hall_vehicle(rng, near(rng, 810, 0.05), 5.0)


def tarrow_fast(rng: Rng) -> Params:
    p = hall_vehicle(rng, near(rng, 2460, 0.03), 12.6)
    p.update(high=near(rng, 13.3, 0.02), tau_up=near(rng, 1.1e-5, 0.25))
    return p


def hall_ground(p: Params, s: float, rng: Rng) -> None:
    p["low"] += 0.30 * s**1.3 * p["high"]


def hall_pull_up(p: Params, s: float, rng: Rng) -> None:
    p["high"] *= 1 - 0.42 * s


def hall_slow(p: Params, s: float, rng: Rng) -> None:
    p["tau_up"] += 0.30 * s**1.8 / p["rpm"]


def hall_dropouts(p: Params, s: float, rng: Rng) -> None:
    p["drop"] = 0.16 * s


def hall_tooth(p: Params, s: float, rng: Rng) -> None:
    p["lost_tooth"] = 1.0 if s > 0.6 else 0.35 + s


def hall_duty(p: Params, s: float, rng: Rng) -> None:
    p["duty"] += 0.24 * s


def hall_noise(p: Params, s: float, rng: Rng) -> None:
    p["spike"] += 2.0 * s
    p["whine"] += 0.35 * s


HALL = {
    "system": "ckp-hall",
    "channels": (("ckp", "V"),),
    "render": render_hall,
    "thin": True,
    "rates": (4e4, 5.1e5),
    "hum": 0.4,
    "sim_rate": 2e5,
}


HALL_KNOWN = (
    Fault("ground-resistance", hall_ground),
    Fault("weak-pull-up", hall_pull_up),
    Fault("slow-edges", hall_slow),
    Fault("dropouts", hall_dropouts),
)


CONTEXTS = (
    Context(
        family="quillan-11",
        condition="idle",
        draw=quillan_idle,
        known=HALL_KNOWN,
        low_rates=(3e2, 9e2),
        span=(0.09, 1.2),
        unknown=(Fault("missing-tooth", hall_tooth), Fault("wrong-duty", hall_duty, False)),
        event=0.074,
        peak=6.0,
        **HALL,
    ),
    Context(
        family="tarrow-14",
        condition="r2500",
        draw=tarrow_fast,
        known=HALL_KNOWN,
        low_rates=(9e2, 2.6e3),
        span=(0.03, 0.5),
        unknown=(Fault("missing-tooth", hall_tooth), Fault("noise-entry", hall_noise, False)),
        event=0.0244,
        peak=15.5,
        **HALL,
    ),
)
