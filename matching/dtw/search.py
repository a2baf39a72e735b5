"""Exact nearest references under banded DTW: the stages from the sieve to the last distance.

Each stage may only rule out what provably lies farther than the k-th nearest found so far:

1. sieve: LB_Keogh of segment means, query's envelope against all references, one straight read;
2. warm start: the 32 whose segment means lie nearest are warped in float64, which sets the limit;
3. sieve again with that limit, then the other way round (reference's envelope);
4. LB_Keogh both ways, sample by sample;
5. 32 at a time in lock step through the 16-bit filter, lowest bound first;
6. what is left in float64; the k nearest of these are exact, equal distances by index.

Stages 4 to 6 may run on two threads; the others are too short to be worth one.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import bounds, lockstep
from .band import segment_means
from .pairs import share
from .plain import CHUNK
from .tables import Tables, encode, padded

WARM = 32
"""References warped before anything is ruled out: two full groups of the float64 sweep."""

POOL = 256
"""References with the lowest sieve bounds among which the warm ones are chosen."""

SMALL = 1_000_000
"""Samples of candidates below which a second thread costs more than it saves."""


@dataclass(frozen=True)
class SearchStats:
    """How far the references got. Fractions of all N references, but for rows and seconds.

    references: N; sieved: left by the segment means of the query's envelope; both_ways: left by
    those the other way round too; keogh: left by LB_Keogh; warped: put through the 16-bit filter;
    rows_warped: rows (of groups of 32) that took; exact: float64 distances computed; seconds: all
    of the search, wall clock.
    """

    references: int
    sieved: float
    both_ways: float
    keogh: float
    warped: float
    rows_warped: float
    exact: float
    seconds: float


@dataclass(frozen=True)
class SearchResult:
    """The nearest references: ids (k,) int64, distances (k,) float64 in the unit of the samples,
    ascending, equal distances by id; and what it took.
    """

    ids: NDArray[np.int64]
    distances: NDArray[np.float64]
    stats: SearchStats


def nearest(tables: Tables, query: NDArray[np.float64], k: int, threads: int) -> SearchResult:
    """The k nearest references to query (C, L), 1 <= k <= N. Arguments are trusted."""
    began = time.perf_counter()
    search = _Search(tables, query, k)
    search.warm_up()
    search.sieve()
    search.hunt(threads)
    return search.result(time.perf_counter() - began)


class _Search:
    """One search; the methods are its stages, to be called in order."""

    def __init__(self, tables: Tables, query: NDArray[np.float64], k: int) -> None:
        self.tables, self.query, self.k = tables, query, k
        channels = len(query)
        # float32 rounds values (2^-22 of the largest is ample) and every addition of a sum.
        slack = 2.0**-22 * max(tables.largest, float(np.abs(query).max()))
        additions = channels * len(tables.edges) + tables.codes.shape[3] // CHUNK + 16
        self.safe = 1.0 - 2.0**-23 * additions
        upper, lower = np.empty_like(query), np.empty_like(query)
        bounds.upper_envelope(query, tables.radius, upper)
        bounds.upper_envelope(-query, tables.radius, lower)
        lower *= -1.0
        self.low = (segment_means(lower, tables.edges) - slack).astype(np.float32).ravel()
        self.high = (segment_means(upper, tables.edges) + slack).astype(np.float32).ravel()
        self.centre = segment_means(query, tables.edges).astype(np.float32).ravel()
        self.weight = np.tile(np.diff(tables.edges), channels).astype(np.float32)
        slack32: Any = np.float32(slack)  # a float64 would widen the loops it enters
        self.slack = slack32
        self.corridor = self._corridor(lower, upper)
        self.found = [self._nobody()]
        self.lock = threading.Lock()

    def _nobody(self) -> lockstep.Near:
        return lockstep.Near(np.full(self.k, np.inf), np.full(self.k, -1, dtype=np.int64))

    def _work(self) -> lockstep.Scratch:
        """Work arrays for one thread: those of an earlier search if there are any to spare."""
        try:
            work: lockstep.Scratch = self.tables.spare.pop()
        except IndexError:
            work = lockstep.scratch(*self.query.shape)
        return work

    def _corridor(self, lower: NDArray[np.float64], upper: NDArray[np.float64]) -> bounds.Corridor:
        t = self.tables
        wide = padded(self.query.shape[1])
        codes = [encode(x, t.offset, t.step) for x in (self.query, lower, upper)]
        profile, low, high = (np.zeros((len(x), wide), dtype=np.int16) for x in codes)
        for target, code in zip((profile, low, high), codes, strict=True):
            target[:, : code.shape[1]] = code
        low[:, self.query.shape[1] :], high[:, self.query.shape[1] :] = -32767, 32766
        # Codes stay within +-32766, so one more or less stays within 16 bits.
        return bounds.Corridor(profile - 1, profile + 1, low - 1, high + 1, profile)

    def warm_up(self) -> None:
        """Sieve bounds of all, then exact distances of a few that look near."""
        t = self.tables
        self.bound = np.empty(len(t.refs), dtype=np.float32)
        bounds.segment_sieve(t.means, self.low, self.high, self.weight, self.bound)
        some = max(POOL, 2 * self.k)
        pool = bounds.at_most(self.bound, bounds.low_cut(self.bound, min(some, len(t.refs))))
        pool = pool[: 16 * some]  # many equal bounds may come with the cut
        far = np.empty(len(pool), dtype=np.float32)
        bounds.segment_distances(t.means, self.centre, self.weight, pool, far)
        want = min(max(WARM, -(-self.k // 16) * 16), len(pool))
        self.warm = np.sort(pool[np.argpartition(far, want - 1)[:want]])
        self.work = self._work()
        lockstep.exact(self.query, t.refs, self.warm, t.radius, self.found[0], self.work)

    def sieve(self) -> None:
        """Who may still be near, by segment means both ways."""
        t = self.tables
        limit = self._limit() / self.safe * (1 + 2.0**-22)  # over, whatever float32 makes of it
        self.bound[self.warm] = np.inf  # known already
        candidates = bounds.at_most(self.bound, np.float32(limit))
        self.sieved = len(candidates) + len(self.warm)
        self.candidates = bounds.reverse_sieve(
            t.reach, self.centre, self.weight, self.slack, candidates, np.float32(limit)
        )

    def _limit(self) -> float:
        """Squared distance of the k-th nearest so far, a little over so that equals stay in."""
        return float(self.found[0].distances[-1]) ** 2 * (1 + 1e-12)

    def hunt(self, threads: int) -> None:
        """LB_Keogh, the 16-bit filter and exact distances, the candidates shared out."""
        large = len(self.candidates) * self.query.size >= SMALL
        threads = threads if large else 1
        self.found += [self._nobody() for _ in range(threads - 1)]
        self.kept, self.counts = 0, np.zeros(3, dtype=np.int64)
        best = self.found[0].distances[-1:].copy()
        share([partial(self._hunt_part, part, threads, best) for part in range(threads)])

    def _hunt_part(self, part: int, threads: int, best: NDArray[np.float64]) -> None:
        t, counts = self.tables, np.zeros(3, dtype=np.int64)
        ids, bound, rest, order = self._keogh(self.candidates[part::threads].copy())
        work = self._work() if part else self.work
        hunt = lockstep.Hunt(
            self.query, self.corridor.profile, t.refs, t.codes, t.step, t.radius,
            ids, bound, rest, order,
        )  # fmt: skip
        lockstep.hunt(hunt, best, self.found[part], work, counts)
        t.spare.append(work)
        with self.lock:
            self.kept += len(order)
            self.counts += counts

    def _keogh(self, ids: NDArray[np.int64]) -> tuple[NDArray, NDArray, NDArray, NDArray]:
        """Those of ids that LB_Keogh lets through, their bounds, and their order by bound."""
        t, n = self.tables, len(ids)
        total = np.empty(n, dtype=np.float32)
        rest = np.empty((n, t.codes.shape[3] // CHUNK + 1), dtype=np.float32)
        limit = np.float32(min(self._limit() / t.step**2 * (1 + 2.0**-22), 3e38))
        kept = bounds.keogh_both(
            self.corridor, t.codes, t.radius, ids, limit, np.float32(self.safe), total, rest
        )
        return ids[:kept], total[:kept], rest[:kept], np.argsort(total[:kept])

    def result(self, seconds: float) -> SearchResult:
        """The k nearest of what all threads found."""
        distances = np.concatenate([near.distances for near in self.found])
        ids = np.concatenate([near.ids for near in self.found])
        first = np.lexsort((ids, distances))[: self.k]
        n = len(self.tables.refs)
        stats = SearchStats(
            n, self.sieved / n, len(self.candidates) / n, self.kept / n,
            float(self.counts[0]) / n, float(self.counts[1]),
            float(self.counts[2] + len(self.warm)) / n, seconds,
        )  # fmt: skip
        return SearchResult(ids[first], distances[first], stats)
