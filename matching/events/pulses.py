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

    params: role; active 'high' | 'low' | 'switch' (the lower of two states); share, trigger level
    between rest and active (0..1); merge_ms, gaps shorter than this are inside one pulse
    (chopping); min_ms, shorter ones are dropped; least, the smallest share of the usual large
    pulse's area one must have (spikes from elsewhere are smaller); min_swing, in the unit.
    The window: window_ms, fixed around the anchor; or window, [before, after] in typical pulse
    lengths; or own, the same in lengths of the pulse itself: its start is 0 and its end 100 on
    the axis; or until = "next", from start to start, 0 to 100.
    smooth_us, averaging before anything else, widened up to smooth_most_us in heavy noise.
    marks: pulse_start, pulse_stop of the events; levels [rest, active]; smooth [samples].
    """
    role = params.get("role", "")
    x, rate = signal.channel(role), signal.rate_hz
    noise = float(signal.noise[signal.row(role)])
    calm, width, (rest, active) = quieten(x, rate, noise, params)
    if abs(active - rest) < max(6.0 * noise / np.sqrt(width), params.get("min_swing", 0.0)):
        return none_found()
    height = (calm - rest) / (active - rest)
    share = params.get("share", 0.3)
    start, stop = stretches(schmitt(height, 0.6 * share, share))
    start, stop = merge(start, stop, int(params.get("merge_ms", 0.0) * 1e-3 * rate))
    start, stop = real(height, start, stop, params.get("min_ms", 0.0) * 1e-3 * rate, params)
    inner = (start > 0) & (stop < x.size)
    if not inner.any():
        if start.size == 0:
            return none_found()
        inner = np.ones(start.size, bool)
    length = float(np.median((stop - start)[inner]))
    start, stop = start[inner], stop[inner]
    begin = _passage(height, start, share, True)
    end = _passage(height, stop, share, False)
    first, last, axis = _window(params, begin, end, hint.get("pulse_s", 0.0) * rate or length, rate)
    marks = {"pulse_start": begin, "pulse_stop": end, "levels": np.array([rest, active])}
    marks["smooth"] = np.array([float(width)])
    anchor = end if params.get("anchor") == "stop" else begin
    return make(signal, first, last, anchor, axis, marks, {"pulse_s": length / rate})


def quieten(
    x: Floats, rate: float, noise: float, params: Mapping[str, Any]
) -> tuple[Floats, int, tuple[float, float]]:
    """x (n,) averaged, over how many samples, and its rest and active levels.

    The average widens until the noise left is a quarter of the trigger level, or to its limit: a
    coarse instrument toggling between codes must not look like a hundred pulses.
    """
    width = max(1, int(params.get("smooth_us", 0.0) * 1e-6 * rate))
    most = max(width, int(params.get("smooth_most_us", 0.0) * 1e-6 * rate))
    limit = min(0.05, 0.2 * params.get("share", 0.3))
    while True:
        calm = smooth(x, width)
        found = levels(calm, params.get("active", "high"))
        swing = abs(found[1] - found[0])
        if width >= most or noise / np.sqrt(width) < limit * swing:
            return calm, width, found
        width = min(2 * width, most)


def real(
    height: Floats, start: Ints, stop: Ints, least: float, params: Mapping[str, Any]
) -> tuple[Ints, Ints]:
    """The stretches that are long enough and hold enough area to be pulses of their own."""
    keep = (stop - start) >= max(1.0, least)
    start, stop = start[keep], stop[keep]
    if start.size < 2:
        return start, stop
    total = np.concatenate(([0.0], np.cumsum(np.clip(height, 0.0, 2.0))))
    area = total[stop] - total[start]
    usual = float(np.median(area[area >= 0.25 * area.max()]))
    keep = area >= params.get("least", 0.1) * usual
    return start[keep], stop[keep]


def _passage(height: Floats, index: Ints, level: float, rising: bool) -> Floats:
    """Fractional sample at which the height passes the trigger level beside each index."""
    after = np.clip(index, 1, height.size - 1)
    before = after - 1
    step = height[after] - height[before]
    usable = step > 0 if rising else step < 0
    part = np.where(usable, (level - height[before]) / np.where(step == 0, 1.0, step), 1.0)
    return before + np.clip(part, 0.0, 1.0)


def _window(
    params: Mapping[str, Any], begin: Floats, end: Floats, typical: float, rate: float
) -> tuple[Floats, Floats, tuple[float, float]]:
    """Window of every pulse and what its ends mean on the axis."""
    anchor = end if params.get("anchor") == "stop" else begin
    if params.get("until") == "next" and begin.size > 1:
        return begin, np.append(begin[1:], 2.0 * begin[-1] - begin[-2]), (0.0, 100.0)
    if "own" in params:
        before, after = params["own"]
        length = end - begin
        return begin + before * length, begin + after * length, (100.0 * before, 100.0 * after)
    if "window_ms" in params:
        before, after = params["window_ms"]
        return anchor + before * 1e-3 * rate, anchor + after * 1e-3 * rate, (before, after)
    before, after = params.get("window", (-0.25, 1.75))
    axis = (before * typical / rate * 1e3, after * typical / rate * 1e3)
    return anchor + before * typical, anchor + after * typical, axis


def levels(x: Floats, active: str) -> tuple[float, float]:
    """Resting and active level of x (n,).

    high: rest is the low state (the mode of the lowest part), active what the pulses reach.
    low: rest is the high state, whose kicks above it must not count; active the low state.
    switch: as low, by the two most frequent levels.
    """
    part = thin(x)
    if active == "switch":
        return two_states(part)
    low, high = np.quantile(part, [0.002, 0.998])
    if active == "low":
        # a flyback kick reaches far above the resting level but lasts a small share of the time
        low, top = np.quantile(part, [0.005, 0.9])
        upper = part[part > 0.5 * (low + top)]
        rest = mode_level(upper) if upper.size > 10 else float(top)
        return rest, float(low)
    blocks = block_means(x, 400)
    top = max(float(np.quantile(blocks, 0.995)), float(low))
    lower = part[part < low + 0.2 * (top - low)]  # a hold level or a warm heater is no rest
    if lower.size < 0.03 * part.size:
        lower = part[part < 0.5 * (low + top)]
    rest = mode_level(lower) if lower.size > 10 else float(low)
    return rest, typical_top(x, rest, float(high))


def two_states(x: Floats) -> tuple[float, float]:
    """Upper and lower of the two most frequent levels of x (n,), a sixth of its range apart.

    Histogram modes as in IEEE 181, but not one per half: a flyback kick may hold the upper half.
    """
    low, high = np.quantile(x, [0.001, 0.999])
    if high <= low:
        return float(high), float(low)
    counts, edges = np.histogram(x, bins=120, range=(float(low), float(high)))
    wide = np.convolve(counts, np.ones(3), "same")
    first = int(np.argmax(wide))
    far = np.where(np.abs(np.arange(120) - first) >= 20, wide, -1.0)
    second = int(np.argmax(far))

    def near(k: int) -> float:
        inside = x[(x >= edges[max(k - 1, 0)]) & (x <= edges[min(k + 2, 120)])]
        return float(np.median(inside)) if inside.size else float(edges[k])

    return max(near(first), near(second)), min(near(first), near(second))


def typical_top(x: Floats, rest: float, high: float) -> float:
    """What the pulses of x (n,) reach: the median of the maxima over the stretches above half."""
    start, stop = stretches(schmitt(x - rest, 0.2 * (high - rest), 0.4 * (high - rest)))
    if start.size == 0:
        return high
    length = stop - start
    long = np.flatnonzero(length >= 0.3 * np.median(length[length >= 0.2 * length.max()]))
    return float(np.median([x[start[k] : stop[k]].max() for k in long]))


def block_means(x: Floats, blocks: int) -> Floats:
    """Means of x (n,) over about `blocks` equal parts."""
    size = max(1, x.size // blocks)
    return x[: x.size // size * size].reshape(-1, size).mean(axis=1)


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
