"""Solenoid injectors: a coil with eddy currents and a needle that moves, and how it is driven.

Port injector, one state of flux linkage and one of motion (Ribbens, solenoid with moving core):
    leak di/dt = v - R i - v_m,   v_m = d(lambda)/dt = R_eddy (i - lambda / L(x))
    m x'' = (i_m^2 / 2) dL/dx - k x - F0 - c x',  stops at 0 and at full lift
The motion's voltage i dL/dt makes the dip and kink in the current and the hump after release.
Direct injector: the same coil without its motion, L falling with saturation, switched between
boost, battery, freewheel and boost reversed by the current's thresholds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from seed_references.model import Model, Recording
from seed_references.variation import Floats, instants, near

STEP_S = 4e-6
FINE_HZ = 1.0 / STEP_S
DIRECT_STEP_S = 2e-6


@dataclass(frozen=True, slots=True)
class Port:
    """One vehicle's port injector and driver, SI units.

    henry, gain: L = henry (1 + gain x / lift).  leak: leakage inductance.  eddy: resistance of the
    eddy loop across the main inductance.  mass, spring,
    preload (N), damp, lift: the needle.  on_volts, on_ohms: driver and ground.  clamp: highest
    voltage at the low side.  width: pulse (s).  skip: share of pulses left out.
    """

    supply: float
    ohms: float
    henry: float
    leak: float
    gain: float
    eddy: float
    mass: float
    spring: float
    preload: float
    damp: float
    lift: float
    on_volts: float
    on_ohms: float
    clamp: float
    width: float
    skip: float = 0.0
    stuck: bool = False


def port_pulse(p: Port, width: float) -> tuple[Floats, Floats, Floats]:
    """Current (A), low-side voltage (V) and lift (m) from switch-on, every STEP_S, to width + 4 ms.

    Semi-implicit Euler. Once the released current reaches zero the coil is open, and the eddy loop
    alone carries the flux: its voltage is the kick's decay, bent where the needle moves.
    """
    n = int((width + 4e-3) * FINE_HZ)
    on = int(width * FINE_HZ)
    current, volts, lift = np.zeros(n), np.empty(n), np.zeros(n)
    i, flux, x, speed, let_go = 0.0, 0.0, 0.0, 0.0, False
    for k in range(n):
        henry = p.henry * (1.0 + p.gain * x / p.lift)
        magnet = flux / henry
        main = p.eddy * (i - magnet)
        if k < on:
            volts[k] = p.on_volts + p.on_ohms * i
            i += (p.supply - volts[k] - p.ohms * i - main) / p.leak * STEP_S
        elif let_go:
            volts[k] = min(p.supply - main, p.clamp)
        else:
            volts[k] = p.clamp
            i += (p.supply - p.clamp - p.ohms * i - main) / p.leak * STEP_S
            let_go = i <= 0.0
            i = max(i, 0.0)
        flux += main * STEP_S
        if not p.stuck:
            force = 0.5 * magnet**2 * p.henry * p.gain / p.lift
            force -= p.preload + p.spring * x + p.damp * speed
            speed += force / p.mass * STEP_S
            x += speed * STEP_S
            if x <= 0.0 or x >= p.lift:
                x, speed = min(max(x, 0.0), p.lift), 0.0
        current[k], lift[k] = i, x
    return current, volts, lift


def port_vehicle(condition: str, rng: np.random.Generator) -> tuple[Port, float]:
    """A healthy port injector and the engine speed (rpm)."""
    idle = condition == "idle"
    return Port(
        supply=near(rng, 14.0, 0.02), ohms=near(rng, 12.2, 0.03), henry=near(rng, 8.5e-3, 0.06),
        leak=near(rng, 1.6e-3, 0.1), gain=near(rng, 0.38, 0.08), eddy=near(rng, 36.0, 0.08),
        mass=near(rng, 2.4e-3, 0.05), spring=near(rng, 3.0e4, 0.08),
        preload=near(rng, 5.6, 0.06), damp=near(rng, 0.8, 0.2),
        lift=near(rng, 75e-6, 0.04), on_volts=near(rng, 0.35, 0.15), on_ohms=near(rng, 0.25, 0.2),
        clamp=near(rng, 62.0, 0.05), width=near(rng, 3.0e-3 if idle else 3.6e-3, 0.08),
    ), near(rng, 800.0 if idle else 2450.0, 0.035)  # fmt: skip


def worsen_port(p: Port, fault: str, s: float) -> Port:
    """The injector with a fault of severity s, 0 (just seen) to 1 (severe)."""
    s = 0.25 + 0.75 * s
    changes: dict[str, dict[str, Any]] = {
        "stuck-needle": {
            "lift": p.lift * (1 - 0.8 * s), "gain": p.gain * (1 - 0.8 * s), "stuck": s > 0.8,
        },
        "slow-needle": {"preload": p.preload * (1 + 0.3 * s), "damp": p.damp * (1 + 25 * s)},
        "weak-spring": {"preload": p.preload * (1 - 0.45 * s), "damp": p.damp * (1 + 12 * s)},
        "series-resistance": {"ohms": p.ohms + 9.0 * s},
        "shorted-turns": {
            "ohms": p.ohms * (1 - 0.45 * s), "henry": p.henry * (1 - 0.55 * s),
            "eddy": p.eddy * (1 - 0.6 * s),
        },
        "slow-release": {"clamp": p.clamp + (p.supply + 3.0 - p.clamp) * s**0.5},
        "missing-pulses": {"skip": 0.25 + 0.35 * s},
        "driver-ground-resistance": {
            "on_volts": p.on_volts + 0.6 * s, "on_ohms": p.on_ohms + 2.2 * s,
        },
        "supply-low": {"supply": p.supply * (1 - 0.25 * s)},
        "low-clamp": {"clamp": p.clamp * (1 - 0.5 * s)},
    }  # fmt: skip
    return replace(p, **changes[fault]) if fault else p


def _port(
    kind: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    p, rpm = port_vehicle(condition, rng)
    p = worsen_port(p, fault, severity)
    duration = 0.45 if condition == "idle" else 0.16
    n = int(duration * FINE_HZ)
    out = np.full(n, p.supply) if kind == "volts" else np.zeros(n)
    times = instants(rng, 120.0 / rpm, 0.006, duration, 8e-3)
    shown = np.flatnonzero((times > 0) & (times < duration - 8e-3))
    for k, when in enumerate(times):
        if p.skip and rng.random() < p.skip and shown.size > 1 and k != shown[0]:
            continue
        current, volts, _ = port_pulse(p, p.width * near(rng, 1.0, 0.02))
        part = volts - p.supply if kind == "volts" else current
        _place(out, part, int(when * FINE_HZ))
    parameters = {name: float(getattr(p, name)) for name in Port.__dataclass_fields__}
    return Recording(out[None, :], FINE_HZ, parameters | {"rpm": rpm})


@dataclass(frozen=True, slots=True)
class Direct:
    """A direct injector and its driver, SI units: boost and battery volts, thresholds in A.

    henry falls as L / (1 + (i / saturate)^2).  drop: reverse
    voltage between phases.  pulses: (start, width) in s of one engine cycle.
    """

    boost: float
    supply: float
    ohms: float
    henry: float
    saturate: float
    peak: float
    pull: float
    hold: float
    band: float
    pull_until: float
    diode: float
    drop: float
    pulses: tuple[tuple[float, float], ...]
    bypass: float = 0.0


def direct_pulse(p: Direct, width: float) -> Floats:
    """Current (A) from switch-on, every DIRECT_STEP_S: boost to peak, pull-in, hold, release."""
    n = int((width + 1.2e-3) / DIRECT_STEP_S)
    out = np.zeros(n)
    i, phase, driven, quick = 0.0, "boost", True, False
    for k in range(n):
        t = k * DIRECT_STEP_S
        if phase != "off" and t >= width:
            phase = "off"
        elif phase == "boost" and (i >= p.peak or t > 0.9 * p.pull_until):
            phase, driven, quick = "pull", False, True
        elif phase == "pull" and t >= p.pull_until:
            phase, driven, quick = "hold", False, True
        volts = -p.drop if quick and phase != "off" else _drive(p, phase, driven)
        i += (volts - p.ohms * i) * (1.0 + (i / p.saturate) ** 2) / p.henry * DIRECT_STEP_S
        i = max(i, 0.0)
        level = p.pull if phase == "pull" else p.hold
        quick = quick and i > level
        if i > level * (1 + p.band):
            driven = False
        elif i < level * (1 - p.band):
            driven = True
        out[k] = i
    return out


def _drive(p: Direct, phase: str, driven: bool) -> float:
    """Voltage across the coil in a phase; `bypass` is how much of the fast decay is lost."""
    if phase == "boost":
        return p.boost
    if phase == "off":
        return -(p.boost * (1.0 - p.bypass) + p.diode)
    return p.supply if driven else -p.diode


def direct_vehicle(condition: str, rng: np.random.Generator) -> tuple[Direct, float]:
    """A healthy direct injector and the engine speed (rpm). Split injection at idle."""
    idle = condition == "idle"
    first = near(rng, 1.5e-3 if idle else 1.9e-3, 0.07)
    pulses = (
        ((0.0, first), (first + near(rng, 2.4e-3, 0.05), 0.55 * first)) if idle else ((0.0, first),)
    )
    return Direct(
        boost=near(rng, 64.0, 0.03), supply=near(rng, 13.8, 0.02), ohms=near(rng, 1.45, 0.05),
        henry=near(rng, 0.95e-3, 0.06), saturate=near(rng, 12.0, 0.05), peak=near(rng, 10.5, 0.025),
        pull=near(rng, 5.4, 0.035), hold=near(rng, 2.7, 0.04), band=near(rng, 0.10, 0.1),
        pull_until=near(rng, 0.85e-3, 0.04), diode=near(rng, 1.0, 0.1), drop=near(rng, 20.0, 0.05),
        pulses=pulses,
    ), near(rng, 800.0 if idle else 2450.0, 0.035)  # fmt: skip


def worsen_direct(p: Direct, fault: str, s: float) -> Direct:
    """The injector with a fault of severity s, 0 (just seen) to 1 (severe)."""
    s = 0.25 + 0.75 * s
    changes: dict[str, dict[str, Any]] = {
        "low-boost": {"boost": p.boost * (1 - 0.55 * s)},
        "weak-hold": {"hold": p.hold * (1 - 0.6 * s)},
        "series-resistance": {"ohms": p.ohms + 2.2 * s},
        "shorted-turns": {"henry": p.henry * (1 - 0.55 * s), "ohms": p.ohms * (1 - 0.3 * s)},
        "slow-decay": {"bypass": min(0.5 + 0.5 * s, 0.98)},
    }
    return replace(p, **changes[fault]) if fault else p


def _place(out: Floats, part: Floats, at: int) -> None:
    a, b = max(at, 0), min(at + part.size, out.size)
    if b > a:
        out[a:b] += part[a - at : b - at]


def simulate_current(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """One vehicle's injector current (A); see `Model.simulate`."""
    return _port("current", condition, fault, severity, rng)


def simulate_volts(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """One vehicle's injector low-side voltage (V); see `Model.simulate`."""
    return _port("volts", condition, fault, severity, rng)


def simulate_direct(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """Direct injector current over a few engine cycles."""
    p, rpm = direct_vehicle(condition, rng)
    p = worsen_direct(p, fault, severity)
    duration, rate = (0.17 if condition == "idle" else 0.15), 1.0 / DIRECT_STEP_S
    out = np.zeros(int(duration * rate))
    for when in instants(rng, 120.0 / rpm, 0.006, duration, 12e-3):
        for start, width in p.pulses:
            part = direct_pulse(p, width * near(rng, 1.0, 0.015))
            _place(out, part, int((when + start) * rate))
    parameters = {
        name: float(getattr(p, name)) for name in Direct.__dataclass_fields__ if name != "pulses"
    }
    return Recording(out[None, :], rate, parameters | {"rpm": rpm, "width": p.pulses[0][1]})


_PORT = (
    "d(lambda)/dt = v - R i with lambda = L(x) i_m (Ribbens, solenoid with moving core)",
    "magnetic force i^2/2 dL/dx on a sprung mass between stops",
    "eddy loop as a resistance across the flux, any textbook on transformers",
)
_DIRECT = ("L di/dt = v - R i between current thresholds (peak and hold driver, LM1949 SNLS349C)",)
MODELS = (
    Model(
        "injector-current", (("brisk-4", "idle"),),
        {
            "stuck-needle": "needle hardly moves: no kink", "slow-needle": "needle opens late",
            "series-resistance": "resistance in the circuit", "shorted-turns": "coil turns shorted",
            "slow-release": "clamp failed: current dies slowly",
        },
        (("injector_current", "A"),), 50e3, (4.0,), simulate_current, _PORT,
    ),
    Model(
        "injector-voltage", (("brisk-4", "r2500"),),
        {
            "stuck-needle": "needle hardly moves: no hump", "weak-spring": "needle closes late",
            "shorted-turns": "coil turns shorted: kick low and short",
            "driver-ground-resistance": "level in the pulse high and rising",
            "low-clamp": "kick clamped early",
        },
        (("injector", "V"),), 125e3, (100.0,), simulate_volts, _PORT,
    ),
    Model(
        "gdi-current", (("lark-3", "r2500"), ("tarn-8", "idle")),
        {
            "low-boost": "boost voltage low: slow rise", "weak-hold": "hold current low",
            "series-resistance": "resistance in the circuit", "shorted-turns": "turns shorted",
            "slow-decay": "no fast decay at the end",
        },
        (("injector_current", "A"),), 125e3, (20.0,), simulate_direct, _DIRECT,
    ),
)  # fmt: skip
