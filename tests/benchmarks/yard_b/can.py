"""CAN high speed: two wires, real frames with stuffing and check sum."""

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
    near,
    wander,
)


def bits_of(value: int, width: int) -> list[int]:
    return [(value >> (width - 1 - i)) & 1 for i in range(width)]


def crc15(bits: list[int]) -> int:
    crc = 0
    for bit in bits:
        top = (crc >> 14) & 1
        crc = (crc << 1) & 0x7FFF
        if top ^ bit:
            crc ^= 0x4599
    return crc


def stuffed(bits: list[int]) -> list[int]:
    out: list[int] = []
    run, last = 0, 2
    for bit in bits:
        out.append(bit)
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            out.append(1 - bit)
            run, last = 1, 1 - bit
    return out


def can_frame(ident: int, data: list[int]) -> tuple[list[int], int]:
    """Bits of a frame (0 dominant) up to the interframe space, and the position of the
    acknowledge slot.
    """
    body = [0, *bits_of(ident, 11), 0, 0, 0, *bits_of(len(data), 4)]
    for byte in data:
        body += bits_of(byte, 8)
    body = stuffed(body + bits_of(crc15(body), 15))
    return body + [1, 0, 1] + [1] * 7, len(body) + 1


# A line level as the driver asks for it: (time s, CAN_H volts, CAN_L volts, dominant).
Edge = tuple[float, float, float, bool]


def node_levels(p: Params, node: int) -> tuple[float, float, float]:
    """Dominant high and low of one node, and its ground shift."""
    seeds = np.random.default_rng(int(p["nodes_seed"]) + node)
    shift = p["ground_spread"] * float(seeds.normal())
    strength = 1 + 0.02 * float(seeds.normal())
    if node == int(p["bad_node"]):
        shift += p["bad_ground"]
        strength *= 1 - p["bad_drive"]
    half = 0.5 * p["diff"] * strength
    return p["mid"] + half + shift, p["mid"] - half + shift, 0.6 * shift


def frame_edges(p: Params, start: float, number: int, rng: Rng) -> tuple[list[Edge], float]:
    node = int(rng.integers(int(p["nodes"])))
    # One node talks more than the rest, and surely within any recording; it is the one that may
    # fail.
    if number in (2, 5) or rng.random() < 0.2:
        node = int(p["bad_node"])
    ident = int(p["id_base"]) + 16 * node + int(rng.integers(3))
    if rng.random() < 0.5:  # counters and slow values: mostly constant bytes
        data = [int(x) for x in rng.choice([0, 0xFF, 0x10, 0x7F, 0x3C], int(rng.integers(2, 9)))]
    else:
        data = [int(x) for x in rng.integers(0, 256, int(rng.integers(4, 9)))]
    bits, ack = can_frame(ident, data)
    if rng.random() < p["errors"] or (number == 3 and p["errors"] > 0):
        cut = int(rng.integers(14, len(bits) - 12))
        bits, ack = bits[:cut] + [0] * int(rng.integers(6, 13)) + [1] * 8, -1
    tick = 1 / p["bitrate"] * (1 + p["clock"] * float(np.random.default_rng(node + 5).normal()))
    high, low, shift = node_levels(p, node)
    edges: list[Edge] = []
    previous = 1
    for i, bit in enumerate(bits):
        if bit != previous or i in (ack, ack + 1):
            boost = p["ack_boost"] if i == ack else 0.0
            if bit == 0:
                edges.append((start + i * tick, high + boost, low - boost, True))
            else:
                edges.append((start + i * tick, p["mid"] + shift, p["mid"] + shift, False))
            previous = bit
    return edges, start + (len(bits) + 3) * tick


def bus_edges(case: Case, span: float, rng: Rng) -> list[Edge]:
    p = case.sound
    bit = 1 / p["bitrate"]
    frame = 115 * bit
    flags = case.schedule(rng, int(span / frame) + 12)
    now, i = -between(rng, 0, 1) * frame, 0
    edges: list[Edge] = [(now - 20 * bit, p["mid"], p["mid"], False)]
    while now < span:
        q = case.params(bool(flags[min(i, len(flags) - 1)]))
        more, now = frame_edges(q, now, i, rng)
        edges += [settle(q, e) for e in more]
        # Frames come in bunches with idle time between them, as periodic messages do.
        if rng.random() > p["load"]:
            now += float(rng.exponential(1.2)) * frame
        i += 1
    return edges


def settle(p: Params, edge: Edge) -> Edge:
    """What the wiring makes of the driver's levels: shorts, missing terminators, leaks."""
    t, high, low, dominant = edge
    mid, diff = 0.5 * (high + low), high - low
    diff *= p["load_gain"] if dominant else 1.0
    diff *= p["bridge"]
    high, low = mid + diff / 2, mid - diff / 2
    # Leak resistances pull hardest while nobody drives: source impedance is some kiloohm recessive,
    # 25 ohm dominant.
    pull = p["leak"] if not dominant else 0.35 * p["leak"]
    low += (p["leak_to"] - low) * pull
    high += (p["leak_to"] - high) * (pull if not dominant else 0.3 * pull)
    return t, high, low, dominant


def draw_lines(p: Params, edges: list[Edge], fs: float, n: int) -> Array:
    """Both wires: exponential edges (quick when driven, slower when released) with damped
    ringing.
    """
    times = np.array([e[0] for e in edges])
    dominant = np.array([e[3] for e in edges])
    tau = np.where(dominant, p["tau_dom"], p["tau_rec"])
    gaps = np.diff(times, append=times[-1] + 1.0)
    t = np.arange(n) / fs
    k = np.clip(np.searchsorted(times, t, side="right") - 1, 0, len(times) - 1)
    since = np.maximum(t - times[k], 0)
    out = np.empty((n, 2))
    for c in range(2):
        target = np.array([e[1 + c] for e in edges])
        start = np.empty(len(edges))
        value = target[0]
        for i in range(len(edges)):  # short bits on a slow bus never reach their level
            start[i] = value
            value = target[i] + (value - target[i]) * np.exp(-gaps[i] / tau[i])
        step = start - target
        line = target[k] + step[k] * np.exp(-since / tau[k])
        swing = p["ring"] * np.where(dominant, 0.5, 1.0)
        line -= (
            swing[k]
            * step[k]
            * np.exp(-since / p["ring_tau"])
            * np.sin(2 * np.pi * p["ring_f"] * since)
        )
        out[:, c] = line
    return out


def render_can(case: Case, fs: float, n: int, rng: Rng) -> Array:
    # Wiring defects shape every edge alike; take the edge shapes from the broken set when it is
    # always on.
    p = case.broken if case.broken is not None and not case.intermittent else case.sound
    edges = bus_edges(case, n / fs, rng)
    lines = draw_lines(p, edges, fs, n)
    t = np.arange(n) / fs
    common = p["hum"] * np.sin(2 * np.pi * p["hum_f"] * t + between(rng, 0, 6)) + 0.015 * wander(
        rng, n, fs, 2e-3
    )
    for c in range(2):
        lines[:, c] += common + rng.normal(0, p["noise"], n)
    return lines


def can_vehicle(rng: Rng, bitrate: float, nodes: int) -> Params:
    return {
        "bitrate": bitrate,
        "clock": 8e-4,
        "nodes": float(nodes),
        "nodes_seed": float(rng.integers(1 << 30)),
        "bad_node": float(rng.integers(nodes)),
        "bad_ground": 0.0,
        "bad_drive": 0.0,
        "ground_spread": 0.03,
        "id_base": float(0x100 + 8 * int(rng.integers(0, 32))),
        "mid": near(rng, 2.48, 0.025),
        "diff": near(rng, 2.02, 0.05),
        "ack_boost": near(rng, 0.13, 0.3),
        "load": between(rng, 0.3, 0.7),
        "errors": 0.0,
        "load_gain": 1.0,
        "bridge": 1.0,
        "leak": 0.0,
        "leak_to": 0.0,
        "tau_dom": near(rng, 45e-9, 0.2),
        "tau_rec": near(rng, 90e-9, 0.2),
        "ring": abs(near(rng, 0.12, 0.4)),
        "ring_f": near(rng, 2.6e6, 0.2),
        "ring_tau": near(rng, 2.0e-7, 0.25),
        "hum": abs(near(rng, 0.012, 0.5)),
        "hum_f": between(rng, 8e3, 6e4),
        "noise": 0.012,
    }


def lindale_can(rng: Rng) -> Params:
    return can_vehicle(rng, 500e3, int(rng.integers(5, 9)))


def marrick_can(rng: Rng) -> Params:
    p = can_vehicle(rng, 250e3, int(rng.integers(3, 6)))
    p.update(
        tau_dom=near(rng, 90e-9, 0.2),
        tau_rec=near(rng, 2.0e-7, 0.2),
        mid=near(rng, 2.42, 0.025),
        diff=near(rng, 2.1, 0.05),
    )
    return p


def open_terminator(p: Params, s: float, rng: Rng) -> None:
    p["load_gain"] = 1 + 0.42 * s
    p["tau_rec"] *= 1 + 1.4 * s
    p["ring"] += 0.4 * s
    p["ring_tau"] *= 1 + 1.2 * s


def low_to_ground(p: Params, s: float, rng: Rng) -> None:
    p["leak"], p["leak_to"] = 0.93 * min(s, 1.02) ** 1.7, 0.0


def wires_bridged(p: Params, s: float, rng: Rng) -> None:
    p["bridge"] = 1 - 0.62 * min(s, 1)
    p["errors"] += 0.3 * max(s - 0.6, 0)


def node_ground(p: Params, s: float, rng: Rng) -> None:
    p["bad_ground"] = 1.5 * s**1.5 * (1 if rng.random() < 0.7 else -0.6)


def high_to_supply(p: Params, s: float, rng: Rng) -> None:
    p["leak"], p["leak_to"] = 0.28 * s**1.7, 12.0


def babbling(p: Params, s: float, rng: Rng) -> None:
    p["errors"] = 0.8 * s


def heavy_stub(p: Params, s: float, rng: Rng) -> None:
    bit = 1 / p["bitrate"]
    p["tau_rec"] += 0.33 * s * bit
    p["tau_dom"] += 0.08 * s * bit


CAN = {
    "system": "can-hs",
    "channels": (("can_h", "V"), ("can_l", "V")),
    "render": render_can,
    "peak": 4.9,
    "hum": 0.3,
    "ac_corner": (1.0, 30.0),
}


KNOWN_CAN = (
    Fault("open-terminator", open_terminator, False),
    Fault("can-l-to-ground", low_to_ground),
    Fault("wires-bridged", wires_bridged),
    Fault("node-ground-offset", node_ground),
)


CONTEXTS = (
    Context(
        family="lindale-500",
        condition="idle",
        draw=lindale_can,
        known=KNOWN_CAN,
        rates=(4e6, 5.1e6),
        low_rates=(6e4, 1.8e5),
        span=(0.003, 0.018),
        event=2.7e-4,
        sim_rate=1.6e7,
        unknown=(Fault("can-h-to-supply", high_to_supply), Fault("babbling-node", babbling, False)),
        **CAN,
    ),
    Context(
        family="marrick-250",
        condition="koeo",
        draw=marrick_can,
        known=KNOWN_CAN,
        rates=(2e6, 5.1e6),
        low_rates=(3e4, 9e4),
        span=(0.006, 0.035),
        event=5e-4,
        sim_rate=8e6,
        unknown=(
            Fault("can-h-to-supply", high_to_supply),
            Fault("babbling-node", babbling, False),
            Fault("heavy-stub", heavy_stub, False),
        ),
        **CAN,
    ),
)
