"""Inductive ignition: one coil charged, released, broken down, burning and ringing out.

The circuit, referred to the secondary side: a coil (L, with winding and core loss as a parallel
resistance) and the capacitance of winding, lead and plug. Every phase is linear, so each has its
closed form; the phases are joined by current and voltage.
    dwell      i = V/R (1 - exp(-t R/L)), L falling with saturation; the secondary sees
               -n (V - i R), ringing in with the leakage inductance
    rise       L and C in parallel carry n-th of the primary current: v = I0/(w C) e^-at sin wt
    breakdown  at the gap's voltage the capacitance discharges within microseconds
    spark      L di/dt = -(v_gap + R i) until i = 0
    ringing    the rest of the flux swings between L and C: v = v0 e^-at (cos wt + a/w sin wt)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from seed_references.model import Model, Recording
from seed_references.variation import Floats, instants, near

FINE_HZ = 500e3
TAIL_S = 9e-3


@dataclass(frozen=True, slots=True)
class Coil:
    """One vehicle's coil, driver and gap. SI units; secondary side unless said.

    turns: ratio n.  saturate: primary current at which L has fallen by half.  limit: driver's
    current limit, 0 none.  clamp: driver's clamp voltage.  loss: parallel resistance.  gap_volts:
    breakdown; glow: burning voltage; lift: its relative rise towards the end; rough: its unrest.
    lead: series resistance between pickup and gap.  strikes, hold: sparks per firing, and how
    long one burns before the driver charges again; recharge: for how long.  release: time constant
    of the driver letting go.  shunt: what shorted turns put across the primary.
    """

    supply: float
    ohms: float
    henry_p: float
    saturate: float
    limit: float
    dwell: float
    turns: float
    clamp: float
    sat_volts: float
    sat_ohms: float
    henry: float
    farad: float
    loss: float
    leak_hz: float
    gap_volts: float
    glow: float
    lift: float
    rough: float
    lead: float
    strikes: int = 1
    hold: float = 0.5e-3
    recharge: float = 0.7e-3
    release: float = 1.5e-6
    shunt: float = 1e9


def primary_current(coil: Coil, t: Floats, start: float = 0.0) -> Floats:
    """Primary current (A) after switch-on at times t (n,) from `start` amperes.

    dt = L(i) / (V - i R) di is integrated over current, so saturation needs no time step:
    L(i) = L / (1 + (i / i_sat)^6). Without saturation it is the closed form of the RL step.
    """
    volts = coil.supply - coil.sat_volts
    ohms = coil.ohms + coil.sat_ohms
    i = np.linspace(min(start, 0.98 * volts / ohms), 0.995 * volts / ohms, 1500)
    henry = coil.henry_p / (1.0 + (i / coil.saturate) ** 6)
    rate = henry / (volts - i * ohms)
    time = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(i))))
    current = np.interp(t, time, i)
    current = current + volts / coil.shunt * (1.0 - np.exp(-t / 25e-6))
    return np.minimum(current, coil.limit) if coil.limit > 0 else current


def dwell_volts(coil: Coil, t: Floats, start: float = 0.0) -> Floats:
    """Secondary voltage (V) while the coil charges: -n (V - i R) with the leakage's ringing.

    With the driver limiting, the current no longer changes and the voltage falls away.
    """
    i = primary_current(coil, t, start)
    drive = coil.supply - coil.sat_volts - i * (coil.ohms + coil.sat_ohms)
    if coil.limit > 0:
        reached = i >= coil.limit * (1.0 - 1e-9)
        if reached.any():
            late = t - t[int(np.argmax(reached))]
            drive = np.where(reached, drive * np.exp(-np.maximum(late, 0.0) / 60e-6), drive)
    w = 2.0 * np.pi * coil.leak_hz
    quality = coil.loss / np.sqrt(coil.henry / coil.farad)
    ring = 1.0 - np.exp(-w / (2.5 * quality) * t) * np.cos(w * t)
    return -coil.turns * drive * ring


def ringing(coil: Coil, t: Floats, volts: float, amperes: float) -> Floats:
    """Voltage (V) of L, C and loss in parallel, free from v(0) and i_L(0): second order."""
    a = 1.0 / (2.0 * coil.loss * coil.farad)
    w0 = 1.0 / np.sqrt(coil.henry * coil.farad)
    w = np.sqrt(max(w0**2 - a**2, (0.05 * w0) ** 2))
    a = min(a, 0.98 * w0)
    slope = amperes / coil.farad - 2.0 * a * volts
    return np.exp(-a * t) * (volts * np.cos(w * t) + (slope + a * volts) / w * np.sin(w * t))


def spark_seconds(henry: float, ohms: float, glow: float, amperes: float) -> float:
    """Time until L di/dt = -(v + R i) brings the current to zero: L/R ln(1 + R i / v)."""
    if ohms * amperes < 1e-6 * glow:
        return henry * amperes / glow
    return henry / ohms * float(np.log1p(ohms * amperes / glow))


def shot(
    coil: Coil, amperes: float, cut: float, rng: np.random.Generator
) -> tuple[Floats, float, bool]:
    """Secondary volts after release with `amperes` of secondary current, on FINE_HZ.

    cut > 0: the driver charges again after that time. Returns the samples, the current left
    at the cut, and whether the gap broke down.
    """
    gap = coil.gap_volts * near(rng, 1.0, 0.05)
    top = min(coil.clamp * coil.turns, 1e9)
    t = np.arange(int((cut if cut > 0 else TAIL_S) * FINE_HZ)) / FINE_HZ
    rise = ringing(coil, np.arange(400) / 5e6, 0.0, amperes)
    reached = np.flatnonzero(rise >= min(gap, top))
    if reached.size == 0 or gap > top:
        return _no_spark(coil, t, amperes, top), 0.0, False
    at = reached[0] / 5e6
    left = np.sqrt(max(amperes**2 - coil.farad / coil.henry * gap**2, (0.05 * amperes) ** 2))
    burn = spark_seconds(coil.henry, coil.lead, coil.glow * (1 + 0.35 * coil.lift), left)
    burn *= near(rng, 1.0, 0.03)
    out = np.interp(t, np.arange(400) / 5e6, rise) * (t < at)
    tau = t - at
    on = (tau >= 0) & (tau < burn)
    x = tau[on] / burn
    current = left * (1.0 - x)
    gap_line = coil.glow * (0.95 + 0.1 * x + coil.lift * x**3)
    out[on] = gap_line * (1.0 + _unrest(coil.rough, x.size, rng)) + coil.lead * current
    out[on] += (gap - coil.glow) * np.exp(-tau[on] / (4e-6 + coil.release))
    off = tau >= burn
    end = coil.glow * (1.05 + coil.lift)
    out[off] = ringing(coil, tau[off] - burn, end, 0.0)
    return out, max(left * (1.0 - (cut - at) / burn), 0.0) if cut > 0 else 0.0, True


def _no_spark(coil: Coil, t: Floats, amperes: float, top: float) -> Floats:
    """No breakdown: the driver's clamp eats the current at constant voltage, then it rings."""
    free = ringing(coil, t, 0.0, amperes)
    if free.max(initial=0.0) <= top:
        return free
    hit = int(np.argmax(free > top))
    left = np.sqrt(max(amperes**2 - coil.farad / coil.henry * top**2, 0.0))
    flat = coil.henry * left / top  # L di/dt = -v_clamp
    stop = min(hit + int(flat * FINE_HZ), t.size)
    out = free.copy()
    out[hit:stop] = top
    out[stop:] = ringing(coil, t[: t.size - stop], top, 0.0)
    return out


def _unrest(rough: float, n: int, rng: np.random.Generator) -> Floats:
    """Unrest of the gap voltage: first-order noise of 30 us, relative rms `rough`."""
    if n == 0:
        return np.zeros(0)
    keep = float(np.exp(-1.0 / (30e-6 * FINE_HZ)))
    kernel = keep ** np.arange(64)
    wave = np.convolve(rng.normal(size=n + 63), kernel, "valid")
    return rough * wave * np.sqrt(1.0 - keep**2)


def firing(coil: Coil, rng: np.random.Generator) -> tuple[Floats, Floats, int]:
    """One firing: secondary volts, primary amperes, both on FINE_HZ, and the index of the edge."""
    dwell = coil.dwell * near(rng, 1.0, 0.01)
    t = np.arange(int(dwell * FINE_HZ)) / FINE_HZ
    volts, amps = [dwell_volts(coil, t)], [primary_current(coil, t)]
    edge = t.size
    current = float(amps[0][-1])
    for k in range(coil.strikes):
        last = k == coil.strikes - 1
        cut = 0.0 if last else coil.hold * near(rng, 1.0, 0.03)
        part, left, _ = shot(coil, current / coil.turns, cut, rng)
        volts.append(part)
        amps.append(np.zeros(part.size))
        if not last:
            t = np.arange(int(coil.recharge * FINE_HZ)) / FINE_HZ
            volts.append(dwell_volts(coil, t, left * coil.turns))
            amps.append(primary_current(coil, t, left * coil.turns))
            current = float(amps[-1][-1])
            coil = replace(coil, gap_volts=coil.gap_volts * (0.75 if k == 0 else 1.0))
    return np.concatenate(volts), np.concatenate(amps), edge


CONDITIONS = {"idle": 780.0, "r2500": 2480.0}
LENGTH_S = {"idle": 0.30, "r2500": 0.16}


def vehicle(family: str, condition: str, rng: np.random.Generator) -> tuple[Coil, float]:
    """A healthy vehicle's coil, and its engine speed (rpm)."""
    idle = condition == "idle"
    turns = near(rng, 78.0, 0.03)
    henry_p = near(rng, 3.0e-3, 0.07)
    henry = henry_p * turns**2 * 0.92
    farad = near(rng, 75e-12, 0.07)
    rpm = near(rng, CONDITIONS[condition], 0.04)
    six = family == "harbour-6"
    dwell = near(rng, 2.5e-3 if six else 2.9e-3, 0.06)
    gap = near(rng, 11.5e3 if idle else 10e3, 0.10)
    coil = Coil(
        supply=near(rng, 14.0, 0.02), ohms=near(rng, 0.55, 0.08), henry_p=henry_p,
        saturate=near(rng, 12.0, 0.06), limit=0.0 if idle else near(rng, 9.5, 0.03), dwell=dwell,
        turns=turns, clamp=near(rng, 400.0, 0.03), sat_volts=near(rng, 1.2, 0.1),
        sat_ohms=near(rng, 0.08, 0.15), henry=henry, farad=farad,
        loss=near(rng, 4.5, 0.12) * float(np.sqrt(henry / farad)), leak_hz=near(rng, 11e3, 0.1),
        gap_volts=gap, glow=near(rng, 1050.0, 0.09), lift=abs(near(rng, 0.15, 0.5)),
        rough=near(rng, 0.03, 0.3), lead=near(rng, 4e3, 0.4),
        strikes=int(rng.integers(3, 5)) if six and idle else 1,
        hold=near(rng, 0.45e-3, 0.08), recharge=near(rng, 0.75e-3, 0.08),
    )  # fmt: skip
    return coil, rpm


def worsen(coil: Coil, fault: str, s: float) -> Coil:
    """The coil with a fault of severity s, 0 (just seen) to 1 (severe)."""
    s = 0.25 + 0.75 * s
    changes: dict[str, dict[str, Any]] = {
        "wide-gap": {
            "gap_volts": coil.gap_volts * (1 + 0.9 * s), "glow": coil.glow * (1 + 0.4 * s),
        },
        "fouled-plug": {
            "gap_volts": coil.gap_volts * (1 - 0.6 * s), "glow": coil.glow * (1 - 0.35 * s),
            "loss": coil.loss * (1 - 0.3 * s), "release": coil.release * (1 + 4 * s),
        },
        "lead-resistance": {
            "lead": coil.lead + 55e3 * s, "gap_volts": coil.gap_volts * (1 + 0.2 * s),
        },
        "weak-coil": {
            "henry": coil.henry * (1 - 0.45 * s), "henry_p": coil.henry_p * (1 - 0.15 * s),
            "loss": coil.loss * (1 - 0.65 * s),
        },
        "lean-cylinder": {
            "gap_volts": coil.gap_volts * (1 + 0.35 * s), "lift": coil.lift + 2.5 * s,
            "rough": coil.rough * (1 + 2.5 * s),
        },
        "open-secondary": {"gap_volts": 60e3},
        "lost-strikes": {"strikes": 1 if s > 0.6 else max(coil.strikes - 2, 1)},
        "leaky-driver": {"clamp": coil.clamp * (1 - 0.62 * s), "release": coil.release + 40e-6 * s},
        "driver-ground-resistance": {
            "sat_volts": coil.sat_volts + 1.2 * s, "sat_ohms": coil.sat_ohms + 0.3 * s,
        },
        "shorted-turns": {"henry_p": coil.henry_p * (1 - 0.4 * s), "shunt": 5.5 / s},
        "high-resistance": {"ohms": coil.ohms + 1.2 * s},
        "low-supply": {"supply": coil.supply * (1 - 0.35 * s)},
        "short-dwell": {"dwell": coil.dwell * (1 - 0.5 * s)},
        "no-current-limit": {"limit": coil.limit * (1 + 0.6 * s)},
    }  # fmt: skip
    return replace(coil, **changes[fault]) if fault else coil


def _parameters(coil: Coil, rpm: float) -> dict[str, float]:
    return {name: float(getattr(coil, name)) for name in Coil.__dataclass_fields__} | {"rpm": rpm}


def _record(
    kind: str, family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """A recording of one coil: kind 'secondary' (kV), 'primary' (V) or 'current' (A)."""
    coil, rpm = vehicle(family, condition, rng)
    coil = worsen(coil, fault, severity)
    duration = LENGTH_S[condition]
    n = int(duration * FINE_HZ)
    out = np.zeros(n)
    for when in instants(rng, 120.0 / rpm, 0.008, duration, 6e-3):
        volts, amps, edge = firing(coil, rng)
        trace = {"secondary": volts / 1e3, "current": amps}.get(kind)
        if trace is None:
            trace = collector_volts(coil, volts, amps, edge) - coil.supply
        _place(out, trace, int(when * FINE_HZ) - edge)
    if kind == "primary":
        out += coil.supply
    elif kind == "secondary":
        out = pickup(out, near(rng, 30e-3, 0.35)) * near(rng, 1.0, 0.05)
    return Recording(out[None, :], FINE_HZ, _parameters(coil, rpm))


def collector_volts(coil: Coil, volts: Floats, amps: Floats, edge: int) -> Floats:
    """Coil negative (V): saturation while it conducts, else supply + v_secondary / n + leakage.

    The leakage flux has no secondary to go to: it rings at the driver's output and is clamped.
    """
    on = amps > 0
    reflected = coil.supply + volts / coil.turns
    t = np.arange(volts.size - edge) / FINE_HZ
    i0 = float(amps[edge - 1])
    leak = 22.0 * i0 * np.exp(-t / 18e-6)
    reflected[edge:] += leak * (1.0 - np.exp(-t / (1e-6 + coil.release)))
    return np.where(on, coil.sat_volts + coil.sat_ohms * amps, np.minimum(reflected, coil.clamp))


def pickup(x: Floats, tau: float) -> Floats:
    """A capacitive pickup into its load: first-order high-pass of time constant tau (s)."""
    keep = float(np.exp(-1.0 / (tau * FINE_HZ)))
    block = 50  # the held voltage moves little in 0.1 ms
    means = x[: x.size // block * block].reshape(-1, block).mean(axis=1)
    held, slow = 0.0, np.empty(means.size)
    for k, value in enumerate(means):
        slow[k] = held
        held += (value - held) * (1.0 - keep**block)
    return x - np.interp(np.arange(x.size), np.arange(means.size) * block, slow)


def _place(out: Floats, part: Floats, at: int) -> None:
    a, b = max(at, 0), min(at + part.size, out.size)
    if b > a:
        out[a:b] += part[a - at : b - at]


def simulate_secondary(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """One vehicle's secondary voltage (kV) from its coil, plug and gap; see `Model.simulate`."""
    return _record("secondary", family, condition, fault, severity, rng)


def simulate_primary(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """One vehicle's primary voltage (V) at the coil's low side; see `Model.simulate`."""
    return _record("primary", family, condition, fault, severity, rng)


def simulate_current(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """One vehicle's coil current (A) through dwell and release; see `Model.simulate`."""
    return _record("current", family, condition, fault, severity, rng)


_RELATIONS = (
    "RL step response i = V/R (1 - exp(-t R/L)), any circuits textbook",
    "flux conservation at release: secondary current = primary current / turns ratio",
    "parallel RLC free response; spark: L di/dt = -(v + R i), time L/R ln(1 + R i/v)",
    "breakdown voltage proportional to gap and pressure (Paschen, right branch)",
)
_SECONDARY = {
    "wide-gap": "worn plug: breakdown and burning voltage up, less left to burn",
    "fouled-plug": "shunted gap: breakdown low, burn long and low",
    "lead-resistance": "series resistance: spark line starts high and slopes down",
    "weak-coil": "shorted turns: less inductance, ringing damped, short burn",
    "open-secondary": "no breakdown: the driver's clamp ends the rise, then free ringing",
}
_PRIMARY = {
    "open-secondary": "no breakdown: peak on the clamp, large ringing",
    "fouled-plug": "shunted gap: low peak, long low plateau",
    "leaky-driver": "driver clamps early and lets go slowly",
    "driver-ground-resistance": "collector stays high through the dwell",
}
_CURRENT = {
    "shorted-turns": "less inductance: steep rise",
    "high-resistance": "resistance in the circuit: bowed and low",
    "low-supply": "low supply: flat slope",
    "short-dwell": "charging time too short",
}
MODELS = (
    Model(
        "ignition-secondary", (("brisk-4", "r2500"), ("harbour-6", "idle")), _SECONDARY,
        (("secondary", "kV"),), 100e3, (50.0,), simulate_secondary, _RELATIONS,
    ),
    Model(
        "ignition-primary", (("brisk-4", "r2500"),), _PRIMARY,
        (("primary", "V"),), 125e3, (500.0,), simulate_primary, _RELATIONS,
    ),
    Model(
        "coil-current", (("brisk-4", "r2500"),), _CURRENT,
        (("coil_current", "A"),), 62.5e3, (20.0,), simulate_current, _RELATIONS,
    ),
)  # fmt: skip
