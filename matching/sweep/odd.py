"""Each event against the recording's own usual event, which follows slow drift.

Per grid point the usual is the running median of the neighbouring events and its spread the
running median absolute deviation: a few odd events move neither, a warming engine or a slow
change of speed moves both along. An event's oddness is looked at over the whole window (`shape`)
and in its worst part (`place`). A third look, at what principal components leave unexplained, found
more but broke the promise: 11 of 80 healthy recordings of 1 000 events had a false alarm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from matching.model.spread import compress
from matching.sweep.cut import POINTS, Batch
from matching.tools import Floats

# Events on either side that make the usual one: enough for a median to stand within 14 % of the
# spread (1.25 / sqrt(81)), few enough to follow drift. Common practice, no source.
HALF = 40
# The running usual is worked out at every so many events and interpolated between.
STRIDE = 16
CHUNK = 512
PARTS = 16
# Grids of so many events are kept for a picture.
KEPT = 48
# The least spread of a grid point, as a share of the usual event's swing: a signal without noise
# repeats no better than its instrument (accuracy class of a bench instrument; from memory).
LEAST_SPREAD = 0.01


class GoodLike(Protocol):
    """What gives each event its stray against good references (see `matching.sweep.good`)."""

    def strays(self, grid: np.ndarray) -> Floats: ...


@dataclass(frozen=True, slots=True, eq=False)
class Oddness:
    """All events of a recording, in order, as columns (n,); n events.

    anchor, start, stop: samples.  shape, place: scores.  channel, first, last: where it is
    oddest, grid points first to last; size: by how much, in the channel's unit.  inside: rms of the
    difference over the window in that channel; outside: of the strips beside it, NaN if unknown.
    good: stray against the good references, NaN without.
    """

    anchor: Floats
    start: Floats
    stop: Floats
    shape: Floats
    place: Floats
    channel: Floats
    first: Floats
    last: Floats
    size: Floats
    inside: Floats
    outside: Floats
    good: Floats

    @property
    def n(self) -> int:
        return int(self.anchor.size)


COLUMNS = tuple(Oddness.__dataclass_fields__)


def running_median(x: Floats, half: int = HALF, stride: int = STRIDE) -> Floats:
    """Median of x (n, ...) over 2 half + 1 neighbours along the first axis, shortened at the
    ends; worked out at every `stride`-th event and interpolated. NaN entries are left out."""
    n = x.shape[0]
    if n == 0:
        return x.astype(np.float64)
    knots = np.unique(np.append(np.arange(0, n, stride), n - 1))
    middle = np.nanmedian if np.isnan(x).any() else np.median
    values = np.stack([middle(x[max(k - half, 0) : k + half + 1], axis=0) for k in knots])
    right = np.clip(np.searchsorted(knots, np.arange(n)), 1, max(knots.size - 1, 1))
    if knots.size == 1:
        return np.repeat(values, n, axis=0)
    left = right - 1
    part = (np.arange(n) - knots[left]) / (knots[right] - knots[left])
    part = part.reshape((n,) + (1,) * (x.ndim - 1))
    return values[left] * (1.0 - part) + values[right] * part


def score(batch: Batch, own: slice) -> dict[str, Floats]:
    """Columns of the events `own` of a batch; the others serve as their neighbours."""
    grid = batch.grid.astype(np.float64)
    all_usual = running_median(grid)
    all_gap = grid - all_usual
    all_spread = 1.4826 * running_median(np.abs(all_gap))
    usual, gap, spread, grid = all_usual[own], all_gap[own], all_spread[own], grid[own]
    z = _beyond(grid, usual) / np.maximum(_widest(spread), _least(usual, batch))
    z = _median3(z)
    part = _parts(z)
    beside = np.maximum(np.median(part, axis=0), 0.5)
    channel, first, last, size = _places(z, gap)
    return {
        "shape": np.sqrt(np.mean(compress(z) ** 2, axis=(1, 2))),
        "place": np.max(part / beside, axis=1),
        "channel": channel,
        "first": first,
        "last": last,
        "size": size,
        "inside": np.sqrt(np.mean(gap**2, axis=2))[np.arange(gap.shape[0]), channel.astype(int)],
        "outside": _outside(batch, own, channel.astype(int)),
    }


def _least(usual: Floats, batch: Batch) -> Floats:
    """The least spread to count with: the instrument's, and a share of the event's swing."""
    swing = np.ptp(usual, axis=2, keepdims=True)
    return np.maximum(batch.floor[:, None], LEAST_SPREAD * swing)


def _beyond(grid: Floats, usual: Floats) -> Floats:
    """How far (n, C, P) lies beyond what the usual takes within one point: edges may shift so."""
    near = np.pad(usual, ((0, 0), (0, 0), (1, 1)), mode="edge")
    three = np.stack((near[:, :, :-2], near[:, :, 1:-1], near[:, :, 2:]))
    above = np.maximum(grid - three.max(axis=0), 0.0)
    return np.where(grid > usual, above, np.minimum(grid - three.min(axis=0), 0.0))


def _widest(spread: Floats) -> Floats:
    near = np.pad(spread, ((0, 0), (0, 0), (1, 1)), mode="edge")
    return np.maximum(np.maximum(near[:, :, :-2], near[:, :, 1:-1]), near[:, :, 2:])


def _median3(z: Floats) -> Floats:
    """Running median of three points: what lasts one point only is a glitch, not a shape."""
    out = z.copy()
    a, b, c = z[:, :, :-2], z[:, :, 1:-1], z[:, :, 2:]
    out[:, :, 1:-1] = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    return out


def _parts(z: Floats) -> Floats:
    """rms of z in each of PARTS parts of the window: (n, channels * PARTS)."""
    n, channels, points = z.shape
    blocks = compress(z).reshape(n, channels * PARTS, points // PARTS)
    return np.sqrt(np.mean(blocks**2, axis=2))


def _places(z: Floats, gap: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Where each event differs most: channel, first and last point, and by how much there."""
    n, _, points = z.shape
    flat = np.abs(z).reshape(n, -1)
    channel, peak = np.divmod(flat.argmax(axis=1), points)
    every = np.arange(n)
    row = z[every, channel]
    top = row[every, peak]
    over = (row * np.sign(top)[:, None] > 0.5 * np.abs(top)[:, None]) & (top != 0)[:, None]
    index = np.arange(points)
    left = np.where(~over & (index <= peak[:, None]), index, -1).max(axis=1) + 1
    right = np.where(~over & (index >= peak[:, None]), index, points).min(axis=1) - 1
    own = np.abs(gap[every, channel]) * ((index >= left[:, None]) & (index <= right[:, None]))
    size = gap[every, channel, own.argmax(axis=1)]
    return channel.astype(float), left.astype(float), right.astype(float), size


def _outside(batch: Batch, own: slice, channel: np.ndarray) -> Floats:
    """How far the line beside each event is from its usual state there, rms; NaN if unknown.

    Where events follow each other so closely that their neighbours fill the strips, the strips
    say nothing.
    """
    free = batch.start[1:] - batch.stop[:-1]
    length = float(np.median(batch.stop - batch.start))
    if batch.n < 2 or float(np.median(free)) < 0.6 * length:
        return np.full(channel.size, np.nan)
    usual = running_median(batch.strips)
    level = batch.strips[..., 0] - usual[..., 0]
    unrest = np.maximum(batch.strips[..., 1] ** 2 - usual[..., 1] ** 2, 0.0)
    away = np.sqrt(level**2 + unrest)[own]
    away = np.where(np.isfinite(away), away, 0.0).max(axis=1)
    return away[np.arange(channel.size), channel]


def score_all(
    batches: Iterable[Batch], good: GoodLike | None = None
) -> tuple[Oddness, dict[int, np.ndarray], np.ndarray]:
    """Columns of all events; grids of the oddest, by index; and a thinned set of grids (m, C, P).

    Memory: some hundred bytes an event, besides CHUNK grids.
    """
    columns: dict[str, list[Floats]] = {name: [] for name in COLUMNS}
    oddest: list[tuple[float, int, np.ndarray]] = []
    some: list[np.ndarray] = []
    done = 0
    for batch, own in _windows(batches):
        part = score(batch, own)
        grid = batch.grid[own]
        for name in ("anchor", "start", "stop"):
            part[name] = getattr(batch, name)[own]
        part["good"] = good.strays(grid) if good else np.full(grid.shape[0], np.nan)
        for name in COLUMNS:
            columns[name].append(part[name])
        rank = np.maximum(part["shape"] / max(float(np.median(part["shape"])), 1e-9), part["place"])
        for k in np.argsort(-rank)[:KEPT]:
            oddest.append((float(rank[k]), done + int(k), grid[k].copy()))
        oddest = sorted(oddest, key=lambda one: -one[0])[:KEPT]
        some.append(grid[:: max(1, grid.shape[0] // 16)].copy())
        if len(some) > 64:
            some = [np.concatenate(some)[::2]]
        done += grid.shape[0]
    empty = np.zeros(0)
    whole = {name: np.concatenate(parts) if parts else empty for name, parts in columns.items()}
    thinned = np.concatenate(some) if some else np.zeros((0, 1, POINTS), np.float32)
    return Oddness(**whole), {index: grid for _, index, grid in oddest}, thinned


def _windows(batches: Iterable[Batch]) -> Iterator[tuple[Batch, slice]]:
    """Batches joined and cut anew: CHUNK events each with HALF neighbours on both sides."""
    held: list[Batch] = []
    before = 0
    for batch in batches:
        if batch.n:
            held.append(batch)
        if sum(b.n for b in held) - before >= CHUNK + HALF:
            whole = _joined(held)
            own = slice(before, whole.n - HALF)
            yield whole, own
            keep = max(own.stop - HALF, 0)
            held, before = [_rows(whole, slice(keep, None))], own.stop - keep
    if held:
        whole = _joined(held)
        if whole.n > before:
            yield whole, slice(before, whole.n)


def _joined(held: list[Batch]) -> Batch:
    if len(held) == 1:
        return held[0]
    anchor, start, stop, grid, strips = (
        np.concatenate([getattr(b, name) for b in held])
        for name in ("anchor", "start", "stop", "grid", "strips")
    )
    floor = np.median([b.floor for b in held], axis=0)
    return Batch(anchor, start, stop, grid, strips, floor)


def _rows(b: Batch, rows: slice) -> Batch:
    return Batch(b.anchor[rows], b.start[rows], b.stop[rows], b.grid[rows], b.strips[rows], b.floor)
