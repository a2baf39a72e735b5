"""Rule `spikes`: sharp bursts on a calm line, such as ignition firings and their strikes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.tools import Floats, Ints, mode_level, smooth


@rule("spikes")
def spikes(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One event per burst; the anchor is the first sharp edge of the burst.

    params: role; merge_ms, edges closer than this belong to one burst (strikes); longest_s, the
    longest wait between two events; window_ms, [before, after] the anchor; share, how high an
    edge must be against the typical largest one; min_rise, in the channel's unit.
    """
    x = signal.channel(params.get("role", ""))
    rate = signal.rate_hz
    strength = edge_strength(x, rate, params.get("edge_us", 20.0))
    merge = max(2, int(params["merge_ms"] * 1e-3 * rate))
    height = typical_extreme(strength, rate, params.get("longest_s", 0.25))
    floor = 8.0 * signal.noise[signal.row(params.get("role", ""))]
    threshold = max(height * params.get("share", 0.35), floor)
    hits = np.flatnonzero(strength > threshold)
    if hits.size == 0:
        return none_found()
    first = hits[np.concatenate(([True], np.diff(hits) > merge))]
    last = hits[np.concatenate((np.diff(hits) > merge, [True]))]
    anchor = _sharpen(strength, first, rate, params.get("edge_us", 20.0))
    before, after = params["window_ms"]
    start = anchor + before * 1e-3 * rate
    stop = anchor + after * 1e-3 * rate
    marks = {"burst_stop": last.astype(float), "edge": hits.astype(float)}
    interval = float(np.median(np.diff(anchor))) / rate if anchor.size > 2 else 0.0
    return make(signal, start, stop, anchor, (before, after), marks, {"interval_s": interval})


def edge_strength(x: Floats, rate: float, edge_us: float) -> Floats:
    """Absolute change of x (n,) over `edge_us` microseconds (at least one sample)."""
    lag = max(1, round(edge_us * 1e-6 * rate))
    strength = np.zeros(x.size)
    strength[lag:] = np.abs(x[lag:] - x[:-lag])
    return strength


def typical_extreme(x: Floats, rate: float, longest_s: float) -> float:
    """Size of the largest values of x (n,) that come at least once every `longest_s` seconds.

    The median over the largest block maxima: robust to one giant spike and to quiet blocks.
    """
    block = max(1, int(0.005 * rate))
    blocks = max(1, x.size // block)
    maxima = np.sort(x[: blocks * block].reshape(blocks, -1).max(axis=1))
    expected = max(1, int(x.size / rate / longest_s))
    return float(np.median(maxima[-min(expected, blocks) :]))


def _sharpen(strength: Floats, first: Ints, rate: float, edge_us: float) -> Floats:
    """Move each trigger to the steepest sample of its first edge."""
    reach = max(2, round(3 * edge_us * 1e-6 * rate))
    index = np.minimum(first[:, None] + np.arange(reach)[None, :], strength.size - 1)
    return (first + np.argmax(strength[index], axis=1)).astype(float)


def rest_level(x: Floats) -> float:
    """The calm level between bursts of x (n,)."""
    return mode_level(smooth(x, 3))
