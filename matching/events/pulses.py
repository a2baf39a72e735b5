"""Rule `pulses`: stretches in which a line is active (current flows, a switch is closed)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.tools import Bools, Floats, Ints, mode_level, schmitt, smooth, thin


@rule("pulses")
def pulses(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One event per active stretch; the anchor is its start (or its end with anchor = "stop").

    params: role; active 'high' | 'low'; share, trigger level between rest and active (0..1);
    merge_ms, gaps shorter than this are inside one pulse (chopping); min_ms, shorter ones are
    dropped; window, [before, after] in typical pulse lengths; or window_ms, fixed.
    """
    role = params.get("role", "")
    x = signal.channel(role)
    rate = signal.rate_hz
    wide = max(1, int(params.get("smooth_us", 0.0) * 1e-6 * rate))
    rest, active = _levels(smooth(x, wide), params.get("active", "high"))
    noise = signal.noise[signal.row(role)]
    if abs(active - rest) < 6.0 * noise:
        return none_found()
    height = (smooth(x, wide) - rest) / (active - rest)
    share = params.get("share", 0.3)
    on = schmitt(height, 0.6 * share, share)
    start, stop = stretches(on)
    start, stop = merge(start, stop, int(params.get("merge_ms", 0.0) * 1e-3 * rate))
    keep = (stop - start) >= max(1, params.get("min_ms", 0.0) * 1e-3 * rate)
    start, stop = start[keep], stop[keep]
    if start.size == 0:
        return none_found()
    inner = (start > 0) & (stop < x.size)
    length = float(np.median((stop - start)[inner if inner.any() else slice(None)]))
    typical = hint.get("pulse_s", 0.0) * rate or length
    anchor = (stop if params.get("anchor") == "stop" else start).astype(float)
    before, after = _window(params, typical, rate)
    marks = {"pulse_start": start.astype(float), "pulse_stop": stop.astype(float)}
    scout = {"pulse_s": length / rate}
    axis = (before / rate * 1e3, after / rate * 1e3)
    inside = inner if inner.any() else np.ones(start.size, bool)
    events = make(
        signal, anchor[inside] + before, anchor[inside] + after, anchor[inside], axis,
        {name: mark[inside] for name, mark in marks.items()}, scout,
    )  # fmt: skip
    return events


def _window(params: Mapping[str, Any], typical: float, rate: float) -> tuple[float, float]:
    if "window_ms" in params:
        before, after = params["window_ms"]
        return before * 1e-3 * rate, after * 1e-3 * rate
    before, after = params.get("window", (-0.25, 1.75))
    return before * typical, after * typical


def _levels(x: Floats, active: str) -> tuple[float, float]:
    """Resting and active level: the mode against the far end of the other side."""
    part = thin(x)
    rest = mode_level(x)
    low, high = np.quantile(part, [0.005, 0.995])
    if active == "low":
        # the resting level is the high state; the kick above it must not count as the state
        upper = part[part > 0.5 * (low + np.median(part))]
        rest = mode_level(upper) if upper.size > 10 else rest
        return rest, float(low)
    if high - rest < rest - low and rest > 0.6 * high:
        rest = float(low)  # active most of the time
    return rest, float(high)


def stretches(on: Bools) -> tuple[Ints, Ints]:
    """Start and stop (exclusive) of every run of True in `on` (n,)."""
    padded = np.concatenate(([False], on, [False]))
    change = np.flatnonzero(padded[1:] != padded[:-1])
    return change[::2], change[1::2]


def merge(start: Ints, stop: Ints, gap: int) -> tuple[Ints, Ints]:
    """Join runs that are separated by at most `gap` samples."""
    if start.size < 2 or gap <= 0:
        return start, stop
    apart = (start[1:] - stop[:-1]) > gap
    return start[np.concatenate(([True], apart))], stop[np.concatenate((apart, [True]))]
