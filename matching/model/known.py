"""Two doors to a verdict: outside the good spread, and along the direction of a known fault."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.tools import Floats

RIDGE = 0.35
# A dimension that no known fault moves keeps this weight: an unknown fault may move it.
LEAST_WEIGHT = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Directions:
    """What each fault does to a healthy capture, in the joint space.

    index: (faults,) the faults' indices; mean: (faults, d) class means about the good mean;
    white: (faults, d) = inverse covariance times mean; length: (faults,) whitened length of each
    mean; inverse: (d, d); origin: (d,) the good mean.
    """

    index: np.ndarray
    mean: Floats
    white: Floats
    length: Floats
    inverse: Floats
    origin: Floats

    def along(self, z: Floats) -> Floats:
        """How far rows z (rows, d) lie along each fault's direction, in whitened units."""
        return ((z - self.origin) @ self.white.T) / self.length

    def size(self, z: Floats) -> Floats:
        """Whitened length of rows z (rows, d)."""
        u = z - self.origin
        return np.sqrt(np.maximum(np.einsum("ij,ij->i", u @ self.inverse, u), 1e-12))


def fit_directions(z: Floats, fault: np.ndarray) -> Directions | None:
    """Directions from rows z (rows, d) with fault index (-1 good); None without any fault.

    A linear discriminant with one covariance for all, ridge-shrunk (Friedman 1989, regularised
    discriminant analysis). Severity differs inside a fault: the spread along a fault's own
    direction is left out of that covariance.
    """
    kinds = np.unique(fault[fault >= 0])
    if kinds.size == 0:
        return None
    good = z[fault < 0]
    origin = good.mean(axis=0)
    scatter = (good - origin).T @ (good - origin)
    count = good.shape[0] - 1.0
    means = []
    for k in kinds:
        rows = z[fault == k]
        centre = rows.mean(axis=0)
        means.append(centre - origin)
        unit = means[-1] / max(float(np.linalg.norm(means[-1])), 1e-12)
        centred = rows - centre
        centred = centred - np.outer(centred @ unit, unit)
        scatter += 0.5 * centred.T @ centred
        count += 0.5 * (rows.shape[0] - 1)
    inverse = ridge_inverse(scatter / max(count, 1.0), RIDGE)
    mean = np.array(means)
    white = mean @ inverse
    length = np.sqrt(np.maximum(np.sum(white * mean, axis=1), 1e-12))
    return Directions(kinds, mean, white, length, inverse, origin)


def ridge_inverse(covariance: Floats, ridge: float) -> Floats:
    """Inverse of a covariance (d, d) pulled toward its mean variance by `ridge` (0..1)."""
    d = covariance.shape[0]
    scale = float(np.trace(covariance)) / d
    return np.linalg.inv((1.0 - ridge) * covariance + (ridge * scale + 1e-6) * np.eye(d))


def axis_weights(z: Floats, fault: np.ndarray) -> Floats:
    """Weight (d,) per dimension for the outside door: how well its size alone tells the faults
    from the goods, averaged over faults (AUROC above one half, doubled), plus LEAST_WEIGHT."""
    kinds = np.unique(fault[fault >= 0])
    if kinds.size == 0 or not (fault < 0).any():
        return np.ones(z.shape[1])
    good = np.abs(z[fault < 0])
    power = np.zeros(z.shape[1])
    for k in kinds:
        power += np.maximum(0.0, 2.0 * column_auroc(good, np.abs(z[fault == k])) - 1.0)
    return LEAST_WEIGHT + power / kinds.size


def column_auroc(low: Floats, high: Floats) -> Floats:
    """Per column: the probability that a row of `high` (m, d) exceeds one of `low` (n, d).

    From the rank sum (Mann-Whitney); equal values are ranked as they stand.
    """
    both = np.vstack((low, high))
    order = np.argsort(both, axis=0, kind="stable")
    ranks = np.empty_like(both)
    np.put_along_axis(ranks, order, np.arange(1.0, both.shape[0] + 1)[:, None], axis=0)
    m, n = high.shape[0], low.shape[0]
    return (ranks[n:].sum(axis=0) - m * (m + 1) / 2.0) / (m * n)


def outside(z: Floats, weight: Floats) -> Floats:
    """Squared weighted deviations (rows, d); their sum is how far a row lies outside."""
    return (z * weight) ** 2


def auroc(low: Floats, high: Floats) -> float:
    """Probability that a value of `high` (m,) exceeds one of `low` (n,), ties half."""
    order = np.sort(low)
    below = np.searchsorted(order, high, "left")
    upto = np.searchsorted(order, high, "right")
    return float((below + upto).mean() / 2.0 / max(order.size, 1))
