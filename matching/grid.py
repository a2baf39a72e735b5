"""Events on a fixed grid, in physical units, so that they can be laid over each other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matching.conditioning import Signal
from matching.events import Events
from matching.tools import Floats, Ints

Grid = NDArray[np.float32]
MOST_EVENTS = 240


def pick_events(events: Events, most: int = MOST_EVENTS) -> Ints:
    """Indices of the complete events, evenly thinned to `most`; incomplete ones if none is."""
    index = np.flatnonzero(events.complete)
    if index.size == 0:
        index = np.arange(events.n)
    if index.size > most:
        index = index[np.linspace(0, index.size - 1, most).astype(np.int64)]
    return index


def on_grid(signal: Signal, start: Floats, stop: Floats, points: int) -> Grid:
    """Windows [start, stop) of every channel: float32 (events, channels, points).

    Few samples per point: linear interpolation. Many: the mean of the point's samples, unless one
    of them stands out of the noise; then that one, so that a spike keeps its height.
    """
    n_events, channels = start.size, signal.data.shape[0]
    out = np.empty((n_events, channels, points), dtype=np.float32)
    for e in range(n_events):
        per_point = (stop[e] - start[e]) / points
        for c in range(channels):
            x = signal.data[c]
            if per_point < 2.0:
                places = start[e] + (np.arange(points) + 0.5) * per_point
                out[e, c] = _interpolate(x, places)
            else:
                out[e, c] = _reduce(x, start[e], per_point, points, float(signal.noise[c]))
    return out


def _interpolate(x: Floats, places: Floats) -> Floats:
    places = np.clip(places, 0.0, x.size - 1.0)
    left = np.minimum(places.astype(np.int64), x.size - 2)
    part = places - left
    return x[left] * (1.0 - part) + x[left + 1] * part


def _reduce(x: Floats, start: float, per_point: float, points: int, noise: float) -> Floats:
    edges = np.round(start + np.arange(points + 1) * per_point).astype(np.int64)
    edges = np.clip(edges, 0, x.size)
    first, last = int(edges[0]), int(edges[-1])
    if last - first < points:
        places = (start + (np.arange(points) + 0.5) * per_point).astype(np.float64)
        return _interpolate(x, places)
    part = x[first:last]
    cuts = np.minimum(edges[:-1] - first, part.size - 1)
    width = np.maximum(edges[1:] - edges[:-1], 1)
    mean = np.add.reduceat(part, cuts) / np.maximum(np.diff(np.append(cuts, part.size)), 1)
    high = np.maximum.reduceat(part, cuts)
    low = np.minimum.reduceat(part, cuts)
    up, down = high - mean, mean - low
    limit = 6.0 * noise + 1e-12
    value = np.where((up >= down) & (up > limit), high, mean)
    value = np.where((down > up) & (down > limit), low, value)
    return np.where(width > 0, value, mean)


def rebin(curves: np.ndarray, points: int) -> Floats:
    """Curves (..., n) as block means on `points` points (..., points), exact for any n."""
    n = curves.shape[-1]
    if n == points:
        return curves.astype(np.float64)
    total = np.zeros((*curves.shape[:-1], n + 1))
    np.cumsum(curves, axis=-1, out=total[..., 1:])
    places = np.linspace(0.0, n, points + 1)
    left = np.minimum(places.astype(np.int64), n - 1)
    part = places - left
    edges = total[..., left] * (1.0 - part) + total[..., left + 1] * part
    return np.diff(edges, axis=-1) * (points / n)
