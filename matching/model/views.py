"""The space of one system: good spread per context, and views of how far a capture lies outside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from matching.model.data import SystemData
from matching.model.spread import Spread, compress, fit_spread
from matching.model.table import Column
from matching.tools import Floats, Ints

COMPONENTS = 10
RIDGE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """A view of numbers: column indices, and the shrunk inverse covariance of the good rows."""

    index: Ints
    inverse: Floats


@dataclass(frozen=True, slots=True, eq=False)
class CurveView:
    """A view of curves. axes: (k, points) good components, variance (k,); all_axes, all_scale:
    components of good and fault rows together, for the joint space."""

    spread: Spread
    axes: Floats
    variance: Floats
    all_axes: Floats
    all_scale: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Space:
    """Everything fitted to the good rows (the fault rows only add axes to the joint space)."""

    numbers: Spread
    blocks: Mapping[str, Block]
    curve_views: Mapping[str, CurveView]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns that `views` gives, in order."""
        names = [f"{block}:{part}" for block in self.blocks for part in ("whole", "top")]
        names += [f"{curve}:{part}" for curve in self.curve_views for part in ("whole", "rest")]
        return tuple(names)

    def number_z(self, rows: SystemData) -> Floats:
        """Numbers of rows in compressed good-spread units (rows, columns)."""
        return compress(self.numbers.normalise(rows.x, rows.context))

    def curve_z(self, rows: SystemData, name: str) -> Floats:
        """Curves of rows in compressed good-spread units (rows, points)."""
        view = self.curve_views[name]
        return compress(view.spread.normalise(rows.curves[name], rows.context))

    def views(self, rows: SystemData) -> Floats:
        """Log outlyingness (rows, views): what each view says of each row."""
        z = self.number_z(rows)
        parts = [_outlying(z[:, block.index], block.inverse) for block in self.blocks.values()]
        for name, view in self.curve_views.items():
            zc = self.curve_z(rows, name)
            inside = zc @ view.axes.T
            left = zc - inside @ view.axes
            whole = np.sqrt((inside**2 / view.variance).mean(axis=1) + 1e-12)
            parts.append(np.column_stack((whole, np.sqrt((left**2).mean(axis=1) + 1e-12))))
        return np.log(np.hstack(parts))

    def joint(self, rows: SystemData) -> Floats:
        """Rows in the joint space: compressed numbers beside the leading curve components."""
        parts = [self.number_z(rows)]
        for name, view in self.curve_views.items():
            parts.append(compress(self.curve_z(rows, name) @ view.all_axes.T / view.all_scale))
        return np.hstack(parts)


def number_blocks(columns: Sequence[Column]) -> dict[str, Ints]:
    """Column indices per view of numbers: one per group, measured and generic apart."""
    blocks: dict[str, list[int]] = {}
    for i, column in enumerate(columns):
        kind = "measured" if column.measured else "generic"
        blocks.setdefault(f"{column.group}:{kind}", []).append(i)
    return {name: np.array(index) for name, index in sorted(blocks.items())}


def _outlying(z: Floats, inverse: Floats) -> Floats:
    """Two statistics per row of z (rows, d): whitened root mean square, and the mean of the
    three largest |z|. The first sees many small deviations together, the second a single one."""
    d = z.shape[1]
    whole = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", z, inverse, z) / d, 1e-12))
    top = np.sort(np.abs(z), axis=1)[:, -min(3, d) :].mean(axis=1)
    return np.column_stack((whole, np.maximum(top, 1e-6)))


def ridge_inverse(covariance: Floats, ridge: float) -> Floats:
    """Inverse of a covariance (d, d) pulled toward its mean variance by `ridge` (0..1)."""
    d = covariance.shape[0]
    scale = float(np.trace(covariance)) / d
    return np.linalg.inv((1.0 - ridge) * covariance + (ridge * scale + 1e-6) * np.eye(d))


def fit_space(data: SystemData) -> Space:
    """The space of a system from its good rows."""
    good = data.good
    numbers = fit_spread(data.x[good], data.context[good], data.n_contexts, data.floor)
    z = compress(numbers.normalise(data.x[good], data.context[good]))
    blocks = {}
    for name, index in number_blocks(data.columns).items():
        part = z[:, index]
        covariance = part.T @ part / max(part.shape[0] - 1, 1)
        blocks[name] = Block(index, ridge_inverse(covariance, RIDGE))
    views = {name: _fit_curves(data, name) for name in data.curves}
    return Space(numbers, blocks, {name: v for name, v in views.items() if v is not None})


def _fit_curves(data: SystemData, name: str) -> CurveView | None:
    known = data.curves[name]
    whole = np.isfinite(known).all(axis=1)
    have = whole & data.good
    if have.sum() < 2:
        return None
    size = float(np.nanmean(np.nanstd(known[have], axis=1)))
    floor = np.full(known.shape[1], 0.01 * size + 1e-12)
    spread = fit_spread(known[have], data.context[have], data.n_contexts, floor)
    reference = compress(spread.normalise(known[have], data.context[have]))
    axes, variance = _components(reference, max(1, min(COMPONENTS, reference.shape[0] // 3)))
    variance = variance + 0.25 * variance.mean() + 1e-9
    everything = compress(spread.normalise(known[whole], data.context[whole]))
    all_axes, _ = _components(everything, min(COMPONENTS, everything.shape[0]))
    own = np.sqrt((reference @ all_axes.T).var(axis=0) + 1e-9)
    return CurveView(spread, axes, variance, all_axes, np.maximum(own, 0.2 * own.max()))


def _components(z: Floats, k: int) -> tuple[Floats, Floats]:
    """First k principal axes (k, points) of rows z about zero, and the variance along each."""
    if z.shape[0] < z.shape[1]:
        values, vectors = np.linalg.eigh(z @ z.T)
        values, vectors = values[::-1][:k], vectors[:, ::-1][:, :k]
        axes = (vectors / np.sqrt(np.maximum(values, 1e-12))).T @ z
    else:
        values, columns = np.linalg.eigh(z.T @ z)
        values, axes = values[::-1][:k], columns[:, ::-1][:, :k].T
    return axes, np.maximum(values, 0.0) / max(z.shape[0] - 1, 1)
