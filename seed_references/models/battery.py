"""Battery side: voltage while cranking, the 5 V sensor supply, and the draw with the key off."""

from __future__ import annotations

import numpy as np

from seed_references.integrate import Floats, Rng, lag, often, vary, wander
from seed_references.model import Model, Recording
from seed_references.models.charging import sparks
from seed_references.models.motors import STARTER_HZ, cranking

REFERENCE_HZ, DRAW_HZ = 10_000.0, 20.0


# --- cranking voltage ---------------------------------------------------------------------


def battery_voltage(
    amps: Floats, rate: float, open_v: float, ohm: Floats | float, slow_ohm: float, slow_s: float
) -> Floats:
    """Terminal voltage (n,): E - R i - polarisation, the last lagging the current (Randles)."""
    return open_v - ohm * amps - slow_ohm * lag(amps, rate, slow_s)


def crank_battery(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """Battery posts while the starter turns the engine; some engines start within the record."""
    count = 20_000
    motor_fault = fault if fault in ("low-cylinder", "engine-drag", "starter-commutator") else ""
    worn = {"discharged": 0.55, "internal-resistance": 0.25}.get(fault, 0.0)
    # a weak battery turns the engine slower: its loss acts in the motor loop like a cable's
    as_cable = "cable-resistance" if worn else motor_fault
    p, amps, key = cranking(family, as_cable, severity * (worn or 1.0), rng, count)
    open_v = vary(rng, 12.55, 0.009)
    ohm: Floats | float = p["battery_ohm"]
    if fault == "discharged":
        open_v -= 0.15 + 0.7 * severity
        ohm *= 1.15 + 0.5 * severity
    if fault == "internal-resistance":
        ohm *= 1.25 + 1.1 * severity
    if fault == "loose-clamp":
        off = np.repeat(often(rng, count // 60 + 1, 0.06 + 0.1 * severity), 60)[:count]
        ohm = ohm * (1.0 + (0.5 + 1.6 * severity) * lag(off, STARTER_HZ, 1e-3))
    volts = battery_voltage(amps, STARTER_HZ, open_v, ohm, 0.3 * p["battery_ohm"], 0.4)
    t = np.arange(count) / STARTER_HZ
    fires = key + float(rng.uniform(1.2, 2.2)) if rng.random() < 0.3 else 99.0
    run = np.clip((t - fires) / 0.12, 0.0, 1.0)
    charge = vary(rng, 14.1, 0.01) - 1.3 * np.exp(-np.maximum(t - fires, 0.0) / 0.35)
    volts = volts * (1.0 - run) + charge * run
    return Recording((volts + wander(rng, count, 8, 0.01))[None, :], STARTER_HZ, p)


# --- 5 V reference ------------------------------------------------------------------------


def reference(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """Reference and sensor ground: a regulator with output resistance under the sensors' load.

    V = min(Vset - R i, what current limiting leaves); a short draws the limit and the rail falls.
    """
    count = 16_000
    t = np.arange(count) / REFERENCE_HZ
    p = {
        "set_v": vary(rng, 5.0, 0.004), "ohm": vary(rng, 0.6, 0.2), "load_a": vary(rng, 0.030, 0.2),
        "ground_ohm": vary(rng, 0.25, 0.3), "firing_hz": vary(rng, 27.0, 0.05),
    }  # fmt: skip
    load = p["load_a"] * (1.0 + wander(rng, count, 12, 0.05)) * np.ones(count)
    ripple = vary(rng, 0.004, 0.4) * np.sin(2 * np.pi * vary(rng, 1150.0, 0.1) * t)
    noise = vary(rng, 0.010, 0.4) * sparks(t, p["firing_hz"], rng) + ripple
    set_v, ground = p["set_v"], p["ground_ohm"] * p["load_a"] * np.ones(count)
    if fault == "sag":
        load = load + 0.15 + 1.0 * severity
    if fault == "intermittent-short":
        touch = often(rng, count // 40 + 1, 0.015 + 0.05 * severity)
        load = load + (1.0 + 5.0 * severity) * lag(np.repeat(touch, 40)[:count], REFERENCE_HZ, 8e-4)
    if fault == "short-to-battery":
        set_v += 0.25 + 3.0 * severity
    if fault == "noisy":
        noise = noise * (3.0 + 10.0 * severity)
    if fault == "bad-ground":
        ground = ground + (0.08 + 0.5 * severity) * (1.0 + wander(rng, count, 20, 0.15))
    rail = np.maximum(set_v - p["ohm"] * load, 0.0) + noise
    return Recording(np.stack([rail + 0.3 * ground, ground + 0.3 * noise]), REFERENCE_HZ, p)


# --- key-off draw -------------------------------------------------------------------------


def draw(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """Battery current after key off: control units fall asleep at their own times, I = sum."""
    count = 9_600
    t = np.arange(count) / DRAW_HZ
    units = int(rng.integers(8, 13))
    size = rng.lognormal(np.log(0.35), 0.5, units)
    until = np.sort(rng.uniform(8.0, 170.0, units))
    rest = vary(rng, 0.018, 0.2)
    current = np.full(count, rest)
    for k in range(units):
        awake = t < until[k]
        current = current + size[k] * awake * (1.0 + 0.05 * rng.normal() * np.cos(0.7 * t))
    blink = (t % vary(rng, 2.0, 0.05) < 0.1) * vary(rng, 0.012, 0.3)
    current = current + blink
    if fault == "module-awake":
        current = current + (0.10 + 1.1 * severity) * (1.0 + 0.1 * np.cos(2 * np.pi * 1.3 * t))
    if fault == "wake-up":
        period = vary(rng, 70.0 - 35.0 * severity, 0.1)
        again = (t > 190.0) & ((t - 190.0) % period < 4.0 + 12.0 * severity)
        current = current + again * (0.6 + 2.4 * severity)
    if fault == "constant-load":
        current = current + 0.06 + 0.8 * severity
    p = {"rest_a": rest, "units": float(units), "asleep_s": float(until[-1])}
    return Recording(current[None, :], DRAW_HZ, p)


MODELS = (
    Model(
        system="battery-cranking",
        contexts=(("brisk-4", "crank"), ("ember-4d", "crank")),
        faults={
            "discharged": "low open voltage and more resistance",
            "internal-resistance": "more resistance at the usual open voltage",
            "low-cylinder": "one cylinder loses compression",
            "engine-drag": "friction torque up",
            "loose-clamp": "contact resistance jumps",
        },
        channels=(("battery", "V"),),
        record_hz=STARTER_HZ,
        full_scale=(20.0,),
        simulate=crank_battery,
        relations=(
            "battery as source, resistance and lagging polarisation (Randles circuit)",
            "starter and engine as for starter-current",
        ),
    ),
    Model(
        system="vref-5v",
        contexts=(("brisk-4", "idle"),),
        faults={
            "sag": "overload pulls the rail down",
            "intermittent-short": "the rail is touched now and then",
            "short-to-battery": "rail driven above its setpoint",
            "noisy": "ripple and ignition noise on the rail",
            "bad-ground": "sensor ground lifted",
        },
        channels=(("vref", "V"), ("ground", "V")),
        record_hz=REFERENCE_HZ,
        full_scale=(20.0, 5.0),
        simulate=reference,
        relations=("Ohm's law at a regulator with output resistance and a shared ground",),
    ),
    Model(
        system="parasitic-draw",
        contexts=(("brisk-4", "shutdown"),),
        faults={
            "module-awake": "one control unit stays awake",
            "wake-up": "the network is woken again and again",
            "constant-load": "a lamp or relay stays on",
        },
        channels=(("current", "A"),),
        record_hz=DRAW_HZ,
        full_scale=(20.0,),
        simulate=draw,
        relations=("current of parallel loads adds up (Kirchhoff)",),
    ),
)
