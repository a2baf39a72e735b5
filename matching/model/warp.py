"""Dynamic time warping of typical events: level, shape and timing apart, in good spreads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching import dtw
from matching.grid import rebin
from matching.tools import Bools, Floats, Ints

WARP_POINTS = 256
NEAREST = 3
VIEWS = ("warp:level", "warp:shape", "warp:timing")


@dataclass(frozen=True, slots=True, eq=False)
class WarpSpace:
    """level, shape: (rows, channels, WARP_POINTS) reference events, scaled; NaN where missing.

    scale: (contexts, channels) good spread that levels are divided by; medoid: row index of the
    most typical good reference per context, -1 for none; radius in points.
    """

    level: Floats
    shape: Floats
    scale: Floats
    medoid: np.ndarray
    radius: int


def shrink(grids: Floats) -> Floats:
    """Events (rows, channels, points) at WARP_POINTS points by block means."""
    return rebin(grids, WARP_POINTS)


def fit_warp(grids: Floats, good: Bools, context: Ints, n_contexts: int, warp: float) -> WarpSpace:
    """The warp space of references with typical events grids (rows, channels, points).

    warp: band radius as a share of the event.
    """
    small = shrink(grids)
    scale = np.ones((n_contexts, small.shape[1]))
    whole = np.isfinite(small).all(axis=(1, 2))
    for c in range(n_contexts):
        rows = small[whole & good & (context == c)]
        if rows.shape[0] >= 2:
            spread = 1.4826 * np.median(np.abs(rows - np.median(rows, axis=0)), axis=0)
            size = np.ptp(np.median(rows, axis=0), axis=1)
            scale[c] = np.maximum(np.sqrt((spread**2).mean(axis=1)), 0.01 * size + 1e-12)
    radius = max(1, round(warp * WARP_POINTS))
    level = small / scale[context][:, :, None]
    medoid = np.full(n_contexts, -1)
    for c in range(n_contexts):
        rows = np.flatnonzero(whole & good & (context == c))
        if rows.size:
            medoid[c] = rows[dtw.medoid(np.ascontiguousarray(level[rows]), radius)]
    return WarpSpace(level, z_shape(small), scale, medoid, radius)


def z_shape(small: Floats) -> Floats:
    """Events z-normalised per channel; a flat channel becomes zeros."""
    centred = small - small.mean(axis=2, keepdims=True)
    size = small.std(axis=2, keepdims=True)
    return centred / np.maximum(size, 1e-6 * np.nanmax(np.abs(small), initial=0.0) + 1e-12)


def distances(space: WarpSpace, mine: Floats, known: Floats) -> Floats:
    """Warped distances (n, m) per point between scaled events, 0 .. ; NaN for missing ones."""
    out = np.full((mine.shape[0], known.shape[0]), np.nan)
    a = np.flatnonzero(np.isfinite(mine).all(axis=(1, 2)))
    b = np.flatnonzero(np.isfinite(known).all(axis=(1, 2)))
    if a.size and b.size:
        length = mine.shape[1] * mine.shape[2]
        table = dtw.matrix(
            np.ascontiguousarray(mine[a]), np.ascontiguousarray(known[b]), space.radius
        )
        out[np.ix_(a, b)] = table / np.sqrt(length)
    return out


def lag(space: WarpSpace, mine: Floats, medoid: Floats) -> Floats:
    """Timing shift (WARP_POINTS,) of one event against the medoid, as a share of the event.

    Where the warping path leaves the diagonal: positive where the capture comes later.
    """
    path = dtw.path(mine, medoid, space.radius)
    shift = (path[:, 0] - path[:, 1]) / WARP_POINTS
    total = np.bincount(path[:, 1], weights=shift, minlength=WARP_POINTS)
    count = np.bincount(path[:, 1], minlength=WARP_POINTS)
    return total / np.maximum(count, 1)


@dataclass(frozen=True, slots=True, eq=False)
class Warped:
    """Rows against the references of their own context: (rows, references) NaN elsewhere."""

    level: Floats
    shape: Floats
    timing: Floats


def warp_rows(space: WarpSpace, grids: Floats, context: Ints, known_context: Ints) -> Warped:
    """Distances of events grids (rows, channels, points) to every reference of their context."""
    small = shrink(grids)
    level = small / space.scale[context][:, :, None]
    shape = z_shape(small)
    table_level = np.full((grids.shape[0], space.level.shape[0]), np.nan)
    table_shape = table_level.copy()
    timing = np.full(grids.shape[0], np.nan)
    for c in np.unique(context):
        mine = np.flatnonzero(context == c)
        known = np.flatnonzero(known_context == c)
        table_level[np.ix_(mine, known)] = distances(space, level[mine], space.level[known])
        table_shape[np.ix_(mine, known)] = distances(space, shape[mine], space.shape[known])
        centre = space.medoid[c]
        for i in mine:
            if centre >= 0 and np.isfinite(shape[i]).all():
                timing[i] = np.abs(lag(space, shape[i], space.shape[centre])).mean()
    return Warped(table_level, table_shape, timing)


def warp_views(warped: Warped, allowed: Bools) -> Floats:
    """Log views (rows, 3): mean distance to the nearest allowed good references, and timing.

    allowed: bool (rows, references), the good references a row may be compared with.
    """
    parts = [np.log(_nearest(t, allowed)) for t in (warped.level, warped.shape)]
    return np.column_stack((*parts, np.log(warped.timing + 0.002)))


def _nearest(table: Floats, allowed: Bools) -> Floats:
    usable = np.where(allowed & np.isfinite(table), table, np.inf)
    nearest = np.sort(usable, axis=1)[:, :NEAREST]
    finite = np.isfinite(nearest)
    total = np.where(finite, nearest, 0.0).sum(axis=1)
    count = finite.sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan) + 1e-9
