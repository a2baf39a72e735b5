"""The Sakoe-Chiba band and its envelopes: which samples may be matched with which.

The band of radius r allows the pair (i, j) when abs(i - j) <= r, for two series of the same
length L (Sakoe and Chiba 1978, section III). Radius 0 is the Euclidean distance, radius L - 1
or more is DTW without a band. Everything here is plain numpy; the compiled loops are in
``kernels``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def clip_radius(radius: int, length: int) -> int:
    """The radius that gives the same band without reaching past the series.

    Parameters: radius, samples, >= 0; length, samples, >= 1. Returns 0..length - 1.
    """
    return min(radius, length - 1)


def band_cells(length: int, radius: int) -> int:
    """How many cells of the length x length matrix the band holds (work per pair and channel).

    Parameters: length, samples, >= 1; radius, samples, >= 0.
    """
    r = clip_radius(radius, length)
    return length * (2 * r + 1) - r * (r + 1)


def row_limits(length: int, radius: int, row: int) -> tuple[int, int]:
    """First column and one past the last column of a row inside the band (samples)."""
    return max(0, row - radius), min(length, row + radius + 1)


def envelope(x: NDArray[np.floating], radius: int) -> tuple[NDArray, NDArray]:
    """Lowest and highest value within radius samples of each sample, along the last axis.

    Parameters: x, shape (..., L), any unit; radius, samples, >= 0.
    Returns (lower, upper), each of x's shape, dtype and unit.
    The window grows by doubling (a window of 2w is two windows of w side by side), so that the
    cost is log2(radius) whole-array passes instead of one pass per sample of radius.
    Source: envelope of Keogh and Ratanamahatana 2005, "Exact indexing of dynamic time warping",
    section 4.2.
    """
    r = clip_radius(radius, x.shape[-1])
    if r == 0:
        return x.copy(), x.copy()
    return _running(x, r, np.minimum, np.inf), _running(x, r, np.maximum, -np.inf)


def _running(x: NDArray, radius: int, better: np.ufunc, neutral: float) -> NDArray:
    pad = [(0, 0)] * (x.ndim - 1) + [(radius, radius)]
    window = np.pad(x, pad, constant_values=neutral)
    width, want = 1, 2 * radius + 1
    while width < want:
        step = min(width, want - width)
        window = better(window[..., :-step], window[..., step:])
        width += step
    return window


def segment_edges(length: int, segments: int) -> NDArray[np.int64]:
    """Edges that cut length samples into segments parts of almost equal size, shape (segments+1,).

    With fewer samples than segments every sample is a segment of its own.
    """
    parts = min(segments, length)
    return (np.arange(parts + 1, dtype=np.int64) * length) // parts


def segment_means(x: NDArray[np.floating], edges: NDArray[np.int64]) -> NDArray[np.float64]:
    """Mean of each segment along the last axis: (..., L) -> (..., segments), unit of x."""
    sums = np.add.reduceat(x, edges[:-1], axis=-1, dtype=np.float64)
    return sums / np.diff(edges)
