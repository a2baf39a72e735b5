"""In-cylinder pressure of one motored cylinder: gas, valves and leaks over the engine cycle."""

from __future__ import annotations

import numpy as np

from seed_references.integrate import Floats, Rng, lag, rk4, vary
from seed_references.model import Model, Recording

RATE_HZ = 10_000.0
ATMOSPHERE = 1.013  # bar
DEGREE = np.pi / 180.0
ENGINES = {
    # compression ratio, rod over crank radius
    "brisk-4": (10.3, 3.4),
    "harbour-6": (10.8, 3.3),
}
SPEED_RPM = {"crank": 210.0, "idle": 790.0}
MANIFOLD = {"crank": 0.95, "idle": 0.37}


def volume(angle_deg: Floats, ratio: float, rod: float) -> Floats:
    """Volume over clearance volume, 0 deg at top dead centre (crank slider)."""
    a = np.asarray(angle_deg) * DEGREE
    travel = 1.0 - np.cos(a) + rod - np.sqrt(rod**2 - np.sin(a) ** 2)
    return 1.0 + 0.5 * (ratio - 1.0) * travel


def lift(angle: Floats, opens: float, closes: float) -> Floats:
    """Relative valve opening (0..1) between two crank angles on a 720 deg circle: sine squared."""
    span = (closes - opens) % 720.0
    place = (angle - opens) % 720.0
    return np.where(place < span, np.sin(np.pi * np.minimum(place / span, 1.0)) ** 2, 0.0)


def cycle(p: dict[str, float]) -> Floats:
    """Absolute pressure (720,) in bar, one value a degree from -360 (0: compression TDC).

    dp/da = -n p V'/V + (flow in - out) / V: polytropic change of state, and flows through valves
    and leak in proportion to opening and pressure difference, over two cycles until it repeats.
    """
    angle: Floats = np.arange(-360.0, 361.0, 0.5, dtype=np.float64)
    v = volume(angle, p["ratio"], p["rod"])
    slope = np.gradient(v, 0.5)
    seconds = 1.0 / (6.0 * p["rpm"])
    intake = p["intake_flow"] * lift(angle, p["ivo"], p["ivc"]) + p["intake_leak"]
    exhaust = p["exhaust_flow"] * lift(angle, p["evo"], p["evc"]) + p["exhaust_leak"]
    # an open valve settles within a degree; faster than the step would only be unstable
    flows = (np.minimum(flow * seconds / v, 0.8) for flow in (intake, exhaust))
    table = [x.tolist() for x in (slope / v, *flows, 1.0 / v)]
    n, leak = p["n"], p["leak"] * seconds
    manifold, pipe = p["manifold"], p["back"]

    def change(a: float, y: list[float]) -> list[float]:
        k = int(2.0 * a + 1e-6) % 1440
        press = y[0]
        flow = table[1][k] * (manifold - press) + table[2][k] * (pipe - press)
        flow += leak * table[3][k] * (ATMOSPHERE - press)
        return [-n * press * table[0][k] + n * flow]

    states = rk4(change, [manifold], 1.0, 1440)
    return states[720:, 0]


def vehicle(family: str, condition: str, rng: Rng) -> dict[str, float]:
    """A drawn vehicle's cylinder: geometry, valves, leaks and speed."""
    ratio, rod = ENGINES[family]
    return {
        "ratio": vary(rng, ratio, 0.02), "rod": rod, "rpm": vary(rng, SPEED_RPM[condition], 0.045),
        "n": vary(rng, 1.30, 0.010), "manifold": vary(rng, MANIFOLD[condition], 0.05),
        "back": ATMOSPHERE + vary(rng, 0.02, 0.3), "leak": vary(rng, 14.0, 0.3),
        "ivo": 345.0 + rng.normal() * 1.5, "ivc": -128.0 + rng.normal() * 1.5,
        "evo": 132.0 + rng.normal() * 1.5, "evc": 372.0 + rng.normal() * 1.5,
        "intake_flow": vary(rng, 9000.0, 0.12), "exhaust_flow": vary(rng, 9000.0, 0.12),
        "intake_leak": 0.0, "exhaust_leak": 0.0,
    }  # fmt: skip


def apply(p: dict[str, float], fault: str, severity: float, condition: str) -> None:
    """Change a sound cylinder into one with the fault, in place."""
    if fault == "compression-leak":
        p["leak"] += (6.0 + 45.0 * severity) * p["rpm"] / 210.0
    if fault == "cam-retarded":
        for name in ("ivo", "ivc", "evo", "evc"):
            p[name] += 5.0 + 22.0 * severity
        p["manifold"] += (0.02 + 0.10 * severity) * (condition == "idle")
    if fault == "exhaust-restriction":
        p["back"] += 0.06 + 0.40 * severity
        p["exhaust_flow"] *= 1.0 - 0.5 * severity
    if fault == "intake-valve-leak":
        p["intake_leak"] = (4.0 + 36.0 * severity) * p["rpm"] / 210.0
    if fault == "burnt-exhaust-valve":
        p["exhaust_leak"] = (8.0 + 75.0 * severity) * p["rpm"] / 210.0


def simulate(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """Gauge pressure at the transducer: cycles of slightly uneven charge and speed."""
    p = vehicle(family, condition, rng)
    apply(p, fault, severity, condition)
    wave = cycle(p)
    count = 20_000 if condition == "crank" else 12_000
    t = np.arange(count) / RATE_HZ
    period = 120.0 / p["rpm"]
    steps = period * (1.0 + 0.006 * np.clip(rng.normal(size=int(t[-1] / period) + 4), -2, 2))
    starts = np.cumsum(steps) - steps[0] - rng.random() * period
    phase = np.interp(t, starts, np.arange(starts.size, dtype=np.float64))
    angle = phase % 1.0 * 720.0
    # the compression itself slows the crank: the angle lingers around the peak
    swing = vary(rng, 4.0 if condition == "crank" else 1.0, 0.2)
    angle = angle + swing * np.sin((angle - 360.0) * DEGREE) * -1.0
    charge = 1.0 + 0.008 * np.clip(rng.normal(size=starts.size + 1), -2, 2)
    place = angle % 720.0
    press = np.interp(place, np.arange(721.0), np.append(wave, wave[0]))
    press = press * charge[np.floor(phase).astype(np.int64)]
    gauge = lag(press - ATMOSPHERE, RATE_HZ, vary(rng, 1.8e-4, 0.25))
    return Recording((gauge + 0.01 * rng.normal())[None, :], RATE_HZ, p)


MODELS = (
    Model(
        system="cylinder-pressure",
        contexts=(("brisk-4", "crank"), ("brisk-4", "idle")),
        faults={
            "compression-leak": "rings or valve leak to the outside",
            "cam-retarded": "all valve events late",
            "exhaust-restriction": "back pressure behind the exhaust valve",
            "intake-valve-leak": "charge escapes into the manifold",
            "burnt-exhaust-valve": "exhaust valve never closes",
        },
        channels=(("pressure", "bar"),),
        record_hz=RATE_HZ,
        full_scale=(20.0,),
        simulate=simulate,
        relations=(
            "polytropic change of state p V^n = const, n about 1.3 (thermodynamics textbooks)",
            "crank slider volume with compression ratio and rod ratio",
            "valve and leak flow in proportion to opening and pressure difference",
        ),
    ),
)
