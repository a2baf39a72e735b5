"""LIN: one wire, a master with a schedule table, slaves with their own clocks."""

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
    exponential_steps,
    low_pass,
    near,
    wander,
)


def protected(ident: int) -> int:
    b = [(ident >> i) & 1 for i in range(6)]
    even = b[0] ^ b[1] ^ b[2] ^ b[4]
    odd = 1 - (b[1] ^ b[3] ^ b[4] ^ b[5])
    return ident | even << 6 | odd << 7


def checksum(values: list[int]) -> int:
    total = 0
    for v in values:
        total += v
        total -= 255 if total > 255 else 0
    return 255 - total


def lin_byte(value: int) -> list[int]:
    return [0, *((value >> i) & 1 for i in range(8)), 1]


LinPart = tuple[float, int, bool]  # time, level, sent by a slave


def lin_frame(p: Params, start: float, slave: int, rng: Rng) -> tuple[list[LinPart], float]:
    """Header by the master, answer by a slave at its own clock."""
    tick = 1 / p["bitrate"] * (1 + p["master_clock"])
    slave_tick = 1 / p["bitrate"] * (1 + (p["slave_clock"] if slave == 1 else p["clock"]))
    ident = int(p["ids"]) + slave
    parts: list[LinPart] = []
    now = start
    for bit in (
        [0] * int(p["break_bits"])
        + [1] * 2
        + lin_byte(0x55)
        + [1] * int(p["gap"])
        + lin_byte(protected(ident))
    ):
        parts.append((now, bit, False))
        now += tick
    now += p["answer_gap"] * tick
    by_slave = (
        slave != 0
    )  # the first message is sent by the master itself; slave 1 is the one that may fail
    data = [int(x) for x in rng.integers(0, 256, 2 + 2 * (ident % 4))]
    if rng.random() < 0.4:
        data = [0 if x < 128 else 0xFF for x in data]
    if not (slave == 1 and rng.random() < p["silent"]):
        step = slave_tick if by_slave else tick
        for value in [*data, checksum([protected(ident), *data])]:
            for bit in [*lin_byte(value), 1]:
                parts.append((now, bit, slave == 1))
                now += step
    return [*parts, (now, 1, False)], now


def lin_levels(p: Params, parts: list[LinPart]) -> list[tuple[float, float, float]]:
    """Time, level to reach, time constant."""
    out = []
    for t, bit, slave in parts:
        if bit:
            out.append((t, p["supply"] - p["diode"] - p["leak_drop"], p["tau_up"]))
        else:
            out.append((t, p["dom"] + (p["slave_dom"] if slave else 0.0), p["tau_down"]))
    return out


def render_lin(case: Case, fs: float, n: int, rng: Rng) -> Array:
    p = case.sound
    span, slot = n / fs, p["slot"]
    slaves = int(p["slaves"])
    # The schedule table goes round the slaves; a fault that comes and goes does so from round to
    # round.
    rounds = case.schedule(rng, int(span / slot / slaves) + 3)
    turn = int(rng.integers(slaves))
    steps: list[tuple[float, float, float]] = [(-1.0, p["supply"] - p["diode"], p["tau_up"])]
    now = -between(rng, 0, 1) * slot
    for k in range(turn, turn + int(span / slot) + 3):
        q = case.params(bool(rounds[min(k // slaves, len(rounds) - 1)]))
        parts, end = lin_frame(q, now, k % slaves, rng)
        steps += lin_levels(q, parts)
        now = max(now + slot, end + 3e-4)
    # Slope control of the transceivers rounds both edges.
    out = low_pass(exponential_steps(steps, fs, n), fs, p["slope_corner"])
    lost = p if case.intermittent or case.broken is None else case.broken
    t = np.arange(n) / fs
    bounce = (
        lost["motor"]
        * np.sin(2 * np.pi * 310 * t + between(rng, 0, 6))
        * np.abs(wander(rng, n, fs, 0.01))
    )
    out = (
        out * (1 + 0.006 * wander(rng, n, fs, 0.02)) + 0.06 * np.sin(2 * np.pi * 1150 * t) + bounce
    )
    return (
        out
        + low_pass(rng.normal(size=n), fs, 3e4) * np.sqrt(fs / 1.2e5) * lost["hash"]
        + rng.normal(0, 0.03, n)
    )


def lin_vehicle(rng: Rng, bitrate: float, slot: float, supply: float) -> Params:
    return {
        "bitrate": bitrate,
        "master_clock": 0.002 * float(rng.normal()),
        "clock": 0.006 * float(np.clip(rng.normal(), -2, 2)),
        "slave_clock": 0.006 * float(np.clip(rng.normal(), -2, 2)),
        "slaves": float(rng.integers(3, 6)),
        "ids": float(rng.integers(8, 40)),
        "break_bits": float(rng.integers(13, 15)),
        "gap": float(rng.integers(0, 2)),
        "answer_gap": between(rng, 1, 6),
        "slot": near(rng, slot, 0.05),
        "silent": 0.0,
        "supply": near(rng, supply, 0.025),
        "diode": near(rng, 0.55, 0.15),
        "dom": near(rng, 0.85, 0.12),
        "slave_dom": 0.12 * float(rng.normal()),
        "leak_drop": 0.0,
        "tau_up": near(rng, 3.6e-6, 0.25),
        "tau_down": near(rng, 1.6e-6, 0.2),
        "slope_corner": near(rng, 6e4, 0.15),
        "motor": 0.05,
        "hash": 0.04,
    }


def lindale_lin(rng: Rng) -> Params:
    return lin_vehicle(rng, 19200, 0.010, 13.6)


def hollin_lin(rng: Rng) -> Params:
    return lin_vehicle(rng, 9600, 0.020, 12.3)


def slave_ground(p: Params, s: float, rng: Rng) -> None:
    p["slave_dom"] = abs(p["slave_dom"]) + 3.0 * s**1.4


def weak_pull_up(p: Params, s: float, rng: Rng) -> None:
    p["tau_up"] += 0.62 * s**1.4 / p["bitrate"]


def silent_slave(p: Params, s: float, rng: Rng) -> None:
    p["silent"] = 1.0 if s > 0.7 else 0.25 + s


def slave_clock(p: Params, s: float, rng: Rng) -> None:
    p["slave_clock"] = (1 if rng.random() < 0.5 else -1) * (0.015 + 0.11 * s)


def bus_leak(p: Params, s: float, rng: Rng) -> None:
    p["leak_drop"] += 5.5 * s**1.4


def motor_noise(p: Params, s: float, rng: Rng) -> None:
    p["motor"] += 1.8 * s
    p["hash"] += 0.5 * s


LIN = {
    "system": "lin",
    "channels": (("lin", "V"),),
    "render": render_lin,
    "peak": 15.0,
    "hum": 0.8,
    "sim_rate": 4e5,
}


KNOWN_LIN = (
    Fault("slave-ground-resistance", slave_ground),
    Fault("weak-pull-up", weak_pull_up),
    Fault("silent-slave", silent_slave),
    Fault("slave-clock-off", slave_clock),
)


CONTEXTS = (
    Context(
        family="lindale-500",
        condition="idle",
        draw=lindale_lin,
        known=KNOWN_LIN,
        rates=(1.9e5, 1.1e6),
        low_rates=(3e3, 9e3),
        span=(0.056, 0.3),
        event=0.035,
        unknown=(Fault("bus-leak", bus_leak), Fault("motor-noise", motor_noise, False)),
        **LIN,
    ),
    Context(
        family="hollin-30",
        condition="koeo",
        draw=hollin_lin,
        known=KNOWN_LIN,
        rates=(9e4, 5.1e5),
        low_rates=(1.5e3, 4.5e3),
        span=(0.11, 0.6),
        event=0.07,
        unknown=(Fault("bus-leak", bus_leak), Fault("motor-noise", motor_noise, False)),
        **LIN,
    ),
)
