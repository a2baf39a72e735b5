"""Rule `spikes`: firings on a calm line, each with its strikes (ignition secondary and primary).

A firing is found by how long the line is busy, not by how tall its spike is: the spike lasts some
microseconds and a slow or unlucky sample hardly sees it, while the spark and the dwell around it
last milliseconds. The spike then only says where in the busy stretch the firing edge lies.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.events.pulses import merge, stretches
from matching.tools import Floats, Ints, mode_level, smooth


@dataclass(frozen=True, slots=True, eq=False)
class Calm:
    """The line between the firings. away: (n,) the signal less its slow resting level; level: the
    middle of that; busy: typical size of a spark line or dwell step, the same unit; start, stop:
    (m,) the busy stretches in samples."""

    away: Floats
    level: float
    busy: float
    start: Ints
    stop: Ints


@rule("spikes")
def spikes(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One event per firing; the anchor is the first firing edge, upwards, of its strikes.

    params: role; merge_ms, edges closer than this are strikes of one firing; strike_ms, edges
    closer than this are one strike (ringing); longest_s, the longest wait between two events;
    window_ms, [before, after] the anchor; edge_us, the time in which a firing edge is complete;
    share, how high a strike's edge is at least against the tallest of its stretch.
    marks: strike (m,) instants of all strikes, owner (m,) their event, calm [level, busy size].
    """
    role = params.get("role", "")
    x, rate = signal.channel(role), signal.rate_hz
    noise = float(signal.noise[signal.row(role)])
    calm = calm_line(x, rate, noise, params.get("longest_s", 0.25))
    if calm.start.size == 0:
        return none_found()
    edges = firing_edges(calm, rate, noise, params)
    if edges.size == 0:
        return none_found()
    wide = params.get("merge_ms", 3.5) * 1e-3 * rate
    first = np.concatenate(([True], np.diff(edges) > wide))
    anchor = edges[first]
    owner = np.cumsum(first) - 1
    before, after = params["window_ms"]
    marks = {
        "strike": edges,
        "owner": owner.astype(float),
        "calm": np.array([calm.level, calm.busy]),
    }
    interval = float(np.median(np.diff(anchor))) / rate if anchor.size > 2 else 0.0
    scout = {"interval_s": interval} if interval else {}
    return make(
        signal, anchor + before * 1e-3 * rate, anchor + after * 1e-3 * rate, anchor,
        (before, after), marks, scout,
    )  # fmt: skip


def calm_line(x: Floats, rate: float, noise: float, longest_s: float) -> Calm:
    """Where x (n,) rests, and the stretches in which it does not.

    Means over 0.1 ms see below the steps of a coarse instrument; the busy size is a median over
    half milliseconds, which a spike cannot move. A stretch counts when it holds at least a fifth
    of the typical area.
    """
    block = max(1, int(0.1e-3 * rate))
    means = x[: x.size // block * block].reshape(-1, block).mean(axis=1)
    level = np.full(means.size, mode_level(means))
    busy = _busy(means - level, rate / block, longest_s)
    if float(np.mean(np.abs(means - level) > 0.3 * busy)) < 0.4:
        level = _slow_level(means)  # a pickup's capacitor may still be settling
        busy = _busy(means - level, rate / block, longest_s)
    nothing = np.zeros(0, np.int64)
    y = x - np.repeat(level, block)[np.minimum(np.arange(x.size), level.size * block - 1)]
    if busy < 6.0 * noise / np.sqrt(5 * block) or busy <= 0.0:
        return Calm(y, float(np.median(level)), busy, nothing, nothing)
    away = np.minimum(np.abs(means - level), 2.0 * busy)
    start, stop = stretches(smooth(away, 5) > 0.3 * busy)
    start, stop = merge(start, stop, 15)
    total = np.concatenate(([0.0], np.cumsum(away)))
    area = total[stop] - total[start]
    keep = area > 0.2 * float(np.median(area[area >= 0.3 * area.max(initial=0.0)]))
    start, stop = np.maximum(start[keep] - 1, 0) * block, (stop[keep] + 1) * block
    return Calm(y, float(np.median(level)), busy, start, np.minimum(stop, x.size))


def _busy(away: Floats, rate: float, longest_s: float) -> float:
    """Typical size of a spark line or dwell step in the calm line's 0.1 ms means."""
    return typical_extreme(_medians(np.abs(away), 5), rate / 5, longest_s)


def _slow_level(means: Floats) -> Floats:
    """Running median over 31 ms of 0.1 ms means (n,), the ends mirrored."""
    slow = _medians(means, 10)
    reach = min(15, (slow.size - 1) // 2)
    if reach < 3:
        return np.full(means.size, float(np.median(means)))
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(slow, reach, "reflect"), 2 * reach + 1
    )
    centres = np.arange(slow.size) * 10 + 4.5
    return np.interp(np.arange(means.size), centres, np.median(windows, axis=1))


def _medians(values: Floats, size: int) -> Floats:
    """Medians of values (n,) over groups of `size`."""
    size = max(1, min(size, values.size))
    return np.median(values[: values.size // size * size].reshape(-1, size), axis=1)


def firing_edges(calm: Calm, rate: float, noise: float, params: Mapping[str, Any]) -> Floats:
    """Instants (fractional samples) of every strike's rising edge.

    An edge counts when it ends above the calm level (the ringing at the start of the dwell does
    not) and reaches `share` of the tallest in its stretch, or half the usual tallest outside the
    stretches (a misfire is hardly busy). Of the edges that follow one, those are strikes after
    which the line stays up; the others are the coil's ringing.
    """
    x = calm.away
    lag = max(1, round(params.get("edge_us", 20.0) * 1e-6 * rate))
    rise = np.zeros(x.size)
    rise[lag:] = x[lag:] - x[:-lag]
    rise[x < 0.3 * calm.busy] = 0.0
    least = _least_rise(rise, calm, max(0.3 * calm.busy, 8.0 * noise), params.get("share", 0.35))
    hits = np.flatnonzero(rise > least)
    if hits.size == 0:
        return np.zeros(0)
    refractory = max(2, int(params.get("strike_ms", 0.35) * 1e-3 * rate))
    first = hits[np.concatenate(([True], np.diff(hits) > refractory))]
    wide = params.get("merge_ms", 3.5) * 1e-3 * rate
    top = np.array([rise[i : i + refractory].max() for i in first])
    kept: list[int] = []
    tall = 0.0
    for i, height in zip(first, top, strict=True):
        alone = not kept or i - kept[-1] > wide
        late = not alone and height > 0.7 * tall and i - kept[-1] > 0.6e-3 * rate
        trusted = alone and i > 1.2e-3 * rate  # the recording may begin in the ringing of a spark
        if trusted or late or _burns(x, int(i), rate, calm.busy):
            tall = height if alone else max(tall, height)
            kept.append(int(i))
    return np.array([_edge(x, i, lag) for i in kept])


def _least_rise(rise: Floats, calm: Calm, floor: float, share: float) -> Floats:
    """How much each sample (n,) of the rise must exceed to be an edge."""
    tallest = [
        float(rise[a:b].max(initial=0.0)) for a, b in zip(calm.start, calm.stop, strict=True)
    ]
    real = [top for top in tallest if top > floor]
    if not real:
        return np.full(rise.size, np.inf)
    least = np.full(rise.size, max(0.5 * float(np.median(real)), floor))
    for a, b, top in zip(calm.start, calm.stop, tallest, strict=True):
        least[a:b] = max(share * top, floor)
    return least


def _burns(x: Floats, index: int, rate: float, busy: float) -> bool:
    """Whether the line stays up for a quarter of a millisecond after an edge, as a spark does."""
    part = x[index + int(60e-6 * rate) : index + int(250e-6 * rate) + 1]
    return bool(part.size > 1 and np.quantile(part, 0.1) > 0.15 * busy)


def _edge(x: Floats, index: int, lag: int) -> float:
    """Where the edge that `index` reported passes half its height, in fractional samples."""
    a, b = max(index - lag, 0), min(index + lag, x.size - 1)
    part = x[a : b + 1]
    steepest = int(np.argmax(np.diff(part))) if part.size > 1 else 0
    top = part[steepest + 1 :][: lag + 1].max()
    foot = part[: steepest + 1].min()
    half = 0.5 * (foot + top)
    after = steepest + int(np.argmax(part[steepest:] >= half))
    if after == 0 or part[after] == part[after - 1]:
        return float(a + after)
    return (
        a
        + after
        - 1
        + float(np.clip((half - part[after - 1]) / (part[after] - part[after - 1]), 0, 1))
    )


def typical_extreme(values: Floats, rate: float, longest_s: float) -> float:
    """Size of the largest of `values` (n,) that come at least once every `longest_s` seconds.

    The median over the largest block maxima: robust to one giant spike and to quiet blocks.
    """
    block = max(1, int(0.005 * rate))
    blocks = max(1, values.size // block)
    usable = values[: blocks * block] if values.size >= block else values
    maxima = np.sort(usable.reshape(-1, min(block, usable.size)).max(axis=1))
    expected = max(1, int(values.size / rate / longest_s))
    return float(np.median(maxima[-min(expected, maxima.size) :]))
