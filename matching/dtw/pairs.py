"""Distances, paths and tables over a few series; each argument is checked here once."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import gate, kernels
from .band import band_cells, clip_radius
from .plain import WIDE64

FLAT = 1e-9
"""A channel is constant when its standard deviation is at or below this share of its largest
absolute value: about what rounding leaves of a constant in float64 (relative 2e-16 per sample,
with room for sums over long channels). A share, not a voltage, so that the unit does not matter."""

SMALL_WORK = 100_000_000
"""Cells (all channels) below which a table is computed on the calling thread: some 20 ms here; a
second thread can stall for 8 ms when the cores are busy."""


def distance(a: ArrayLike, b: ArrayLike, radius: int) -> float:
    """Banded DTW distance of two series, in the unit of the samples.

    Parameters: a, b, shape (L,) or (C, L), equal, finite; radius, samples, >= 0 (0: Euclidean,
    L - 1 or more: no band). Returns sqrt of the smallest sum of squared differences over all
    warping paths in the band, summed over channels. distance(a, b) == distance(b, a) exactly.
    Raises ValueError for NaN, infinity, other shapes, negative radius.
    Source: Sakoe and Chiba 1978, with unit weights in all three directions and no length
    normalisation, as the UCR archive uses it (Dau et al. 2019, section III).
    """
    x, y = gate.pair(a, b)
    r = clip_radius(gate.radius(radius), x.shape[1])
    turned = np.ascontiguousarray(y[:, ::-1])
    return float(np.sqrt(kernels.squared(x, turned, r, np.empty((4, x.shape[1] + 2)))))


def path(a: ArrayLike, b: ArrayLike, radius: int) -> NDArray[np.int64]:
    """The warping path behind ``distance``: int64 (K, 2), rows (i, j) from (0, 0) to (L-1, L-1).

    L <= K <= 2L - 1; each step raises i, j or both by one. Of equally cheap paths the one is
    taken that, walking back from the end, prefers the diagonal step, then the step in a (i - 1),
    then the step in b; so a series against itself gives the diagonal.
    Parameters and errors as ``distance``.
    """
    x, y = gate.pair(a, b)
    length = x.shape[1]
    r = clip_radius(gate.radius(radius), length)
    table = np.empty((length + 1, 2 * r + 3))
    kernels.accumulate(x, y, r, table)
    steps = np.empty((2 * length, 2), dtype=np.int64)
    return steps[kernels.walk_back(table, r, steps) :].copy()


def matrix(a: ArrayLike, b: ArrayLike, radius: int) -> NDArray[np.float64]:
    """Distances of every series of a against every one of b.

    Parameters: a (nA, C, L), b (nB, C, L), finite, same C and L; radius, samples, >= 0.
    Returns (nA, nB), unit of the samples, each entry bit for bit what ``distance`` gives.
    Raises ValueError as ``distance``. Large tables use both cores.
    """
    x, y = gate.batch("a", a), gate.batch("b", b)
    gate.same("b", y, "a", x)
    return _table(x, y, gate.radius(radius), same=False)


def self_matrix(a: ArrayLike, radius: int) -> NDArray[np.float64]:
    """Distances of every series of a (N, C, L) against every other: (N, N), exactly symmetric,
    zero diagonal, half the work of ``matrix``. Parameters and errors as ``matrix``.
    """
    x = gate.batch("a", a)
    return _table(x, x, gate.radius(radius), same=True)


def medoid(a: ArrayLike, radius: int) -> int:
    """Index of the member of a (N, C, L) with the least summed distance to all members.

    Ties go to the lower index. Raises ValueError for no members, else as ``matrix``.
    """
    x = gate.batch("a", a)
    if len(x) == 0:
        raise ValueError("a: expected at least one series to choose a medoid from, found 0")
    # Correctly ordered sums, so that mirrored columns of equal members tie exactly.
    return int(np.argmin(np.sort(_table(x, x, gate.radius(radius), same=True), axis=1).sum(axis=1)))


def znormalise(x: ArrayLike) -> NDArray[np.float64]:
    """Each channel to mean 0 and standard deviation 1 (population, 1/L); no unit is left.

    Parameters: x, (L,), (C, L) or (N, C, L), finite. Returns the same shape, float64. A channel
    whose standard deviation is at or below FLAT of its largest absolute value is constant and
    becomes zeros. The input is not changed. Raises ValueError for NaN, infinity, other shapes.
    """
    shape = np.shape(x)
    one = gate.batch("x", x) if len(shape) == 3 else gate.series("x", x)
    return _standardise(one).reshape(shape)


def _standardise(x: NDArray[np.float64]) -> NDArray[np.float64]:
    centred = x - x.mean(axis=-1, keepdims=True)
    spread = np.sqrt(np.mean(centred * centred, axis=-1, keepdims=True))
    flat = spread <= FLAT * np.abs(x).max(axis=-1, keepdims=True, initial=0.0)
    return np.where(flat, 0.0, centred / np.where(flat, 1.0, spread))


def _table(
    x: NDArray[np.float64], y: NDArray[np.float64], radius: int, same: bool
) -> NDArray[np.float64]:
    # The lanes hold the larger set: a block is computed whole even if few of its lanes are used.
    if len(x) > len(y):
        return np.ascontiguousarray(_table(y, x, radius, same).T)
    out = np.zeros((len(x), len(y)))
    if out.size == 0:
        return out
    r = clip_radius(radius, x.shape[2])
    blocks = _in_lanes(y)
    work = out.size * band_cells(x.shape[2], r) * x.shape[1] // (2 if same else 1)
    threads = 1 if work < SMALL_WORK else min(2, os.cpu_count() or 1)
    # Every n-th row each: with half a table the early rows are the long ones.
    rows = np.arange(len(x), dtype=np.int64)
    parts = [rows[t::threads] for t in range(threads)]
    share([partial(kernels.squared_rows, x, blocks, r, same, part, out) for part in parts])
    return np.sqrt(out, out=out)


def _in_lanes(y: NDArray[np.float64]) -> NDArray[np.float64]:
    """(N, C, L) -> (N / W rounded up, C, L, W), W series side by side, spare lanes zero."""
    blocks = -(-len(y) // WIDE64)
    padded = np.zeros((blocks * WIDE64, *y.shape[1:]))
    padded[: len(y)] = y
    grouped = padded.reshape(blocks, WIDE64, *y.shape[1:])
    return np.ascontiguousarray(grouped.transpose(0, 2, 3, 1))


def share(jobs: Sequence[Callable[[], None]]) -> None:
    """Run the jobs, the first on the calling thread and each further one on a thread of its own.

    For jobs that release the GIL. The first exception of any job is raised after all ended.
    """
    failures: list[BaseException] = []

    def guarded(job: Callable[[], None]) -> None:
        try:
            job()
        except BaseException as failure:  # handed to the caller below
            failures.append(failure)

    helpers = [threading.Thread(target=guarded, args=(job,), daemon=True) for job in jobs[1:]]
    for helper in helpers:
        helper.start()
    guarded(jobs[0])
    for helper in helpers:
        helper.join()
    if failures:
        raise failures[0]
