"""Leaving one vehicle out: what every reference looks like to the others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from matching.model.data import SystemData
from matching.model.known import Directions, fit_directions, fit_metric
from matching.model.views import by_group, fit_space
from matching.model.warp import Warped
from matching.tools import Bools, Floats
from refdb.cards import GROUPS

# More vehicles than this are left out in groups of several: the figures change little, the time
# grows only with the number of groups.
MOST_FOLDS = 30


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """Every reference row judged without its own vehicle.

    size: (rows,) whitened length in the joint space; groups: (rows, groups) its square by kind of
    stray, in the order of cards.GROUPS; along: (rows, faults) along each fault's direction, NaN
    where the fault is not known without the row; length: (rows, faults) of the directions then;
    largest: (rows,) log of the largest deviation of a single measurement.
    """

    size: Floats
    largest: Floats
    groups: Floats
    along: Floats
    length: Floats

    def usual_size(self, good: Bools) -> float:
        """Median whitened length of the good rows, each judged without its own vehicle."""
        return float(np.nanmedian(self.size[good]))


def take(data: SystemData, keep: Bools) -> SystemData:
    """The rows of `data` where keep (rows,) is True."""
    return replace(
        data,
        x=data.x[keep],
        curves={name: curve[keep] for name, curve in data.curves.items()},
        grids=data.grids[keep],
        context=data.context[keep],
        vehicle=data.vehicle[keep],
        fault=data.fault[keep],
        warped=Warped(data.warped.level[keep], data.warped.shape[keep], data.warped.timing[keep]),
        ids=data.ids[keep],
    )


def folds(data: SystemData) -> Iterator[Bools]:
    """Which rows are left out together: all of one vehicle, or of a group of vehicles.

    Vehicles are dealt like cards in the order of context and label, so that a group is spread
    over contexts and labels.
    """
    order = np.lexsort((data.fault, data.context))
    vehicles = list(dict.fromkeys(data.vehicle[order].tolist()))
    groups = min(MOST_FOLDS, len(vehicles))
    for g in range(groups):
        yield np.isin(data.vehicle, vehicles[g::groups])


def leave_out(data: SystemData, faults: int) -> LeftOut:
    """Judge every row of `data` by the rows of the other vehicles."""
    along = np.full((data.rows, faults), np.nan)
    length = np.full((data.rows, faults), np.nan)
    size = np.full(data.rows, np.nan)
    largest = np.full(data.rows, np.nan)
    groups = np.full((data.rows, len(GROUPS)), np.nan)
    for out in folds(data):
        rest = take(data, ~out)
        mine = take(data, out)
        if rest.good.sum() < 2:
            continue
        space = fit_space(rest)
        known, z = space.joint(rest), space.joint(mine)
        metric = fit_metric(known, rest.fault)
        parts = metric.parts(z)
        size[out] = np.sqrt(parts.sum(axis=1))
        largest[out] = space.largest(z, metric.origin)
        groups[out] = by_group(parts, space.axes)
        directions = fit_directions(known, rest.fault, metric)
        if directions is not None:
            _place(along, out, directions, directions.along(z))
            _place(length, out, directions, np.tile(directions.length, (z.shape[0], 1)))
    return LeftOut(size, largest, groups, along, length)


def _place(target: Floats, out: Bools, directions: Directions, values: Floats) -> None:
    """Write columns of the faults that the directions know into rows `out` of target."""
    target[np.ix_(np.flatnonzero(out), directions.index)] = values
