"""Switched loads: a pulse-width driven solenoid with free-wheel, and glow plugs heating up.

Solenoid: L di/dt = V - R i while driven, L di/dt = -Vd - R i through the free-wheel diode, both
solved in closed form from switching instant to switching instant (low-side driver).
Glow plug: C dT/dt = V^2 / R(T) - h (T - Ta), R(T) = R0 (1 + a (T - T0)): metals with a positive
coefficient draw less as they warm; a regulating coil in series has the larger coefficient.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from seed_references.model import Model, Recording
from seed_references.variation import Floats, near

PWM_HZ = 20e3
HEAT_HZ = 1e3


@dataclass(frozen=True, slots=True)
class Valve:
    """A solenoid valve and its driver, SI units; duty is the share of the period driven."""

    supply: float
    ohms: float
    henry: float
    frequency: float
    duty: float
    jitter: float
    on_volts: float
    on_ohms: float
    diode: float
    skip: float = 0.0


def steady_swing(valve: Valve) -> tuple[float, float]:
    """Lowest and highest current (A) of the settled cycle, closed form of two RL parts.

    i_hi = A + (i_lo - A) a, i_lo = -B + (i_hi + B) b with a, b the decays over the two parts, or
    0 where the diode's part would go below zero.
    """
    ohms = valve.ohms + valve.on_ohms
    a = np.exp(-valve.duty / valve.frequency * ohms / valve.henry)
    b = np.exp(-(1 - valve.duty) / valve.frequency * valve.ohms / valve.henry)
    top = (valve.supply - valve.on_volts) / ohms
    drop = valve.diode / valve.ohms
    low = (top * (1 - a) * b - drop * (1 - b)) / (1 - a * b)
    low = max(float(low), 0.0)
    return low, float(top + (low - top) * a)


def valve_trace(valve: Valve, duration: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Control voltage (V, switched side) and current (A) on PWM_HZ."""
    n = int(duration * PWM_HZ)
    t = np.arange(n) / PWM_HZ
    volts, amps = np.full(n, valve.supply), np.zeros(n)
    start = -rng.uniform(0.0, 1.0) / valve.frequency
    i = steady_swing(valve)[0]
    ohms = valve.ohms + valve.on_ohms
    while start < duration:
        period = 1.0 / valve.frequency * (1.0 + valve.jitter * rng.normal())
        on = period * valve.duty * (1.0 + 0.3 * valve.jitter * rng.normal())
        if valve.skip and rng.random() < valve.skip:
            on = 0.0
        part = (t >= start) & (t < start + on)
        top = (valve.supply - valve.on_volts) / ohms
        amps[part] = top + (i - top) * np.exp(-(t[part] - start) * ohms / valve.henry)
        volts[part] = valve.on_volts + valve.on_ohms * amps[part]
        i = float(top + (i - top) * np.exp(-on * ohms / valve.henry)) if on else i
        part = (t >= start + on) & (t < start + period)
        drop = valve.diode / valve.ohms
        fall = (i + drop) * np.exp(-(t[part] - start - on) * valve.ohms / valve.henry) - drop
        amps[part] = np.maximum(fall, 0.0)
        volts[part] = valve.supply + np.where(fall > 0, min(valve.diode, 40.0), 0.0)
        end = (i + drop) * np.exp(-(period - on) * valve.ohms / valve.henry) - drop
        i, start = max(float(end), 0.0), start + period
    return volts, amps


def valve_vehicle(condition: str, rng: np.random.Generator) -> Valve:
    """A healthy purge or pressure-control valve."""
    return Valve(
        supply=near(rng, 13.9, 0.02), ohms=near(rng, 22.0, 0.04), henry=near(rng, 55e-3, 0.08),
        frequency=near(rng, 122.0, 0.02),
        duty=near(rng, 0.38 if condition == "idle" else 0.6, 0.07),
        jitter=near(rng, 0.003, 0.3), on_volts=near(rng, 0.25, 0.2), on_ohms=near(rng, 0.25, 0.2),
        diode=near(rng, 0.9, 0.08),
    )  # fmt: skip


def worsen_valve(valve: Valve, fault: str, s: float) -> Valve:
    """The valve with a fault of severity s, 0 (just seen) to 1 (severe)."""
    s = 0.25 + 0.75 * s
    changes: dict[str, dict[str, Any]] = {
        "shorted-coil": {"ohms": valve.ohms * (1 - 0.5 * s), "henry": valve.henry * (1 - 0.7 * s)},
        "series-resistance": {"ohms": valve.ohms + 16.0 * s},
        "driver-ground-resistance": {"on_volts": valve.on_volts + 0.4 * s, "on_ohms": 3.5 * s},
        "no-flyback-diode": {"diode": 0.9 + 38.0 * s},
        "intermittent": {"skip": 0.08 + 0.3 * s},
    }
    return replace(valve, **changes[fault]) if fault else valve


def simulate_valve(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """Control voltage and current of a PWM valve for 0.4 s."""
    valve = worsen_valve(valve_vehicle(condition, rng), fault, severity)
    volts, amps = valve_trace(valve, 0.4, rng)
    parameters = {name: float(getattr(valve, name)) for name in Valve.__dataclass_fields__}
    return Recording(np.array([volts, amps]), PWM_HZ, parameters)


@dataclass(frozen=True, slots=True)
class Plugs:
    """A set of glow plugs on one feed. cold: resistance of one plug at ambient, ohm; rise: its
    temperature coefficient times the final temperature rise; heat: time constant, s; feed: common
    series resistance; count: plugs that conduct; cut_at: when one loses contact, s (0 never)."""

    supply: float
    cold: float
    rise: float
    heat: float
    feed: float
    count: float
    start: float
    cut_at: float = 0.0


def plug_current(p: Plugs, t: Floats) -> Floats:
    """Total current (A) at times t (n,) after switch-on, t uniform.

    The thermal equation in the plug's normalised temperature u (1 = final at full voltage):
    heat du/dt = (V / V0)^2 (1 + rise) / (1 + rise u) - u, stepped on t; V falls by the feed.
    """
    step = float(t[1] - t[0]) if t.size > 1 else 1e-3
    out, u = np.empty(t.size), 0.0
    for k in range(t.size):
        count = p.count - (1.0 if p.cut_at and t[k] > p.cut_at else 0.0)
        ohms = p.cold * (1.0 + p.rise * u)
        volts = p.supply / (1.0 + p.feed * count / ohms)
        out[k] = count * volts / ohms
        power = (volts / p.supply) ** 2 * (1.0 + p.rise) / (1.0 + p.rise * u)
        u += (power - u) / p.heat * step
    return out


def plugs_vehicle(rng: np.random.Generator) -> Plugs:
    """Four healthy plugs on one relay."""
    return Plugs(
        supply=near(rng, 11.6, 0.03), cold=near(rng, 0.42, 0.05), rise=near(rng, 1.5, 0.07),
        heat=near(rng, 1.6, 0.08), feed=near(rng, 0.012, 0.15), count=4.0,
        start=near(rng, 0.5, 0.3),
    )  # fmt: skip


def worsen_plugs(p: Plugs, fault: str, s: float) -> Plugs:
    """The set with a fault of severity s, 0 (just seen) to 1 (severe)."""
    changes: dict[str, dict[str, Any]] = {
        "open-plug": {"count": 3.0 if s < 0.6 else 2.0},
        "high-resistance": {"feed": p.feed + 0.02 + 0.09 * s},
        "plug-cuts-out": {"cut_at": 4.5 - 3.0 * s},
        "late-regulation": {"rise": p.rise * (0.65 - 0.4 * s)},
    }
    return replace(p, **changes[fault]) if fault else p


def simulate_plugs(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """Feed current from before switch-on until nearly steady, 9 s."""
    p = worsen_plugs(plugs_vehicle(rng), fault, severity)
    t = np.arange(int(9.0 * HEAT_HZ)) / HEAT_HZ
    out = np.zeros(t.size)
    k = int(p.start * HEAT_HZ)
    out[k:] = plug_current(p, t[: t.size - k])
    off = int((p.start + near(rng, 7.6, 0.05)) * HEAT_HZ)
    out[min(off, out.size) :] = 0.0
    parameters = {name: float(getattr(p, name)) for name in Plugs.__dataclass_fields__}
    return Recording(out[None, :], HEAT_HZ, parameters)


MODELS = (
    Model(
        "solenoid-pwm", (("brisk-4", "idle"),),
        {
            "shorted-coil": "turns shorted: current high, quick",
            "series-resistance": "resistance in the circuit: mean current low",
            "driver-ground-resistance": "lower state high and rising",
            "no-flyback-diode": "free-wheel path lost: kicks, current falls at once",
            "intermittent": "pulses missing",
        },
        (("control", "V"), ("current", "A")), 20e3, (64.0, 2.0), simulate_valve,
        ("RL response between switching instants, closed form, any circuits textbook",),
    ),
    Model(
        "glow-plug-current", (("ember-4d", "koeo"),),
        {
            "open-plug": "one plug, or two, open", "high-resistance": "resistance in relay or feed",
            "plug-cuts-out": "a plug loses contact while hot",
            "late-regulation": "plugs hardly fade: regulating coil lost",
        },
        (("glow_current", "A"),), 1e3, (200.0,), simulate_plugs,
        ("lumped heating C dT/dt = V^2/R(T) - h (T - Ta) with R(T) linear in T",),
    ),
)  # fmt: skip
