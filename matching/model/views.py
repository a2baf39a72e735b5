"""The joint space of one system: every number and curve of a capture in good-spread units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from matching.model.data import SystemData
from matching.model.spread import Spread, compress, fit_spread
from matching.model.warp import warp_views
from matching.tools import Bools, Floats, Ints
from refdb.cards import GROUPS

COMPONENTS = 10
# Nearest-neighbour distances mean little among fewer good captures than this.
RICH = 8
WARP_FLOOR = 0.02
WARP_GROUPS = {"warp:level": "level", "warp:shape": "shape", "warp:timing": "timing"}
# Which kind of stray a curve's components feed.
CURVE_GROUPS = {
    "event": "level",
    "close": "level",
    "event-shape": "shape",
    "close-shape": "shape",
    "event-spread": "regularity",
}


@dataclass(frozen=True, slots=True)
class Axis:
    """One dimension of the joint space. name: a number's or curve's; group: kind of stray;
    measured: one of the card's measurements."""

    name: str
    group: str
    measured: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class CurveSpace:
    """A curve's good spread, principal axes (k, points) and the good size along each (k,).

    rest_centre, rest_scale: of the log of what the axes leave over, among the good rows.
    """

    spread: Spread
    axes: Floats
    scale: Floats
    rest_centre: float
    rest_scale: float

    def project(self, curve: Floats, context: np.ndarray) -> Floats:
        """Components and remainder (rows, k + 1) of curves (rows, points), compressed."""
        z = compress(self.spread.normalise(curve, context))
        inside = z @ self.axes.T
        rest = np.log(_rms(z - inside @ self.axes) + 1e-6)
        last = (rest - self.rest_centre) / self.rest_scale
        return compress(np.column_stack((inside / self.scale, last)))


@dataclass(frozen=True, slots=True, eq=False)
class Space:
    """Everything fitted to the good rows (fault rows only turn the curves' axes).

    goods, good_vehicles: the good references' places and vehicles; rich: (contexts,) whether a
    context has enough of them for nearest-neighbour distances to mean something; warp_judged:
    (3,) which of the warped views are of a kind of stray that is judged at all.
    """

    axes: tuple[Axis, ...]
    numbers: Spread
    curves: Mapping[str, CurveSpace]
    warp: Spread
    goods: Ints
    good_vehicles: Ints
    rich: Bools
    warp_judged: Bools

    def joint(self, rows: SystemData) -> Floats:
        """Rows in the joint space: float64 (rows, axes)."""
        parts = [compress(self.numbers.normalise(rows.x, rows.context))]
        for name, space in self.curves.items():
            parts.append(space.project(rows.curves[name], rows.context))
        raw = warp_views(rows.warped, self._allowed(rows))
        warped = compress(self.warp.normalise(raw, rows.context))
        counts = self.rich[rows.context][:, None] & self.warp_judged
        parts.append(np.where(counts, warped, 0.0))
        return np.hstack(parts)

    def largest(self, z: Floats, origin: Floats) -> Floats:
        """Log of the largest deviation of a single measurement (rows,), for rows z (rows, axes)."""
        index = [i for i, axis in enumerate(self.axes) if axis.measured] or slice(None)
        return np.log(np.abs(z - origin)[:, index].max(axis=1) + 1e-6)

    def _allowed(self, rows: SystemData) -> Bools:
        """Good references (rows, references) each row may be warped against: not its own car's."""
        allowed = np.zeros((rows.rows, rows.warped.level.shape[1]), bool)
        other = rows.vehicle[:, None] != self.good_vehicles[None, :]
        allowed[:, self.goods] = other
        return allowed


def fit_space(data: SystemData) -> Space:
    """The joint space of a system from its good rows."""
    good = data.good
    numbers = fit_spread(data.x[good], data.context[good], data.n_contexts, data.floor)
    axes = [Axis(column.name, column.group, column.measured) for column in data.columns]
    curves = {}
    for name in data.curves:
        curve = _fit_curve(data, name)
        if curve is not None:
            curves[name] = curve
            axes += [Axis(name, CURVE_GROUPS[name])] * (curve.axes.shape[0] + 1)
    axes += [Axis(name, group) for name, group in WARP_GROUPS.items()]
    goods, vehicles = data.ids[good], data.vehicle[good]
    count = np.bincount(data.context[good], minlength=data.n_contexts)
    rich = count >= RICH
    empty = Spread(np.zeros((data.n_contexts, 3)), np.ones((data.n_contexts, 3)))
    judged = np.array([group in data.groups for group in WARP_GROUPS.values()])
    space = Space(tuple(axes), numbers, curves, empty, goods, vehicles, rich, judged)
    raw = warp_views(data.warped, space._allowed(data))[good]
    floor = np.full(3, WARP_FLOOR)
    return replace(space, warp=fit_spread(raw, data.context[good], data.n_contexts, floor))


def _fit_curve(data: SystemData, name: str) -> CurveSpace | None:
    known = data.curves[name]
    whole = np.isfinite(known).all(axis=1)
    good = whole & data.good
    if good.sum() < 2:
        return None
    size = float(np.mean(np.std(known[good], axis=1)))
    floor = np.full(known.shape[1], 0.01 * size + 1e-12)
    spread = fit_spread(known[good], data.context[good], data.n_contexts, floor)
    z = compress(spread.normalise(known[whole], data.context[whole]))
    axes = principal_axes(z, min(COMPONENTS, z.shape[0]))
    reference = z[data.good[whole]]
    inside = reference @ axes.T
    scale = np.sqrt(np.mean(inside**2, axis=0) + 1e-9)
    rest = np.log(_rms(reference - inside @ axes) + 1e-6)
    return CurveSpace(
        spread, axes, np.maximum(scale, 0.2 * scale.max()),
        float(np.median(rest)), max(float(rest.std()), 0.1),
    )  # fmt: skip


def _rms(z: Floats) -> Floats:
    return np.sqrt(np.mean(z**2, axis=1))


def by_group(parts: Floats, axes: tuple[Axis, ...]) -> Floats:
    """Sums of parts (rows, axes) per kind of stray: (rows, groups), in the order of GROUPS."""
    kind = np.array([GROUPS.index(axis.group) for axis in axes])
    return np.column_stack([parts[:, kind == g].sum(axis=1) for g in range(len(GROUPS))])


def principal_axes(z: Floats, k: int) -> Floats:
    """First k principal axes (k, points) of rows z about zero."""
    if z.shape[0] < z.shape[1]:
        values, vectors = np.linalg.eigh(z @ z.T)
        values, vectors = values[::-1][:k], vectors[:, ::-1][:, :k]
        return (vectors / np.sqrt(np.maximum(values, 1e-12))).T @ z
    _, columns = np.linalg.eigh(z.T @ z)
    return columns[:, ::-1][:, :k].T
