"""Compiled lower bounds: what can be ruled out without warping anything.

Two bounds, both from Keogh and Ratanamahatana 2005, each taken both ways (candidate against the
query's envelope and query against the candidate's envelope; the larger one counts):

- by segment means, from a few numbers per reference laid out segment after segment, so that the
  sieve over all references is one straight read of a small table;
- sample by sample (LB_Keogh), for those that fall through the sieve.

The first is computed in float32, the second on references and query rounded to 16 bits. What
rounding may have added is given away beforehand: envelopes are widened (by ``slack``, by one
code), sums are cut by a relative margin (``safe``), so that no bound is ever above the true
float64 distance.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from .lanes import excess_i16
from .plain import CHUNK
from .tables import LOWER, PROFILE, UPPER


class Corridor(NamedTuple):
    """A query in 16-bit codes, all (C, P) int16, padded like the references.

    over, under: one code below and above the query, so that the rounding of neither side can
    add to an excess; lower, upper: its envelope, widened by one code; profile: the codes.
    """

    over: np.ndarray
    under: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    profile: np.ndarray


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
def _suffix_sums(sums, safe, out):
    """out[m] = safe * (sums[m] + sums[m + 1] + ...); the last one is 0."""
    total = np.float32(0.0)
    out[sums.shape[0]] = total
    for m in range(sums.shape[0] - 1, -1, -1):
        total += sums[m]
        out[m] = total * safe


@njit(nogil=True, cache=True)
def keogh_both(corridor, codes, radius, ids, limit, safe, total, rest):
    """LB_Keogh both ways for the references ids; how many of them stay under limit is returned.

    Parameters: corridor: see above; codes: of ``tables.Tables``; radius, samples; ids (n,),
    replaced from the front by those that stay; limit, a squared distance in codes; safe, the
    factor below 1 that makes up for float32 sums. Filled for those that stay, in codes squared:
    total (n,) the larger bound; rest (n, M + 1) float32 the bound on what is still to come when
    CHUNK * m rows are done: rows not yet matched, or columns no row has reached, which the band
    keeps `radius` ahead.
    """
    over, under, lower, upper = corridor.over, corridor.under, corridor.lower, corridor.upper
    chunks = rest.shape[1] - 1
    ahead = (radius + CHUNK - 1) // CHUNK
    sums = np.empty(chunks, dtype=np.float32)
    rows = np.empty(chunks + 1, dtype=np.float32)
    columns = np.empty(chunks + 1, dtype=np.float32)
    kept = 0
    for n in ids:
        sums[:] = 0.0
        for c in range(over.shape[0]):
            code = codes[n, PROFILE, c]
            excess_i16(code, code, lower[c], upper[c], sums, chunks)
        _suffix_sums(sums, safe, columns)
        if columns[0] > limit:
            continue
        sums[:] = 0.0
        for c in range(over.shape[0]):
            low, high = codes[n, LOWER, c], codes[n, UPPER, c]
            excess_i16(over[c], under[c], low, high, sums, chunks)
        _suffix_sums(sums, safe, rows)
        if rows[0] > limit:
            continue
        ids[kept] = n
        total[kept] = max(rows[0], columns[0])
        for m in range(chunks + 1):
            rest[kept, m] = max(rows[m], columns[min(chunks, m + ahead)])
        kept += 1
    return kept
