"""Switching sensors at wheels: Hall crank and cam sensors and the active wheel-speed sensor.

A sensor switches where the field of target or magnet ring passes its two thresholds; the field of
a pole pair falls off exponentially with the gap. An open-drain output has its pull-up and line
capacitance, a two-wire sensor its supply current. Crank speed is that of `wheels.crank_angle`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from seed_references.integrate import lag
from seed_references.model import Model, Recording
from seed_references.models.wheels import (
    CYLINDERS,
    WHEELS,
    crank_angle,
    emf,
    healthy_sensor,
    worsen_sensor,
)
from seed_references.variation import Floats, near

CRANK_HZ, CAM_HZ, ROLL_HZ = 50e3, 20e3, 10e3
# Cam patterns as rising and falling crank degrees after the crank's gap, per engine family.
CAMS = {
    "brisk-4": ((38.0, 96.0), (218.0, 326.0), (398.0, 456.0), (600.0, 640.0)),
    "harbour-6": ((20.0, 170.0), (260.0, 300.0), (500.0, 650.0)),
    "lark-3": ((80.0, 200.0), (320.0, 370.0), (560.0, 590.0)),
}
SPROCKET = {"brisk-4": 36, "harbour-6": 48, "lark-3": 40}


@dataclass(frozen=True, slots=True)
class Output:
    """A sensor's output stage: levels V, source ohm of the pull-up, farad of the line, rise of
    the low level by its ground, share of edges it misses, extra noise V."""

    high: float
    low: float
    pull_up: float
    farad: float
    ground: float = 0.0
    leak: float = 0.0
    miss: float = 0.0
    noise: float = 0.0


def healthy_output(rng: np.random.Generator, volts: float = 5.0) -> Output:
    """A sound open-drain output on a pull-up."""
    return Output(
        high=near(rng, volts, 0.01), low=near(rng, 0.14, 0.2), pull_up=near(rng, 2000.0, 0.1),
        farad=near(rng, 4.7e-9, 0.15),
    )  # fmt: skip


def worsen_output(out: Output, fault: str, s: float) -> Output:
    """The output with a fault of severity s, 0 (just seen) to 1 (severe)."""
    changes: dict[str, dict[str, float]] = {
        "bad-ground": {"ground": 0.2 + 1.5 * s},
        "weak-pull-up": {"leak": 0.12 + 0.5 * s},
        "dropout": {"miss": 0.004 + 0.05 * s},
        "noise": {"noise": 0.12 + 0.9 * s},
    }
    return replace(out, **changes.get(fault, {}))


def driven(out: Output, state: np.ndarray, rate_hz: float, rng: np.random.Generator) -> Floats:
    """Volts (n,) of the output for state (n,) True = released (high).

    Released: the line charges through the pull-up, tau = R C; driven: it is pulled low at once.
    leak: share of the pull-up's level that a parallel path takes, a divider.
    """
    high = out.high * (1.0 - out.leak)
    low = out.low + out.ground
    goal = np.where(state, high, low)
    slow = lag(goal, rate_hz, out.pull_up * (1.0 - out.leak) * out.farad)
    volts = np.where(state, slow, np.minimum(lag(goal, rate_hz, 0.4e-6), slow))
    return volts + out.noise * _bursts(rng, volts.size, rate_hz)


def _bursts(rng: np.random.Generator, n: int, rate_hz: float) -> Floats:
    """Disturbance (n,) of about unit height in short decaying trains."""
    strike = np.where(rng.random(n) < 60.0 / rate_hz, rng.normal(size=n) * 2.0, 0.0)
    return lag(strike, rate_hz, 4e-5) * rate_hz * 4e-5 * 0.5 + 0.1 * rng.normal(size=n)


def missed(state: np.ndarray, share: float, rng: np.random.Generator) -> np.ndarray:
    """State (n,) in which a share of the short states was not seen by the sensor."""
    if share <= 0.0:
        return state
    out = state.copy()
    edges = np.flatnonzero(np.diff(state)) + 1
    for a, b in pairwise(edges):
        if rng.random() < share:
            out[a:b] = not state[a]
    return out


def cam_state(pattern: tuple[tuple[float, float], ...], degrees: Floats) -> np.ndarray:
    """Whether the cam is high at crank degrees (n,)."""
    at = np.mod(degrees, 720.0)
    return np.any([(at >= a) & (at < b) for a, b in pattern], axis=0)


def _speed(family: str, crank: bool, rng: np.random.Generator) -> tuple[float, float]:
    ripple = near(rng, 0.09, 0.25) if crank else near(rng, 0.012, 0.3)
    ripple *= (4.0 / CYLINDERS[family]) ** 2
    return (near(rng, 215.0, 0.08) if crank else near(rng, 780.0, 0.05)), ripple


def _degrees(
    family: str, condition: str, t: Floats, rng: np.random.Generator
) -> tuple[Floats, float]:
    """Crank degrees (n,) from a random start, and the speed in rpm."""
    rpm, ripple = _speed(family, condition == "crank", rng)
    turns = crank_angle(rpm, ripple, CYLINDERS[family], 0.0, rng.uniform(), t, 0.0)
    return 360.0 * turns + rng.uniform(0.0, 720.0), rpm


def ckp_hall(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """A Hall sensor at a toothed crank wheel: teeth pull the output low, 0.4 s."""
    pitches, missing = WHEELS[family]
    t = np.arange(int(0.4 * CRANK_HZ)) / CRANK_HZ
    degrees, rpm = _degrees(family, condition, t, rng)
    height = np.ones(pitches)
    height[pitches - missing :] = 0.0
    threshold = near(rng, 0.5, 0.04)
    if fault == "damaged-tooth":
        height[int(rng.integers(3, pitches - missing - 3))] = 0.85 - 0.85 * severity
    place = np.mod(degrees / 360.0, 1.0) * pitches
    target = height[place.astype(int)] * (0.5 - 0.5 * np.cos(2 * np.pi * place))
    wander = 0.012 * lag(rng.normal(size=t.size), CRANK_HZ, 2e-3) * np.sqrt(2e-3 * CRANK_HZ)
    state = missed(target + wander < threshold, 0.0, rng)
    out = worsen_output(healthy_output(rng), fault, severity)
    volts = driven(out, missed(state, out.miss, rng), CRANK_HZ, rng)
    return Recording(volts[None, :], CRANK_HZ, _numbers(out) | {"rpm": rpm})


def cmp_hall(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """A Hall sensor at a cam target: 12 V pull-up, 1 s."""
    t = np.arange(int(1.0 * CAM_HZ)) / CAM_HZ
    degrees, rpm = _degrees(family, condition, t, rng)
    out = worsen_output(
        healthy_output(rng, 12.5 if family == "harbour-6" else 5.0), fault, severity
    )
    pattern = tuple((a + rng.normal(0, 0.4), b + rng.normal(0, 0.4)) for a, b in CAMS[family])
    if fault == "missing-pulse":
        pattern = pattern[:-1]
    if fault == "damaged-target":
        a, b = pattern[0]
        pattern = ((a, b - (0.15 + 0.5 * severity) * (b - a)), *pattern[1:])
    state = missed(cam_state(pattern, degrees), 4.0 * out.miss, rng)
    volts = driven(out, state, CAM_HZ, rng)
    return Recording(volts[None, :], CAM_HZ, _numbers(out) | {"rpm": rpm})


def cmp_ckp(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """Crank emf and cam volts on one time base, 0.8 s at idle.

    shift: where the cam stands against its mark, crank degrees; wobble: a loose target wanders.
    """
    t = np.arange(int(0.8 * CAM_HZ)) / CAM_HZ
    degrees, rpm = _degrees(family, condition, t, rng)
    sensor = worsen_sensor(healthy_sensor(*WHEELS[family], rng), "", 0.0, rng)
    crank = emf(sensor, degrees / 360.0, CAM_HZ)
    out = worsen_output(healthy_output(rng), fault, severity)
    shift, wobble = rng.normal(0.0, 0.9), abs(near(rng, 0.12, 0.3))
    if fault == "jumped-tooth":
        shift += float(rng.choice([-1, 1])) * 720.0 / SPROCKET[family] * (1 + int(severity > 0.7))
    if fault == "stretched-chain":
        shift += 3.0 + 7.0 * severity
    if fault == "loose-reluctor":
        wobble = 0.8 + 4.0 * severity
    turns = np.mod(degrees, 720.0)
    knots = np.arange(degrees[0], degrees[-1] + 720.0, 310.0)
    slow = np.interp(degrees, knots, rng.normal(size=knots.size))
    pattern = CAMS[family][:-1] if fault == "missing-pulse" else CAMS[family]
    state = cam_state(pattern, turns - shift - wobble * slow)
    volts = driven(out, missed(state, out.miss, rng), CAM_HZ, rng)
    parameters = _numbers(out) | {"rpm": rpm, "shift_deg": shift, "wobble_deg": wobble}
    return Recording(np.array([crank, volts]), CAM_HZ, parameters)


def _numbers(out: Output) -> dict[str, float]:
    return {name: float(getattr(out, name)) for name in Output.__dataclass_fields__}


@dataclass(frozen=True, slots=True)
class Ring:
    """An active wheel-speed sensor and its magnet ring.

    low, high: supply currents, A; strength: field of a pole over the threshold (falls as
    exp(-pi gap / pole)); offset: of the threshold; poles: pole pairs; odd: what is left of a
    damaged pole; eccentric: share by which the field varies over the turn; leak: current past
    the sensor, A; starved: share of the current it lacks; drop: contact losses.
    """

    low: float
    high: float
    strength: float
    offset: float
    poles: int
    odd: float
    eccentric: float
    leak: float
    starved: float
    drop: float
    grain: Floats = field(default_factory=lambda: np.zeros(48))


def ring_current(ring: Ring, turns: Floats, rng: np.random.Generator) -> Floats:
    """Current (n,) in mA for ring turns (n,): a comparator with hysteresis on the poles' field."""
    place = np.mod(turns, 1.0) * ring.poles
    pole = place.astype(int)
    size = ring.strength * (1.0 + ring.grain[pole] + ring.eccentric * np.cos(2 * np.pi * turns))
    size = np.where(pole == 11, size * ring.odd, size)
    level = size * np.sin(2 * np.pi * place) + ring.offset + 0.05 * rng.normal(size=turns.size)
    decided = np.where(level > 1.0, 2, np.where(level < -1.0, 1, 0))
    last = np.maximum.accumulate(np.where(decided > 0, np.arange(turns.size), 0))
    state = decided[last] == 2
    amps = np.where(state, ring.high * (1.0 - 1.1 * ring.starved), ring.low * (1.0 - ring.starved))
    amps = lag(amps, ROLL_HZ, 8e-6) + ring.leak
    if ring.drop > 0.0:
        gone = lag(
            (rng.random(turns.size) < 6.0 * ring.drop / ROLL_HZ).astype(float), ROLL_HZ, 4e-3
        )
        amps = np.where(gone > 0.012, 0.2e-3, amps)
    return 1e3 * amps


def wheel_active(
    family: str, condition: str, fault: str, severity: float, rng: np.random.Generator
) -> Recording:
    """Supply current of an active sensor, 48 pole pairs, rolling at 15 or 30 km/h, 1.2 s."""
    s = severity
    ring = Ring(
        low=near(rng, 7.0e-3, 0.035), high=near(rng, 14.0e-3, 0.035), strength=near(rng, 5.0, 0.15),
        offset=rng.normal(0.0, 0.12), poles=48, odd=1.0, eccentric=abs(near(rng, 0.03, 0.5)),
        leak=0.0, starved=0.0, drop=0.0, grain=rng.normal(0.0, 0.015, 48),
    )  # fmt: skip
    changes: dict[str, dict[str, float]] = {
        "": {},
        "damaged-pole": {"odd": 0.4 - 0.4 * s},
        "large-air-gap": {"strength": ring.strength * float(np.exp(-np.pi * (0.28 + 0.2 * s)))},
        "leakage": {"leak": (0.7 + 4.0 * s) * 1e-3},
        "series-resistance": {"starved": 0.06 + 0.25 * s},
        "dropout": {"drop": 0.4 + 1.2 * s},
    }
    ring = replace(ring, **changes[fault])  # type: ignore[arg-type]
    speed = near(rng, 15.0 if condition == "roll-15" else 30.0, 0.08) / 3.6
    t = np.arange(int(1.2 * ROLL_HZ)) / ROLL_HZ
    turns = speed * t / (2 * np.pi * near(rng, 0.31, 0.03)) * (1.0 + 0.02 * rng.normal() * t)
    amps = ring_current(ring, turns + rng.uniform(), rng)
    names = ("low", "high", "strength", "offset", "odd", "eccentric", "leak", "starved", "drop")
    parameters = {name: float(getattr(ring, name)) for name in names}
    return Recording(amps[None, :], ROLL_HZ, parameters | {"speed_m_s": speed})


_LEVELS = {
    "bad-ground": "resistance in the sensor's ground",
    "weak-pull-up": "a parallel path pulls the high level down",
}
_RELATIONS = (
    "pull-up and line: RC charge, divider with a leak; any circuits textbook",
    "kinetic energy against compression: w^2 = w0^2 (1 + k cos(n angle / 2))",
)

MODELS = (
    Model(
        "ckp-hall", (("ember-4d", "idle"),),
        _LEVELS | {
            "dropout": "edges missed", "damaged-tooth": "a tooth worn down",
        },
        (("ckp", "V"),), CRANK_HZ, (20.0,), ckp_hall, _RELATIONS,
    ),
    Model(
        "cmp-hall", (("harbour-6", "idle"),),
        _LEVELS | {
            "missing-pulse": "a target missing", "damaged-target": "a target bent",
            "dropout": "pulses missed now and then",
        },
        (("cmp", "V"),), CAM_HZ, (20.0,), cmp_hall, _RELATIONS,
    ),
    Model(
        "cmp-ckp", (("brisk-4", "idle"), ("harbour-6", "idle")),
        {
            "jumped-tooth": "the belt jumped one tooth or two",
            "stretched-chain": "all cam edges late",
            "loose-reluctor": "the cam's target wanders",
            "missing-pulse": "a cam target missing",
            "bad-ground": "resistance in the cam sensor's ground",
        },
        (("ckp", "V"), ("cmp", "V")), CAM_HZ, (50.0, 20.0), cmp_ckp, _RELATIONS,
    ),
    Model(
        "wheel-speed-active", (("brisk-4", "roll-15"), ("harbour-6", "roll-30")),
        {
            "damaged-pole": "one pole of the ring weak", "large-air-gap": "sensor too far away",
            "leakage": "current past the sensor", "series-resistance": "sensor starved",
            "dropout": "contact lost for moments",
        },
        (("current", "mA"),), ROLL_HZ, (40.0,), wheel_active,
        ("field of a pole row falls as exp(-pi gap / pole pitch), magnetics textbooks",),
    ),
)  # fmt: skip
