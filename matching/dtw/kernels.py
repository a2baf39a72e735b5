"""The compiled loops over one pair of series, and over tables of pairs.

Everything here trusts its arguments (``gate`` has checked them), releases the GIL and is kept in
numba's on-disk cache. Two rules decide the shape of the code:

- Cells are visited along anti-diagonals (i + j constant): no cell of a diagonal needs another
  one of the same diagonal, so the loop over it fills the vector registers, which the usual
  row-by-row order cannot do. Every cell is cost + smallest of three neighbours whatever the
  order, so the result is the same to the last bit.
- Each inner loop is a function of its own on slices that start at 0. Written in place the
  compiler silently stops vectorising it (9x slower).

Cell (i, j) of diagonal d = i + j is held at slot i + 1; the slots just outside the band hold
infinity. The second series is reversed, so that both run upward along a diagonal.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from .lanes import add_f64, sweep_f64


@njit(nogil=True, cache=True)
def _first_channel(a, b, before, before2, out):
    """One diagonal of one channel: out[k+1] = (a[k]-b[k])^2 + cheapest way in."""
    for k in range(a.shape[0]):
        d = a[k] - b[k]
        out[k + 1] = d * d + min(min(before[k], before[k + 1]), before2[k])


@njit(nogil=True, cache=True)
def _cost_set(a, b, cost):
    for k in range(a.shape[0]):
        d = a[k] - b[k]
        cost[k] = d * d


@njit(nogil=True, cache=True)
def _cost_add(a, b, cost):
    for k in range(a.shape[0]):
        d = a[k] - b[k]
        cost[k] += d * d


@njit(nogil=True, cache=True)
def _way_in(cost, before, before2, out):
    for k in range(cost.shape[0]):
        out[k + 1] = cost[k] + min(min(before[k], before[k + 1]), before2[k])


@njit(nogil=True, cache=True)
def _diagonal(a, b_reversed, lo, hi, shift, cost, before, before2, out):
    """All channels of the diagonal's cells lo..hi-1; a and b_reversed are (C, L)."""
    before, before2, out = before[lo : hi + 1], before2[lo:hi], out[lo : hi + 1]
    if a.shape[0] == 1:
        _first_channel(a[0, lo:hi], b_reversed[0, lo + shift : hi + shift], before, before2, out)
        return
    cost = cost[: hi - lo]
    _cost_set(a[0, lo:hi], b_reversed[0, lo + shift : hi + shift], cost)
    for c in range(1, a.shape[0]):
        _cost_add(a[c, lo:hi], b_reversed[c, lo + shift : hi + shift], cost)
    _way_in(cost, before, before2, out)


@njit(nogil=True, cache=True)
def squared(a, b_reversed, radius, work):
    """Accumulated squared cost of the best path.

    Parameters: a (C, L); b_reversed (C, L), the other series back to front; radius in samples,
    0..L-1; work (4, L + 2) scratch. Returns the sum of squared differences, unit squared.
    """
    length = a.shape[1]
    work[:3] = np.inf
    before2, before, out = work[0], work[1], work[2]
    before2[0] = 0.0  # the cell before the first one: the only free way in
    for d in range(2 * length - 1):
        lo = max(0, d - length + 1, (d - radius + 1) // 2)
        hi = min(length - 1, d, (d + radius) // 2) + 1
        _diagonal(a, b_reversed, lo, hi, length - 1 - d, work[3], before, before2, out)
        out[lo] = np.inf
        out[hi + 1] = np.inf
        before2, before, out = before, out, before2
    return before[length]


@njit(nogil=True, cache=True)
def squared_lanes(query, lanes, radius, table, extra):
    """Squared costs of a query against W candidates in lock step, left in table[L].

    Parameters: query (C, L); lanes (C, L, W), candidates side by side; radius in samples, 0..L-1;
    table (L + 1, W) and extra (L, W) scratch. Bit for bit what ``squared`` gives for each.
    """
    length, last = query.shape[1], query.shape[0] - 1
    table[:] = np.inf
    table[0] = 0.0
    for i in range(length):
        start, stop = max(0, i - radius), min(length, i + radius + 1)
        if last == 0:
            sweep_f64(table, None, lanes[0], query[0, i], start, stop)
        else:
            extra[start:stop] = 0.0
            for c in range(last):
                add_f64(extra, lanes[c], query[c, i], start, stop)
            sweep_f64(table, extra, lanes[last], query[last, i], start, stop)
        table[0] = np.inf  # only the first row may start a path


@njit(nogil=True, cache=True)
def squared_rows(a, blocks, radius, same, rows, out):
    """Fill rows of the table of squared costs of every a[i] against every candidate.

    Parameters: a (nA, C, L); blocks (n, C, L, W), the candidates in groups of W; rows: which
    rows of out to fill; same: the candidates are a itself, so only what lies beyond the diagonal
    is computed, and mirrored. out (nA, nB).
    """
    wide = blocks.shape[3]
    table = np.empty((a.shape[2] + 1, wide))
    extra = np.empty((a.shape[2], wide))
    for i in rows:
        for block in range((i + 1) // wide if same else 0, blocks.shape[0]):
            squared_lanes(a[i], blocks[block], radius, table, extra)
            _take_row(table[a.shape[2]], i, block * wide, same, out)


@njit(nogil=True, cache=True)
def _take_row(costs, i, first, same, out):
    for lane in range(min(costs.shape[0], out.shape[1] - first)):
        j = first + lane
        if not same:
            out[i, j] = costs[lane]
        elif j > i:
            out[i, j] = costs[lane]
            out[j, i] = costs[lane]


@njit(nogil=True, cache=True)
def accumulate(a, b, radius, table):
    """Fill table (L + 1, 2*radius + 3) with accumulated costs in band layout.

    Cell (i, j) is table[i + 1, j - i + radius + 1]; outside the band is infinity. With the band
    sheared straight, the diagonal predecessor has the same column, (i-1, j) the next column and
    (i, j-1) the one before. Memory is L x band, not L x L. For the path only.
    """
    channels, length = a.shape
    table[:] = np.inf
    table[0, radius + 1] = 0.0
    for i in range(length):
        for j in range(max(0, i - radius), min(length, i + radius + 1)):
            cost = 0.0
            for c in range(channels):
                d = a[c, i] - b[c, j]
                cost += d * d
            k = j - i + radius + 1
            table[i + 1, k] = cost + min(table[i, k], table[i, k + 1], table[i + 1, k - 1])


@njit(nogil=True, cache=True)
def walk_back(table, radius, steps):
    """Write the path into steps (2*L, 2) from its end backwards; returns the first used row.

    Of equally cheap ways in the diagonal one is taken, then (i-1, j), then (i, j-1).
    """
    i = j = table.shape[0] - 2
    at = steps.shape[0]
    while True:
        at -= 1
        steps[at, 0] = i
        steps[at, 1] = j
        if i == 0 and j == 0:
            return at
        k = j - i + radius + 1
        diagonal, up, left = table[i, k], table[i, k + 1], table[i + 1, k - 1]
        if diagonal <= up and diagonal <= left:
            i -= 1
            j -= 1
        elif up <= left:
            i -= 1
        else:
            j -= 1
