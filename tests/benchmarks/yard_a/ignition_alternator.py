"""Ignition secondary (one coil-on-plug pick-up) and generator ripple."""

from __future__ import annotations

import numpy as np

from .core import (
    Array,
    Context,
    Effect,
    Rng,
    System,
    crosstalk,
    hiss,
    ignition_noise,
    low_pass,
    place,
    repeats,
    scatter,
    spread,
    wander,
)

# --- ignition secondary -------------------------------------------------------------------


def _coil(ctx: Context, rng: Rng) -> dict[str, float]:
    car = ctx.car
    return {
        "rpm": spread(rng, car["rpm"], 0.035),
        "kv": spread(rng, car["kv"], 0.10),
        "burn": spread(rng, car["burn"], 0.09),
        "level": spread(rng, 1.25, 0.11),
        "dwell": spread(rng, car["dwell"], 0.10),
        "ring_hz": spread(rng, 4200, 0.10),
        "ring_tau": spread(rng, 0.42e-3, 0.14),
        "tail": rng.uniform(0.2, 0.7),
        "step": spread(rng, 1.0, 0.18),
        "gain": spread(rng, 1.0, 0.06),
        "cycle": rng.uniform(0.05, 0.10),
    }


def _sparks(coil: dict[str, float], fx: Effect, count: int, rng: Rng) -> dict[str, Array]:
    """Per-firing numbers. kV taken for breakdown is energy the burn no longer has."""
    gap = fx.each("wide-gap", count, rng)
    foul = fx.each("fouled-plug", count, rng)
    lead = fx.each("lead-resistance", count, rng)
    weak = fx.each("weak-coil", count, rng)
    lean = fx.each("lean-cylinder", count, rng)
    cut = fx.each("open-secondary", count, rng)
    noise = scatter(rng, coil["cycle"], count)
    kv = coil["kv"] * noise * (1 + 0.85 * gap + 0.3 * lead + 0.45 * lean) * (1 - 0.62 * foul)
    energy = 1 - 0.55 * weak
    kv = np.where(cut > 0, spread(rng, 31.0, 0.05) * scatter(rng, 0.03, count), kv)
    # A weak coil that cannot reach the demand misses: a low hump and no burn.
    ceiling = 30 * np.sqrt(energy) * (1 - 0.45 * weak)
    miss = kv > ceiling
    burn = coil["burn"] * scatter(rng, 0.04 + 0.05 * lean.max(initial=0), count)
    burn *= energy * (1.16 - 0.16 * (kv / coil["kv"]) ** 1.6) * (1 - 0.35 * lead) * (1 - 0.3 * lean)
    burn *= 1 + 0.75 * foul
    burn = np.where((cut > 0) | miss, 4e-6, np.clip(burn, 0.08e-3, None))
    level = coil["level"] * scatter(rng, 0.04, count) * (1 + 0.45 * gap) * (1 - 0.3 * foul)
    return {
        "kv": np.minimum(kv, ceiling),
        "burn": burn,
        "level": level,
        "slope": 2.2 * lead,
        "rise": coil["tail"] + 2.6 * lean,
        "ragged": 0.035 + 0.16 * lean + 0.05 * gap,
        "ring": (1 - 0.6 * weak) * np.where(cut > 0, 3.5, 1.0),
        "quick": 1 - 0.55 * weak,
    }


def _firing(t: Array, fs: float, coil: dict[str, float], s: dict[str, float], rng: Rng) -> Array:
    """One firing in kV, firing direction up, t = 0 at breakdown."""
    out = np.zeros(len(t))
    on = (t >= -coil["dwell"]) & (t < 0)
    d = t[on] + coil["dwell"]
    wave = 1 + 0.7 * np.cos(2 * np.pi * 2.1 * coil["ring_hz"] * d) * np.exp(
        -d / (0.35e-3 * s["quick"])
    )
    out[on] = -coil["step"] * s["quick"] * wave * np.exp(-d / 1.1e-3)
    rise, fall = 2.2e-6, 6.5e-6
    edge = np.where(t < 0, np.exp(-((t / rise) ** 2)), np.exp(-np.clip(t, 0, None) / fall))
    out += (s["kv"] - s["level"]) * edge
    burning = (t >= 0) & (t < s["burn"])
    x = t[burning] / s["burn"]
    line = s["level"] * (1 + 0.15 * np.exp(-12 * x) + s["rise"] * x**4) + s["slope"] * (1 - x)
    if burning.sum() > 4:
        line = line * (1 + hiss(rng, fs, len(x), 9e3, s["ragged"]))
    out[burning] += line
    after = t >= s["burn"]
    r = t[after] - s["burn"]
    swing = s["ring"] * s["level"] * (1 + 0.5 * s["rise"])
    out[after] += (
        swing
        * np.cos(2 * np.pi * coil["ring_hz"] * r)
        * np.exp(-r / (coil["ring_tau"] * s["quick"]))
    )
    return out


def simulate_ignition(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    coil = _coil(ctx, rng)
    period = 120 / coil["rpm"]
    times = repeats(rng, period, 0.012, n / fs)
    sparks = _sparks(coil, fx, len(times), rng)
    trace = np.zeros(n)
    for k, when in enumerate(times):
        part, t = place(trace, fs, when, coil["dwell"] + 0.1e-3, 9e-3)
        if len(t):
            trace[part] += _firing(t, fs, coil, {q: v[k] for q, v in sparks.items()}, rng)
    others = np.concatenate([times + period * k / 4 for k in (1, 2, 3)])
    trace += crosstalk(rng, fs, n, others, 0.3 * rng.uniform(0.1, 1.0))
    # The capacitive pick-up and its input resistance make a slow high-pass: long lines sag.
    tau = rng.uniform(15e-3, 60e-3)
    trace -= low_pass(trace, fs, 1 / (2 * np.pi * tau))
    return (coil["gain"] * trace)[:, None]


_IGN_SETUPS = (
    ("brick8", 500e3),
    ("brick8", 250e3),
    ("slate12", 500e3),
    ("slate12", 250e3),
    ("audio16", 192e3),
)
_IGN_FAULTS = {
    "wide-gap": "worn plug: firing kV up, burn short",
    "fouled-plug": "shunted plug: firing kV low, burn long and low",
    "lead-resistance": "high resistance in boot: burn line starts high and slopes, shorter",
    "weak-coil": "shorted coil turns: short burn, few and quick rings, misses when severe",
    "lean-cylinder": "lean mixture: kV up, burn short, ragged and rising steeply",
    "open-secondary": "plug connection open: kV at the coil's maximum, no burn, large ring",
}


def _ignition_context(condition: str, seconds: tuple[float, float], **car: float) -> Context:
    return Context(
        "orlin-16",
        condition,
        ("wide-gap", "fouled-plug", "lead-resistance", "weak-coil"),
        ("lean-cylinder", "open-secondary"),
        seconds,
        _IGN_SETUPS,
        (4e3, 8e3),
        probes=(1.0, 2.0, 5.0),
        usual_peak=16.0,
        car=car,
    )


IGNITION = System(
    "ignition-secondary",
    (("secondary", "kV"),),
    "dc",
    (
        _ignition_context("idle", (0.50, 0.70), rpm=790, kv=11.5, burn=1.65e-3, dwell=3.0e-3),
        _ignition_context("r2500", (0.24, 0.36), rpm=2500, kv=9.8, burn=1.35e-3, dwell=2.7e-3),
    ),
    _IGN_FAULTS,
    simulate_ignition,
    flips=0.12,
    unscaled=frozenset({"open-secondary"}),
)

# --- generator ripple ---------------------------------------------------------------------


def _rotor_angle(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> tuple[Array, float]:
    """Rotor angle in rad; the belt follows the crank's firing ripple, damped."""
    rpm = spread(rng, ctx.car["rpm"], 0.035)
    t = np.arange(n) / fs
    ripple = rng.uniform(0.003, 0.010) * np.cos(2 * np.pi * (rpm / 30 * t + rng.uniform()))
    slip = fx("belt-slip")
    wobble = 0.015 * slip + 0.10 * slip * np.clip(
        np.sin(2 * np.pi * (rng.uniform(6, 11) * t + rng.uniform())), 0, 1
    )
    speed = rpm / 60 * ctx.car["ratio"] * spread(rng, 1.0, 0.005) * (1 + ripple - wobble)
    speed = speed * (1 + wander(rng, n, 6, 0.002))
    return 2 * np.pi * (np.cumsum(speed) / fs + rng.uniform()), rpm


def _soft_max(phases: list[Array], sharp: float) -> Array:
    """Commutation overlap of the diodes rounds the hand-over from phase to phase."""
    stack = np.array(phases)
    top = stack.max(axis=0)
    return top + np.log(np.exp(sharp * (stack - top)).sum(axis=0)) / sharp


def _bridge(angle: Array, ctx: Context, fx: Effect, rng: Rng) -> Array:
    """Bridge output, 1.0 = line-to-line peak of the healthy machine."""
    electric = ctx.car["poles"] * angle
    turns = np.floor(angle / (2 * np.pi)).astype(int)
    turns -= turns[0]
    bad = lambda name: fx.each(name, turns[-1] + 1, rng)[turns] ** 1.8  # noqa: E731
    fifth = rng.uniform(-0.03, 0.03)
    phases = []
    for k in range(3):
        a = electric + 2 * np.pi * k / 3
        size = spread(rng, 1.0, 0.006) / np.sqrt(3)
        phases.append(size * (np.sin(a) + fifth * np.sin(5 * a + 0.3)))
    sharp = rng.uniform(28, 60)
    one_open, both_open, short = bad("diode-open"), bad("phase-open"), bad("diode-short")
    uppers = [phases[0] - 1.3 * one_open - 1.3 * both_open, phases[1], phases[2]]
    lowers = [-phases[0] - 1.3 * both_open, -phases[1], -phases[2]]
    upper, lower = _soft_max(uppers, sharp), -_soft_max(lowers, sharp)
    lower = (1 - short) * lower + short * phases[0]
    return (upper - lower) * (1 - 0.35 * short)


def _field(angle: Array, fs: float, fx: Effect, rng: Rng) -> Array:
    """Field strength over time: regulator switching, pole spread, brush contact."""
    n = len(angle)
    t = np.arange(n) / fs
    pwm = rng.uniform(130, 260)
    saw = 2 * np.abs((pwm * t + rng.uniform()) % 1 - 0.5) - 0.5
    field = 1 + rng.uniform(0.02, 0.10) * saw + wander(rng, n, 8, 0.015)
    for k in (1, 2, 3):
        field += rng.uniform(0.004, 0.018) * np.cos(k * angle + rng.uniform(0, 6))
    hunt = fx("regulator-hunting")
    if hunt:
        field *= 1 + (0.12 + 0.6 * hunt) * np.tanh(2 * np.sin(2 * np.pi * rng.uniform(18, 45) * t))
    brush = fx("brush-bounce")
    if brush:
        lost = np.clip(
            np.sin(angle + rng.uniform(0, 6)) + 0.4 * wander(rng, n, 60, 1.0) - 0.6, 0, 1
        )
        field *= 1 - brush * 0.95 * low_pass(np.sign(lost), fs, 400)
    return field


def simulate_ripple(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    """B+ at the stud: DC level plus the ripple the battery and wiring leave."""
    angle, rpm = _rotor_angle(ctx, fx, rng, fs, n)
    # Below the battery's own voltage the diodes stop conducting, with a soft knee.
    above = _bridge(angle, ctx, fx, rng) - rng.uniform(0.42, 0.58)
    current = np.logaddexp(0, above / 0.05) * 0.05
    turns = ((angle - angle[0]) / (2 * np.pi)).astype(int)
    sour = fx.each("battery-resistance", turns[-1] + 1, rng)[turns]
    # Load and battery condition together set how much of the ideal 13.4 % is left.
    load = rng.uniform(0.35, 0.70)
    volts = ctx.car["ripple"] * load / 0.52 * spread(rng, 1.0, 0.13) / 0.134
    trace = volts * current * _field(angle, fs, fx, rng) * (1 + 2.6 * sour)
    trace = low_pass(trace, fs, rng.uniform(7e3, 14e3))
    trace += 14.25 + 0.12 * rng.normal() - trace.mean() + wander(rng, n, 5, 0.006)
    trace += ignition_noise(rng, fs, n, rpm, 4, 0.025 * (1 + sour.mean()))
    trace += hiss(rng, fs, n, 20e3, 0.003)
    return trace[:, None]


_ALT_FAULTS = {
    "diode-open": "one rectifier diode open: hump missing once per electrical period",
    "phase-open": "one stator phase open: two equal bulges per electrical period",
    "diode-short": "one diode leaking or shorted: large swing once per period, output down",
    "battery-resistance": "battery or cable resistance: six-hump pattern intact but much taller",
    "belt-slip": "belt slips in surges: ripple frequency sags and recovers",
    "regulator-hunting": "regulator hunts: ripple envelope swings at some tens of hertz",
    "brush-bounce": "slip ring or brush contact lost once per rotor turn",
}


def _ripple_context(
    condition: str,
    rates: tuple[float, ...],
    seconds: tuple[float, float],
    slow: tuple[float, ...],
    unknown: tuple[str, ...],
    **car: float,
) -> Context:
    # 8 bits over +/-5 V leave two or three codes of the smaller ripple at speed: not used there.
    fourth = "brick8" if condition == "idle-load" else "pad12"
    names = ("slate12", "audio16", "pad12", fourth, "audio16")
    return Context(
        "velda-20",
        condition,
        ("diode-open", "phase-open", "diode-short", "battery-resistance"),
        unknown,
        seconds,
        tuple(zip(names, rates, strict=True)),
        slow,
        usual_peak=0.25,
        car=car,
    )


ALTERNATOR = System(
    "alternator-ripple",
    (("b_plus", "V"),),
    "ac",
    (
        _ripple_context(
            "idle-load",
            (100e3, 96e3, 100e3, 100e3, 192e3),
            (0.30, 0.45),
            (1.0e3, 1.6e3),
            ("belt-slip", "regulator-hunting"),
            rpm=780,
            ratio=2.7,
            poles=6,
            ripple=0.15,
        ),
        _ripple_context(
            "r2500",
            (200e3, 192e3, 200e3, 250e3, 192e3),
            (0.16, 0.26),
            (2.5e3, 4.0e3),
            ("brush-bounce", "belt-slip"),
            rpm=2500,
            ratio=2.7,
            poles=6,
            ripple=0.11,
        ),
    ),
    _ALT_FAULTS,
    simulate_ripple,
)
