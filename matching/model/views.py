"""The joint space of one system: every number and curve of a capture in good-spread units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from matching.model.data import SystemData
from matching.model.spread import Spread, compress, fit_spread
from matching.tools import Floats
from refdb.cards import GROUPS

COMPONENTS = 10
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
    """One dimension of the joint space. name: a number's or curve's; group: kind of stray."""

    name: str
    group: str


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
    """Everything fitted to the good rows (fault rows only turn the curves' axes)."""

    axes: tuple[Axis, ...]
    numbers: Spread
    curves: Mapping[str, CurveSpace]

    def joint(self, rows: SystemData) -> Floats:
        """Rows in the joint space: float64 (rows, axes)."""
        parts = [compress(self.numbers.normalise(rows.x, rows.context))]
        for name, space in self.curves.items():
            parts.append(space.project(rows.curves[name], rows.context))
        return np.hstack(parts)


def fit_space(data: SystemData) -> Space:
    """The joint space of a system from its good rows."""
    good = data.good
    numbers = fit_spread(data.x[good], data.context[good], data.n_contexts, data.floor)
    axes = [Axis(column.name, column.group) for column in data.columns]
    curves = {}
    for name in data.curves:
        space = _fit_curve(data, name)
        if space is not None:
            curves[name] = space
            axes += [Axis(name, CURVE_GROUPS[name])] * (space.axes.shape[0] + 1)
    return Space(tuple(axes), numbers, curves)


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
