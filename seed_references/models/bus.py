"""The CAN pair as a resistor-capacitor network with a reflecting line.

Two wires with capacitance, terminators across, a weak bias to half supply, and drivers that
pull H up and L down while dominant. Between two edges the network is linear and time-invariant,
so its voltages follow the matrix exponential exactly; the line's mismatch adds the geometric
series of the lattice (bounce) diagram.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from seed_references.model import Model, Recording
from seed_references.variation import Floats, near

Bits = list[int]
HS_HZ, FD_HZ = 20e6, 50e6
IMPEDANCE = 120.0  # of the twisted pair, ohm


# --- frames -------------------------------------------------------------------------------------


def checked(bits: Bits, width: int = 15, poly: int = 0x4599) -> Bits:
    """The bits followed by their remainder: long division in GF(2), Bosch CAN 2.0 clause 3.1.1."""
    work = bits + [0] * width
    divisor = [1] + [(poly >> k) & 1 for k in range(width - 1, -1, -1)]
    for k in range(len(bits)):
        if work[k]:
            for j, d in enumerate(divisor):
                work[k + j] ^= d
    return bits + work[len(bits) :]


def stuffed(bits: Bits) -> Bits:
    """After five equal bits their complement goes in between."""
    out: Bits = []
    for bit in bits:
        out.append(bit)
        if len(out) >= 5 and len(set(out[-5:])) == 1 and _fresh(out):
            out.append(1 - bit)
    return out


def _fresh(out: Bits) -> bool:
    """Whether the run at the end has just become five long."""
    return len(out) == 5 or out[-6] != out[-5]


def digits(value: int, count: int) -> Bits:
    """`value` in binary, highest first."""
    return [(value >> k) & 1 for k in range(count - 1, -1, -1)]


def data_frame(identifier: int, data: Sequence[int]) -> Bits:
    """A classic base frame on the line up to the end of its CRC (recessive 1)."""
    head = [0, *digits(identifier, 11), 0, 0, 0, *digits(len(data), 4)]
    return stuffed(checked(head + [b for byte in data for b in digits(byte, 8)]))


@dataclass(frozen=True, slots=True)
class Traffic:
    """What the bus does: durations of alternating states and who drives them.

    begin: (n,) start of each state in seconds, state 0 recessive.  dominant: (n,) bool.
    node: (n,) number of the sending node; acknowledging nodes are -1.
    """

    begin: Floats
    dominant: np.ndarray
    node: np.ndarray


def traffic(
    rng: np.random.Generator, bit_s: float, length_s: float, nodes: int, load: float,
    data_bit_s: float = 0.0, errors: float = 0.0,
) -> Traffic:  # fmt: skip
    """Frames of `nodes` nodes filling about `load` of the time; some end in an error flag."""
    at = -rng.uniform(0.0, 1.0) * 60 * bit_s
    spans: list[tuple[float, int, int]] = []
    while at < length_s:
        node = int(rng.integers(0, nodes))
        frame = _line_bits(rng, node, data_bit_s / bit_s if data_bit_s else 1.0)
        if rng.random() < errors:
            cut = int(rng.integers(14, len(frame) - 4))
            frame = [
                *frame[:cut],
                *[(0, 1.0, -1)] * int(rng.integers(6, 13)),
                *[(1, 1.0, node)] * 8,
            ]
        else:
            frame += [(1, 1.0, node), (0, 1.0, -1), (1, 1.0, node), *[(1, 1.0, node)] * 7]
        for bit, length, who in frame:
            spans.append((at, bit, who))
            at += length * bit_s
        spans.append((at, 1, node))
        busy = len(frame) * bit_s
        at += bit_s * (3.0 + rng.exponential(1.0) * busy / bit_s * (1.0 / load - 1.0))
    begin = np.array([s[0] for s in spans])
    return Traffic(begin, np.array([s[1] == 0 for s in spans]), np.array([s[2] for s in spans]))


def _line_bits(rng: np.random.Generator, node: int, fast: float) -> list[tuple[int, float, int]]:
    """Bits of a random frame as (bit, length in arbitration bits, node); FD where fast < 1."""
    data = rng.integers(0, 256, int(rng.choice([4, 8, 8, 8]))).tolist()
    identifier = 0x100 + 0x61 * node + int(rng.integers(0, 3)) * 0x211
    if fast == 1.0:
        return [(b, 1.0, node) for b in data_frame(identifier & 0x7FF, data)]
    head = stuffed([0, *digits(identifier & 0x7FF, 11), 0, 0, 1, 0])
    body = [0, *digits(8, 4), *[b for byte in data * 2 for b in digits(byte, 8)]]
    fixed = stuffed(checked(body, 17, 0x1685B))  # CRC-17 of CAN FD; its fixed stuff bits from here
    slow = [(b, 1.0, node) for b in [*head, 1]]
    return slow + [(b, fast, node) for b in fixed]


# --- the CAN pair -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Pair:
    """The wires and drivers, SI units.

    load: terminators in parallel across the pair; bias: to half supply, per wire; farad: per wire
    to ground; drive_h, drive_l: driver resistances; drop: their diode drops; feed_h, feed_l:
    series resistance between driver and wire; leaks: (wire 0 H or 1 L or 2 across, ohm, volts).
    shifts: ground potential of each node; weak: factor on each node's driver resistances.
    """

    supply: float
    load: float
    bias: float
    farad: float
    drive_h: float
    drive_l: float
    drop: float
    feed_h: float = 0.0
    feed_l: float = 0.0
    leaks: tuple[tuple[int, float, float], ...] = ()
    shifts: tuple[float, ...] = field(default=(0.0,) * 6)
    weak: tuple[float, ...] = field(default=(1.0,) * 6)
    bounce_s: float = 80e-9


def network(pair: Pair, dominant: bool, node: int) -> tuple[Floats, Floats]:
    """Conductance matrix (2, 2) in S and source currents (2,) in A of one state."""
    g = np.eye(2) / pair.bias + np.array([[1.0, -1.0], [-1.0, 1.0]]) / pair.load
    source = np.full(2, 0.5 * pair.supply / pair.bias)
    for wire, ohms, volts in pair.leaks:
        if wire == 2:
            g += np.array([[1.0, -1.0], [-1.0, 1.0]]) / ohms
        else:
            g[wire, wire] += 1.0 / ohms
            source[wire] += volts / ohms
    if dominant:
        many, shift = (2.4, 0.0) if node < 0 else (1.0 / pair.weak[node], pair.shifts[node])
        up = 1.0 / (pair.drive_h / many + pair.feed_h)
        down = 1.0 / (pair.drive_l / many + pair.feed_l)
        g[0, 0] += up
        g[1, 1] += down
        source += np.array([up * (pair.supply - pair.drop + shift), down * (pair.drop + shift)])
    return g, source


def rest_levels(pair: Pair, dominant: bool, node: int = 0) -> Floats:
    """Settled H and L (2,) in V: G v = i."""
    g, source = network(pair, dominant, node)
    return np.asarray(np.linalg.solve(g, source), dtype=np.float64)


def pair_volts(pair: Pair, plan: Traffic, t: Floats) -> Floats:
    """H and L (2, n) at times t: v' = -(G v - i) / C, exact between the edges of the plan."""
    key = plan.dominant * 16 + np.where(plan.dominant, plan.node + 1, 0)
    change = np.flatnonzero(np.diff(key, prepend=-1))
    begin = plan.begin[change]
    edge = np.searchsorted(t, np.append(begin, np.inf))
    modes: dict[int, tuple[Floats, Floats, Floats]] = {}
    out = np.empty((2, t.size))
    v = rest_levels(pair, False)
    out[:, : edge[0]] = v[:, None]
    for k, at in enumerate(begin):
        who = int(key[change[k]])
        if who not in modes:
            g, source = network(pair, who >= 16, (who - 16) - 1)
            pole, vectors = np.linalg.eigh(g / pair.farad)
            goal = np.asarray(np.linalg.solve(g, source), dtype=np.float64)
            modes[who] = (pole, vectors, goal)
        pole, vectors, goal = modes[who]
        part = slice(edge[k], edge[k + 1])
        amount = vectors.T @ (v - goal)
        decay = np.exp(-np.outer(pole, t[part] - at))
        out[:, part] = goal[:, None] + vectors @ (amount[:, None] * decay)
        if k + 1 < begin.size:
            v = goal + vectors @ (amount * np.exp(-pole * (begin[k + 1] - at)))
    return out


def reflected(volts: Floats, pair: Pair, rate_hz: float) -> Floats:
    """The lattice diagram of a line that its load does not match: y = (1 - g) sum g^k x(t - kT).

    g: product of the two ends' reflection coefficients (R - Z) / (R + Z), one end matched or not.
    """
    far = 1.0 / max(1.0 / pair.load - 1.0 / IMPEDANCE, 1e-4)
    g = 0.5 * (far - IMPEDANCE) / (far + IMPEDANCE)
    delay = max(round(pair.bounce_s * rate_hz), 1)
    if abs(g) < 0.02:
        return volts
    out = np.zeros_like(volts)
    for k in range(6):
        late = np.concatenate((np.repeat(volts[:, :1], k * delay, axis=1), volts), axis=1)
        out += (-g) ** k * late[:, : volts.shape[1]]
    return out * (1.0 + g) / (1.0 - (-g) ** 6)


def healthy_pair(rng: np.random.Generator) -> Pair:
    """A sound bus of a vehicle."""
    return Pair(
        supply=near(rng, 5.0, 0.012), load=1.0 / (1.0 / near(rng, 120.0, 0.01) + 1.0 / 120.0),
        bias=near(rng, 2500.0, 0.15), farad=near(rng, 0.9e-9, 0.15),
        drive_h=near(rng, 27.0, 0.14), drive_l=near(rng, 27.0, 0.14), drop=near(rng, 0.75, 0.08),
        shifts=tuple(rng.normal(0.0, 0.02, 6)), weak=tuple(1.0 + rng.normal(0.0, 0.03, 6)),
        bounce_s=near(rng, 70e-9, 0.3),
    )  # fmt: skip


def worsen_pair(pair: Pair, fault: str, s: float, rng: np.random.Generator) -> Pair:
    """The bus with a fault of severity s, 0 (just seen) to 1 (severe)."""
    one = int(rng.integers(0, 6))

    def at_node(values: tuple[float, ...], value: float) -> tuple[float, ...]:
        return (*values[:one], value, *values[one + 1 :])

    low = 10.0 ** (4.0 - 2.9 * s)  # a resistive short, 10 kohm down to about 12 ohm
    changes: dict[str, dict[str, object]] = {
        "": {},
        "termination-open": {"load": 60.0 + 60.0 * (0.25 + 0.75 * s)},
        "extra-termination": {"load": 60.0 - 20.0 * (0.4 + 0.6 * s)},
        "h-l-short": {"leaks": ((2, 10.0 ** (2.6 - 1.9 * s), 0.0),)},
        "h-to-ground": {"leaks": ((0, low, 0.0),)},
        "l-to-ground": {"leaks": ((1, low, 0.0),)},
        "h-to-battery": {"leaks": ((0, low, 13.5),)},
        "h-resistance": {"feed_h": 6.0 + 90.0 * s},
        "ground-offset": {"shifts": at_node(pair.shifts, 0.25 + 1.7 * s)},
        "weak-node": {"weak": at_node(pair.weak, 1.7 + 3.0 * s)},
        "error-frames": {},
    }
    return replace(pair, **changes[fault])  # type: ignore[arg-type]


def _parameters(pair: Pair) -> dict[str, float]:
    names = ("supply", "load", "bias", "farad", "drive_h", "drive_l", "drop", "feed_h")
    return {name: float(getattr(pair, name)) for name in names}


def can_hs(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """H and L of a classic bus: 500 kbit/s on brisk-4, 250 kbit/s elsewhere."""
    kbit = 500.0 if family == "brisk-4" else 250.0
    pair = worsen_pair(healthy_pair(rng), fault, severity, rng)
    t = np.arange(int((3.2e-3 if kbit > 400.0 else 4.0e-3) * HS_HZ)) / HS_HZ
    errors = 0.25 + 0.6 * severity if fault == "error-frames" else 0.0
    bit_s = near(rng, 1e-3 / kbit, 2e-4)
    plan = traffic(rng, bit_s, float(t[-1]), 6, rng.uniform(0.35, 0.7), errors=errors)
    volts = reflected(pair_volts(pair, plan, t), pair, HS_HZ)
    return Recording(volts, HS_HZ, _parameters(pair) | {"bit_s": bit_s})


def can_fd(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """H and L of a bus with 500 kbit/s arbitration and 2 Mbit/s data."""
    pair = worsen_pair(
        replace(healthy_pair(rng), farad=near(rng, 0.35e-9, 0.15)), fault, severity, rng
    )
    t = np.arange(int(0.8e-3 * FD_HZ)) / FD_HZ
    errors = 0.3 + 0.6 * severity if fault == "error-frames" else 0.0
    bit_s = near(rng, 2e-6, 2e-4)
    plan = traffic(rng, bit_s, float(t[-1]), 6, rng.uniform(0.6, 0.85), bit_s / 4.0, errors)
    pair = replace(pair, bounce_s=pair.bounce_s * 0.5)
    volts = reflected(pair_volts(pair, plan, t), pair, FD_HZ)
    return Recording(volts, FD_HZ, _parameters(pair) | {"bit_s": bit_s})


_PAIR_FAULTS = {
    "termination-open": "one terminator open, or nearly so: load towards 120 ohm",
    "h-l-short": "a resistive short between the wires",
    "l-to-ground": "CAN_L to ground through a resistance",
    "h-to-battery": "CAN_H to battery positive through a resistance",
    "h-resistance": "series resistance in CAN_H",
    "ground-offset": "one node's ground raised",
    "error-frames": "frames destroyed by error flags",
}
_PAIR_RELATIONS = (
    "nodal analysis G v = i and C dv/dt = i - G v, solved by the eigenvalues of G / C",
    "lattice (bounce) diagram with reflection coefficient (R - Z) / (R + Z), any line textbook",
    "frames, stuffing, CRC-15: Bosch CAN 2.0 clauses 3 and 5",
)

MODELS = (
    Model(
        "can-hs", (("brisk-4", "koeo"), ("harbour-6", "idle")), _PAIR_FAULTS,
        (("can_h", "V"), ("can_l", "V")), 5e6, (20.0, 20.0), can_hs, _PAIR_RELATIONS,
    ),
    Model(
        "can-fd", (("lark-3", "koeo"),),
        {k: v for k, v in _PAIR_FAULTS.items() if k not in ("ground-offset", "h-to-battery")},
        (("can_h", "V"), ("can_l", "V")), 25e6, (20.0, 20.0), can_fd, _PAIR_RELATIONS,
    ),
)  # fmt: skip
