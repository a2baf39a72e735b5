"""The good spread of a context, for single events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from matching.grid import rebin
from matching.model.spread import compress
from matching.profile import Profile
from matching.sweep.cut import POINTS
from matching.tools import Floats

LEAST_VEHICLES = 3
# As in `matching.explain`: the least spread of a grid point as a share of the event's swing.
LEAST_SPREAD = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class GoodSpread:
    """centre, scale: (channels, POINTS) of single events of good vehicles.  edge: the oddness that
    95 percent of the good vehicles' events stay below, each vehicle judged by the others."""

    centre: Floats
    scale: Floats
    edge: float
    n_good: int

    def strays(self, grid: np.ndarray) -> Floats:
        """Strays (n,) of events (n, channels, POINTS); 1 is the edge of the good ones."""
        z = compress((grid - self.centre) / self.scale)
        return np.sqrt(np.mean(z**2, axis=(1, 2))) / self.edge


def good_spread(profiles: Sequence[Profile], vehicles: Sequence[str]) -> GoodSpread | None:
    """The spread of good captures' events; None with too few vehicles. All the same channels."""
    shown = [(p, v) for p, v in zip(profiles, vehicles, strict=True) if np.isfinite(p.usual).all()]
    names = np.array([v for _, v in shown])
    if len(set(names.tolist())) < LEAST_VEHICLES:
        return None
    usual = np.stack([rebin(p.usual, POINTS) for p, _ in shown])
    within = np.stack([rebin(p.spread, POINTS) for p, _ in shown])
    strays = []
    for name in dict.fromkeys(names.tolist()):
        mine = names == name
        centre, scale = _centre_scale(usual[~mine], within[~mine])
        z = compress((usual[mine] - centre) / scale) ** 2 + (within[mine] / scale) ** 2
        strays.append(float(np.sqrt(np.mean(z))))
    edge = max(float(np.quantile(strays, 0.95)), 1e-9)
    return GoodSpread(*_centre_scale(usual, within), edge, len(strays))


def _centre_scale(usual: Floats, within: Floats) -> tuple[Floats, Floats]:
    """Middle and spread (vehicles and events together) of typical events (m, C, POINTS)."""
    centre = np.median(usual, axis=0)
    apart = 1.4826 * np.median(np.abs(usual - centre), axis=0)
    scale = np.sqrt(apart**2 + np.median(within, axis=0) ** 2)
    return centre, np.maximum(scale, LEAST_SPREAD * np.ptp(centre, axis=1, keepdims=True) + 1e-12)
