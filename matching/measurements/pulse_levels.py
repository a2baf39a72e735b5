"""Levels of a switching sensor: two states, what departs from them, and the edges between."""

from __future__ import annotations

import numpy as np

from matching.events.wheel_track import two_modes
from matching.measurements import Cut
from matching.measurements.common import transitions
from matching.measurements.sheet import register_sheet
from matching.tools import Floats, crossings, mad_sigma, noise_sigma, thin
from refdb.cards import CardMeasurement

PULSE = {
    "low": "Low state level, channel unit: centre of the low runs' settled means.",
    "high": "High state level, channel unit.",
    "swing": "High less low, channel unit.",
    "ratio": "High over low, 1 (2 for a 7/14 mA sensor).",
    "low-worst": "Low level of the highest low run in fifty, channel unit.",
    "high-worst": "High level of the lowest high run in fifty, channel unit.",
    "low-spread": "Robust spread of the low runs' levels, channel unit.",
    "high-spread": "Robust spread of the high runs' levels, channel unit.",
    "minimum": "Lowest 0.1 % level, channel unit.",
    "maximum": "Highest 0.1 % level, channel unit.",
    "mean-level": "Mean, channel unit.",
    "noise": "Noise rms over the swing, %.",
}
EDGES = {
    "rise": "10-90 % duration of the rising edges, us, median.",
    "fall": "90-10 % duration of the falling edges, us, median.",
    "between": "Share of the time in the middle half of the swing, %.",
    "above": "Share of the time more than half a swing above the high state, %.",
    "below": "Share of the time more than half a swing below the low state, %.",
    "overshoot": "Highest 0.1 % level above the high state over the swing, %.",
    "undershoot": "Low state above the lowest 0.1 % level over the swing, %.",
    "swing-fade": "Swing in the weakest of ten stretches over the usual one, 1.",
}


def _sheet(cut: Cut, wanted: CardMeasurement) -> dict[str, float]:
    x = cut.channel(wanted.role)
    noise = float(cut.signal.noise[cut.signal.row(wanted.role)])
    ends = np.array([float(q) for q in np.quantile(thin(x), [0.001, 0.999])])
    out = {"minimum": float(ends[0]), "maximum": float(ends[1]), "mean-level": float(x.mean())}
    modes = two_modes(x)
    reach = modes[1] - modes[0]
    if reach < 6.0 * noise_sigma(x) or reach <= 0.0:
        level = float(np.median(thin(x)))
        return out | {"low": level, "high": level, "swing": 0.0}
    up, down = crossings(x, 0.5 * (modes[0] + modes[1]), 0.4 * reach)
    low_runs, high_runs = run_levels(x, down, up), run_levels(x, up, down)
    if low_runs.size < 1 or high_runs.size < 1:
        return out | {"low": modes[0], "high": modes[1], "swing": reach}
    out |= _levels(low_runs, high_runs)
    swing = max(out["swing"], 1e-12)
    out["noise"] = 100.0 * noise / swing
    return out | _edges(x, out["low"], out["high"], ends, cut.rate_hz)


def run_levels(x: Floats, begin: Floats, end: Floats) -> Floats:
    """Mean over the middle half of each run from an edge in `begin` to the next in `end`."""
    after = np.searchsorted(end, begin)
    ok = after < end.size
    a, b = begin[ok], end[after[ok]]
    first = np.ceil(a + 0.35 * (b - a)).astype(np.int64)
    last = np.floor(b - 0.15 * (b - a)).astype(np.int64)
    middle = np.round(0.4 * a + 0.6 * b).astype(np.int64)
    first, last = np.where(last < first, middle, first), np.where(last < first, middle, last)
    last = np.minimum(last, x.size - 1)
    first = np.minimum(first, last)
    total = np.concatenate(([0.0], np.cumsum(x)))
    return (total[last + 1] - total[first]) / (last + 1 - first)


def _levels(low: Floats, high: Floats) -> dict[str, float]:
    a, b = _centre(low), _centre(high)
    return {
        "low": a,
        "high": b,
        "swing": b - a,
        "ratio": b / a if abs(a) > 1e-9 else float("nan"),
        "low-worst": float(np.quantile(low, 0.98)),
        "high-worst": float(np.quantile(high, 0.02)),
        "low-spread": mad_sigma(low),
        "high-spread": mad_sigma(high),
    }


def _centre(values: Floats) -> float:
    ordered = np.sort(values)
    cut = values.size // 4
    return float(ordered[cut : values.size - cut].mean())


def _edges(x: Floats, low: float, high: float, ends: Floats, rate: float) -> dict[str, float]:
    swing = max(high - low, 1e-12)
    y = (x - low) / swing
    out = {
        "between": 100.0 * float(np.mean((y > 0.25) & (y < 0.75))),
        "above": 100.0 * float(np.mean(y > 1.5)),
        "below": 100.0 * float(np.mean(y < -0.5)),
        "overshoot": 100.0 * float(ends[1] - high) / swing,
        "undershoot": 100.0 * float(low - ends[0]) / swing,
    }
    for name in ("rise", "fall"):
        times = transitions(x, low, high, name)
        if times.size:
            out[name] = 1e6 * float(np.median(times)) / rate
    parts = [np.quantile(thin(p, 6000), [0.03, 0.97]) for p in np.array_split(x, 10)]
    sizes = np.array([b - a for a, b in parts])
    out["swing-fade"] = float(sizes.min() / max(float(np.median(sizes)), 1e-12))
    return out


register_sheet("pulse", PULSE | EDGES, _sheet)
