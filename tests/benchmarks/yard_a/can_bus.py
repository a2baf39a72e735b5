"""High-speed CAN: real frames (stuffing, CRC-15), several nodes, bus line as R and C."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .core import Array, Context, Effect, Rng, System, hiss, spread


@dataclass(frozen=True)
class Node:
    """One transmitter: its identifiers and how its driver differs from the others."""

    idents: tuple[int, ...]
    dom: float  # differential dominant level, V
    shift: float  # ground offset, V
    skew: float  # how unequally CAN_H and CAN_L move


def frame_bits(ident: int, data: bytes) -> list[int]:
    """Logical bits of a base-format data frame, 0 = dominant, ACK slot answered."""
    body = [0, *_bits(ident, 11), 0, 0, 0, *_bits(len(data), 4)]
    for byte in data:
        body += _bits(byte, 8)
    crc = 0
    for bit in body:
        top = bit ^ (crc >> 14 & 1)
        crc = (crc << 1 & 0x7FFF) ^ (0x4599 if top else 0)
    return _stuffed(body + _bits(crc, 15)) + [1, 0, 1] + [1] * 7


def _bits(value: int, width: int) -> list[int]:
    return [value >> k & 1 for k in reversed(range(width))]


def _stuffed(bits: list[int]) -> list[int]:
    out: list[int] = []
    last, run = 2, 0
    for bit in bits:
        run = run + 1 if bit == last else 1
        last = bit
        out.append(bit)
        if run == 5:
            last, run = 1 - bit, 1
            out.append(last)
    return out


def _nodes(rng: Rng) -> list[Node]:
    idents = rng.choice(np.arange(0x0A0, 0x6F0, 8), size=14, replace=False)
    dom = spread(rng, 2.02, 0.035)
    return [
        Node(
            tuple(int(i) for i in part),
            dom * spread(rng, 1.0, 0.02),
            0.03 * rng.normal(),
            0.01 * rng.normal(),
        )
        for part in np.array_split(idents, rng.integers(4, 7))
    ]


@dataclass
class Traffic:
    """Bits on the wire in order, and for every bit which frame and node it belongs to."""

    level: list[int]
    frame: list[int]
    node: list[int]
    ack: list[int]
    frames: int = 0

    def idle(self, count: int) -> None:
        self._put([1] * count, -1, -1, 0)

    def send(self, bits: list[int], node: int, ack: bool = True) -> None:
        self._put(bits, self.frames, node, 0)
        if ack:
            self.ack[-9] = 1
        self.frames += 1

    def _put(self, bits: list[int], frame: int, node: int, ack: int) -> None:
        self.level += bits
        for column, value in ((self.frame, frame), (self.node, node), (self.ack, ack)):
            column += [value] * len(bits)


def _traffic(nodes: list[Node], fx: Effect, rng: Rng, count: int) -> Traffic:
    traffic = Traffic([], [], [], [])
    pause = rng.uniform(30, 190)  # sets the bus load: about 35 to 80 % while busy
    babble = fx("error-frames")
    traffic.idle(int(rng.integers(0, 200)))
    while len(traffic.level) < count:
        k = int(rng.integers(len(nodes)))
        ident = int(rng.choice(nodes[k].idents))
        data = (
            rng.integers(0, 256, size=int(rng.choice([8, 8, 8, 4, 2]))).astype(np.uint8).tobytes()
        )
        bits = frame_bits(ident, data)
        if babble and rng.uniform() < 0.12 + 0.5 * babble:
            # A node that objects: the frame breaks off in 6 to 12 dominant bits, then a delimiter.
            cut = int(rng.integers(20, len(bits) - 12))
            traffic.send(bits[:cut] + [0] * int(rng.integers(6, 13)) + [1] * 8, k, ack=False)
        else:
            traffic.send(bits, k)
        traffic.idle(3 + int(rng.exponential(pause)))
    return traffic


@dataclass(frozen=True)
class Line:
    """Per-bit targets and time constants of the pair."""

    diff: Array
    common: Array
    shift: Array
    skew: Array
    tau: Array
    ring: Array


def _line(traffic: Traffic, nodes: list[Node], fx: Effect, rng: Rng, tau: float) -> Line:
    dominant = np.array(traffic.level) == 0
    node, frame = np.array(traffic.node), np.array(traffic.frame)
    per_frame = lambda name: fx.each(name, traffic.frames + 1, rng)[frame]  # noqa: E731
    term, both = per_frame("terminator-open"), per_frame("both-terminators-open")
    extra, ground = per_frame("extra-terminator"), per_frame("can-l-to-ground")
    wire = per_frame("can-h-resistance")
    shifted = per_frame("node-ground-offset") * (node == 0)
    dom = np.array([m.dom for m in nodes])[node] * (1 + 0.12 * np.array(traffic.ack))
    dom = dom * (1 + 0.34 * term + 0.95 * both - 0.27 * extra) * (1 - 0.3 * wire)
    dom = dom - 0.45 * ground**1.6
    common = spread(rng, 2.5, 0.018) - 2.1 * ground**1.6
    shift = np.array([m.shift for m in nodes])[node] + 0.85 * shifted
    skew = np.array([m.skew for m in nodes])[node] - 0.32 * wire
    recess = tau * (1 + 1.3 * term + 9.0 * both - 0.3 * extra)
    return Line(
        np.where(dominant, dom, -0.01),
        common,
        shift,
        np.where(frame < 0, 0.0, skew),
        np.where(dominant, 0.45 * tau, recess),
        0.03 + 0.22 * term + 0.25 * both,
    )


def _settle(target: Array, tau: Array, bit: float) -> Array:
    """Level at the start of every bit: matters when the line is too slow to settle."""
    start = np.empty(len(target))
    value = target[0]
    left = np.exp(-bit / tau)
    for k in range(len(target)):
        start[k] = value
        value = target[k] + (value - target[k]) * left[k]
    return start


def simulate_can(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    bit = 1 / ctx.car["rate"] * (1 + 0.0008 * rng.normal())
    nodes = _nodes(rng)
    traffic = _traffic(nodes, fx, rng, int(n / fs / bit) + 4)
    line = _line(traffic, nodes, fx, rng, spread(rng, ctx.car["tau"], 0.15))
    position = np.arange(n) / fs / bit + rng.uniform()
    index = position.astype(int)
    since = (position - index) * bit
    start = _settle(line.diff, line.tau, bit)
    jump = line.diff - start
    diff = line.diff[index] - jump[index] * np.exp(-since / line.tau[index])
    ring_hz, decay = spread(rng, 1.3e6, 0.15), spread(rng, 0.45e-6, 0.2)
    diff += (
        line.ring[index]
        * jump[index]
        * np.exp(-since / decay)
        * np.sin(2 * np.pi * ring_hz * since)
    )
    # A node pulls the pair its own way only as far as it drives it.
    share = np.clip(diff / np.median(line.diff[line.diff > 1]), 0, 1)
    common = line.common[index] + line.shift[index] * share
    common = common + hiss(rng, fs, n, 30e3, rng.uniform(0.004, 0.02))
    high = common + diff * (0.5 + line.skew[index] * share)
    low = common - diff * (0.5 - line.skew[index] * share)
    return np.stack([high, np.maximum(low, -0.1)], axis=1)


_FAULTS = {
    "terminator-open": "one terminator missing: dominant swing up, slow recessive edge, ringing",
    "can-l-to-ground": "CAN_L leaking or shorted to ground: both lines pulled down",
    "node-ground-offset": "one node's frames shifted by its poor ground",
    "can-h-resistance": "series resistance in CAN_H: its dominant level falls short",
    "error-frames": "a node destroys frames with error flags",
    "extra-terminator": "a third terminator: dominant swing low",
    "both-terminators-open": "no termination: swing nearly double, recessive edge crawls",
}


def _context(
    family: str,
    rate: float,
    tau: float,
    setups: tuple,
    seconds: tuple[float, float],
    slow: tuple[float, ...],
    unknown: tuple[str, ...],
) -> Context:
    return Context(
        family,
        "koeo",
        ("terminator-open", "can-l-to-ground", "node-ground-offset", "can-h-resistance"),
        unknown,
        seconds,
        setups,
        slow,
        usual_peak=4.3,
        car={"rate": rate, "tau": tau},
    )


CAN = System(
    "can-hs",
    (("can_h", "V"), ("can_l", "V")),
    "dc",
    (
        _context(
            "orlin-16",
            500e3,
            110e-9,
            (("brick8", 5e6), ("slate12", 5e6), ("slate12", 4e6)),
            (0.012, 0.018),
            (250e3, 400e3),
            ("error-frames", "extra-terminator"),
        ),
        _context(
            "hadric-22",
            250e3,
            190e-9,
            (("brick8", 2.5e6), ("slate12", 2e6), ("slate12", 4e6)),
            (0.020, 0.032),
            (100e3, 200e3),
            ("both-terminators-open", "extra-terminator"),
        ),
    ),
    _FAULTS,
    simulate_can,
)
