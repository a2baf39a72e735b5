"""Timing shift along an event: how much later the capture is than the good median, by warping."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching import dtw
from matching.answer import Overlay
from matching.grid import rebin
from matching.model.warp import WARP_POINTS, shrink, z_shape
from matching.tools import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """later: (points,) in axis units, positive where the capture comes later than the good median.

    steep: bool (points,), where the good median moves enough to tell; elsewhere a shift means
    nothing.  worst: index of the largest shift where it is steep, -1 for none.
    reach: the largest shift the warping may find, in axis units.
    """

    axis: Floats
    later: Floats
    steep: np.ndarray
    worst: int
    reach: float


# Below this share of its steepest slope the median is called flat; a choice of ours, no source.
FLAT_SHARE = 0.05


def shift_of(overlay: Overlay, warp: float) -> Shift | None:
    """Where the warping path between typical event and good median leaves the diagonal.

    warp: band radius as a share of the event, as the system's card has it. Shapes are compared
    (each channel z-normalised), so that a size is not taken for a time. None for missing points.
    """
    both = np.stack((overlay.usual, overlay.middle))
    if not np.isfinite(both).all() or warp <= 0.0:
        return None
    mine, good = np.ascontiguousarray(z_shape(shrink(both)))
    radius = max(1, round(warp * WARP_POINTS))
    path = dtw.path(mine, good, radius)
    total = np.bincount(path[:, 1], weights=path[:, 0] - path[:, 1], minlength=WARP_POINTS)
    count = np.bincount(path[:, 1], minlength=WARP_POINTS)
    per_point = (overlay.axis[-1] - overlay.axis[0]) / (overlay.axis.size - 1)
    per_point *= overlay.axis.size / WARP_POINTS
    later = total / np.maximum(count, 1) * per_point
    slope = np.abs(np.gradient(good, axis=1)).max(axis=0)
    steep = slope > FLAT_SHARE * slope.max() + 1e-12
    worst = int(np.argmax(np.where(steep, np.abs(later), -1.0))) if steep.any() else -1
    return Shift(rebin(overlay.axis, WARP_POINTS), later, steep, worst, radius * per_point)
