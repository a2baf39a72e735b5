"""Compiled lower bounds: what can be ruled out without warping anything.

Two bounds, both from Keogh and Ratanamahatana 2005, each taken both ways (candidate against the
query's envelope and query against the candidate's envelope; the larger one counts):

- by segment means, from a few numbers per reference laid out segment after segment, so that the
  sieve over all references is one straight read of a small table;
- sample by sample (LB_Keogh), for those that fall through the sieve.

They are computed in float32 and from references rounded to 16 bits. Both errors are given away
beforehand: envelopes are widened by the rounding (``slack``), sums are cut by a relative margin
(``safe``), so that a bound is never above the true float64 distance.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

CHUNK = 16
"""Samples per partial sum of LB_Keogh: how fine the early abandoning can look ahead."""


class Query(NamedTuple):
    """A query as float32 with its envelope, all (C, L), and the float32 rounding of its values."""

    profile: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    slack: float


@njit(nogil=True, cache=True)
def _higher_of(x, shift, n):
    for i in range(n):
        x[i] = max(x[i], x[i + shift])


@njit(nogil=True, cache=True)
def upper_envelope(x, radius, out):
    """Highest value within radius samples of each sample; x, out (C, L). See ``band.envelope``."""
    length, want = x.shape[1], 2 * radius + 1
    window = np.empty(length + 2 * radius)
    for c in range(x.shape[0]):
        window[:] = -np.inf
        window[radius : radius + length] = x[c]
        width = 1
        while width < want:
            step = min(width, want - width)
            width += step
            _higher_of(window, step, length + 2 * radius + 1 - width)
        out[c] = window[:length]


@njit(nogil=True, cache=True)
def _add_excess(mean, low, high, weight, out):
    for n in range(mean.shape[0]):
        excess = max(max(mean[n] - high, low - mean[n]), np.float32(0.0))
        out[n] += weight * excess * excess


@njit(nogil=True, cache=True)
def segment_sieve(means, low, high, weight, out):
    """Squared segment bound of every reference, query's envelope against reference's means.

    Parameters: means (S, N) float32, segment-major; low, high, weight (S,) float32: envelope
    means of the query already widened, and samples per segment; out (N,) float32.
    """
    block = 4096  # stays in the first-level cache while all segments pass over it
    for first in range(0, out.shape[0], block):
        part = out[first : first + block]
        part[:] = 0.0
        for s in range(means.shape[0]):
            _add_excess(means[s, first : first + block], low[s], high[s], weight[s], part)


@njit(nogil=True, cache=True)
def at_most(bounds, limit):
    """Indices of the bounds <= limit, in order, int64."""
    found = np.empty(bounds.shape[0], dtype=np.int64)
    n = 0
    for i in range(bounds.shape[0]):
        found[n] = i
        n += bounds[i] <= limit
    return found[:n].copy()


@njit(nogil=True, cache=True)
def low_cut(bounds, want):
    """A value that at least `want` (<= N) of the bounds do not exceed, and few more.

    Non-negative floats sort like their bit patterns, so a histogram over the leading bits finds
    the place in one pass; sorting 100 000 values would cost more than the whole sieve.
    """
    codes = bounds.view(np.uint32)
    bins = np.zeros(1 << 13, dtype=np.int64)
    for i in range(codes.shape[0]):
        bins[codes[i] >> 19] += 1
    total = 0
    for b in range(bins.shape[0]):
        total += bins[b]
        if total >= want:
            edge = np.empty(1, dtype=np.uint32)
            edge[0] = ((b + 1) << 19) - 1
            return edge.view(np.float32)[0]
    return np.float32(np.inf)


@njit(nogil=True, cache=True)
def segment_distances(means, centre, weight, ids, out):
    """Squared distance of segment means, for guessing who is near. Not a bound."""
    for n in range(ids.shape[0]):
        total = np.float32(0.0)
        for s in range(means.shape[0]):
            d = means[s, ids[n]] - centre[s]
            total += weight[s] * d * d
        out[n] = total


@njit(nogil=True, cache=True, fastmath={"reassoc", "contract"})
def _reverse_segments(envelope_means, centre, weight, slack):
    total = np.float32(0.0)
    for s in range(centre.shape[0]):
        above = centre[s] - envelope_means[s, 1]
        below = envelope_means[s, 0] - centre[s]
        excess = max(max(above, below) - slack, np.float32(0.0))
        total += weight[s] * excess * excess
    return total


@njit(nogil=True, cache=True)
def reverse_sieve(envelope_means, centre, weight, slack, ids, limit):
    """Those of ids whose segment bound the other way (their envelope, query's means) is <= limit.

    Parameters: envelope_means (N, S, 2) float32; centre, weight (S,); slack, unit of the samples.
    """
    kept = np.empty_like(ids)
    n = 0
    for i in ids:
        kept[n] = i
        n += _reverse_segments(envelope_means[i], centre, weight, slack) <= limit
    return kept[:n].copy()


@njit(nogil=True, cache=True)
def _outside_query(code, step, offset, lower, upper, slack, out):
    """Squared excess of a candidate over the query's envelope, added sample by sample."""
    for i in range(code.shape[0]):
        x = offset + step * np.float32(code[i])
        excess = max(max(x - upper[i], lower[i] - x) - slack, np.float32(0.0))
        out[i] += excess * excess


@njit(nogil=True, cache=True)
def _outside_candidate(low, high, step, offset, q, slack, out):
    """Squared excess of the query over a candidate's envelope, added sample by sample."""
    for i in range(low.shape[0]):
        above = q[i] - (offset + step * np.float32(high[i]))
        below = (offset + step * np.float32(low[i])) - q[i]
        excess = max(max(above, below) - slack, np.float32(0.0))
        out[i] += excess * excess


@njit(nogil=True, cache=True, fastmath={"reassoc"})
def _suffix_sums(cost, safe, out):
    """out[m] = safe * (sum of cost from sample CHUNK * m on); cost is padded to whole chunks."""
    total = np.float32(0.0)
    out[out.shape[0] - 1] = total
    for m in range(out.shape[0] - 2, -1, -1):
        part = np.float32(0.0)
        for k in range(CHUNK):
            part += cost[m * CHUNK + k]
        total += part
        out[m] = total * safe


@njit(nogil=True, cache=True)
def _ways(query, coded, n, limit, safe, cost, rows, columns):
    """Suffix sums of both ways for reference n; False when the first way already exceeds limit."""
    cost[:] = 0.0
    for c in range(query.profile.shape[0]):
        step, offset = coded.step[n, c], coded.offset[n, c]
        _outside_query(
            coded.profile[n, c], step, offset, query.lower[c], query.upper[c],
            query.slack + step, cost,
        )  # fmt: skip
    _suffix_sums(cost, safe, columns)
    if columns[0] > limit:
        return False
    cost[:] = 0.0
    for c in range(query.profile.shape[0]):
        step, offset = coded.step[n, c], coded.offset[n, c]
        _outside_candidate(
            coded.lower[n, c], coded.upper[n, c], step, offset, query.profile[c],
            query.slack + step, cost,
        )  # fmt: skip
    _suffix_sums(cost, safe, rows)
    return rows[0] <= limit


@njit(nogil=True, cache=True)
def keogh_both(query, coded, radius, ids, limit, safe, total, rest):
    """LB_Keogh both ways for the references ids; how many of them stay under limit is returned.

    Parameters: query: see above; coded: ``tables.Coded``; radius, samples; ids (n,), replaced
    from the front by those that stay; limit, a squared distance; safe, the factor below 1 that
    makes up for float32 sums. Filled for those that stay: total (n,) the larger bound, squared;
    rest (n, M + 1) float32 the bound on what is still to come when CHUNK * m rows are done: rows
    not yet matched, or columns no row has reached, which the band keeps `radius` ahead.
    """
    chunks = rest.shape[1] - 1
    ahead = (radius + CHUNK - 1) // CHUNK
    cost = np.zeros(chunks * CHUNK, dtype=np.float32)
    rows = np.empty(chunks + 1, dtype=np.float32)
    columns = np.empty(chunks + 1, dtype=np.float32)
    kept = 0
    for n in ids:
        if not _ways(query, coded, n, limit, safe, cost, rows, columns):
            continue
        ids[kept] = n
        total[kept] = max(rows[0], columns[0])
        for m in range(chunks + 1):
            rest[kept, m] = max(rows[m], columns[min(chunks, m + ahead)])
        kept += 1
    return kept
