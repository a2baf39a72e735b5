"""Direct-current motors: fuel pump with its commutator, starter turning the engine."""

from __future__ import annotations

import numpy as np

from seed_references.integrate import Floats, Rng, lag, often, rk4, vary, wander
from seed_references.model import Model, Recording

PUMP_HZ, STARTER_HZ = 50_000.0, 5_000.0
PUMPS = {
    # supply V, armature Ohm, mean current A, speed rpm, ripples per turn
    "brisk-4": (13.6, 0.62, 5.2, 5800.0, 8),
    "harbour-6": (12.8, 0.50, 7.6, 5100.0, 14),
}
STARTERS = {
    # cylinders, displacement of one m3, compression ratio, friction Nm, gear, armature Ohm, EMF Vs
    "brisk-4": (4, 0.40e-3, 10.2, 32.0, 15.0, 0.0135, 0.0250),
    "harbour-6": (6, 0.50e-3, 10.6, 48.0, 15.0, 0.0110, 0.0250),
    "ember-4d": (4, 0.50e-3, 16.5, 58.0, 16.0, 0.0075, 0.0265),
}
ATMOSPHERE = 1.013e5
DEGREE = np.pi / 180.0


# --- fuel pump ----------------------------------------------------------------------------


def commutated(turn: Floats, ripples: int) -> Floats:
    """EMF of a commutated armature over its mean: cos of the coil's angle off its best place.

    Each bar carries the coil from -pi/N to pi/N; the mean of the cosine is sin(pi/N)/(pi/N).
    """
    half = np.pi / ripples
    place = (turn * ripples) % 1.0
    return np.cos((place - 0.5) * 2.0 * half) / (np.sin(half) / half)


def pump_run(p: dict[str, float], seconds: float) -> tuple[Floats, Floats]:
    """Speed (rad/s) and mean current (A) at 4 kS/s from the switch-on: the two motor equations.

    L di/dt = V - R i - k w;  J dw/dt = k i - T0 - T2 w^2 (a pump's load grows with its flow).
    """
    volt, ohm, k = p["supply_v"], p["ohm"], p["emf"]
    inertia, still, square = p["inertia"], p["still_nm"], p["square_nm"]
    henry = 4e-4

    def slope(_: float, y: list[float]) -> list[float]:
        i, w = y
        moving = still if w > 0.0 or k * i > still else k * i
        return [(volt - ohm * i - k * w) / henry, (k * i - moving - square * w * abs(w)) / inertia]

    states = rk4(slope, [0.0, 0.0], 1.0 / 4000.0, int(seconds * 4000.0) + 2)
    return np.maximum(states[:, 1], 0.0), np.maximum(states[:, 0], 0.0)


def pump_vehicle(family: str, rng: Rng) -> dict[str, float]:
    """A drawn vehicle's fuel pump: windings, segments, load and supply."""
    volt, ohm, amps, rpm, ripples = PUMPS[family]
    w = vary(rng, rpm, 0.04) * np.pi / 30.0
    amps, volt, ohm = vary(rng, amps, 0.06), vary(rng, volt, 0.015), vary(rng, ohm, 0.06)
    emf = (volt - ohm * amps) / w
    torque = emf * amps
    return {
        "supply_v": volt, "ohm": ohm, "emf": emf, "still_nm": 0.35 * torque, "ripples": ripples,
        "square_nm": 0.65 * torque / w**2, "inertia": vary(rng, 1.5e-5, 0.15) * torque / 0.08,
    }  # fmt: skip


def pump_faults(p: dict[str, float], fault: str, severity: float) -> None:
    """What the faults of load and supply change in the motor's equations, in place."""
    if fault == "restricted-filter":
        p["square_nm"] *= 1.0 + 1.1 * severity
        p["still_nm"] *= 1.0 + 0.6 * severity
    if fault == "no-load":
        p["square_nm"] *= 1.0 - 0.75 * severity
        p["still_nm"] *= 1.0 - 0.3 * severity
    if fault == "supply-drop":
        p["ohm"] += 0.10 + 0.75 * severity


def pump(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """Pump current: motor equations for speed and mean, commutator and contacts for the ripple."""
    p = pump_vehicle(family, rng)
    pump_faults(p, fault, severity)
    count = 20_000
    start = vary(rng, 0.02, 0.3) if condition == "prime" else 0.0
    run_s = count / PUMP_HZ if condition == "prime" else 0.6
    speed, mean = pump_run(p, run_s)
    t = np.arange(count) / PUMP_HZ
    if condition == "prime":
        at = np.maximum(t - start, 0.0)
        w, i = np.interp(at, np.arange(speed.size) / 4000.0, speed), mean
        level = np.where(t > start, np.interp(at, np.arange(i.size) / 4000.0, i), 0.0)
    else:
        w, level = np.full(count, speed[-1]), np.full(count, mean[-1])
    unrest = 1.0 + wander(rng, count, 8, 0.004)
    w, level = w * unrest, level * (1.0 + wander(rng, count, 6, 0.008))
    turn = np.cumsum(w) / (2 * np.pi * PUMP_HZ) + rng.random()
    ripple = commutator_current(p, turn, w, level, fault, severity, rng)
    current = np.where(level > 0.0, np.maximum(level + ripple, 0.0), 0.0)
    return Recording(current[None, :], PUMP_HZ, p)


def commutator_current(
    p: dict[str, float],
    turn: Floats,
    w: Floats,
    level: Floats,
    fault: str,
    severity: float,
    rng: Rng,
) -> Floats:
    """Ripple current (n,): EMF ripple over the loop's resistance, and each bar's own resistance."""
    count = int(p["ripples"])
    bar = np.floor(turn * count).astype(np.int64)
    bar -= bar[0]
    own = 0.035 * rng.normal(size=count)
    contact = own[bar % count] + 0.012 * rng.normal(size=int(bar[-1]) + 1)[bar]
    place = int(rng.integers(count))
    if fault == "dirty-bar":
        contact = contact + (0.08 + 0.6 * severity) * (bar % count == place)
    if fault == "open-bar":
        contact = contact + (0.5 + 9.0 * severity) * (bar % count == place)
    if fault == "worn-brushes":
        jumps = np.abs(rng.normal(size=int(bar[-1]) + 1)) * (0.06 + 0.45 * severity)
        contact = contact + jumps[bar]
        contact = contact + (0.02 + 0.1 * severity) * lag(rng.normal(size=turn.size), PUMP_HZ, 1e-4)
    emf = p["emf"] * w * (commutated(turn, count) - 1.0)
    loop = p["ohm"] * (1.0 + np.maximum(contact, -0.5))
    volt = p["ohm"] * level
    ripple = (volt - emf) / loop - level
    ripple = ripple - np.median(ripple) * (fault == "open-bar")
    return lag(ripple, PUMP_HZ, vary(rng, 6e-5, 0.2))


# --- starter ------------------------------------------------------------------------------


def gas_torque(angle_deg: Floats, ratio: float, swept: float, leak: float) -> Floats:
    """Torque (Nm) on the crank of one motored cylinder against crank angle, 0 at compression TDC.

    Polytropic p V^1.32 from the intake valve's closing 130 deg before to 130 deg after; a leak
    lowers the charge, more after the peak than before. T = (p - p_atm) dV/d(angle).
    """
    a = (angle_deg + 360.0) % 720.0 - 360.0
    crank, rod = a * DEGREE, 3.4
    root = np.sqrt(rod**2 - np.sin(crank) ** 2)
    travel = 1.0 - np.cos(crank) + rod - root
    volume = swept * (1.0 / (ratio - 1.0) + 0.5 * travel)
    slope = swept * 0.5 * (np.sin(crank) + np.sin(crank) * np.cos(crank) / root)
    c = 130.0 * DEGREE
    closing = 1.0 - np.cos(c) + rod - np.sqrt(rod**2 - np.sin(c) ** 2)
    trapped = swept * (1.0 / (ratio - 1.0) + 0.5 * closing)
    held = 1.0 - leak * (0.75 + 0.25 / (1.0 + np.exp(-a / 15.0)))
    pressure = ATMOSPHERE * (0.80 * held * ((trapped / volume) ** 1.32 - 1.0))
    edge = np.clip((130.0 - np.abs(a)) / 20.0, 0.0, 1.0)
    return pressure * slope * edge


def engine_torque(cylinders: int, ratio: float, swept: float, leaks: Floats) -> Floats:
    """Gas torque of the whole engine over 720 deg in half-degree steps: (1440,), even firing."""
    angle = np.arange(1440) / 2.0
    total = np.zeros(1440)
    for k in range(cylinders):
        total += gas_torque(angle - 720.0 * k / cylinders, ratio, swept, float(leaks[k]))
    return total


def starter_vehicle(family: str, rng: Rng) -> dict[str, float]:
    """A drawn vehicle's starter, battery and engine to be turned."""
    cylinders, swept, ratio, friction, gear, ohm, emf = STARTERS[family]
    return {
        "cylinders": cylinders, "swept_m3": swept, "ratio": vary(rng, ratio, 0.02),
        "friction_nm": vary(rng, friction, 0.08), "gear": gear, "ohm": vary(rng, ohm, 0.05),
        "emf": vary(rng, emf, 0.03), "battery_v": vary(rng, 12.5, 0.010),
        "battery_ohm": vary(rng, 0.0072, 0.10), "cable_ohm": vary(rng, 0.0016, 0.2),
        "inertia": vary(rng, 0.42 + 0.04 * cylinders, 0.08), "spread": vary(rng, 0.025, 0.3),
    }  # fmt: skip


def starter_leaks(p: dict[str, float], fault: str, severity: float, rng: Rng) -> Floats:
    """Lost share of each cylinder's compression, in firing order."""
    count = int(p["cylinders"])
    leaks = 0.05 + p["spread"] * np.clip(rng.normal(size=count), -2, 2)
    bad = int(rng.integers(count))
    if fault == "low-cylinder":
        leaks[bad] += 0.12 + 0.7 * severity
    if fault == "two-low-cylinders":
        leaks[[bad, (bad + 1) % count]] += 0.12 + 0.65 * severity
    if fault == "all-low":
        leaks += 0.10 + 0.5 * severity
    return np.clip(leaks, -0.1, 0.95)


def crank(
    p: dict[str, float], leaks: Floats, seconds: float, start_deg: float
) -> tuple[Floats, Floats, Floats]:
    """Crank angle (deg), speed (rad/s) and current (A) at 1 kS/s from the engagement.

    Motor: L di/dt = V - R i - k g w. Engine: J dw/dt = g k i - gas torque - friction.
    """
    table = engine_torque(int(p["cylinders"]), p["ratio"], p["swept_m3"], leaks).tolist()
    loop = p["ohm"] + p["battery_ohm"] + p["cable_ohm"]
    k, volt, friction, inertia = (
        p["emf"] * p["gear"],
        p["battery_v"],
        p["friction_nm"],
        p["inertia"],
    )
    henry = 0.006 * loop
    drag = 0.25 * friction / 20.0

    def slope(_: float, y: list[float]) -> list[float]:
        i, w, angle = y
        place = angle * 2.0 % 1440.0
        n = int(place)
        f = place - n
        gas = table[n] * (1.0 - f) + table[n + 1 if n < 1439 else 0] * f
        torque = k * i + gas
        hold = friction + drag * w if w > 0.3 else min(friction, max(torque, 0.0))
        speed = (torque - hold) / inertia
        return [(volt - loop * i - k * w) / henry, max(speed, -40.0 * max(w, 0.0)), w / DEGREE]

    states = rk4(slope, [0.0, 0.0, start_deg], 1e-3, int(seconds * 1000.0) + 2)
    return states[:, 2], states[:, 1], states[:, 0]


def starter_faults(p: dict[str, float], fault: str, severity: float) -> None:
    """Change the drawn parameters p in place as the fault at that severity does."""
    if fault == "engine-drag":
        p["friction_nm"] *= 1.2 + 0.8 * severity
    if fault == "cable-resistance":
        p["cable_ohm"] += 0.003 + 0.012 * severity


def cranking(
    family: str, fault: str, severity: float, rng: Rng, count: int
) -> tuple[dict[str, float], Floats, float]:
    """Vehicle, starter current (count,) at 5 kS/s and the instant of engagement (s).

    Three recordings in four hold the engagement; the others begin while the engine turns.
    """
    p = starter_vehicle(family, rng)
    starter_faults(p, fault, severity)
    leaks = starter_leaks(p, fault, severity, rng)
    key = float(rng.uniform(0.08, 0.45)) if rng.random() < 0.75 else -float(rng.uniform(0.5, 1.1))
    t = np.arange(count) / STARTER_HZ
    seconds = float(t[-1]) - min(key, 0.0) + 0.01
    angle, speed, amps = crank(p, leaks, seconds, float(rng.uniform(0, 720)))
    since = t - key
    base = np.arange(amps.size) / 1000.0
    current = np.interp(since, base, amps)
    turn = np.interp(since, base, angle) / 360.0 * p["gear"]
    current = current + starter_commutator(current, turn, fault, severity, rng)
    current = current * (1.0 + wander(rng, count, 10, 0.006))
    p["rpm"] = float(np.mean(speed[speed.size // 2 :])) * 30.0 / np.pi
    return p, np.where(since > 0, np.maximum(current, 0.0), 0.0), key


def starter_commutator(
    current: Floats, turn: Floats, fault: str, severity: float, rng: Rng
) -> Floats:
    """Bar ripple of the starter's own commutator and, with burnt bars, short losses of contact."""
    ripple = vary(rng, 0.02, 0.35) * np.sin(2 * np.pi * turn * 21.0) * current
    if fault != "starter-commutator":
        return ripple
    whole = np.floor(turn).astype(np.int64)
    whole -= whole.min()
    turns = int(whole.max()) + 1
    hit = often(rng, turns, 0.5) * np.clip(rng.normal(0.7, 0.3, turns), 0, 1)
    dip = hit[whole] * np.exp(-(((turn - np.floor(turn) - 0.5) / 0.1) ** 2))
    return ripple - current * (0.10 + 0.6 * severity) * dip


def starter(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """Starter current through the cable, in A."""
    p, current, _ = cranking(family, fault, severity, rng, 20_000)
    return Recording(lag(current, STARTER_HZ, 2e-4)[None, :], STARTER_HZ, p)


MODELS = (
    Model(
        system="fuel-pump-current",
        contexts=(("brisk-4", "idle"), ("harbour-6", "prime")),
        faults={
            "dirty-bar": "one commutator bar of higher resistance",
            "open-bar": "one commutator bar nearly open",
            "worn-brushes": "contact resistance jumps from bar to bar",
            "restricted-filter": "load torque up: more current, less speed",
            "no-load": "load torque down: less current, more speed",
            "supply-drop": "series resistance: less current and speed",
        },
        channels=(("current", "A"),),
        record_hz=PUMP_HZ,
        full_scale=(30.0,),
        simulate=pump,
        relations=(
            "permanent-magnet motor: L di/dt = V - R i - k w, J dw/dt = k i - T (textbooks)",
            "commutated EMF: cos within +-pi/N of each bar, mean sin(pi/N)/(pi/N)",
            "ripple frequency = N rpm / 60",
        ),
    ),
    Model(
        system="starter-current",
        contexts=(("brisk-4", "crank"), ("harbour-6", "crank")),
        faults={
            "low-cylinder": "one cylinder loses compression",
            "two-low-cylinders": "two neighbours in firing order lose compression",
            "all-low": "all cylinders lose compression",
            "engine-drag": "friction torque up",
            "cable-resistance": "series resistance in the cables",
            "starter-commutator": "starter loses contact once in a while",
        },
        channels=(("current", "A"),),
        record_hz=STARTER_HZ,
        full_scale=(1200.0,),
        simulate=starter,
        relations=(
            "motor and engine: L di/dt = V - R i - k g w, J dw/dt = g k i - T(angle) - friction",
            "polytropic compression p V^n = const, gas torque p dV/d(angle) by the crank slider",
            "hump rate = cylinders x rpm / 120",
        ),
    ),
)
