"""Rules for recordings that are one event: `whole` (as it is) and `sweep` (from its onset)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.events.lines import is_flat
from matching.events.pulses import merge, stretches
from matching.tools import Floats, median3, schmitt, smooth, thin


@rule("whole")
def whole(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """The recording as `parts` equal windows (default one), on a time axis in seconds."""
    parts = int(params.get("parts", 1))
    edges = np.linspace(0.0, signal.n - 1.0, parts + 1)
    span = (signal.n - 1.0) / parts / signal.rate_hz
    scout = {"span_s": span}
    return make(signal, edges[:-1], edges[1:], edges[:-1], (0.0, span), None, scout)


@rule("sweep")
def sweep(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One event per excursion from rest and back: a pedal sweep, a snap, a crank.

    params: role; share of the range that counts as away from rest (default 0.1); pad, how much
    of the excursion's length is kept on either side; merge_s joins excursions (and swallows
    dropouts); rest 'low' | 'high' | 'start' (default: where the recording begins).
    """
    role = params.get("role", "")
    rate = signal.rate_hz
    x = smooth(median3(signal.channel(role)), max(1, int(params.get("smooth_s", 0.005) * rate)))
    low, high = np.quantile(thin(x), [0.005, 0.995])
    if is_flat(x) or high - low < 6.0 * float(signal.noise[signal.row(role)]):
        return none_found()
    rest = rest_level(x, float(low), float(high), params.get("rest", "start"))
    share = float(params.get("share", 0.1))
    away = np.abs(x - rest) / float(high - low)
    start, stop = stretches(schmitt(away, 0.6 * share, share))
    start, stop = merge(start, stop, int(params.get("merge_s", 0.2) * rate))
    keep = (stop - start) > max(4.0, 0.3 * float((stop - start).max(initial=0)))
    begin, end = start[keep].astype(np.float64), stop[keep].astype(np.float64)
    if begin.size == 0:
        return none_found()
    pad = float(params.get("pad", 0.05)) * (end - begin)
    first, last = np.maximum(begin - pad, 0.0), np.minimum(end + pad, signal.n - 1.0)
    scout = {"span_s": float(np.median(end - begin)) / rate}
    marks = {"leave": begin, "back": end, "rest": np.array([rest])}
    return make(signal, first, last, begin, (0.0, 100.0), marks, scout)


def rest_level(x: Floats, low: float, high: float, where: str) -> float:
    """Level of rest of x (n,): at its low or high end, or at the end nearer to where it begins.

    The mean of what lies within a tenth of the range of that end.
    """
    if where == "start":
        first = float(np.median(x[: max(1, x.size // 50)]))
        where = "high" if first > 0.5 * (low + high) else "low"
    near = x < low + 0.1 * (high - low) if where == "low" else x > high - 0.1 * (high - low)
    return float(x[near].mean()) if near.any() else (low if where == "low" else high)
