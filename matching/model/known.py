"""Directions of the known faults: what a fault does to a healthy capture, in good-spread units."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.model.views import ridge_inverse
from matching.tools import Floats

RIDGE = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class Directions:
    """Fault directions in the joint space. names: index into fault_names per direction.

    mean: (faults, d) class means; white: (faults, d) = inverse covariance times mean;
    length: (faults,) whitened length of each mean; inverse: (d, d).
    """

    index: np.ndarray
    mean: Floats
    white: Floats
    length: Floats
    inverse: Floats

    def along(self, z: Floats) -> Floats:
        """How far rows z (rows, d) lie along each fault's direction, in whitened units."""
        return (z @ self.white.T) / self.length

    def size(self, z: Floats) -> Floats:
        """Whitened length of rows z (rows, d)."""
        return np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", z, self.inverse, z), 1e-12))

    def apart(self, z: Floats) -> Floats:
        """Whitened distance of rows z (rows, d) to each fault's mean: (rows, faults)."""
        own = self.size(z)[:, None] ** 2
        cross = z @ self.white.T
        return np.sqrt(np.maximum(own - 2.0 * cross + self.length[None, :] ** 2, 0.0))


def fit_directions(z: Floats, fault: np.ndarray) -> Directions | None:
    """Directions from rows z (rows, d) with fault index (-1 good); None without any fault."""
    kinds = np.unique(fault[fault >= 0])
    if kinds.size == 0:
        return None
    good = z[fault < 0]
    origin = good.mean(axis=0)
    scatter = (good - origin).T @ (good - origin)
    count = good.shape[0] - 1
    means = []
    for k in kinds:
        rows = z[fault == k]
        means.append(rows.mean(axis=0) - origin)
        centred = rows - rows.mean(axis=0)
        # severity differs inside a fault: along its own direction that is no noise
        unit = means[-1] / max(float(np.linalg.norm(means[-1])), 1e-12)
        centred = centred - np.outer(centred @ unit, unit)
        scatter += 0.5 * centred.T @ centred
        count += 0.5 * (rows.shape[0] - 1)
    covariance = scatter / max(count, 1)
    inverse = ridge_inverse(covariance, RIDGE)
    mean = np.array(means)
    white = mean @ inverse
    length = np.sqrt(np.maximum(np.sum(white * mean, axis=1), 1e-12))
    return Directions(kinds, mean, white, length, inverse)
