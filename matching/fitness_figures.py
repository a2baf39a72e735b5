"""Figures of one capture that the fitness check compares with those of its references."""

from __future__ import annotations

import numpy as np

from matching.measurements import Cut
from matching.tools import Floats, thin


def figures(part: Cut) -> dict[str, float]:
    """Rate, length and, per role, size, place, noise and rails of one cut capture, by name."""
    out = {
        "rate_hz": part.rate_hz,
        "duration_s": part.signal.n / part.rate_hz,
        "n_events": float(part.events.n),
        "complete": float(part.events.complete.sum()),
    }
    for row, role in enumerate(part.signal.roles):
        x = part.signal.data[row]
        low, middle, high = np.quantile(thin(x), [0.001, 0.5, 0.999])
        top, bottom = rail_share(x, float(x.max())), rail_share(x, float(x.min()))
        out |= {
            f"swing:{role}": float(high - low),
            f"middle:{role}": float(middle),
            f"mean:{role}": float(x.mean()),
            f"low:{role}": float(low),
            f"high:{role}": float(high),
            f"noise:{role}": float(part.signal.noise[row]),
            f"step:{role}": float(part.signal.step[row]),
            f"top_share:{role}": top[0],
            f"top_run:{role}": top[1],
            f"bottom_share:{role}": bottom[0],
            f"bottom_run:{role}": bottom[1],
        } | _near(x, role)
        if part.grid.shape[0] >= 3:
            out |= _hits(x, part, row, role)
    if part.signal.overload is not None:
        out["overload_share"] = float(part.signal.overload.mean())
    return out


def _near(x: Floats, role: str) -> dict[str, float]:
    """Share of the samples within 3 % of the range of either extreme: how much it rests there."""
    low, high = float(x.min()), float(x.max())
    margin = 0.03 * (high - low)
    return {
        f"top_near:{role}": float(np.mean(x >= high - margin)),
        f"bottom_near:{role}": float(np.mean(x <= low + margin)),
    }


def _hits(x: Floats, part: Cut, row: int, role: str) -> dict[str, float]:
    """Share of the gridded events that reach exactly the recording's extreme, top and bottom."""
    first = np.clip(part.events.start[part.picked].astype(np.int64), 0, x.size - 1)
    last = np.clip(part.events.stop[part.picked].astype(np.int64), first + 1, x.size)
    top, bottom = x.max(), x.min()
    pairs = [
        (x[a:b].max() == top, x[a:b].min() == bottom) for a, b in zip(first, last, strict=True)
    ]
    high, low = np.mean(pairs, axis=0)
    return {f"top_hits:{role}": float(high), f"bottom_hits:{role}": float(low)}


def rail_share(x: Floats, rail: float) -> tuple[float, float]:
    """Share of the samples of x (n,) that sit exactly on `rail`, and their typical run length.

    A signal that only touches its extreme does so for a sample or two; a clipped one stays.
    """
    on = x == rail
    count = int(on.sum())
    runs = int(np.count_nonzero(on[1:] & ~on[:-1]) + on[0])
    return count / x.size, count / max(runs, 1)
