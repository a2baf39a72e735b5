"""Inductive sensors at toothed wheels: reluctance, flux, emf; crank speed from an energy balance.

Flux of a permanent magnet through a gap: Phi = F / (Rm + g / (mu0 A)); the coil's emf is
-N dPhi/dt; what the instrument sees is that emf behind the coil's R and L at the input's load.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from seed_references.integrate import lag
from seed_references.model import Model, Recording
from seed_references.variation import Floats, near

MU0 = 4e-7 * np.pi
CRANK_HZ, RECORD_HZ, ROLL_HZ = 40e3, 20e3, 10e3
WHEELS = {"brisk-4": (60, 2), "harbour-6": (36, 1), "lark-3": (60, 2), "ember-4d": (60, 2)}
CYLINDERS = {"brisk-4": 4, "harbour-6": 6, "lark-3": 3, "ember-4d": 4, "tarn-8": 8}
_PER_PITCH = 64


@dataclass(frozen=True, slots=True)
class Sensor:
    """A variable-reluctance sensor and its wheel, SI units.

    gap: air gap over a tooth; depth: of a tooth space; reach: width over which the pole averages,
    in pitches; tooth: tooth width in pitches; magnet: magnetomotive force, A; core: reluctance of
    magnet and core, 1/H; area: of the pole, m2; turns; ohms, henry: of the coil; load: of the
    input, ohm; run_out: amplitude of the gap over the turn, m; sizes: height of each tooth, 0..1;
    bump: height of debris at one place; sign: -1 with the leads reversed; offset: V.
    """

    pitches: int
    missing: int
    gap: float
    depth: float
    reach: float
    tooth: float
    magnet: float
    core: float
    area: float
    turns: float
    ohms: float
    henry: float
    load: float
    run_out: float
    phase: float
    odd: int
    odd_size: float
    sign: float
    offset: float
    hash: float


def profile(sensor: Sensor) -> Floats:
    """Height of the wheel (0 space, 1 tooth) seen by the pole over one turn (points,)."""
    n = sensor.pitches * _PER_PITCH
    at = (np.arange(n) + 0.5) / _PER_PITCH
    height = np.ones(sensor.pitches)
    height[sensor.pitches - sensor.missing :] = 0.0
    if sensor.odd >= 0:
        height[sensor.odd] = sensor.odd_size
    inside = np.abs(np.mod(at, 1.0) - 0.5) < 0.5 * sensor.tooth
    raw = height[at.astype(int)] * inside
    width = sensor.reach / sensor.pitches  # the pole averages like a window of cosine shape
    order = np.arange(n // 2 + 1)
    smooth = np.exp(-0.5 * (np.pi * order * width * 0.55) ** 2)
    return np.fft.irfft(np.fft.rfft(raw) * smooth, n)


def flux(sensor: Sensor) -> Floats:
    """Flux (Wb) over one turn (points,): magnetomotive force over the reluctances in series."""
    n = sensor.pitches * _PER_PITCH
    turn = (np.arange(n) + 0.5) / n
    over = sensor.gap + sensor.run_out * np.cos(2 * np.pi * turn - sensor.phase)
    gap = np.maximum(over, 0.1e-3) + sensor.depth * (1.0 - profile(sensor))
    return sensor.magnet / (sensor.core + gap / (MU0 * sensor.area))


def crank_angle(
    rpm: float, ripple: float, cylinders: int, weak: float, shift: float, t: Floats, run_up: float
) -> Floats:
    """Turns (n,) at times t: from w dt = dA with the energy balance w^2 = w0^2 (1 + k cos(...)).

    Compression takes and gives back kinetic energy once per firing (cylinders / 2 a turn); weak:
    share of the energy that one cylinder lacks, once in two turns.  run_up: time constant (s) of
    the start from standstill, 0 when running already.
    """
    far = int(np.ceil(rpm / 60.0 * (t[-1] + 0.1))) + 2
    angle = np.linspace(0.0, far, far * 720 + 1)
    swing = 2.0 * ripple * np.cos(2 * np.pi * (0.5 * cylinders * angle + shift))
    swing -= weak * np.cos(np.pi * angle + shift)
    square = np.maximum(1.0 + swing, 0.05)
    if run_up > 0.0:
        square *= 1.0 - np.exp(-(angle + 0.004) / (rpm / 60.0 * run_up))
    pace = 1.0 / (rpm / 60.0 * np.sqrt(square))
    time = np.concatenate(([0.0], np.cumsum(0.5 * (pace[1:] + pace[:-1]) * np.diff(angle))))
    return np.interp(t, time, angle)


def emf(sensor: Sensor, angle: Floats, rate_hz: float) -> Floats:
    """Volts (n,) at the input for crank turns `angle` (n,): -N dPhi/dt, divided and lagged."""
    n = sensor.pitches * _PER_PITCH
    table = flux(sensor)
    slope = np.gradient(np.concatenate((table[-2:], table, table[:2])), 1.0 / n)[2:-2]
    place = np.mod(angle, 1.0) * n - 0.5
    left = np.floor(place).astype(np.int64)
    part = place - left
    rate = slope[left % n] * (1.0 - part) + slope[(left + 1) % n] * part
    volts = -sensor.turns * rate * np.gradient(angle) * rate_hz
    share = sensor.load / (sensor.load + sensor.ohms)
    seen = lag(volts * share, rate_hz, sensor.henry / (sensor.load + sensor.ohms))
    return sensor.sign * seen + sensor.offset


def healthy_sensor(
    pitches: int, missing: int, rng: np.random.Generator, gap: float = 0.9e-3
) -> Sensor:
    """A sound sensor and wheel of a vehicle."""
    return Sensor(
        pitches=pitches, missing=missing, gap=near(rng, gap, 0.12), depth=near(rng, 3.2e-3, 0.05),
        reach=near(rng, 0.55 if pitches > 40 else 0.5, 0.05), tooth=near(rng, 0.5, 0.04),
        magnet=near(rng, 420.0, 0.06), core=near(rng, 6e7, 0.05), area=near(rng, 1.9e-5, 0.03),
        turns=near(rng, 1900.0, 0.02), ohms=near(rng, 860.0, 0.06), henry=near(rng, 0.35, 0.06),
        load=near(rng, 30e3, 0.1), run_out=abs(near(rng, 0.03e-3, 0.5)),
        phase=rng.uniform(0.0, 2 * np.pi), odd=-1, odd_size=1.0, sign=1.0,
        offset=rng.normal(0.0, 0.005), hash=0.0,
    )  # fmt: skip


def worsen_sensor(sensor: Sensor, fault: str, s: float, rng: np.random.Generator) -> Sensor:
    """The sensor with a fault of severity s, 0 (just seen) to 1 (severe)."""
    teeth = sensor.pitches - sensor.missing
    place = int(rng.integers(3, teeth - 3))
    changes: dict[str, dict[str, float]] = {
        "": {},
        "large-air-gap": {"gap": sensor.gap + (0.7 + 2.0 * s) * 1e-3},
        "damaged-tooth": {"odd": place, "odd_size": 0.75 - 0.75 * s},
        "wheel-run-out": {"run_out": min((0.16 + 0.5 * s) * 1e-3, sensor.gap - 0.2e-3)},
        "reversed-leads": {"sign": -1.0},
        "shorted-turns": {
            "turns": sensor.turns * (0.7 - 0.5 * s), "ohms": sensor.ohms * (0.7 - 0.4 * s),
        },
        "noise": {"hash": 0.08 + 0.4 * s},
    }  # fmt: skip
    return replace(sensor, **changes[fault])  # type: ignore[arg-type]


def disturbance(rng: np.random.Generator, n: int, rate_hz: float, every_s: float) -> Floats:
    """Coupled ignition pulses (n,) of about unit height: decaying bursts, sign drawn."""
    out = np.zeros(n)
    length = int(0.0012 * rate_hz) + 2
    t = np.arange(length) / rate_hz
    at = rng.uniform(0.0, every_s)
    while at < n / rate_hz:
        k = int(at * rate_hz)
        burst = np.exp(-t / 2.5e-4) * np.cos(2 * np.pi * rng.uniform(1.5e3, 4e3) * t)
        part = burst[: max(min(length, n - k), 0)]
        out[k : k + part.size] += part * rng.normal(0.0, 1.0)
        at += every_s * (1.0 + 0.02 * rng.normal())
    return out + 0.15 * rng.normal(size=n)


def ckp(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """A crankshaft sensor: cranking for 1 s, or idling for 0.6 s."""
    crank = condition == "crank"
    sensor = healthy_sensor(*WHEELS[family], rng)
    sensor = worsen_sensor(sensor, fault, severity, rng)
    rpm = near(rng, 210.0, 0.08) if crank else near(rng, 790.0, 0.05)
    ripple = near(rng, 0.09, 0.25) if crank else near(rng, 0.012, 0.3)
    ripple *= (4.0 / CYLINDERS[family]) ** 2
    t = np.arange(int((1.0 if crank else 0.6) * CRANK_HZ)) / CRANK_HZ
    run_up = rng.uniform(0.08, 0.2) if crank and rng.random() < 0.4 else 0.0
    weak = abs(rng.normal(0.0, 0.002))
    angle = crank_angle(rpm, ripple, CYLINDERS[family], weak, rng.uniform(), t, run_up)
    volts = emf(sensor, angle + rng.uniform(), CRANK_HZ)
    if sensor.hash:
        size = float(np.quantile(np.abs(volts), 0.95))
        every = 120.0 / CYLINDERS[family] / rpm
        volts = volts + sensor.hash * size * disturbance(rng, t.size, CRANK_HZ, every)
    parameters = {name: float(getattr(sensor, name)) for name in Sensor.__dataclass_fields__}
    return Recording(volts[None, :], CRANK_HZ, parameters | {"rpm": rpm, "ripple": ripple})


def wheel_inductive(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """A passive wheel-speed sensor at a 48-tooth ring, rolling at 15 or 30 km/h, 1.6 s."""
    sensor = worsen_sensor(healthy_sensor(48, 0, rng, 0.8e-3), fault, severity, rng)
    speed = near(rng, 15.0 if condition == "roll-15" else 30.0, 0.06) / 3.6
    t = np.arange(int(1.6 * ROLL_HZ)) / ROLL_HZ
    turns = speed * t / (2 * np.pi * near(rng, 0.31, 0.03))
    angle = turns * (1.0 + 0.01 * rng.normal() * t / t[-1]) + rng.uniform()
    volts = emf(sensor, angle, ROLL_HZ)
    if sensor.hash:
        size = float(np.quantile(np.abs(volts), 0.95))
        volts = volts + sensor.hash * size * disturbance(rng, t.size, ROLL_HZ, 0.04)
    parameters = {name: float(getattr(sensor, name)) for name in Sensor.__dataclass_fields__}
    return Recording(volts[None, :], ROLL_HZ, parameters | {"speed_m_s": speed})


_FAULTS = {
    "large-air-gap": "sensor too far from the wheel",
    "damaged-tooth": "one tooth worn down or missing",
    "wheel-run-out": "wheel off centre",
    "reversed-leads": "leads swapped",
    "noise": "ignition pulses coupled in",
}
_RELATIONS = (
    "magnetic circuit: Phi = F / (Rm + g / (mu0 A)); emf = -N dPhi/dt (Faraday), any textbook",
    "coil as R and L in series with the input: first-order lag and divider",
    "kinetic energy against compression: w^2 = w0^2 (1 + k cos(n angle / 2))",
)

MODELS = (
    Model(
        "ckp-inductive", (("brisk-4", "crank"), ("harbour-6", "idle")), _FAULTS, (("ckp", "V"),),
        RECORD_HZ, (20.0,), ckp, _RELATIONS,
    ),
    Model(
        "wheel-speed-inductive", (("brisk-4", "roll-15"),),
        {k: v for k, v in _FAULTS.items() if k != "reversed-leads"}
        | {"shorted-turns": "turns of the coil shorted"},
        (("sensor", "V"),), ROLL_HZ, (5.0,), wheel_inductive, _RELATIONS,
    ),
)  # fmt: skip
