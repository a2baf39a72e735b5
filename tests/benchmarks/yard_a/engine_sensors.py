"""Narrow-band oxygen sensor, throttle sweep and in-cylinder pressure."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from .core import (
    Array,
    Context,
    Effect,
    Rng,
    System,
    hiss,
    ignition_noise,
    low_pass,
    repeats,
    scatter,
    spread,
    wander,
)

# --- narrow-band oxygen sensor ------------------------------------------------------------


def _mixture(
    ctx: Context, fx: Effect, rng: Rng, fs: float, n: int
) -> tuple[Array, Array, dict[str, Array]]:
    """Rich/lean command of the limit cycle, the period number, and the bias per sample."""
    lazy = fx("lazy")
    period = spread(rng, ctx.car["period"], 0.14) * (1 + 0.9 * lazy)
    count = int(n / fs / period * 1.8) + 6
    gaps = period * scatter(rng, 0.10, count)
    starts = np.cumsum(gaps) - gaps[0] - rng.uniform() * period
    t = np.arange(n) / fs
    index = np.clip(np.searchsorted(starts, t, side="right") - 1, 0, count - 1)
    bias = {name: fx.each(name, index[-1] + 1, rng)[index] for name in ("bias-rich", "bias-lean")}
    shift = 0.32 * (bias["bias-rich"] - bias["bias-lean"])
    duty = np.clip(spread(rng, 0.5, 0.09) + shift, 0.12, 0.88)
    rich = duty * (gaps * scatter(rng, 0.08, count))[index]
    state = ((t - starts[index]) < rich) & (t >= starts[0])
    return state.astype(float), index, bias


def _slewed(state: Array, fs: float, up: Array, down: Array) -> Array:
    """Two lags of different speed: the sensor answers to rich and to lean unequally."""
    edges = np.flatnonzero(np.diff(state)) + 1
    bounds = np.concatenate([[0], edges, [len(state)]])
    out = np.empty(len(state))
    value = state[0]
    for first, last in pairwise(bounds):
        tau = (up if state[first] else down)[first]
        part = state[first] + (value - state[first]) * np.exp(
            -np.arange(1, last - first + 1) / fs / tau
        )
        out[first:last] = part
        value = part[-1]
    return out


def simulate_o2(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    state, index, bias = _mixture(ctx, fx, rng, fs, n)
    count = index[-1] + 1
    lazy = fx.each("lazy", count, rng)[index]
    mixture = _slewed(
        state, fs, spread(rng, 0.075, 0.14) + 0.42 * lazy, spread(rng, 0.095, 0.14) + 0.42 * lazy
    )
    mixture = mixture + wander(rng, n, int(n / fs * 2.5), 0.05) * (1 + 0.5 * state)
    # Steep near stoichiometry, flat on both sides (the Nernst step).
    x = 0.5 + 0.5 * np.tanh(3.6 * (mixture - spread(rng, 0.5, 0.05))) / np.tanh(1.8)
    aged = fx.each("low-swing", count, rng)[index]
    rich, lean = bias["bias-rich"], bias["bias-lean"]
    low = spread(rng, 0.12, 0.14) + 0.10 * aged + 0.34 * rich
    high = spread(rng, 0.815, 0.025) - 0.33 * aged - 0.30 * lean
    trace = low + (high - low) * np.clip(x, -0.15, 1.15)
    trace = trace + 0.55 * fx.each("heater-leak", count, rng)[index]
    trace = trace - 0.45 * fx.each("ground-shift", count, rng)[index]
    trace = low_pass(trace, fs, rng.uniform(25, 80))
    noisy = fx("spark-noise")
    spark = ignition_noise(rng, fs, n, ctx.car["rpm"], 4, 0.004 + 0.9 * noisy)
    return (trace + spark + hiss(rng, fs, n, 200, 0.003))[:, None]


_O2_FAULTS = {
    "lazy": "sensor aged: slow transitions, long period",
    "bias-rich": "mixture or sensor rich: low level lifted, rich most of the time",
    "bias-lean": "mixture or sensor lean: high level down, lean most of the time",
    "low-swing": "sensor poisoned: swing small",
    "heater-leak": "heater voltage leaks into the signal: offset upwards",
    "ground-shift": "reference air contaminated or ground shifted: offset downwards",
    "spark-noise": "ignition noise on the signal",
}


def _o2_context(
    condition: str, unknown: tuple[str, ...], seconds: tuple[float, float], **car: float
) -> Context:
    setups = (("brick8", 2e3), ("slate12", 1e3), ("slate12", 2e3), ("pad12", 1e3))
    return Context(
        "velda-20",
        condition,
        ("lazy", "bias-rich", "bias-lean", "low-swing"),
        unknown,
        seconds,
        setups,
        (1.0, 2.0),
        usual_peak=1.0,
        car=car,
    )


O2 = System(
    "o2-narrow",
    (("o2", "V"),),
    "dc",
    (
        _o2_context("r2500", ("heater-leak", "spark-noise"), (20, 28), period=0.85, rpm=2500),
        _o2_context("idle", ("ground-shift", "heater-leak"), (26, 34), period=1.9, rpm=790),
    ),
    _O2_FAULTS,
    simulate_o2,
)

# --- throttle position sweep --------------------------------------------------------------


def _stroke(fx: Effect, rng: Rng, fs: float, n: int) -> tuple[Array, Array]:
    """Opening 0..1 of one or two hand-made sweeps, and the stroke number per sample."""
    total = n / fs
    count = int(rng.integers(1, 3))
    bounds = np.linspace(0.05, 0.95, count + 1) * total
    knots, values = [0.0], [0.0]
    for first, last in pairwise(bounds):
        span = last - first
        marks = np.array(
            [0.03, rng.uniform(0.35, 0.45), rng.uniform(0.52, 0.60), rng.uniform(0.88, 0.96)]
        )
        knots += list(first + span * marks)
        values += [0.0, 1.0, 1.0, 0.0]
    t = np.arange(n) / fs
    opening = low_pass(np.interp(t, [*knots, total], [*values, 0.0]), fs, rng.uniform(1.5, 4.0))
    opening = np.clip(
        opening * 1.02 - 0.004 + wander(rng, n, 16, 0.008) * opening * (1 - opening), 0, 1
    )
    stick = fx("sticking")
    if stick:
        # Stick-slip: the plate hangs, then jumps to where the foot already is.
        steps = np.cumsum((0.01 + 0.10 * stick) * rng.uniform(0.4, 1.6, size=150))
        held = np.append(0.0, steps)[np.searchsorted(steps, opening)]
        opening = low_pass(np.minimum(held, 1.0), fs, rng.uniform(15, 50))
    middles = np.linspace(bounds[0], bounds[-1], 2 * count + 1)
    return opening, np.clip(np.searchsorted(middles, t) - 1, 0, 2 * count - 1)


def simulate_tp(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    opening, stroke = _stroke(fx, rng, fs, n)
    car = ctx.car
    closed = spread(rng, car["closed"], 0.05) + 0.55 * fx("offset-closed")
    wide = spread(rng, car["wide"], 0.012) - 1.4 * fx("short-range")
    first = closed + (wide - closed) * opening
    if car["mirror"]:
        second = car["sum"] + 0.025 * rng.normal() - (closed + (wide - closed) * opening)
    else:
        second = 0.5 * first + 0.012 * rng.normal()
    second = second + 0.5 * fx("sum-off") * (1 if car["mirror"] else 0.7)
    spot = rng.uniform(0.12, 0.5)
    worn = fx("worn-spot")
    if worn:
        near = np.abs(opening - spot) < 0.004 + 0.018 * worn
        chatter = hiss(rng, fs, n, 300, 1.0) > 0.6 - 1.2 * worn
        seen = fx.each("worn-spot", stroke[-1] + 1, rng)[stroke]
        first = first * (1 - near * chatter * np.clip(0.25 + seen, 0, 1) * (seen > 0))
    sag = 1 - 0.16 * fx("reference-sag") * (
        0.6 + 0.4 * np.sin(2 * np.pi * rng.uniform(2, 6) * np.arange(n) / fs)
    )
    both = np.stack([first, second], axis=1) * np.reshape(sag * np.ones(n), (-1, 1))
    for k in (0, 1):
        both[:, k] += hiss(rng, fs, n, 2e3, 0.003)
    return both


_TP_FAULTS = {
    "worn-spot": "track worn: dropouts at one angle on one track",
    "offset-closed": "closed stop or sensor bent: closed voltage high",
    "sum-off": "second track off: the two do not add up",
    "sticking": "plate sticks and slips",
    "reference-sag": "5 V supply sags: both tracks low together",
    "short-range": "does not reach wide open",
}


def _tp_context(family: str, **car: float) -> Context:
    setups = (("brick8", 10e3), ("slate12", 5e3), ("pad12", 5e3))
    return Context(
        family,
        "koeo-sweep",
        ("worn-spot", "offset-closed", "sum-off", "sticking"),
        ("reference-sag", "short-range"),
        (3.0, 5.0),
        setups,
        (4.0, 8.0),
        usual_peak=4.9,
        car=car,
    )


TP = System(
    "tp-sweep",
    (("tp1", "V"), ("tp2", "V")),
    "dc",
    (
        _tp_context("orlin-16", closed=0.55, wide=4.15, mirror=1, sum=4.7),
        _tp_context("brev-14", closed=0.72, wide=4.45, mirror=0, sum=0.0),
    ),
    _TP_FAULTS,
    simulate_tp,
    good_vehicles=4,
    oversample=1,
    steady=frozenset({"offset-closed", "sum-off", "sticking", "reference-sag", "short-range"}),
)

# --- in-cylinder pressure -----------------------------------------------------------------


def _volume(angle: Array, ratio: float) -> Array:
    """Cylinder volume over clearance volume; angle in degrees from compression TDC."""
    a = np.deg2rad(angle)
    rod = 3.4
    stroke = 1 - np.cos(a) + rod - np.sqrt(rod**2 - np.sin(a) ** 2)
    return 1 + (ratio - 1) / 2 * stroke


def _cycle_pressure(angle: Array, p: dict[str, float]) -> Array:
    """Absolute pressure in bar over one cycle, -360..360 with compression TDC at 0."""
    intake, exhaust = p["intake"], 1.0 + p["back"]
    close, opening = -180 + p["ivc"], 180 - p["evo"]
    trapped = intake * p["fill"] * _volume(np.array([close]), p["ratio"]) ** p["n"]
    pressed = trapped * _volume(angle, p["ratio"]) ** -p["n"]
    # Leakage follows the pressure: it has cost most by the end of the expansion.
    lost = p["leak"] / (1 + np.exp(-(angle - 4) / 22))
    pressed = pressed * (1 - lost) * (1 - 0.55 * p["leak"] * np.exp(-((angle / 55) ** 2)))
    # A valve that does not seat lets exhaust back in wherever there is less than outside.
    seep = p["seat"] * (1 - np.exp(-np.clip(angle - close, 0, None) / 30))
    pressed = pressed + seep * np.clip(exhaust - pressed, 0, None)
    blend = lambda x, width: 1 / (1 + np.exp(-np.clip(x / width, -40, 40)))  # noqa: E731
    out = np.where(angle < close, intake, pressed)
    out = intake + (out - intake) * blend(angle - close + 6, 4)
    out = out + (exhaust - out) * blend(angle - opening, p["blow"])
    start = blend(angle - 352, 6) + blend(-angle - 345, 5)
    return out * (1 - start) + intake * start


def _cylinder(ctx: Context, fx: Effect, rng: Rng, cycles: int) -> list[dict[str, float]]:
    car = ctx.car
    leak = fx.each("compression-leak", cycles, rng)
    back, seat = (
        fx.each("exhaust-restriction", cycles, rng),
        fx.each("burnt-exhaust-valve", cycles, rng),
    )
    inlet = fx.each("intake-valve-leak", cycles, rng)
    cam = 24 * fx("cam-retarded") - 20 * fx("cam-advanced")
    base = {
        "ratio": spread(rng, 10.2, 0.02),
        "n": spread(rng, 1.29, 0.010),
        "ivc": spread(rng, 52, 0.05) + cam,
        "evo": spread(rng, 48, 0.05) - cam,
        "fill": spread(rng, 0.93, 0.02),
        "blow": rng.uniform(7, 12),
    }
    vacuum = (
        spread(rng, car["intake"], car["intake_spread"]) + 0.04 * fx("cam-retarded") * car["vacuum"]
    )
    return [
        {
            **base,
            "intake": (vacuum + (0.09 * inlet[k] + 0.10 * seat[k]) * car["vacuum"])
            * (1 + 0.008 * rng.normal()),
            "back": 0.02 + 0.008 * rng.normal() + 0.30 * back[k],
            "leak": np.clip(
                0.05 + 0.012 * rng.normal() + 0.42 * leak[k] + 0.42 * inlet[k] + 0.65 * seat[k],
                0,
                0.9,
            ),
            "seat": 0.85 * seat[k],
        }
        for k in range(cycles)
    ]


def simulate_pressure(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    rpm = spread(rng, ctx.car["rpm"], ctx.car["rpm_spread"])
    t = np.arange(n) / fs
    starts = repeats(rng, 120 / rpm, 0.008, n / fs + 360 / rpm)
    phase = np.interp(t, starts, np.arange(len(starts)))
    angle = phase % 1 * 720 - 360
    # The cylinder itself slows the crank around its compression.
    angle = angle - ctx.car["swing"] * np.sin(np.deg2rad(angle))
    cycle = phase.astype(int)
    trace = np.empty(n)
    for k, p in enumerate(_cylinder(ctx, fx, rng, cycle[-1] + 1)):
        part = cycle == k
        trace[part] = _cycle_pressure(angle[part] + 0.8, p)
    # Gas column of the adapter hose: first-order lag and a faint organ-pipe tone.
    trace = low_pass(trace, fs, rng.uniform(600, 1200)) - 1.0
    trace += hiss(rng, fs, n, 500, 0.006) + 0.015 * rng.normal()
    trace += ignition_noise(rng, fs, n, rpm, 4, 0.02)
    return trace[:, None]


_PRESSURE_FAULTS = {
    "compression-leak": "rings or valve leak: peak low, expansion lower than compression",
    "cam-retarded": "valve timing late: valve events shifted, less is trapped",
    "exhaust-restriction": "exhaust blocked: plateau high",
    "intake-valve-leak": "intake valve leaks into the manifold: peak low, vacuum shallower",
    "burnt-exhaust-valve": "exhaust valve burnt: little compression, no expansion vacuum",
    "cam-advanced": "valve timing early",
}
_PRESSURE_KNOWN = ("compression-leak", "cam-retarded", "exhaust-restriction", "intake-valve-leak")

PRESSURE = System(
    "cylinder-pressure",
    (("pressure", "bar"),),
    "dc",
    (
        Context(
            "orlin-16",
            "crank",
            _PRESSURE_KNOWN,
            ("burnt-exhaust-valve", "cam-advanced"),
            (2.4, 3.6),
            (("brick8", 20e3), ("slate12", 20e3), ("pad12", 10e3)),
            (15.0, 30.0),
            probes=(10.0, 4.0),
            usual_peak=14.0,
            car={
                "rpm": 210,
                "rpm_spread": 0.06,
                "intake": 0.93,
                "intake_spread": 0.02,
                "vacuum": 0.3,
                "swing": 5.0,
            },
        ),
        Context(
            "orlin-16",
            "idle",
            _PRESSURE_KNOWN,
            ("burnt-exhaust-valve", "cam-advanced"),
            (0.8, 1.3),
            (("brick8", 50e3), ("slate12", 50e3), ("pad12", 40e3)),
            (60.0, 100.0),
            probes=(4.0, 2.0),
            usual_peak=6.5,
            car={
                "rpm": 790,
                "rpm_spread": 0.035,
                "intake": 0.36,
                "intake_spread": 0.06,
                "vacuum": 1.0,
                "swing": 1.0,
            },
        ),
    ),
    _PRESSURE_FAULTS,
    simulate_pressure,
    good_vehicles=4,
    oversample=1,
    clamp=False,
    steady=frozenset({"cam-retarded", "cam-advanced"}),
)
