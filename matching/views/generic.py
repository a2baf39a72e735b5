"""Numbers that any system's capture gives: levels, slopes, event sizes, regularity, harmonics.

Each name is `group:channel:what`; the group is one of `refdb.cards.GROUPS`. A name ending in `~`
is a positive size that is compared as a logarithm.
"""

from __future__ import annotations

import numpy as np

from matching.measurements import Cut
from matching.tools import Floats, thin
from matching.views.train import train

_LEVELS = (0.001, 0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99, 0.999)
HARMONICS = 12


def generic_numbers(cut: Cut) -> dict[str, float]:
    """All generic numbers of one cut capture, by name. Values may be absent, never NaN."""
    out: dict[str, float] = {}
    for row, role in enumerate(cut.signal.roles):
        x = cut.signal.data[row]
        out |= _levels(x, role)
        out |= _sizes(x, role)
        if cut.grid.shape[0]:
            grid = cut.grid[:, row].astype(np.float64)
            out |= _event_numbers(grid, role, x)
            out |= _slopes(grid, role)
            out |= _harmonics(grid, role)
    if len(cut.signal.roles) == 2:
        out |= _pair(cut)
    out |= _timing(cut)
    return {name: float(v) for name, v in out.items() if np.isfinite(v)}


def _levels(x: Floats, role: str) -> dict[str, float]:
    quantiles = np.quantile(thin(x), _LEVELS)
    return {f"level:{role}:q{100 * q:g}": v for q, v in zip(_LEVELS, quantiles, strict=True)}


def _sizes(x: Floats, role: str) -> dict[str, float]:
    low, high = np.quantile(thin(x), [0.001, 0.999])
    return {
        f"level:{role}:mean": x.mean(),
        f"level:{role}:rms~": x.std(),
        f"level:{role}:span~": high - low,
    }


def _event_numbers(grid: Floats, role: str, x: Floats) -> dict[str, float]:
    """Per-event size, place and fit to the capture's own usual event; grid (events, points)."""
    usual = np.median(grid, axis=0)
    scale = max(float(np.std(usual)), 1e-9 * float(np.abs(usual).max()), 1e-12)
    high, low, mid = grid.max(axis=1), grid.min(axis=1), grid.mean(axis=1)
    residual = np.sqrt(np.mean((grid - usual) ** 2, axis=1))
    points = grid.shape[1]
    values = {"top": high, "bottom": low, "mean": mid, "residual": residual}
    out = {
        f"level:{role}:event-top": np.median(high),
        f"level:{role}:event-bottom": np.median(low),
        f"level:{role}:event-span~": np.median(high - low),
        f"level:{role}:event-rms~": np.median(grid.std(axis=1)),
        f"timing:{role}:top-at": np.median(np.argmax(grid, axis=1)) / points,
        f"timing:{role}:bottom-at": np.median(np.argmin(grid, axis=1)) / points,
        f"regularity:{role}:residual~": np.median(residual) / scale,
    }
    for name, series in values.items():
        numbers = train(series, scale)
        out |= {f"regularity:{role}:{name}-{k}": v for k, v in numbers.items()}
    if grid.shape[0] >= 3:
        out[f"regularity:{role}:worst~"] = residual.max() / scale
        worst_point = np.abs(grid - usual).max(axis=1) / scale
        out[f"regularity:{role}:worst-point~"] = worst_point.max()
        out[f"regularity:{role}:usual-point~"] = np.median(worst_point)
    return out


def _slopes(grid: Floats, role: str) -> dict[str, float]:
    """Quantiles of the absolute slope on the event grid: rate does not enter, but size does, so
    that they are levels and no shape."""
    steps = np.abs(np.diff(grid, axis=1)).ravel()
    quantiles = np.quantile(thin(steps), (0.5, 0.9, 0.99))
    return {
        f"level:{role}:slope{int(100 * q)}~": v
        for q, v in zip((0.5, 0.9, 0.99), quantiles, strict=True)
    }


def _harmonics(grid: Floats, role: str) -> dict[str, float]:
    """Relative amplitude of the first harmonics of the usual event; starting point is free."""
    usual = np.median(grid, axis=0)
    size = np.abs(np.fft.rfft(usual - usual.mean()))[1 : HARMONICS + 1]
    total = float(np.sqrt(np.sum(size**2)))
    if total <= 0:
        return {}
    return {f"spectrum:{role}:h{k + 1}": np.log(s / total + 0.01) for k, s in enumerate(size)}


def _pair(cut: Cut) -> dict[str, float]:
    a, b = cut.signal.data
    first, second = thin(a), thin(b)
    out = {}
    for q, v in zip((0.01, 0.5, 0.99), np.quantile(first - second, (0.01, 0.5, 0.99)), strict=True):
        out[f"level:pair:difference-q{100 * q:g}"] = v
    for q, v in zip((0.01, 0.5, 0.99), np.quantile(first + second, (0.01, 0.5, 0.99)), strict=True):
        out[f"level:pair:sum-q{100 * q:g}"] = v
    spread = float(np.std(first) * np.std(second))
    if spread > 0:
        out["shape:pair:correlation"] = (
            np.mean((first - first.mean()) * (second - second.mean())) / spread
        )
    return out


def _timing(cut: Cut) -> dict[str, float]:
    """Distances of the events' anchors, absolute and from one to the next."""
    anchor = cut.events.anchor
    if anchor.size < 2:
        return {}
    period = np.diff(anchor) / cut.rate_hz
    usual = float(np.median(period))
    if usual <= 0:
        return {}
    out = {"timing:events:period~": usual}
    out |= {f"regularity:events:period-{k}": v for k, v in train(period, usual).items()}
    lengths = (cut.events.stop - cut.events.start) / cut.rate_hz
    out["timing:events:length~"] = float(np.median(lengths))
    return out
