"""The LIN wire: a pull-up charges its capacitance, a slope-controlled driver discharges it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from seed_references.model import Model, Recording
from seed_references.variation import Floats, near

LIN_HZ = 250e3


@dataclass(frozen=True, slots=True)
class Wire:
    """The LIN wire: supply V, pull-up ohm (with its diode drop), farad, slope V/s, low level V,
    rise of the low level while a slave sends, share of headers left without an answer."""

    supply: float
    pull_up: float
    diode: float
    farad: float
    slope: float
    low: float
    slave_low: float
    silent: float
    bit_s: float
    slave_rate: float


def lin_plan(
    wire: Wire, rng: np.random.Generator, length_s: float
) -> list[tuple[float, int, bool]]:
    """(start, bit, sent by the slave) of every bit: break, sync, identifier, data, checksum."""
    out: list[tuple[float, int, bool]] = []
    slot = near(rng, 10e-3, 0.05)
    at = -rng.uniform(0.0, 1.0) * slot
    while at < length_s:
        begin, number = at, int(rng.integers(1, 0x3B))
        pid = (
            number
            | (_parity(number, (0, 1, 2, 4)) << 6)
            | ((1 - _parity(number, (1, 3, 4, 5))) << 7)
        )
        out += [(at, 0, False), (at + 13.5 * wire.bit_s, 1, False)]
        at += 15.0 * wire.bit_s
        for value in (0x55, pid):
            at = _byte(out, at, value, wire.bit_s, False)
        if rng.random() >= wire.silent:
            data = rng.integers(0, 256, 2 + number % 5).tolist()
            total = pid + sum(data)
            check = 0xFF - (total % 255 or 255 * (total > 0))
            at += rng.uniform(0.5, 3.0) * wire.bit_s
            for value in [*data, check]:
                at = _byte(out, at, value, wire.bit_s * wire.slave_rate, True)
        at = max(begin + slot, at + 4 * wire.bit_s)
    return out


def _parity(value: int, places: tuple[int, ...]) -> int:
    return sum((value >> p) & 1 for p in places) % 2


def _byte(
    out: list[tuple[float, int, bool]], at: float, value: int, bit_s: float, slave: bool
) -> float:
    """Append start bit, eight data bits (lowest first) and stop bit; return when it ends."""
    for k, bit in enumerate([0, *[(value >> j) & 1 for j in range(8)], 1]):
        out.append((at + k * bit_s, bit, slave))
    return at + 10 * bit_s


def lin_volts(wire: Wire, plan: list[tuple[float, int, bool]], t: Floats) -> Floats:
    """Volts (n,): C dv/dt = (Vr - v) / R while released, but no faster than the driver's slope;
    while driven a ramp of that slope down to the driver's low level."""
    high, tau = wire.supply - wire.diode, wire.pull_up * wire.farad
    out = np.full(t.size, high)
    v, state = high, 1
    starts = [p[0] for p in plan]
    for k, (at, bit, slave) in enumerate(plan):
        if bit == state and state == 1:
            continue
        low = wire.low + (wire.slave_low if slave else 0.0)
        end = starts[k + 1] if k + 1 < len(plan) else t[-1] + 1.0
        follow = k + 1
        while follow < len(plan) and plan[follow][1] == bit and plan[follow][2] == slave:
            follow += 1
        end = starts[follow] if follow < len(plan) else t[-1] + 1.0
        part = slice(int(np.searchsorted(t, at)), int(np.searchsorted(t, end)))
        time = np.append(t[part], end) - at
        if bit:
            course = np.minimum(high - (high - v) * np.exp(-time / tau), v + wire.slope * time)
        else:
            course = np.where(v > low, np.maximum(v - wire.slope * time, low), low)
        out[part] = course[:-1]
        v, state = float(course[-1]), bit
    return out


def lin(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """A LIN wire with a master and a few slaves at 19.2 kbit/s, 70 ms."""
    s = severity
    wire = Wire(
        supply=near(rng, 13.6 if condition == "idle" else 12.3, 0.02),
        pull_up=near(rng, 900.0, 0.06),
        diode=near(rng, 0.6, 0.08), farad=near(rng, 2.5e-9, 0.2), slope=near(rng, 1.8e6, 0.12),
        low=near(rng, 0.85, 0.08), slave_low=rng.normal(0.0, 0.03), silent=0.0,
        bit_s=near(rng, 1.0 / 19200.0, 3e-4), slave_rate=near(rng, 1.0, 2e-3),
    )  # fmt: skip
    changes: dict[str, dict[str, float]] = {
        "": {},
        "pull-up-open": {"pull_up": 1500.0 + 9000.0 * s},
        "slave-ground": {"slave_low": 0.3 + 2.8 * s},
        "slave-missing": {"silent": 0.3 + 0.7 * s},
        "wrong-bit-rate": {"slave_rate": 1.0 + float(rng.choice([-1, 1])) * (0.025 + 0.05 * s)},
        "weak-driver": {"low": 1.2 + 3.2 * s},
    }
    wire = replace(wire, **changes[fault])
    t = np.arange(int(0.07 * LIN_HZ)) / LIN_HZ
    volts = lin_volts(wire, lin_plan(wire, rng, float(t[-1])), t)
    parameters = {name: float(getattr(wire, name)) for name in Wire.__dataclass_fields__}
    return Recording(volts[None, :], LIN_HZ, parameters)


MODELS = (
    Model(
        "lin", (("brisk-4", "koeo"), ("ember-4d", "idle")),
        {
            "pull-up-open": "the master's pull-up lost: slaves' pull-ups alone",
            "slave-ground": "ground resistance at a slave",
            "slave-missing": "headers without an answer",
            "wrong-bit-rate": "a slave's clock is off",
            "weak-driver": "the driver does not pull fully low",
        },
        (("lin", "V"),), LIN_HZ, (20.0,), lin,
        ("RC charge through the pull-up, driver of constant slope; LIN 2.x frame layout",),
    ),
)  # fmt: skip
