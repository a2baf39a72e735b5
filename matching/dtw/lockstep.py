"""Compiled warping of many candidates in lock step: the 16-bit filter and the exact distances.

``hunt`` takes 32 candidates at a time through the 16-bit sweep, gives a group up when none of it
can still be near enough, and computes what is left in float64, 16 at a time, bit for bit what
``kernels.squared`` gives.

Why the 16-bit count never rules out a true neighbour: samples are centred, divided by a unit s
and rounded, so that a difference of two is wrong by at most e units; costs are rounded down. Let
T be the largest distance still of interest and n <= 2L - 1 the cells of a path. A path of true
cost <= T^2 has, by the triangle inequality of the Euclidean norm over its n * C differences, a
rounded cost of at most (T/s + e sqrt(n C))^2, which the sweep counts in lots of 4096. Whatever
counts more is too far. The same holds when the end of the path is replaced by a lower bound of
its true cost.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from .bounds import CHUNK
from .kernels import squared_lanes
from .lanes import TOP16, WIDE16, WIDE64, add_i16, least_i16, sweep_i16

UNITS = 10_700.0
"""Rounding units in the limit distance: its square / 4096 is 27 952, below the 32 767 where 16
bits saturate, with room for the rounding margin of long series."""

SATURATED = 8192.0
"""Difference (units) whose cost saturates: clipping samples this far outside the query is free."""


class Scale(NamedTuple):
    """How samples become 16-bit units: (value - centre) / unit, for a limit distance."""

    centre: float
    unit: float
    distance: float


class Scratch(NamedTuple):
    """Work arrays of one thread for series of C channels and L samples."""

    lanes16: np.ndarray  # (C, L, 32) int16
    table16: np.ndarray  # (L + 1, 32) int16
    extra16: np.ndarray  # (L, 32) int16
    rest16: np.ndarray  # (M + 1, 32) int16
    row16: np.ndarray  # (L,) int16
    query16: np.ndarray  # (C, L) int16
    least16: np.ndarray  # (32,) int16
    limit16: np.ndarray  # (32,) int16, the count above which a lane is too far
    lanes64: np.ndarray  # (C, L, 16) float64
    table64: np.ndarray  # (L + 1, 16) float64
    extra64: np.ndarray  # (L, 16) float64


class Near(NamedTuple):
    """The k nearest so far: distances ascending, equal ones by index; infinity where not yet."""

    distances: np.ndarray  # (k,) float64
    ids: np.ndarray  # (k,) int64


def scratch(channels: int, length: int) -> Scratch:
    """Fresh work arrays; 64-byte aligned where the vector sweeps read them."""
    chunks = -(-length // CHUNK)
    return Scratch(
        _aligned((channels, length, WIDE16), np.int16),
        _aligned((length + 1, WIDE16), np.int16),
        _aligned((length, WIDE16), np.int16),
        _aligned((chunks + 1, WIDE16), np.int16),
        _aligned((length,), np.int16),
        _aligned((channels, length), np.int16),
        _aligned((WIDE16,), np.int16),
        _aligned((WIDE16,), np.int16),
        _aligned((channels, length, WIDE64), np.float64),
        _aligned((length + 1, WIDE64), np.float64),
        _aligned((length, WIDE64), np.float64),
    )


def _aligned(shape: tuple[int, ...], kind: type) -> np.ndarray:
    size = int(np.prod(shape)) * np.dtype(kind).itemsize
    raw = np.zeros(size + 64, dtype=np.uint8)
    start = -raw.ctypes.data % 64
    return raw[start : start + size].view(kind).reshape(shape)


@njit(nogil=True, cache=True)
def _scale_for(query, distance):
    """The Scale that fits a limit distance, for a query (C, L) float64.

    The unit is the limit over UNITS, coarser when the query's own range would not fit 16 bits.
    """
    low, high = query.min(), query.max()
    room = TOP16 - SATURATED
    unit = max(max(distance / UNITS, 0.5 * (high - low) / room), 1e-30)
    return Scale(0.5 * (low + high), unit, distance)


@njit(nogil=True, cache=True)
def _limit(scale, error, terms):
    """Largest count of a candidate within the limit distance; TOP16 means: cannot tell.

    Parameters: error, units by which a difference may be wrong; terms, differences on a path.
    """
    worst = scale.distance / scale.unit * (1.0 + 1e-9) + error * np.sqrt(terms)
    return np.int16(min(worst * worst / 4096.0, float(TOP16)))


@njit(nogil=True, cache=True, fastmath={"contract"})
def _to_units(code, gain, shift, out):
    """Round gain * code + shift and clip it; truncation above zero is rounding of the whole."""
    for i in range(code.shape[0]):
        x = np.float32(code[i]) * gain + shift
        x = min(max(x, np.float32(-32767.0)), np.float32(32767.0)) + np.float32(32768.5)
        out[i] = np.int16(np.int32(x) - np.int32(32768))


@njit(nogil=True, cache=True)
def _query_units(query, scale, out):
    for c in range(query.shape[0]):
        for i in range(query.shape[1]):
            out[c, i] = np.int16(np.floor((query[c, i] - scale.centre) / scale.unit + 0.5))


@njit(nogil=True, cache=True)
def _spread(row, lane, out):
    for i in range(row.shape[0]):
        out[i, lane] = row[i]


@njit(nogil=True, cache=True)
def _load16(coded, n, lane, scale, work):
    """Put reference n into a 16-bit lane and set the lane's limit."""
    error = np.float32(0.0)
    for c in range(work.lanes16.shape[0]):
        gain = np.float32(coded.step[n, c] / scale.unit)
        shift = np.float32((coded.offset[n, c] - scale.centre) / scale.unit)
        _to_units(coded.profile[n, c], gain, shift, work.row16)
        _spread(work.row16, lane, work.lanes16[c])
        # Half a unit each for query and candidate, its coding step, and float32 on the way.
        far = abs(shift) + np.float32(TOP16) * gain + np.float32(131072.0)
        error = max(error, np.float32(1.0) + gain + np.float32(2.0**-22) * far)
    terms = (2 * work.row16.shape[0] - 1) * work.lanes16.shape[0]
    work.limit16[lane] = _limit(scale, error, terms)


@njit(nogil=True, cache=True)
def _load_rest(rest, lane, unit, out):
    """Bounds on what is still to come, in counts, rounded down, into a lane of out (M + 1, 32)."""
    per = 1.0 / (4096.0 * unit * unit)
    for m in range(rest.shape[0]):
        out[m, lane] = np.int16(min(rest[m] * per, float(TOP16)))


@njit(nogil=True, cache=True)
def _all_far(least, rest, limit):
    """No lane can end within its limit, given its smallest cell and what must still come.

    A lane whose limit is TOP16 cannot tell and is never far, hence the saturating sum.
    """
    within = 0
    for lane in range(WIDE16):
        total = min(np.int32(least[lane]) + np.int32(rest[lane]), np.int32(TOP16))
        within += int(total <= np.int32(limit[lane]))
    return within == 0


@njit(nogil=True, cache=True)
def _warp16(query, lanes, radius, rest, limit, table, least):
    """Sweep the rows; how many were done. Fewer than L: no lane can end within its limit."""
    length = query.shape[0]
    table[:] = TOP16
    table[0] = 0
    for i in range(length):
        start, stop = max(0, i - radius), min(length, i + radius + 1)
        sweep_i16(table, None, lanes, query[i], start, stop)
        table[0] = TOP16
        if (i + 1) % CHUNK == 0:
            least_i16(table, least, start, stop)
            if _all_far(least, rest[(i + 1) // CHUNK], limit):
                return i
    return length


@njit(nogil=True, cache=True)
def _add_channels(query, lanes, i, start, stop, extra):
    extra[start:stop] = 0
    for c in range(query.shape[0] - 1):
        add_i16(extra, lanes[c], query[c, i], start, stop)


@njit(nogil=True, cache=True)
def _warp16_channels(query, lanes, radius, rest, limit, table, least, extra):
    """``_warp16`` for several channels: the costs of all but the last are summed up first."""
    length, last = query.shape[1], query.shape[0] - 1
    table[:] = TOP16
    table[0] = 0
    for i in range(length):
        start, stop = max(0, i - radius), min(length, i + radius + 1)
        _add_channels(query, lanes, i, start, stop, extra)
        sweep_i16(table, extra, lanes[last], query[last, i], start, stop)
        table[0] = TOP16
        if (i + 1) % CHUNK == 0:
            least_i16(table, least, start, stop)
            if _all_far(least, rest[(i + 1) // CHUNK], limit):
                return i
    return length


@njit(nogil=True, cache=True)
def offer(near, distance, index):
    """Enter a candidate into the k nearest if it belongs there; equal distances by index."""
    at = near.ids.shape[0] - 1
    if distance > near.distances[at] or (distance == near.distances[at] and index > near.ids[at]):
        return
    while at > 0 and (
        distance < near.distances[at - 1]
        or (distance == near.distances[at - 1] and index < near.ids[at - 1])
    ):
        near.distances[at] = near.distances[at - 1]
        near.ids[at] = near.ids[at - 1]
        at -= 1
    near.distances[at] = distance
    near.ids[at] = index


@njit(nogil=True, cache=True)
def exact(query, refs, ids, radius, near, work):
    """Offer the float64 distances of the references ids, 16 at a time, to the k nearest."""
    length = query.shape[1]
    for first in range(0, ids.shape[0], WIDE64):
        group = ids[first : first + WIDE64]
        for lane in range(group.shape[0]):
            for c in range(query.shape[0]):
                _spread(refs[group[lane], c], lane, work.lanes64[c])
        squared_lanes(query, work.lanes64, radius, work.table64, work.extra64)
        for lane in range(group.shape[0]):
            offer(near, np.sqrt(work.table64[length, lane]), group[lane])


@njit(nogil=True, cache=True)
def _warp_group(group, rest, coded, scale, radius, work):
    """One group of up to 32 through the 16-bit sweep; rows done. Spare lanes repeat the first."""
    for lane in range(WIDE16):
        source = lane if lane < group.shape[0] else 0
        _load16(coded, group[source], lane, scale, work)
        _load_rest(rest[source], lane, scale.unit, work.rest16)
    query, lanes, table = work.query16, work.lanes16, work.table16
    if query.shape[0] == 1:
        return _warp16(
            query[0], lanes[0], radius, work.rest16, work.limit16, table, work.least16
        )
    return _warp16_channels(
        query, lanes, radius, work.rest16, work.limit16, table, work.least16, work.extra16
    )


@njit(nogil=True, cache=True)
def hunt(query, refs, coded, radius, order, bound, rest, first, stride, best, near, work, counts):
    """The k nearest among candidates sorted by lower bound.

    Parameters: query (C, L) float64; refs (N, C, L) float64; coded: ``tables.Coded``;
    order (n,) reference ids; bound (n,) ascending squared lower bounds, rest (n, M + 1) bounds on
    what is still to come; first, stride: which groups of 32 this thread takes; best (1,) the
    distance of the k-th nearest so far, shared between threads and only ever lowered; near: what
    is found here; counts (3,): lanes warped, rows warped, exact distances.
    """
    pending = np.empty(WIDE16 + WIDE64, dtype=np.int64)
    waiting = 0
    scale = Scale(0.0, 0.0, -1.0)
    for at in range(first * WIDE16, order.shape[0], stride * WIDE16):
        best[0] = min(best[0], near.distances[-1])
        if scale.distance != best[0]:
            scale = _scale_for(query, best[0])
            _query_units(query, scale, work.query16)
        stop = min(at + WIDE16, order.shape[0])
        limit = scale.distance * scale.distance * (1.0 + 1e-12)
        while stop > at and bound[stop - 1] > limit:
            stop -= 1
        if stop == at:
            break
        rows = _warp_group(order[at:stop], rest[at:stop], coded, scale, radius, work)
        counts[0] += stop - at
        counts[1] += rows
        if rows < query.shape[1]:
            continue
        for lane in range(stop - at):
            if work.table16[rows, lane] <= work.limit16[lane]:
                pending[waiting] = order[at + lane]
                waiting += 1
        full = waiting - waiting % WIDE64
        exact(query, refs, pending[:full], radius, near, work)
        counts[2] += full
        pending[: waiting - full] = pending[full:waiting].copy()
        waiting -= full
    exact(query, refs, pending[:waiting], radius, near, work)
    counts[2] += waiting
    best[0] = min(best[0], near.distances[-1])
