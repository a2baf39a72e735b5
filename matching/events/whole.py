"""Rules for recordings that are one event: `whole` (as it is) and `sweep` (from its onset)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.events.pulses import stretches
from matching.tools import mode_level, schmitt, smooth, thin


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
    of the excursion's length is kept on either side; merge_s joins excursions.
    """
    role = params.get("role", "")
    x = smooth(signal.channel(role), max(1, int(params.get("smooth_s", 0.005) * signal.rate_hz)))
    low, high = np.quantile(thin(x), [0.005, 0.995])
    if high - low < 6.0 * float(signal.noise[signal.row(role)]):
        return none_found()
    rest = float(x[: max(1, x.size // 50)].mean())
    rest = mode_level(x) if abs(rest - (low + high) / 2) < 0.2 * (high - low) else rest
    share = params.get("share", 0.1)
    away = np.abs(x - rest) / float(high - low)
    start, stop = stretches(schmitt(away, 0.6 * share, share))
    gap = params.get("merge_s", 0.2) * signal.rate_hz
    if start.size > 1:
        apart = (start[1:] - stop[:-1]) > gap
        start = start[np.concatenate(([True], apart))]
        stop = stop[np.concatenate((apart, [True]))]
    keep = (stop - start) > max(4.0, 0.3 * float((stop - start).max(initial=0)))
    start, stop = start[keep].astype(float), stop[keep].astype(float)
    if start.size == 0:
        return none_found()
    pad = params.get("pad", 0.05) * (stop - start)
    begin, end = np.maximum(start - pad, 0.0), np.minimum(stop + pad, signal.n - 1.0)
    scout = {"span_s": float(np.median(stop - start)) / signal.rate_hz}
    return make(signal, begin, end, start, (0.0, 100.0), None, scout)
