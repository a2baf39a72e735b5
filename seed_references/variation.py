"""How vehicles and cycles differ: small draws that every model shares."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def near(rng: np.random.Generator, middle: float, spread: float) -> float:
    """A value of a healthy vehicle: normal about `middle`, `spread` relative, no wild tails."""
    return float(middle * (1.0 + spread * np.clip(rng.normal(), -2.2, 2.2)))


def instants(
    rng: np.random.Generator, period_s: float, jitter: float, duration_s: float, margin_s: float
) -> Floats:
    """Times (s) of something that happens every period with relative jitter, phase drawn.

    At least one lies inside [margin, duration - margin]; those outside the recording are kept as
    far as `margin_s`, so that an event may be cut by its edges.
    """
    first = rng.uniform(0.0, 1.0) * period_s
    if first > duration_s - margin_s:
        first = rng.uniform(margin_s, max(duration_s - margin_s, margin_s))
    ahead = np.arange(first, duration_s + margin_s, period_s)
    behind = np.arange(first - period_s, -margin_s, -period_s)[::-1]
    times = np.concatenate((behind, ahead))
    return times + rng.normal(0.0, jitter * period_s, times.size)
