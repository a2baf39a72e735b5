"""All references of one system as arrays, and the same for one more capture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from matching.model.table import Column, columns_of, curves, floors, table
from matching.model.warp import Warped, WarpSpace, fit_warp, warp_rows
from matching.profile import Profile
from matching.tools import Bools, Floats, Ints
from refdb.cards import GROUPS, SystemCard


@dataclass(frozen=True, slots=True, eq=False)
class SystemData:
    """Rows are captures. x: numbers (rows, columns); curves: name -> (rows, points).

    context, vehicle: index per row.  good: bool per row.  fault: index into fault_names, -1 good.
    grids: the typical events (rows, channels, points) for warping; NaN rows where there is none.
    warped: level and shape distances (rows, references) to every reference of the same context,
    and the timing shift (rows,).  ids: (rows,) place of each row among the references, -1 a query.
    warp: the references' events as they are warped.  spread_floor: event-to-event spread, in the
    channels' units, below which spreads count as equal; a query's spread stands on the same one.
    groups: the kinds of stray that are judged at all.
    """

    columns: tuple[Column, ...]
    x: Floats
    floor: Floats
    curves: Mapping[str, Floats]
    grids: Floats
    context: Ints
    vehicle: Ints
    fault: Ints
    n_contexts: int
    fault_names: tuple[str, ...]
    warped: Warped
    ids: Ints
    warp: WarpSpace
    spread_floor: float
    groups: tuple[str, ...]

    @property
    def good(self) -> Bools:
        return self.fault < 0

    @property
    def rows(self) -> int:
        return int(self.x.shape[0])


def shape_curves(level: Floats, channels: int) -> Floats:
    """Curves (rows, channels * points) z-normalised per channel: the shape without the level."""
    rows = level.reshape(level.shape[0], channels, -1)
    mean = rows.mean(axis=2, keepdims=True)
    size = rows.std(axis=2, keepdims=True)
    limit = 1e-6 * np.abs(rows).max(axis=2, keepdims=True) + 1e-12
    return ((rows - mean) / np.maximum(size, limit)).reshape(level.shape)


def build(
    card: SystemCard,
    profiles: Sequence[Profile],
    context: Ints,
    vehicle: Ints,
    fault: Ints,
    n_contexts: int,
    fault_names: tuple[str, ...],
    groups: tuple[str, ...] | None = None,
) -> SystemData:
    """SystemData of reference profiles. All profiles must have the same channels.

    groups: keep only the numbers of these kinds of stray, and only the shape of the curves;
    for captures of another condition or family, whose levels and times may rightly differ.
    """
    names = sorted({name for p in profiles for name in p.numbers})
    columns = columns_of(card, names)
    x = table(columns, profiles)
    good = fault < 0
    useful = _useful(columns, x, good)
    if groups is not None:
        useful &= np.array([c.group in groups for c in columns])
    columns = tuple(c for c, keep in zip(columns, useful, strict=True) if keep)
    x = x[:, useful]
    channels = _channels(profiles)
    grids = grids_of(profiles, channels)
    warp = fit_warp(grids, good, context, n_contexts, card.events.warp)
    floor = _spread_floor(curves(profiles, "usual", channels))
    return SystemData(
        columns, x, floors(columns, x[good]), _kept(all_curves(profiles, channels, floor), groups),
        grids, context, vehicle, fault, n_contexts, fault_names,
        warp_rows(warp, grids, context, context), np.arange(len(profiles)), warp, floor,
        GROUPS if groups is None else groups,
    )  # fmt: skip


def _kept(curves: dict[str, Floats], groups: tuple[str, ...] | None) -> dict[str, Floats]:
    if groups is None:
        return curves
    return {name: curve for name, curve in curves.items() if name.endswith("-shape")}


def _channels(profiles: Sequence[Profile]) -> int:
    return max((p.usual.shape[0] for p in profiles), default=1)


def _useful(columns: Sequence[Column], x: Floats, good: Bools) -> Bools:
    """Columns that most good captures show; `shown` columns stay where goods mostly agree."""
    if not good.any():
        return np.ones(len(columns), bool)
    present = np.isfinite(x[good]).mean(axis=0)
    agreed = np.array([c.shown for c in columns]) & (np.nan_to_num(x[good]).mean(axis=0) < 0.7)
    return (present > 0.6) & ~agreed


def all_curves(
    profiles: Sequence[Profile], channels: int, spread_floor: float
) -> dict[str, Floats]:
    """The curve views by name: level and shape of the typical event, level of the close look."""
    usual = curves(profiles, "usual", channels)
    out = {"event": usual, "event-shape": shape_curves(usual, channels)}
    if any(p.zoom.size for p in profiles):
        zoom = curves(profiles, "zoom", channels)
        out["close"] = zoom
        out["close-shape"] = shape_curves(zoom, channels)
    out["event-spread"] = np.log(curves(profiles, "spread", channels) + spread_floor)
    return out


def _spread_floor(usual: Floats) -> float:
    size = np.nanstd(usual)
    return float(0.01 * size) if np.isfinite(size) and size > 0 else 1e-9


def grids_of(profiles: Sequence[Profile], channels: int) -> Floats:
    """Typical events (rows, channels, points) as float64; NaN where a profile lacks them."""
    points = max((p.usual.shape[1] for p in profiles), default=0)
    out = np.full((len(profiles), channels, points), np.nan)
    for i, p in enumerate(profiles):
        if p.usual.shape == (channels, points):
            out[i] = p.usual
    return out


def one_more(data: SystemData, profile: Profile, context: int) -> SystemData:
    """The rows of one query in the terms of `data` (same columns and curves)."""
    channels = data.grids.shape[1]
    mine = all_curves([profile], channels, data.spread_floor)
    made = {
        name: mine.get(name, np.full((1, known.shape[1]), np.nan))
        for name, known in data.curves.items()
    }
    grids = (
        grids_of([profile], channels)
        if profile.usual.shape == data.grids.shape[1:]
        else np.full((1, *data.grids.shape[1:]), np.nan)
    )
    place = np.array([context])
    return SystemData(
        data.columns, table(data.columns, [profile]), data.floor, made, grids, place,
        np.array([-1]), np.array([-1]), data.n_contexts, data.fault_names,
        warp_rows(data.warp, grids, place, data.context), np.array([-1]), data.warp,
        data.spread_floor, data.groups,
    )  # fmt: skip
