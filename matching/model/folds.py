"""Leaving one vehicle out: what every reference looks like to the others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from matching.model.data import SystemData
from matching.model.known import Directions, fit_directions
from matching.model.views import Space, fit_space
from matching.tools import Bools, Floats

# More vehicles than this are left out in groups of several: the figures change little, the time
# grows only with the number of groups.
MOST_FOLDS = 40


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """Every reference row judged without its own vehicle.

    views: (rows, views) log outlyingness; along: (rows, faults) along each fault's direction;
    size: (rows,) whitened length in the joint space; apart: (rows, faults) distance to means.
    """

    views: Floats
    along: Floats
    size: Floats
    apart: Floats


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


def leave_out(data: SystemData, space: Space, faults: int) -> LeftOut:
    """Judge every row of `data` by the rows of the other vehicles. space: fitted to all rows."""
    views = np.full((data.rows, len(space.names)), np.nan)
    along = np.full((data.rows, faults), np.nan)
    apart = np.full((data.rows, faults), np.nan)
    size = np.full(data.rows, np.nan)
    for out in folds(data):
        rest = take(data, ~out)
        mine = take(data, out)
        if rest.good.sum() < 2:
            continue
        fold_space = fit_space(rest)
        views[out] = fold_space.views(mine)
        directions = fit_directions(fold_space.joint(rest), rest.fault)
        if directions is None:
            continue
        z = fold_space.joint(mine)
        place(along, out, directions, directions.along(z))
        place(apart, out, directions, directions.apart(z))
        size[out] = directions.size(z)
    return LeftOut(views, along, size, apart)


def place(target: Floats, out: Bools, directions: Directions, values: Floats) -> None:
    """Write columns of the faults that the directions know into rows `out` of target."""
    rows = np.flatnonzero(out)
    target[np.ix_(rows, directions.index)] = values
