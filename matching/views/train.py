"""The capture as a train of events: how much one event differs from its neighbours."""

from __future__ import annotations

import numpy as np

from matching.tools import Floats, mad_sigma

LAGS = 8


def train(values: Floats, scale: float) -> dict[str, float]:
    """How regular a per-event value (events,) is. `scale` (same unit) makes it comparable.

    spread: robust spread; high, low: the largest excess over and below the running median;
    rough: median step from event to event; rhythm: the share of variance that repeats at the best
    lag from 2 to 8, so that one odd cylinder is told from plain noise.
    """
    if values.size < 3 or not scale > 0:
        return {}
    centred = (values - running_median(values, 9)) / scale
    out = {
        "spread": mad_sigma(values) / scale,
        "high": float(centred.max()),
        "low": float(-centred.min()),
        "rough": float(np.median(np.abs(np.diff(values)))) / scale,
    }
    if values.size >= 12:
        out["rhythm"] = rhythm(centred)
    return out


def running_median(values: Floats, width: int) -> Floats:
    """Centred running median of values (n,), the ends mirrored."""
    width = min(width, values.size - (values.size + 1) % 2)
    if width < 3:
        return np.full(values.size, float(np.median(values)))
    padded = np.pad(values, width // 2, mode="reflect")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)


def rhythm(centred: Floats) -> float:
    """Largest autocorrelation of a centred train (n,) over the lags 2 to 8, from -1 to 1."""
    power = float(np.dot(centred, centred))
    if power <= 0:
        return 0.0
    lags = range(2, min(LAGS, centred.size // 2) + 1)
    return max(float(np.dot(centred[k:], centred[:-k])) / power for k in lags)
