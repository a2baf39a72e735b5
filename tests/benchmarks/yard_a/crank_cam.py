"""Crank sensors: the inductive pick-up on its own, and crank with cam on one time base."""

from __future__ import annotations

import numpy as np

from .core import (
    Array,
    Context,
    Effect,
    Rng,
    System,
    crank_angle,
    hiss,
    ignition_noise,
    low_pass,
    scatter,
    spread,
)

GRID = 7200  # points per revolution of the tooth tables: 0.05 degree


def _tooth_table(
    slots: int, missing: int, heights: Array, width: float, extra: float = 0.0
) -> Array:
    """d(flux)/d(angle) over one turn, healthy tooth peak-to-peak = 1."""
    angle = np.arange(GRID) * 360 / GRID
    pitch = 360 / slots
    sigma = width * pitch
    table = np.zeros(GRID)
    for k in range(slots - missing):
        table += heights[k] * _bump_slope(angle, (k + 0.5) * pitch, sigma)
    if extra:
        # Debris in the gap: a small, wide bump where there should be none.
        table += extra * _bump_slope(angle, 360 - 0.8 * missing * pitch, 1.3 * sigma)
    return table * np.exp(0.5) / 2


def _bump_slope(angle: Array, centre: float, sigma: float) -> Array:
    x = ((angle - centre + 180) % 360 - 180) / sigma
    return -x * np.exp(-0.5 * x**2)


def _inductive(angle: Array, fs: float, ctx: Context, fx: Effect, rng: Rng) -> Array:
    """Sensor voltage: tooth table times speed times what the gap leaves."""
    car = ctx.car
    slots, missing = int(car["slots"]), int(car["missing"])
    heights = scatter(rng, rng.uniform(0.008, 0.02), slots)
    width = spread(rng, 0.225, 0.04)
    good = _tooth_table(slots, missing, heights, width)
    broken = heights.copy()
    broken[int(rng.integers(3, slots - missing - 3))] *= 1 - 0.95 * fx("damaged-tooth")
    bad = _tooth_table(slots, missing, broken, width, 0.75 * fx("debris"))
    turn = (angle // 360).astype(int)
    turn -= turn[0]
    count = turn[-1] + 1
    share = np.maximum(fx.each("damaged-tooth", count, rng), fx.each("debris", count, rng)) > 0
    where = (angle % 360) * GRID / 360
    points = np.arange(GRID + 1)
    close = lambda table: np.interp(where, points, np.append(table, table[0]))  # noqa: E731
    wave = np.where(share[turn], close(bad), close(good))
    runout = rng.uniform(0.01, 0.06) + 0.42 * fx.each("run-out", count, rng)
    gap = 1 - 0.72 * fx.each("large-gap", count, rng)
    envelope = gap[turn] * (1 + runout[turn] * np.cos(np.deg2rad(angle) + rng.uniform(0, 6)))
    speed = np.gradient(angle) * fs / 6 / car["rpm"]
    sign = -1 if fx("reversed-polarity") else 1
    return sign * spread(rng, car["vpp"], 0.14) * envelope * wave * speed


def _angle(ctx: Context, rng: Rng, fs: float, n: int) -> tuple[Array, float]:
    car = ctx.car
    rpm = spread(rng, car["rpm"], car["rpm_spread"])
    ripple = spread(rng, car["ripple"], 0.2)
    return crank_angle(rng, fs, n, rpm, int(car["cylinders"]), ripple, car["drift"]), rpm


def simulate_ckp(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    angle, rpm = _angle(ctx, rng, fs, n)
    trace = _inductive(angle, fs, ctx, fx, rng)
    vpp = ctx.car["vpp"]
    trace += vpp * 0.02 * rng.normal() * ctx.car["bias"]
    trace += hiss(rng, fs, n, 5e3, 0.004 * vpp)
    trace += ignition_noise(rng, fs, n, rpm, int(ctx.car["cylinders"]), vpp * 0.02)
    if fx("shield-open"):
        # Without its shield the pair picks up the coils and the alternator.
        turn = ((angle - angle[0]) // 360).astype(int)
        bare = fx.each("shield-open", turn[-1] + 1, rng)[turn]
        trace += bare * ignition_noise(rng, fs, n, rpm, int(ctx.car["cylinders"]), vpp * 0.5)
        trace += bare * hiss(rng, fs, n, 2.5e3, vpp * 0.05)
    return trace[:, None]


_CKP_FAULTS = {
    "large-gap": "air gap too large: amplitude low at the same speed",
    "damaged-tooth": "one tooth chipped: its cycle small or missing every turn",
    "run-out": "bent wheel: amplitude swings once per turn",
    "reversed-polarity": "sensor wires swapped: gap edges mirrored",
    "shield-open": "shield open: ignition and alternator noise on the pair",
    "debris": "metal debris in the gap of the wheel: an extra bump",
}
_IDLE = {"rpm": 790.0, "rpm_spread": 0.035, "ripple": 0.018, "drift": 0.006, "cylinders": 4}
_CRANK = {"rpm": 205.0, "rpm_spread": 0.07, "ripple": 0.10, "drift": 0.012, "cylinders": 4}

CKP = System(
    "ckp-inductive",
    (("ckp", "V"),),
    "dc",
    (
        Context(
            "orlin-16",
            "idle",
            ("large-gap", "damaged-tooth", "run-out", "shield-open"),
            ("reversed-polarity", "debris"),
            (0.55, 0.85),
            (("brick8", 100e3), ("slate12", 100e3), ("pad12", 50e3), ("audio16", 96e3)),
            (700.0, 1100.0),
            usual_peak=4.5,
            car={**_IDLE, "slots": 60, "missing": 2, "vpp": 7.0, "bias": 0.5},
        ),
        Context(
            "hadric-22",
            "crank",
            ("large-gap", "damaged-tooth", "run-out", "reversed-polarity"),
            ("shield-open", "debris"),
            (1.6, 2.4),
            (("brick8", 25e3), ("slate12", 20e3), ("pad12", 20e3), ("audio16", 48e3)),
            (120.0, 200.0),
            usual_peak=1.3,
            car={**_CRANK, "slots": 36, "missing": 1, "vpp": 1.7, "bias": 0.5},
        ),
    ),
    _CKP_FAULTS,
    simulate_ckp,
    steady=frozenset({"reversed-polarity"}),
    unscaled=frozenset({"reversed-polarity"}),
    coupling_matters=False,
)

# --- crank and cam together ---------------------------------------------------------------

CAM_EDGES = {
    # Crank degrees after the first tooth of the cycle; high between odd and even edges.
    "orlin-16": (38.0, 104.0, 196.0, 300.0, 440.0, 560.0, 620.0, 690.0),
    "sarn-30": (62.0, 182.0, 302.0, 342.0, 422.0, 542.0),
}


def _hall_crank(angle: Array, ctx: Context, rng: Rng) -> Array:
    slots, missing = int(ctx.car["slots"]), int(ctx.car["missing"])
    pitch = 360 / slots
    teeth = (angle % 360) // pitch < slots - missing
    inside = (angle % pitch) / pitch < spread(rng, 0.5, 0.05)
    return (teeth & inside).astype(float)


def _cam_state(angle: Array, ctx: Context, fx: Effect, rng: Rng) -> Array:
    """Cam level 0/1. Every fault of the drive is an angle, never a change of the pattern."""
    cycle = (angle // 720).astype(int)
    cycle -= cycle[0]
    count = cycle[-1] + 2
    retard = 1.3 * np.clip(rng.normal(), -2, 2) + 0.25 * rng.normal(size=count)
    retard = (
        retard + 1.2 * (fx("stretched-chain") > 0) + 8.5 * fx.each("stretched-chain", count, rng)
    )
    if fx("jumped-tooth"):
        teeth = 2 if fx.level > 0.75 else 1
        retard = retard + teeth * ctx.car["sprocket"] * (1 if ctx.car["late"] else -1)
    if fx("cam-half-turn-out"):
        retard = retard + 360
    loose = fx.each("loose-reluctor", count, rng)
    retard = retard + 9 * loose * rng.normal(size=count)
    edges = np.array(CAM_EDGES[ctx.family])
    edges = edges + 0.5 * rng.normal(size=len(edges))
    position = (angle - retard[cycle]) % 720
    state = (np.searchsorted(edges, position) % 2).astype(float)
    if fx("cmp-missing-pulse"):
        lost = (position > edges[2]) & (position < edges[3])
        seen = fx.each("cmp-missing-pulse", count, rng)[cycle] > 0
        state[lost & seen] = 0.0
    return state


def _hall_output(state: Array, fs: float, rng: Rng, floor: Array | float) -> Array:
    """Open-drain output: quick fall, RC rise through the pull-up."""
    high = spread(rng, 4.95, 0.012)
    low = spread(rng, 0.14, 0.3)
    volts = low + floor + (high - low - floor) * low_pass(state, fs, rng.uniform(8e3, 25e3))
    return volts + hiss(rng, fs, len(state), 8e3, 0.01)


def simulate_cmp(ctx: Context, fx: Effect, rng: Rng, fs: float, n: int) -> Array:
    angle, rpm = _angle(ctx, rng, fs, n)
    if ctx.car["hall"]:
        ckp = _hall_output(_hall_crank(angle, ctx, rng), fs, rng, 0.0)
    else:
        ckp = _inductive(angle, fs, ctx, fx, rng)
    state = _cam_state(angle, ctx, fx, rng)
    cycle = ((angle - angle[0]) // 720).astype(int)
    floor = 1.7 * fx.each("cmp-bad-ground", cycle[-1] + 1, rng)[cycle]
    ripple = 1 + 0.15 * hiss(rng, fs, n, 300, 1.0)
    cmp = _hall_output(state, fs, rng, low_pass(floor, fs, 500) * ripple)
    for trace in (ckp, cmp):
        trace += ignition_noise(rng, fs, n, rpm, 4, 0.06)
    return np.stack([ckp, cmp], axis=1)


_CMP_FAULTS = {
    "jumped-tooth": "timing jumped one or two sprocket teeth: all cam edges shifted alike",
    "stretched-chain": "chain stretched: cam a few degrees late",
    "loose-reluctor": "cam reluctor loose: shift varies from cycle to cycle",
    "cmp-bad-ground": "cam sensor ground poor: low level lifted",
    "cam-half-turn-out": "cam fitted 360 crank degrees out",
    "cmp-missing-pulse": "one cam window missing",
}
_CMP_KNOWN = ("jumped-tooth", "stretched-chain", "loose-reluctor", "cmp-bad-ground")
_CMP_UNKNOWN = ("cam-half-turn-out", "cmp-missing-pulse")

CMP = System(
    "cmp-ckp",
    (("ckp", "V"), ("cmp", "V")),
    "dc",
    (
        Context(
            "orlin-16",
            "idle",
            _CMP_KNOWN,
            _CMP_UNKNOWN,
            (0.75, 1.0),
            (("brick8", 100e3), ("slate12", 100e3), ("pad12", 50e3)),
            (500.0, 900.0),
            usual_peak=5.2,
            car={
                **_IDLE,
                "slots": 60,
                "missing": 2,
                "vpp": 7.0,
                "hall": 0,
                "sprocket": 18.0,
                "late": 1,
            },
        ),
        Context(
            "sarn-30",
            "idle",
            _CMP_KNOWN,
            _CMP_UNKNOWN,
            (0.8, 1.1),
            (("brick8", 50e3), ("slate12", 50e3), ("pad12", 50e3), ("slate12", 100e3)),
            (400.0, 700.0),
            usual_peak=5.2,
            car={
                **_IDLE,
                "rpm": 690.0,
                "cylinders": 6,
                "slots": 36,
                "missing": 1,
                "hall": 1,
                "sprocket": 15.0,
                "late": 0,
            },
        ),
    ),
    _CMP_FAULTS,
    simulate_cmp,
    steady=frozenset({"jumped-tooth", "cam-half-turn-out", "stretched-chain"}),
    unscaled=frozenset({"cam-half-turn-out", "cmp-missing-pulse"}),
)
