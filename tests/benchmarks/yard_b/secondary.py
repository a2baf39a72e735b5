"""Ignition secondary: kV at a pickup over the coil; one family strikes several times at idle."""

from __future__ import annotations

import numpy as np

from .common import (
    Array,
    Case,
    Context,
    Fault,
    Params,
    Rng,
    Sensor,
    between,
    event_times,
    low_pass,
    near,
    place,
    spikes,
)


def burn_ms(p: Params, energy: float, kv: float, vb: float) -> float:
    """Spark duration from what the breakdown left of the coil's energy (mJ), at the mean
    burning voltage.
    """
    left = max(energy - 0.5 * p["cap"] * kv**2, 0.05 * energy)
    current = np.sqrt(2 * left / 1000 / p["henry"])  # A in the secondary
    return float(p["henry"] * current / (vb * 1000 + 350) * 1000)


def ring(p: Params, tau: Array, start: float, rng: Rng) -> Array:
    f = p["ring"] * (1 + 0.01 * rng.normal())
    return start * np.exp(-tau * f / p["ring_q"]) * np.cos(2 * np.pi * f * tau)


def dwell_part(p: Params, fs: float, dwell: float) -> Array:
    """Seen from the secondary while the coil charges: a small step of the other sign, ringing,
    sagging.
    """
    n = max(int(dwell * fs), 2)
    tau = np.arange(n) / fs
    level = p["on"] * np.exp(-tau / (p["tau"] * 1.4))
    level = level * (
        1 + 0.9 * np.exp(-tau / p["on_decay"]) * np.cos(2 * np.pi * p["on_ring"] * tau)
    )
    if p["limit"] > 0 and dwell > p["limit"]:
        # The driver reached its current limit: no more change of current, hence no more induced
        # voltage.
        over = tau > p["limit"]
        late = tau[over] - p["limit"]
        level[over] *= 0.15 + 0.6 * np.exp(-late / 8e-5) * np.cos(2 * np.pi * p["on_ring"] * late)
    return -level


def fire_part(p: Params, fs: float, rng: Rng, energy: float, cut: float) -> tuple[Array, bool]:
    """Firing line, spark line and ringing; ``cut`` > 0 is when the driver recharges the coil
    mid-spark.
    """
    kv = p["kv"] * (1 + p["kv_cov"] * float(rng.normal()))
    able = p["able"] * np.sqrt(energy / p["energy0"])
    tail = np.arange(int((cut or 4.5e-3) * fs)) / fs
    rise = np.linspace(0, 1, max(int(p["rise"] * min(kv, able) / 10 * fs), 2)) ** 0.8
    if kv > able:  # no breakdown at all: the coil rings down by itself
        return np.concatenate([rise * able, ring(p, tail, able, rng)]), False
    vb = p["vb"] * (1 + 0.05 * float(rng.normal()))
    drop = p["series"] * np.sqrt(energy / p["energy0"])
    t_burn = (
        burn_ms(p, energy, kv, vb + 0.5 * drop + 0.3 * p["lift"])
        * 1e-3
        * (1 + p["burn_cov"] * float(rng.normal()))
    )
    t_burn = max(t_burn, 4e-5)
    length = min(t_burn, cut) if cut else t_burn
    tau = np.arange(max(int(length * fs), 2)) / fs
    x = tau / t_burn
    line = vb * (0.93 + 0.10 * x + 0.25 * x**8) + drop * (1 - x) + p["lift"] * x**2
    rough = low_pass(rng.normal(size=len(tau)), fs, 9e3) * np.sqrt(fs / 4e4)
    line = line + vb * p["rough"] * rough * (0.4 + x)
    line = restrikes(p, line, x, vb, rng)
    line = (
        line
        + (kv - line[0]) * np.exp(-tau / p["fall"])
        + 0.12 * kv * np.exp(-tau / 6e-6) * np.cos(2 * np.pi * 3e5 * tau)
    )
    pieces = [rise * kv, line]
    if not cut or length < cut:
        # A recharge cuts the ringing short, as it cuts the spark.
        rest = cut - length if cut else 3e-3
        pieces.append(ring(p, np.arange(max(int(rest * fs), 1)) / fs, float(line[-1]), rng))
    return np.concatenate(pieces), True


def restrikes(p: Params, line: Array, x: Array, vb: float, rng: Rng) -> Array:
    """The spark blown out and struck again: saw teeth on the spark line."""
    for _ in range(int(rng.poisson(p["blowout"]))):
        at, width = between(rng, 0.15, 0.9), between(rng, 0.05, 0.2)
        inside = (x > at - width) & (x < at)
        line = (
            line
            + inside * vb * between(rng, 0.6, 2.2) * np.clip((x - at + width) / width, 0, 1) ** 2
        )
    return line


def secondary_event(p: Params, fs: float, rng: Rng) -> tuple[Array, int]:
    """One firing (or group of strikes); returns the samples and the index of the first firing
    edge.
    """
    dwell = p["dwell"] * (1 + 0.01 * float(rng.normal()))
    strikes = max(1, round(p["strikes"] + p["strike_var"] * float(rng.normal())))
    first = dwell_part(p, fs, dwell)
    pieces = [first]
    for i in range(strikes):
        energy = p["energy"] if i == 0 else p["energy"] * p["reload"]
        q = (
            p if i == 0 else {**p, "kv": p["kv"] * p["again"]}
        )  # the gap is still hot: later strikes need less
        cut = p["cut"] * (1 + 0.03 * float(rng.normal())) if i < strikes - 1 else 0.0
        shot, _ = fire_part(q, fs, rng, energy, cut)
        pieces.append(shot)
        if i < strikes - 1:
            pieces.append(0.7 * dwell_part({**p, "limit": 0.0}, fs, p["redwell"]))
    return np.concatenate(pieces), len(first)


def render_secondary(case: Case, fs: float, n: int, rng: Rng) -> Array:
    out = np.zeros(n)
    p = case.sound
    starts = event_times(rng, n / fs, 120 / p["rpm"], p["jitter"])
    for t, hit in zip(starts, case.schedule(rng, len(starts)), strict=True):
        piece, edge = secondary_event(case.params(bool(hit)), fs, rng)
        place(out, piece, int(t * fs) - edge)
    out = out + spikes(rng, n, fs, 120 / p["rpm"] / p["cylinders"], p["cross"], 2.0e4, 2e-4)
    # Capacitive pickup: limited below by its leak, above by its source impedance.
    low = low_pass(out, fs, p["pickup_lo"])
    out = low_pass(out - low, fs, p["pickup_hi"])
    return p["sign"] * p["ratio"] * out + rng.normal(0, p["noise"], n)


def secondary_vehicle(
    rng: Rng, kv: float, vb: float, energy: float, dwell: float, rpm: float
) -> Params:
    e = near(rng, energy, 0.07)
    return {
        "rpm": rpm,
        "jitter": near(rng, 0.006, 0.3),
        "cylinders": 4.0,
        "kv": near(rng, kv, 0.09),
        "kv_cov": near(rng, 0.05, 0.3),
        "vb": near(rng, vb, 0.07),
        "burn_cov": 0.05,
        "energy": e,
        "energy0": e,
        "able": near(rng, 33, 0.05),
        "cap": 0.09,
        "henry": near(rng, 17, 0.06),
        "rise": near(rng, 11e-6, 0.2),
        "fall": near(rng, 9e-6, 0.25),
        "series": abs(near(rng, 0.25, 0.5)),
        "lift": 0.0,
        "rough": near(rng, 0.035, 0.3),
        "blowout": 0.05,
        "ring": near(rng, 5200, 0.08),
        "ring_q": near(rng, 3.2, 0.12),
        "dwell": near(rng, dwell, 0.06),
        "tau": near(rng, 6e-3, 0.1),
        "limit": 0.0,
        "on": near(rng, 0.9, 0.15),
        "on_decay": near(rng, 2.2e-4, 0.2),
        "on_ring": near(rng, 9e3, 0.1),
        "strikes": 1.0,
        "strike_var": 0.0,
        "reload": 0.45,
        "again": 0.7,
        "cut": 0.0,
        "redwell": 0.0,
        "cross": abs(near(rng, 0.10, 0.5)),
        "pickup_lo": between(rng, 1.5, 14),
        "pickup_hi": between(rng, 1.5e5, 6e5),
        "ratio": near(rng, 1.0, 0.05),
        "noise": 0.03,
        "sign": 1.0,
    }


def tarrow_idle(rng: Rng) -> Params:
    p = secondary_vehicle(rng, 11.0, 1.15, 52, 2.9e-3, near(rng, 790, 0.05))
    p.update(
        sign=-1.0,
        strikes=near(rng, 3.2, 0.12),
        strike_var=0.25,
        cut=near(rng, 5.2e-4, 0.10),
        redwell=near(rng, 7.5e-4, 0.10),
        reload=near(rng, 0.5, 0.08),
        jitter=near(rng, 0.014, 0.3),
    )
    return p


def selwick_fast(rng: Rng) -> Params:
    p = secondary_vehicle(rng, 9.5, 0.95, 62, 3.4e-3, near(rng, 2480, 0.03))
    p.update(limit=near(rng, 2.9e-3, 0.05), rough=near(rng, 0.06, 0.3), blowout=0.15)
    if rng.random() < 0.08:
        p["sign"] = -1.0  # pickup laid the other way round
    return p


def wide_gap(p: Params, s: float, rng: Rng) -> None:
    p["kv"] *= 1 + 0.95 * s
    p["vb"] *= 1 + 0.55 * s


def fouled_plug(p: Params, s: float, rng: Rng) -> None:
    p["kv"] *= 1 - 0.62 * s
    p["vb"] *= 1 - 0.38 * s
    p["fall"] *= 1 + 2 * s
    p["rise"] *= 1 + 1.5 * s


def lead_resistance(p: Params, s: float, rng: Rng) -> None:
    p["series"] += 2.3 * s
    p["kv"] *= 1 + 0.22 * s


def weak_coil(p: Params, s: float, rng: Rng) -> None:
    p["energy"] *= 1 - 0.68 * s
    p["ring_q"] *= 1 - 0.75 * s
    p["able"] *= 1 - 0.35 * s


def open_secondary(p: Params, s: float, rng: Rng) -> None:
    # A gap in the lead adds to the demand; when it exceeds what the coil can give, nothing burns.
    p["kv"] *= 1 + 2.9 * s**1.5
    p["vb"] *= 1 + 0.8 * s
    p["kv_cov"] = 0.05 + 0.08 * s


def lean_mixture(p: Params, s: float, rng: Rng) -> None:
    p["kv"] *= 1 + 0.30 * s
    p["lift"] += 4.5 * s**1.4 * p["vb"] / 1.1
    p["rough"] *= 1 + 2.5 * s


def blown_spark(p: Params, s: float, rng: Rng) -> None:
    p["blowout"] += 4.5 * s
    p["burn_cov"] += 0.15 * s


def lost_strikes(p: Params, s: float, rng: Rng) -> None:
    p["strikes"] = 1.0
    p["strike_var"] = 0.0


PICKUPS = (Sensor(1.0), Sensor(1.0, noise=0.01), Sensor(2.0))


SECONDARY = {
    "system": "ignition-secondary",
    "channels": (("secondary", "kV"),),
    "render": render_secondary,
    "rates": (1.9e5, 1.1e6),
    "low_rates": (1.2e3, 4e3),
    "peak": 30.0,
    "sim_rate": 1e6,
    "sensors": PICKUPS,
    # Nothing but a small capacitor: at an ordinary corner AC and DC would look alike on this
    # system.
    "ac_corner": (60.0, 220.0),
    "hum": 1.2,
}


KNOWN_SECONDARY = (
    Fault("wide-gap", wide_gap),
    Fault("fouled-plug", fouled_plug),
    Fault("lead-resistance", lead_resistance),
    Fault("weak-coil", weak_coil),
)


CONTEXTS = (
    Context(
        family="tarrow-14",
        condition="idle",
        draw=tarrow_idle,
        known=(*KNOWN_SECONDARY, Fault("open-secondary", open_secondary)),
        unknown=(
            Fault("lean-mixture", lean_mixture),
            Fault("lost-strikes", lost_strikes, graded=False),
        ),
        span=(0.16, 1.2),
        event=0.152,
        **SECONDARY,
    ),
    Context(
        family="selwick-20",
        condition="r2500",
        draw=selwick_fast,
        known=KNOWN_SECONDARY,
        unknown=(
            Fault("lean-mixture", lean_mixture),
            Fault("blown-spark", blown_spark),
            Fault("open-secondary", open_secondary),
        ),
        span=(0.06, 0.6),
        event=0.0484,
        **SECONDARY,
    ),
)
