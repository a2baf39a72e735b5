"""Generator: a three-phase machine, its bridge and the battery; ripple and charging voltage."""

from __future__ import annotations

import numpy as np

from seed_references.integrate import Floats, Rng, lag, vary, wander
from seed_references.model import Model, Recording

PHASES = 3
DIODE_V = 0.75
FAMILIES = {
    # pole pairs, pulley ratio, mean output current A, source resistance of a phase Ohm
    "brisk-4": (6.0, 2.6, 38.0, 0.030),
    "harbour-6": (6.0, 2.9, 55.0, 0.022),
    "ember-4d": (8.0, 2.4, 60.0, 0.020),
}
SPEED_RPM = {"idle": 790.0, "r2500": 2500.0, "load-step": 1100.0}


def bridge_current(
    phases: Floats, upper: Floats, lower: Floats, battery: float, resistance: float
) -> Floats:
    """Output current (n,) of a bridge on phase voltages (3, n) into a battery, in A.

    The highest phase conducts through its upper diode, the lowest through its lower one, as long
    as what is left after both drops (3,) exceeds the battery: i = (v - V) / R, never negative.
    """
    top = (phases - upper[:, None]).max(axis=0)
    bottom = (phases + lower[:, None]).min(axis=0)
    return np.maximum(top - bottom - battery, 0.0) / resistance


def phase_voltages(angle: Floats, size: Floats, shift: Floats) -> Floats:
    """Phase voltages (3, n) over the electrical angle (n,) with unequal size and place (3,)."""
    place = 2.0 * np.pi * np.arange(PHASES) / PHASES + shift
    return size[:, None] * np.sin(angle[None, :] - place[:, None])


def excite(
    angle: Floats, size: Floats, shift: Floats, battery: float, resistance: float, wanted: float
) -> float:
    """Excitation (V peak of a phase) at which the mean output of a sound bridge is `wanted` A."""
    part = angle[: min(angle.size, 6000)]
    sound = np.full(PHASES, DIODE_V)
    unit = phase_voltages(part, size, shift)
    low, high = 0.2 * battery, 3.0 * battery
    for _ in range(40):
        middle = 0.5 * (low + high)
        mean = float(bridge_current(middle * unit, sound, sound, battery, resistance).mean())
        low, high = (middle, high) if mean < wanted else (low, middle)
    return 0.5 * (low + high)


def rotor_angle(
    rate: float, count: int, hertz: float, slip: float, firing_hz: float, rng: Rng
) -> Floats:
    """Electrical angle (count,) in rad: crank torsion, slow drift, and belt slip in surges."""
    t = np.arange(count) / rate
    torsion = vary(rng, 0.006, 0.4) * np.sin(2 * np.pi * (firing_hz * t + rng.random()))
    surge = np.clip(np.sin(2 * np.pi * (vary(rng, 9.0, 0.3) * t + rng.random())), 0.0, 1.0)
    speed = 1.0 + torsion + wander(rng, count, 6, 0.002) - slip * (0.03 + 0.12 * surge)
    return 2 * np.pi * (np.cumsum(speed) * hertz / rate + rng.random())


def machine(family: str, condition: str, rng: Rng) -> dict[str, float]:
    """A drawn vehicle's generator: speeds, load, resistances and what its rectifier does."""
    pairs, ratio, amps, ohm = FAMILIES[family]
    rpm = vary(rng, SPEED_RPM[condition], 0.035)
    return {
        "rpm": rpm,
        "electric_hz": pairs * vary(rng, ratio, 0.004) * rpm / 60.0,
        "firing_hz": rpm / 30.0,
        "amps": vary(rng, amps, 0.22),
        "source_ohm": vary(rng, 2.0 * ohm, 0.12),
        "battery_ohm": vary(rng, 0.0085, 0.18),
        "battery_v": vary(rng, 14.1, 0.008),
    }


def ripple(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """B+ at the generator's stud, AC coupled by the chain: battery and cable under the pulses."""
    rate, count = RIPPLE_HZ, 12_000 if condition == "idle" else 9_000
    p = machine(family, condition, rng)
    slip = severity if fault == "belt-slip" else 0.0
    angle = rotor_angle(rate, count, p["electric_hz"], slip, p["firing_hz"], rng)
    size = 1.0 + 0.008 * np.clip(rng.normal(size=PHASES), -2, 2)
    shift = 0.010 * np.clip(rng.normal(size=PHASES), -2, 2)
    loop = p["source_ohm"] + p["battery_ohm"]
    volts = excite(angle, size, shift, p["battery_v"], loop, p["amps"])
    upper, lower = np.full(PHASES, DIODE_V), np.full(PHASES, DIODE_V)
    bad = int(rng.integers(PHASES))
    # a diode that loses contact drops more and more until it carries nothing
    lost = 0.5 * np.expm1(4.0 * severity)
    if fault == "diode-open":
        (upper if rng.random() < 0.5 else lower)[bad] += lost
    if fault == "phase-open":
        upper[bad] += lost
        lower[bad] += lost
    t = np.arange(count) / rate
    pwm = 2.0 * np.abs((vary(rng, 190.0, 0.2) * t + rng.random()) % 1.0 - 0.5) - 0.5
    pole = vary(rng, 0.008, 0.5) * np.sin(angle / FAMILIES[family][0] + rng.random() * 6.0)
    field = 1.0 + vary(rng, 0.010, 0.4) * pwm + pole
    phases = volts * field * phase_voltages(angle, size, shift)
    amps = bridge_current(phases, upper, lower, p["battery_v"], loop)
    if fault == "diode-short":
        # the shorted diode lets its phase draw current back while it is below the other rail
        back = np.maximum(-phases[bad] - 0.3 * volts, 0.0) / loop
        amps = amps - (0.06 + 0.5 * severity) * back
    ohm = p["battery_ohm"] * (1.0 + 4.0 * severity * (fault == "battery-resistance"))
    amps = lag(amps, rate, vary(rng, 1.6e-5, 0.25))
    b_plus = p["battery_v"] + ohm * (amps - amps.mean())
    spark = vary(rng, 0.02, 0.5) * sparks(t, p["firing_hz"], rng)
    b_plus = b_plus + spark + wander(rng, count, 5, 0.004)
    return Recording(b_plus[None, :], rate, p)


def sparks(t: Floats, rate_hz: float, rng: Rng) -> Floats:
    """Unit-size ignition interference: short rings at the firings, uneven in height (n,)."""
    out = np.zeros(t.size)
    period = 1.0 / rate_hz
    for when in np.arange(-rng.random() * period, t[-1], period):
        part = slice(*np.searchsorted(t, [when, when + 4e-4]))
        since = t[part] - when
        ring = np.exp(-since / 5e-5) * np.cos(2 * np.pi * 1.8e4 * since + rng.random() * 6.0)
        out[part] += rng.lognormal(0.0, 0.4) * ring
    return out


def charging(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """Battery voltage: regulator and field lag against load, with the bridge's ripple on it."""
    rate, count = CHARGING_HZ, 16_000
    p = machine(family, condition, rng)
    step = 8
    coarse = count // step
    demand = load_course(condition, coarse, rate / step, p["amps"], rng)
    limit = 2.4 * p["amps"]
    setpoint = p["battery_v"] + (0.35 + 1.6 * severity) * (fault == "overcharging")
    if fault == "undercharging":
        limit = p["amps"] * (0.95 - 0.9 * severity)
    gain, delay = vary(rng, 60.0, 0.15), 0.0
    if fault == "regulator-hunting":
        gain, delay = gain * (3.0 + 6.0 * severity), 0.04 + 0.05 * severity
    amps, level = regulate(demand, setpoint, limit, gain, delay, rate / step)
    cable = (0.004 + 0.045 * severity) * (fault == "cable-drop")
    level = np.repeat(level - cable * amps, step)[:count]
    angle = rotor_angle(rate, count, p["electric_hz"], 0.0, p["firing_hz"], rng)
    upper, sound = np.full(PHASES, DIODE_V), np.full(PHASES, DIODE_V)
    if fault == "diode-open":
        upper[0] += 0.5 * np.expm1(4.0 * severity)
    size, shift = np.ones(PHASES), np.zeros(PHASES)
    loop = p["source_ohm"] + p["battery_ohm"]
    volts = excite(angle, size, shift, p["battery_v"], loop, p["amps"])
    phases = volts * phase_voltages(angle, size, shift)
    pulses = bridge_current(phases, upper, sound, p["battery_v"], loop)
    share = np.repeat(amps, step)[:count] / p["amps"]
    wave = 0.55 * p["battery_ohm"] * share * (lag(pulses, rate, 3e-5) - pulses.mean())
    t = np.arange(count) / rate
    spark = vary(rng, 0.02, 0.5) * sparks(t, p["firing_hz"], rng)
    return Recording((level + wave + spark)[None, :], rate, p)


def load_course(condition: str, count: int, rate: float, amps: float, rng: Rng) -> Floats:
    """Current the consumers draw (count,), in A; a load step adds half as much for a while."""
    course = amps * (1.0 + wander(rng, count, 5, 0.01) + wander(rng, count, 25, 0.012))
    if condition == "load-step":
        on = int(vary(rng, 0.3, 0.2) * count)
        off = int(vary(rng, 0.7, 0.08) * count)
        course[on:off] += 0.6 * amps
    return course


def regulate(
    demand: Floats, setpoint: float, limit: float, gain: float, delay: float, rate: float
) -> tuple[Floats, Floats]:
    """Generator current and battery voltage (count,) under a proportional-integral regulator.

    Field lag tau di/dt = u - i with tau 60 ms; battery V = E + R (i - load), E following the
    charge slowly. The integral keeps the mean at the setpoint; too much gain and delay hunts.
    """
    dt, tau, ohm = 1.0 / rate, 0.06, 0.012
    amps, level = np.empty(demand.size), np.empty(demand.size)
    late = round(delay * rate)
    i, rest = min(float(demand[0]), limit), setpoint
    if limit < demand[0]:
        rest = min(setpoint, 12.3 + 0.02 * (limit - demand[0]))
    total = i
    seen = [setpoint] * (late + 1)
    for n in range(demand.size):
        volt = rest + ohm * (i - float(demand[n]))
        seen.append(volt)
        error = setpoint - seen[-1 - late]
        total = min(max(total + 8.0 * gain * error * dt, 0.0), limit)
        command = min(max(total + gain * error, 0.0), limit)
        i += dt / tau * (command - i)
        amps[n], level[n] = i, volt
    return amps, level


RIPPLE_HZ = 100_000.0
CHARGING_HZ = 16_000.0

MODELS = (
    Model(
        system="alternator-ripple",
        contexts=(("brisk-4", "idle"), ("harbour-6", "r2500")),
        faults={
            "diode-open": "one rectifier diode loses contact: once per electrical period",
            "phase-open": "one stator phase loses contact: twice per electrical period",
            "diode-short": "a diode conducts backwards: large swing once per period",
            "battery-resistance": "battery or cable leaves more of the ripple",
            "belt-slip": "the belt slips in surges: ripple frequency sags",
        },
        channels=(("ripple", "V"),),
        record_hz=RIPPLE_HZ,
        full_scale=(5.0,),
        simulate=ripple,
        relations=(
            "three-phase bridge: v = max(phases) - min(phases), p-p 1 - cos 30 deg, lines 2/(k^2-1)"
            " at k = 6, 12, 18 (power electronics textbooks, six-pulse rectifier)",
            "conduction into a battery: i = (v - V - 2 Vd) / R, never negative (Kirchhoff)",
            "electrical frequency = pole pairs x pulley ratio x rpm / 60",
        ),
        coupling="ac",
        ac_corner_hz=1.5,
    ),
    Model(
        system="charging-voltage",
        contexts=(("brisk-4", "idle"), ("harbour-6", "load-step")),
        faults={
            "overcharging": "regulator limits too late: level too high",
            "undercharging": "output limited below the load: level falls to the battery's own",
            "regulator-hunting": "loop gain and delay too high: level swings",
            "diode-open": "one diode loses contact: large ripple",
            "cable-drop": "resistance in the charge cable",
        },
        channels=(("b_plus", "V"),),
        record_hz=CHARGING_HZ,
        full_scale=(20.0,),
        simulate=charging,
        relations=(
            "first-order field lag and proportional-integral control of the mean voltage",
            "battery as source with resistance: V = E + R (i - load)",
            "three-phase bridge ripple as for alternator-ripple",
        ),
    ),
)
