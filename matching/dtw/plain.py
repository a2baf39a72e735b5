"""What the vector loops of ``lanes`` do, as plain loops: their description and stand-in.

Lane arrays are (..., W): W candidates side by side. All 16-bit sums and differences saturate.
"""

from __future__ import annotations

import numpy as np

WIDE16 = 32
"""Lanes of the 16-bit sweep: two registers of 16, enough independent work to hide latency."""

WIDE64 = 16
"""Lanes of the float64 sweep: four registers of 4."""

CHUNK = 32
"""Samples per partial sum of LB_Keogh: how fine the early abandoning can look ahead."""

TOP16 = 32767
"""Stands for infinity in 16 bits: saturating sums stay there."""


def _cost(a: int, b: int) -> int:
    d = min(TOP16, max(-TOP16 - 1, int(a) - int(b)))
    d = min(TOP16, max(-TOP16 - 1, 4 * d))
    return (d * d) >> 16


def sweep_f64(table, extra, other, value, start, stop):
    """One row of the table of accumulated costs, for all lanes, in place.

    Parameters: table (L + 1, W) float64, slot j + 1 holds cell j of the row above and receives
    that of this row, slot 0 the way in; extra (L, W) cost of the other channels, or None; other
    (L, W) candidates; value, the query's sample of this row; start, stop: columns of the band.
    """
    diagonal, left = table[start].copy(), np.full(table.shape[1], np.inf)
    for j in range(start, stop):
        cost = (other[j] - value) * (other[j] - value)
        if extra is not None:
            cost = extra[j] + cost
        up = table[j + 1].copy()
        left = np.minimum(np.minimum(diagonal, up), left) + cost
        table[j + 1], diagonal = left, up


def sweep_i16(table, extra, other, value, start, stop):
    """The same in 16-bit saturating counts; all arrays int16."""
    lanes = table.shape[1]
    diagonal, left = [int(v) for v in table[start]], [TOP16] * lanes
    for j in range(start, stop):
        for w in range(lanes):
            cost = _cost(other[j, w], value)
            if extra is not None:
                cost = min(TOP16, cost + int(extra[j, w]))
            up = int(table[j + 1, w])
            left[w] = min(TOP16, min(diagonal[w], up, left[w]) + cost)
            table[j + 1, w] = left[w]
            diagonal[w] = up


def add_f64(sums, other, value, start, stop):
    """sums[j] += (other[j] - value)^2 for the columns start..stop-1, all lanes."""
    for j in range(start, stop):
        sums[j] += (other[j] - value) * (other[j] - value)


def add_i16(sums, other, value, start, stop):
    """The same in 16-bit saturating counts."""
    for j in range(start, stop):
        for w in range(sums.shape[1]):
            sums[j, w] = min(TOP16, int(sums[j, w]) + _cost(other[j, w], value))


def least_i16(table, out, start, stop):
    """out[w] = smallest of the cells start..stop-1 (slots + 1) in lane w; TOP16 if none."""
    out[:] = table[start + 1 : stop + 1].min(axis=0, initial=TOP16)


def turn_i16(rows, lanes, first, length):
    """lanes[i, first + u] = rows[u, i] for eight rows; length is a multiple of 8."""
    lanes[:length, first : first + 8] = rows[:, :length].T


def excess_i16(over, under, low, high, sums, chunks):
    """sums[m] += sum over the samples of chunk m of max(over - high, low - under, 0)^2.

    over, under, low, high: (CHUNK * chunks,) int16; differences saturate; sums (chunks,) float32.
    """
    above = np.minimum(over.astype(np.int32) - high, TOP16)
    below = np.minimum(low.astype(np.int32) - under, TOP16)
    excess = np.maximum(np.maximum(above, below), 0).astype(np.float32)
    sums += (excess * excess).reshape(chunks, -1).sum(axis=1, dtype=np.float32)


def units_i16(codes, centre, clip, shift, factor, out, length):
    """out = code - centre, clipped to +-clip, times 2^shift times factor / 2^15, rounded.

    codes, out: (length,) int16, length a multiple of 16; factor in 0..32767.
    """
    x = np.clip(codes.astype(np.int64) - centre, -clip, clip) << shift
    out[:] = (x * factor + (1 << 14)) >> 15
