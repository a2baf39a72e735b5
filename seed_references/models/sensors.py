"""Sensors of air and exhaust: oxygen sensor in closed loop, throttle, manifold and air flow."""

from __future__ import annotations

import numpy as np

from seed_references.integrate import Floats, Rng, lag, often, vary, wander
from seed_references.model import Model, Recording

OXYGEN_HZ, SWEEP_HZ, PULSE_HZ, SNAP_HZ = 500.0, 4_000.0, 10_000.0, 2_000.0
CYLINDERS = {"brisk-4": 4, "harbour-6": 6, "lark-3": 3, "tarn-8": 8}
GAS, FARADAY = 8.314462618, 96485.33212
ATMOSPHERE_KPA = 101.3


# --- oxygen sensor ------------------------------------------------------------------------


def nernst_volt(oxygen_share: Floats, celsius: float) -> Floats:
    """Cell voltage E = R T / 4 F ln(0.209 / share) of a zirconia sensor, in V."""
    kelvin = celsius + 273.15
    return GAS * kelvin / (4.0 * FARADAY) * np.log(0.209 / oxygen_share)


def oxygen_left(excess: Floats, blur: float) -> Floats:
    """Share of free oxygen at an excess air (lambda - 1): about 0.2 of it when lean, vanishing
    when rich; `blur` is the catalytic layer's imperfection."""
    lean = 0.2 * blur * np.logaddexp(0.0, excess / blur)
    return np.maximum(lean, 1e-18 * np.exp(np.minimum(excess, 0.0) * 200.0))


def oxygen(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """Closed loop: the integrator drives lambda away from what the delayed sensor says."""
    count = 14_000
    delay = vary(rng, 0.16 if condition == "r2500" else 0.34, 0.12)
    up, down = vary(rng, 0.055, 0.12), vary(rng, 0.07, 0.12)
    slow = 0.05 + 0.5 * severity if fault == "lazy" else 0.0
    shift = {"bias-rich": 0.10, "bias-lean": -0.10}.get(fault, 0.0) * (0.2 + 0.8 * severity)
    excess = limit_cycle(count, delay, up + slow, down + slow, vary(rng, 0.11, 0.12), rng)
    low, high = vary(rng, 0.10, 0.14), vary(rng, 0.83, 0.02)
    # the cell passes 0.45 V at 1 % excess fuel; the controller holds that point
    volt = nernst_volt(oxygen_left(excess - 0.0096, 6e-4), vary(rng, 620.0, 0.03))
    share = np.clip((volt - 0.05) / 0.80, 0.0, 1.0)
    if fault == "low-swing":
        low, high = low + 0.10 * severity + 0.02, high - 0.40 * severity - 0.05
    if shift:
        low, high = low + max(2.6 * shift, 0.0), high + min(2.6 * shift, 0.0)
        share = np.clip(share + 2.0 * shift, 0.0, 1.0)
    out = low + (high - low) * lag(share, OXYGEN_HZ, vary(rng, 0.012, 0.3))
    if fault == "heater-leak":
        out = out + 0.05 + 0.5 * severity
    out = out + wander(rng, count, 60, 0.008)
    p = {"delay_s": delay, "up_s": up + slow, "down_s": down + slow, "low_v": low, "high_v": high}
    return Recording(out[None, :], OXYGEN_HZ, p)


def limit_cycle(count: int, delay: float, up: float, down: float, ramp: float, rng: Rng) -> Floats:
    """Excess air (count,) at the sensor: an integrating controller, a transport delay and a lag
    of its own for either direction. Period about four times the delay and lag together."""
    dt = 1.0 / OXYGEN_HZ
    late = max(1, round(delay * OXYGEN_HZ))
    pace = 1.0 + wander(rng, count, 40, 0.12)
    sent = [0.0] * (late + 1)
    trim, seen = float(rng.uniform(-0.02, 0.02)), 0.0
    out = np.empty(count)
    hops = ramp * 0.12
    rich = True
    for n in range(count):
        arrive = sent[n % (late + 1)]
        tau = up if arrive < seen else down
        seen += dt / tau * (arrive - seen)
        now = seen < 0.0
        if now != rich:
            trim += hops if now else -hops
            rich = now
        trim += dt * ramp * float(pace[n]) * (1.0 if rich else -1.0)
        sent[n % (late + 1)] = trim
        out[n] = seen
    return out


# --- throttle sweep -----------------------------------------------------------------------


def throttle(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """Two potentiometer tracks on one shaft: V = Vref (offset + slope x angle)."""
    count = 16_000
    t = np.arange(count) / SWEEP_HZ
    edges = np.cumsum([vary(rng, 0.4, 0.3), vary(rng, 1.3, 0.15), vary(rng, 0.35, 0.4)])
    marks = [0.0, edges[0], edges[1], edges[2], edges[2] + vary(rng, 1.2, 0.15), 4.0]
    hand = lag(np.interp(t, marks, [0, 0, 1, 1, 0, 0]), SWEEP_HZ, vary(rng, 0.05, 0.3))
    hand = np.clip(hand + wander(rng, count, 18, 0.01) * hand * (1 - hand), 0.0, 1.0)
    if fault == "sticking":
        step = 0.02 + 0.10 * severity
        hand = lag(np.round(hand / step) * step, SWEEP_HZ, 0.004)
    mirrored = family != "harbour-6"
    closed, wide = vary(rng, 0.11, 0.04), vary(rng, 0.83, 0.01)
    if fault == "offset-closed":
        closed += 0.02 + 0.10 * severity
    if fault == "short-range":
        wide -= 0.03 + 0.25 * severity
    first = closed + (wide - closed) * hand
    total = vary(rng, 0.94, 0.006)
    second = total - first if mirrored else 0.5 * first + 0.003 * rng.normal()
    if fault == "sum-off":
        second = second + 0.02 + 0.10 * severity
    if fault == "worn-spot":
        spot, width = float(rng.uniform(0.15, 0.6)), 0.006 + 0.02 * severity
        near = np.abs(hand - spot) < width
        open_now = lag(rng.normal(size=count), SWEEP_HZ, 1e-3) > 0.05 - 0.2 * severity
        first = first * np.where(near & open_now, 0.05, 1.0)
    rail = vary(rng, 5.0, 0.004)
    p = {"closed": closed, "wide": wide, "sum": total, "rail_v": rail}
    return Recording(rail * np.stack([first, second]), SWEEP_HZ, p)


# --- manifold -----------------------------------------------------------------------------


def map_volt(kpa: Floats, supply: float = 5.0) -> Floats:
    """Voltage of a ratiometric sensor (MPX4115A data sheet): V = Vs (0.009 P - 0.095)."""
    return supply * (0.009 * kpa - 0.095)


def manifold(
    throttle_area: Floats, pulls: Floats, rate: float, speed: float, start: float
) -> Floats:
    """Manifold pressure (n,) in kPa: filling through the throttle, emptying by the cylinders.

    dp/dt = a(t) psi(p) - s(t) p, with the orifice flow psi choked below half the outer pressure
    and the speed-density flow of the cylinders s p (textbook mean-value engine model).
    """
    p = start
    out = np.empty(throttle_area.size)
    area, draw = throttle_area.tolist(), (pulls * speed).tolist()
    dt = 1.0 / rate
    for n in range(out.size):
        ratio = p / ATMOSPHERE_KPA
        psi = 1.0 if ratio < 0.53 else 2.0 * float(np.sqrt(max(ratio * (1.0 - ratio), 0.0)))
        p += dt * (area[n] * psi - draw[n] * p)
        out[n] = p
    return out


def pulse_train(angle: Floats, count: int, sizes: Floats) -> Floats:
    """Relative intake draw (n,) over crank degrees: one half sine per cylinder, mean 1."""
    place = angle * count / 720.0
    k = np.floor(place).astype(np.int64) % count
    return sizes[k] * 0.5 * np.pi * np.sin(np.pi * (place - np.floor(place)))


def map_pulse(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """MAP signal at idle: one pull per intake stroke."""
    # the first quarter second lets the manifold settle and is not recorded
    lead, cylinders = 2_500, CYLINDERS[family]
    count = 10_000 + lead
    rpm = vary(rng, 780.0, 0.04)
    angle = np.cumsum(6.0 * rpm * (1.0 + wander(rng, count, 6, 0.01))) / PULSE_HZ
    angle = angle + rng.uniform(0, 720)
    sizes = 1.0 + 0.02 * np.clip(rng.normal(size=cylinders), -2, 2)
    bad = int(rng.integers(cylinders))
    if fault in ("weak-intake", "burnt-intake-valve"):
        sizes[bad] *= 1.0 - (0.10 + 0.6 * severity)
    pulls = pulse_train(angle, cylinders, sizes)
    if fault == "burnt-intake-valve":
        place = angle * cylinders / 720.0
        back = (np.floor(place).astype(np.int64) % cylinders) == (bad + cylinders // 2) % cylinders
        pulls = pulls - (0.2 + 0.7 * severity) * back * np.sin(np.pi * (place % 1.0))
    speed = vary(rng, 11.0, 0.10) * cylinders / 4.0
    idle = vary(rng, 35.0, 0.06)
    area = speed * idle * (1.0 + (0.12 + 0.6 * severity) * (fault == "air-leak"))
    pulls = pulls / pulls.mean()  # idle control holds the mean flow
    p = manifold(np.full(count, area), pulls, PULSE_HZ, speed, area / speed)
    port = vary(rng, 1.2e-3, 0.2) * (1.0 + (4.0 + 25.0 * severity) * (fault == "damped-port"))
    volts = map_volt(lag(p, PULSE_HZ, port))[lead:]
    return Recording(volts[None, :], PULSE_HZ, {"rpm": rpm, "idle_kpa": idle, "port_s": port})


def snap_course(count: int, rng: Rng) -> tuple[Floats, Floats, Floats]:
    """Throttle opening (0..1), engine speed over idle, and crank angle (deg) of a snap."""
    t = np.arange(count) / SNAP_HZ
    at = vary(rng, 1.0, 0.2)
    marks = [0.0, at, at + vary(rng, 0.09, 0.25), at + vary(rng, 0.45, 0.2), at + 0.75, t[-1]]
    opening = lag(np.interp(t, marks, [0.0, 0.0, 1.0, 1.0, 0.0, 0.0]), SNAP_HZ, 0.02)
    force = opening - 0.28 * (t > at)
    speed = 1.0 + np.maximum(np.cumsum(force) / SNAP_HZ * vary(rng, 5.0, 0.15), 0.0)
    angle = np.cumsum(6.0 * vary(rng, 780.0, 0.04) * speed) / SNAP_HZ
    return opening, speed, angle


def snapped(
    family: str, fault: str, severity: float, rng: Rng
) -> tuple[Floats, Floats, dict[str, float]]:
    """Manifold pressure (kPa) and air flow through the throttle (g/s) of a snap."""
    count, cylinders = 8_000, CYLINDERS[family]
    opening, speed, angle = snap_course(count, rng)
    idle, draw = vary(rng, 34.0, 0.06), vary(rng, 11.0, 0.10) * cylinders / 4.0
    leak = (0.15 + 0.7 * severity) if fault == "vacuum-leak" else 0.0
    # idle control closes the throttle by what enters behind the sensor
    unseen = (0.12 + 0.5 * severity) if fault == "unmetered-air" else leak
    area = draw * idle * (1.0 + leak + vary(rng, 26.0, 0.1) * opening)
    pulls = pulse_train(angle, cylinders, np.ones(cylinders)) * speed
    p = manifold(area, pulls, SNAP_HZ, draw, idle * (1.0 + 0.7 * leak))
    ratio = p / ATMOSPHERE_KPA
    psi = np.where(ratio < 0.53, 1.0, 2.0 * np.sqrt(np.clip(ratio * (1.0 - ratio), 0.0, 1.0)))
    through = (area - draw * idle * unseen) * psi
    flow = through / (draw * idle) * vary(rng, 2.6, 0.06) * cylinders / 4.0
    return p, flow, {"idle_kpa": idle, "draw": draw}


def map_snap(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """MAP signal through a snap of the throttle."""
    p, _, numbers = snapped(family, fault, severity, rng)
    port = vary(rng, 4e-3, 0.2) + (0.02 + 0.16 * severity) * (fault == "blocked-port")
    volts = map_volt(lag(p, SNAP_HZ, port))
    if fault == "biased":
        volts = volts + (0.12 + 0.6 * severity) * (1.0 if rng.random() < 0.5 else -1.0)
    if fault == "noisy":
        gone = np.repeat(often(rng, volts.size // 10 + 1, 0.02 + 0.06 * severity), 10)
        volts = volts * (1.0 - (0.15 + 0.7 * severity) * gone[: volts.size])
    return Recording(volts[None, :], SNAP_HZ, numbers)


def hot_wire_volt(flow: Floats, still: float, rise: float) -> Floats:
    """King's law, V^2 = A + B flow^0.5 (flow in g/s), behind an amplifier that takes off the
    bridge's voltage in still air."""
    bridge = np.sqrt(0.2 + rise * np.sqrt(np.maximum(flow, 0.0)))
    return still + 2.4 * (bridge - np.sqrt(0.2))


def air_flow(family: str, condition: str, fault: str, severity: float, rng: Rng) -> Recording:
    """Hot-wire air flow signal through a snap of the throttle."""
    _, flow, numbers = snapped(family, fault, severity, rng)
    still, rise = vary(rng, 0.25, 0.10), vary(rng, 0.72, 0.03)
    late = vary(rng, 6e-3, 0.2)
    if fault == "dirty":
        rise *= 0.92 - 0.40 * severity
        late += 0.01 + 0.06 * severity
    if fault == "biased":
        still += 0.10 + 0.5 * severity
    volts = lag(hot_wire_volt(flow, still, rise), SNAP_HZ, late)
    if fault == "missing-signal":
        gone = np.repeat(often(rng, volts.size // 12 + 1, 0.02 + 0.08 * severity), 12)
        volts = np.where(gone[: volts.size] > 0, 0.1, volts)
    return Recording(volts[None, :], SNAP_HZ, numbers | {"still_v": still, "rise": rise})


MODELS = (
    Model(
        system="o2-narrow",
        contexts=(("brisk-4", "r2500"), ("harbour-6", "idle")),
        faults={
            "lazy": "sensor lags: slow transitions, long period",
            "bias-rich": "shifted up, rich most of the time",
            "bias-lean": "shifted down, lean most of the time",
            "low-swing": "poisoned: small swing",
            "heater-leak": "heater voltage on the signal",
        },
        channels=(("o2", "V"),),
        record_hz=OXYGEN_HZ,
        full_scale=(5.0,),
        simulate=oxygen,
        relations=(
            "Nernst: E = R T / 4 F ln(p_ref / p)",
            "limit cycle of an integrating controller with transport delay and lag",
        ),
    ),
    Model(
        system="tp-sweep",
        contexts=(("brisk-4", "koeo-sweep"), ("harbour-6", "koeo-sweep")),
        faults={
            "worn-spot": "the first track loses contact at one place",
            "offset-closed": "closed level high",
            "sum-off": "second track shifted",
            "sticking": "plate hangs and jumps",
            "short-range": "does not reach wide open",
        },
        channels=(("tp1", "V"), ("tp2", "V")),
        record_hz=SWEEP_HZ,
        full_scale=(20.0, 20.0),
        simulate=throttle,
        relations=("potentiometer as voltage divider: V = Vref x (offset + slope x angle)",),
    ),
    Model(
        system="map-pulse",
        contexts=(("brisk-4", "idle"), ("lark-3", "idle")),
        faults={
            "weak-intake": "one cylinder draws less",
            "burnt-intake-valve": "one cylinder draws less and pushes back",
            "air-leak": "air enters past the throttle",
            "damped-port": "the sensor's port is narrow",
        },
        channels=(("map", "V"),),
        record_hz=PULSE_HZ,
        full_scale=(5.0,),
        simulate=map_pulse,
        relations=(
            "manifold filling and emptying: dp/dt = throttle flow - cylinder flow",
            "choked orifice flow below half the outer pressure",
            "ratiometric sensor V = Vs (0.009 P - 0.095), MPX4115A data sheet",
        ),
        coupling="dc",
    ),
    Model(
        system="map-snap",
        contexts=(("brisk-4", "snap"), ("tarn-8", "snap")),
        faults={
            "blocked-port": "the sensor's port is narrow: slow rise",
            "vacuum-leak": "air enters past the throttle: idle level high",
            "biased": "level off by a constant",
            "noisy": "contact lost for moments",
        },
        channels=(("map", "V"),),
        record_hz=SNAP_HZ,
        full_scale=(10.0,),
        simulate=map_snap,
        relations=(
            "manifold filling and emptying: dp/dt = throttle flow - cylinder flow",
            "ratiometric sensor V = Vs (0.009 P - 0.095), MPX4115A data sheet",
        ),
    ),
    Model(
        system="maf",
        contexts=(("brisk-4", "snap"), ("tarn-8", "snap")),
        faults={
            "dirty": "element insulated: low and slow",
            "biased": "level off at rest",
            "unmetered-air": "air enters behind the sensor",
            "missing-signal": "contact lost for moments",
        },
        channels=(("maf", "V"),),
        record_hz=SNAP_HZ,
        full_scale=(10.0,),
        simulate=air_flow,
        relations=(
            "King's law V^2 = A + B flow^0.5 (hot-wire anemometry)",
            "manifold filling and emptying as for map-snap",
        ),
    ),
)
