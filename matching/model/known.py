"""Two doors to a verdict: outside the good spread, and along the direction of a known fault."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.tools import Floats

# Pull of the covariance toward equal variances. Chosen on two independently written sets of
# simulated captures (tests/benchmarks), where anything from 0.35 to 0.65 does about as well.
RIDGE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Metric:
    """How far apart points of the joint space are. origin: (d,) good mean; inverse: (d, d)."""

    origin: Floats
    inverse: Floats

    def parts(self, z: Floats) -> Floats:
        """What each dimension adds to the squared whitened length of rows z (rows, d).

        Not negative: where two dimensions that go together disagree, the pair's excess stands
        with the one that causes it.
        """
        u = z - self.origin
        return np.maximum(u * (u @ self.inverse), 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Directions:
    """What each fault does to a healthy capture, in the joint space.

    index: (faults,) the faults' indices; mean: (faults, d) class means about the good mean;
    white: (faults, d) = inverse covariance times mean; length: (faults,) whitened length of each.
    """

    index: np.ndarray
    mean: Floats
    white: Floats
    length: Floats
    metric: Metric

    def along(self, z: Floats) -> Floats:
        """How far rows z (rows, d) lie along each fault's direction, in whitened units."""
        return ((z - self.metric.origin) @ self.white.T) / self.length


def fit_metric(z: Floats, fault: np.ndarray) -> Metric:
    """The metric of rows z (rows, d) with fault index (-1 good): one covariance for all.

    Regularised as in discriminant analysis (Friedman 1989). Fault rows add half their scatter
    about their own mean. Severity differs inside a fault: the spread along a fault's own
    direction is left out.
    """
    good = z[fault < 0]
    origin = good.mean(axis=0)
    scatter = (good - origin).T @ (good - origin)
    count = good.shape[0] - 1.0
    for k in np.unique(fault[fault >= 0]):
        rows = z[fault == k]
        centre = rows.mean(axis=0)
        unit = (centre - origin) / max(float(np.linalg.norm(centre - origin)), 1e-12)
        centred = rows - centre
        centred = centred - np.outer(centred @ unit, unit)
        scatter += 0.5 * centred.T @ centred
        count += 0.5 * (rows.shape[0] - 1)
    return Metric(origin, ridge_inverse(scatter / max(count, 1.0), RIDGE))


def fit_directions(z: Floats, fault: np.ndarray, metric: Metric) -> Directions | None:
    """Directions of the faults among rows z (rows, d); None without any."""
    kinds = np.unique(fault[fault >= 0])
    if kinds.size == 0:
        return None
    mean = np.array([z[fault == k].mean(axis=0) - metric.origin for k in kinds])
    white = mean @ metric.inverse
    length = np.sqrt(np.maximum(np.sum(white * mean, axis=1), 1e-12))
    return Directions(kinds, mean, white, length, metric)


def ridge_inverse(covariance: Floats, ridge: float) -> Floats:
    """Inverse of a covariance (d, d) pulled toward its mean variance by `ridge` (0..1)."""
    d = covariance.shape[0]
    scale = float(np.trace(covariance)) / d
    return np.linalg.inv((1.0 - ridge) * covariance + (ridge * scale + 1e-6) * np.eye(d))


def auroc(low: Floats, high: Floats) -> float:
    """Probability that a value of `high` (m,) exceeds one of `low` (n,), ties half."""
    order = np.sort(low)
    below = np.searchsorted(order, high, "left")
    upto = np.searchsorted(order, high, "right")
    return float((below + upto).mean() / 2.0 / max(order.size, 1))
