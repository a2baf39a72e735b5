"""The good spread of each context: centre and scale, shrunk toward the system where thin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.tools import Floats, Ints

# How many vehicles' worth of trust the system's pooled spread gets beside the context's own.
POOL_WEIGHT = 8.0
KNEE = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Centre and scale of columns per context. centre, scale: (contexts, columns)."""

    centre: Floats
    scale: Floats

    def normalise(self, x: Floats, context: Ints) -> Floats:
        """x (rows, columns) in units of its context's good spread; a missing number is 0."""
        z = (x - self.centre[context]) / self.scale[context]
        return np.where(np.isfinite(z), z, 0.0)


def compress(z: Floats) -> Floats:
    """z nearly as it is within KNEE spreads, logarithmic beyond: a huge spike hides nothing."""
    return KNEE * np.arcsinh(z / KNEE)


def fit_spread(x: Floats, context: Ints, n_contexts: int, floor: Floats) -> Spread:
    """Centre and shrunk scale of the good captures x (rows, columns), NaN for missing."""
    centre = np.full((n_contexts, x.shape[1]), np.nan)
    own = np.full((n_contexts, x.shape[1]), np.nan)
    count = np.zeros(n_contexts)
    for c in range(n_contexts):
        rows = x[context == c]
        count[c] = rows.shape[0]
        if rows.shape[0]:
            centre[c], own[c] = robust(rows)
    overall, _ = robust(x) if x.shape[0] else (np.zeros(x.shape[1]), None)
    centre = np.where(np.isfinite(centre), centre, overall)
    centre = np.where(np.isfinite(centre), centre, 0.0)
    pooled = _pooled(own, count)
    weight = np.maximum(count - 1.0, 0.0)[:, None]
    own_square = np.where(np.isfinite(own), own**2, pooled**2)
    scale = np.sqrt((weight * own_square + POOL_WEIGHT * pooled**2) / (weight + POOL_WEIGHT))
    return Spread(centre, np.maximum(scale, floor))


def _pooled(own: Floats, count: Floats) -> Floats:
    weight = np.where(np.isfinite(own), np.maximum(count - 1.0, 0.0)[:, None], 0.0)
    total = weight.sum(axis=0)
    square = np.where(np.isfinite(own), own, 0.0) ** 2
    return np.sqrt((weight * square).sum(axis=0) / np.maximum(total, 1e-12))


def robust(rows: Floats) -> tuple[Floats, Floats]:
    """Median and a spread of rows (n, columns) that neither one outlier nor ties can fool.

    The larger of the MAD and 0.6 standard deviations: the first ignores outliers, the second
    keeps a column with many equal values from a zero spread. NaN where a column is all NaN.
    """
    missing = np.isnan(rows).any(axis=0)
    if not missing.any():
        centre = np.median(rows, axis=0)
        mad = 1.4826 * np.median(np.abs(rows - centre), axis=0)
        return centre, np.maximum(mad, 0.6 * rows.std(axis=0))
    centre, size = np.full(rows.shape[1], np.nan), np.full(rows.shape[1], np.nan)
    centre[~missing], size[~missing] = robust(rows[:, ~missing])
    for j in np.flatnonzero(missing):
        shown = rows[np.isfinite(rows[:, j]), j][:, None]
        if shown.size:
            centre[j], size[j] = (part[0] for part in robust(shown))
    return centre, size
