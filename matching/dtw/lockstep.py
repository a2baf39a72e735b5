"""Compiled warping of many candidates in lock step: the 16-bit filter and the exact distances.

``hunt`` takes 32 candidates at a time through the 16-bit sweep, gives a group up when none of it
can still be near enough, and computes what is left in float64, 16 at a time, bit for bit what
``kernels.squared`` gives.

Why the 16-bit count never rules out a true neighbour: codes of query and candidate (``tables``)
are moved and scaled alike to units of s, so that a difference of two is wrong by at most e units
(half a code each, scaled, and half a unit each); clipping only makes it smaller; costs are
rounded down. Let T be the largest distance still of interest and n <= 2L - 1 the cells of a path.
A path of true cost <= T^2 has, by the triangle inequality of the Euclidean norm over its n * C
differences, a rounded cost of at most (T/s + e sqrt(n C))^2, which the sweep counts in lots of
4096. Whatever counts more is too far. The same holds when the end of the path is replaced by a
lower bound of its true cost.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from .kernels import squared_lanes
from .lanes import add_i16, least_i16, sweep_i16, turn_i16, units_i16
from .plain import CHUNK, TOP16, WIDE16, WIDE64
from .tables import PROFILE, padded

UNITS = 10_700.0
"""Rounding units in the limit distance: its square / 4096 is 27 952, below the 32 767 where 16
bits saturate, with room for the rounding margin of long series."""

SATURATED = 8192.0
"""Difference (units) whose cost saturates: clipping samples this far outside the query is free."""


class Scale(NamedTuple):
    """How codes become units: (code - centre) clipped to +-clip, times 2^shift times factor/2^15.

    gain: that product, units per code; distance: the limit distance, in codes, it is made for.
    """

    centre: int
    clip: int
    shift: int
    factor: int
    gain: float
    distance: float


class Scratch(NamedTuple):
    """Work arrays of one thread for series of C channels and L samples."""

    lanes16: np.ndarray  # (C, P, 32) int16, P samples: L padded as in the tables
    table16: np.ndarray  # (L + 1, 32) int16
    extra16: np.ndarray  # (L, 32) int16
    rest16: np.ndarray  # (M + 1, 32) int16
    rows16: np.ndarray  # (8, P) int16
    query16: np.ndarray  # (C, P) int16
    least16: np.ndarray  # (32,) int16
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
    wide = padded(length)
    return Scratch(
        _aligned((channels, wide, WIDE16), np.int16),
        _aligned((length + 1, WIDE16), np.int16),
        _aligned((length, WIDE16), np.int16),
        _aligned((chunks + 1, WIDE16), np.int16),
        _aligned((8, wide), np.int16),
        _aligned((channels, wide), np.int16),
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
def _scale_for(codes, distance):
    """The Scale that fits a limit distance (in codes), for a query's codes (C, P).

    The limit becomes UNITS, or fewer when the query's own range would not fit 16 bits.
    """
    low, high = int(codes.min()), int(codes.max())
    reach = 0.5 * (high - low)
    gain = min(UNITS / max(distance, 1e-3), (TOP16 - SATURATED) / max(reach, 1.0))
    shift = 0
    while shift < 10 and 2.0**shift < gain:
        shift += 1
    factor = min(int(gain / 2.0**shift * 32768.0), TOP16)
    if shift > 0 and reach * gain + SATURATED > factor:
        # Shifting that far would clip what matters: the next coarser unit keeps all 16 bits.
        shift, factor = shift - 1, TOP16
    gain = factor * 2.0**shift / 32768.0
    return Scale((low + high) // 2, TOP16 >> shift, shift, factor, gain, distance)


@njit(nogil=True, cache=True)
def _limit(scale, terms):
    """Largest count of a candidate within the limit distance; TOP16 means: cannot tell.

    Parameters: terms, the most differences on a path.
    """
    worst = scale.distance * scale.gain * (1.0 + 1e-9) + (1.0 + scale.gain) * np.sqrt(terms)
    return np.int16(min(worst * worst / 4096.0, float(TOP16)))


@njit(nogil=True, cache=True)
def _scaled(codes, scale, out):
    """Codes (P,) to units; see ``Scale``."""
    units_i16(
        codes, np.int16(scale.centre), np.int16(scale.clip), np.int16(scale.shift),
        np.int16(scale.factor), out, codes.shape[0],
    )  # fmt: skip


@njit(nogil=True, cache=True)
def _spread(row, lane, out):
    for i in range(row.shape[0]):
        out[i, lane] = row[i]


@njit(nogil=True, cache=True)
def _load16(codes, group, scale, rows, lanes):
    """Put the 32 references of a group into the 16-bit lanes."""
    for c in range(lanes.shape[0]):
        for lane in range(WIDE16):
            n = group[lane]
            _scaled(codes[n, PROFILE, c], scale, rows[lane % 8])
            if lane % 8 == 7:
                turn_i16(rows, lanes[c], lane - 7, lanes.shape[1])


@njit(nogil=True, cache=True)
def _load_rest(rest, lane, gain, out):
    """Bounds on what is still to come, in counts, rounded down, into a lane of out (M + 1, 32)."""
    per = np.float32(gain * gain / 4096.0 * (1.0 - 1e-6))
    for m in range(rest.shape[0]):
        out[m, lane] = np.int16(min(rest[m] * per, np.float32(TOP16)))


@njit(nogil=True, cache=True)
def _all_far(least, rest, limit):
    """No lane can end within the limit, given its smallest cell and what must still come.

    A limit of TOP16 cannot tell and nobody is far, hence the saturating sum.
    """
    within = 0
    for lane in range(WIDE16):
        total = min(np.int32(least[lane]) + np.int32(rest[lane]), np.int32(TOP16))
        within += int(total <= limit)
    return within == 0


@njit(nogil=True, cache=True)
def _warp16(query, lanes, radius, rest, limit, table, least):
    """Sweep the rows; how many were done. Fewer than L: no lane can end within the limit."""
    length = table.shape[0] - 1
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
    length, last = table.shape[0] - 1, query.shape[0] - 1
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
def _warp_group(group, places, rest, codes, scale, limit, radius, work):
    """One group of 32 through the 16-bit sweep; how many rows were done.

    group (32,) reference ids; places (32,) where in rest they stand.
    """
    query, lanes, table = work.query16, work.lanes16, work.table16
    _load16(codes, group, scale, work.rows16, lanes)
    for lane in range(WIDE16):
        _load_rest(rest[places[lane]], lane, scale.gain, work.rest16)
    if query.shape[0] == 1:
        return _warp16(query[0], lanes[0], radius, work.rest16, limit, table, work.least16)
    return _warp16_channels(
        query, lanes, radius, work.rest16, limit, table, work.least16, work.extra16
    )


@njit(nogil=True, cache=True)
def _rescale(profile, distance, work):
    """A new Scale for a limit distance in codes, with the query put into its units."""
    scale = _scale_for(profile, distance)
    for c in range(profile.shape[0]):
        _scaled(profile[c], scale, work.query16[c])
    return scale


@njit(nogil=True, cache=True)
def _next_group(it, at, limit, group, places):
    """Fill group and places from position at of the order; how many are within the limit.

    Spare lanes repeat the first candidate, so that they neither hold the group up nor end it.
    """
    size = 0
    for lane in range(WIDE16):
        here = at + lane
        if here < it.order.shape[0] and it.bound[it.order[here]] <= limit:
            size = lane + 1
            places[lane] = it.order[here]
        else:
            places[lane] = places[0]
        group[lane] = it.ids[places[lane]]
    return size


class Hunt(NamedTuple):
    """What a hunt looks for, and among whom.

    query (C, L) float64; profile (C, P) int16, its codes; refs (N, C, L) float64; codes
    (N, 3, C, P) int16; step, unit of the samples per code; radius, samples; ids (n,) the
    candidates; bound (n,) their lower bounds, rest (n, M + 1) bounds on what is still to come,
    both in codes squared; order (n,) places in these by ascending bound.
    """

    query: np.ndarray
    profile: np.ndarray
    refs: np.ndarray
    codes: np.ndarray
    step: float
    radius: int
    ids: np.ndarray
    bound: np.ndarray
    rest: np.ndarray
    order: np.ndarray


@njit(nogil=True, cache=True)
def hunt(it, best, near, work, counts):
    """Find the k nearest among the candidates of a Hunt; they are offered to near.

    Parameters: best (1,) the distance of the k-th nearest so far, shared between threads and only
    ever lowered; counts (3,), added to: lanes warped, rows warped, exact distances.
    """
    query, codes, rest, length = it.query, it.codes, it.rest, it.query.shape[1]
    table, terms = work.table16, (2 * length - 1) * query.shape[0]
    group, places = np.empty(WIDE16, dtype=np.int64), np.empty(WIDE16, dtype=np.int64)
    pending = np.empty(WIDE16 + WIDE64, dtype=np.int64)
    waiting = 0
    scale = _rescale(it.profile, best[0] / it.step, work)
    for at in range(0, it.order.shape[0], WIDE16):
        best[0] = min(best[0], near.distances[-1])
        distance = best[0] / it.step
        if scale.distance != distance:
            scale = _rescale(it.profile, distance, work)
        size = _next_group(it, at, distance * distance * (1.0 + 1e-9), group, places)
        if size == 0:
            break
        limit = _limit(scale, terms)
        rows = _warp_group(group, places, rest, codes, scale, limit, it.radius, work)
        counts[0] += size
        counts[1] += rows
        if rows < length:
            continue
        for lane in range(size):
            if table[length, lane] <= limit:
                pending[waiting] = group[lane]
                waiting += 1
        while waiting >= WIDE64:
            waiting -= WIDE64
            exact(query, it.refs, pending[waiting : waiting + WIDE64], it.radius, near, work)
            counts[2] += WIDE64
    exact(query, it.refs, pending[:waiting], it.radius, near, work)
    counts[2] += waiting
    best[0] = min(best[0], near.distances[-1])
