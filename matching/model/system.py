"""One system's model: fitted once to its references, then asked about one capture at a time.

Three doors lead to a stray, and their sum counts: the whole deviation (many small ones), the
largest single measurement (one large one), and the likeness to the direction of a known fault.
Each is standardised by the good vehicles, every one judged without itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.model.conformal import p_value, per_vehicle, smallest
from matching.model.data import SystemData
from matching.model.folds import LeftOut, leave_out
from matching.model.known import Directions, Metric, fit_directions, fit_metric
from matching.model.naming import Namer, fit_namer, likeness_of
from matching.model.spread import POOL_WEIGHT
from matching.model.views import Space, fit_space
from matching.tools import Floats

EDGE_QUANTILE = 0.95
# Stands for no vehicle where one may be left out; queries have -1.
NOBODY = -2


@dataclass(frozen=True, slots=True, eq=False)
class Door:
    """A raw score in good standard deviations above the good median of its context.

    centre, scale: (contexts,), from left-out good rows, shrunk toward the system's.
    """

    centre: Floats
    scale: Floats

    def units(self, raw: Floats, context: np.ndarray) -> Floats:
        """raw (rows,) standardised; NaN stays."""
        return (raw - self.centre[context]) / self.scale[context]


@dataclass(frozen=True, slots=True, eq=False)
class SystemModel:
    """Everything that judging needs. good_total: (vehicles,) one left-out total per good vehicle,
    sorted; edge: its 95th percentile; middle: its median."""

    data: SystemData
    space: Space
    metric: Metric
    directions: Directions | None
    far_door: Door
    top_door: Door
    along_door: Door | None
    namer: Namer | None
    left: LeftOut
    total: Floats
    good_total: Floats
    edge: float
    middle: float


def fit_system(data: SystemData) -> SystemModel:
    """The model of a system (or of one context's substitutes) from at least two good vehicles."""
    space = fit_space(data)
    z = space.joint(data)
    metric = fit_metric(z, data.fault)
    directions = fit_directions(z, data.fault, metric)
    left = leave_out(data, len(data.fault_names))
    far_door = _door(np.log(left.size), data)
    best = _best(left.along)
    along_door = _door(best, data) if directions is not None else None
    top_door = _door(left.largest, data)
    total = far_door.units(np.log(left.size), data.context)
    total = total + top_door.units(left.largest, data.context)
    if along_door is not None:
        total = total + np.nan_to_num(along_door.units(best, data.context))
    good_total = np.sort(per_vehicle(total[data.good], data.vehicle[data.good]))
    return SystemModel(
        data, space, metric, directions, far_door, top_door, along_door, learn_namer(data, left),
        left, total, good_total, float(np.quantile(good_total, EDGE_QUANTILE)),
        float(np.median(good_total)),
    )  # fmt: skip


def _best(along: Floats) -> Floats:
    """Largest of the known entries per row (rows, faults); NaN where none is known."""
    filled = np.where(np.isfinite(along), along, -np.inf)
    best = filled.max(axis=1, initial=-np.inf)
    return np.where(np.isfinite(best), best, np.nan)


def _door(raw: Floats, data: SystemData) -> Door:
    """Standardise by the left-out good rows, each context pulled toward the whole system."""
    good = data.good & np.isfinite(raw)
    values = raw[good]
    overall, size = float(np.median(values)), max(float(values.std()), 1e-6)
    centre = np.full(data.n_contexts, overall)
    scale = np.full(data.n_contexts, size)
    for c in range(data.n_contexts):
        own = raw[good & (data.context == c)]
        n = own.size
        if n >= 3:
            part = n / (n + POOL_WEIGHT)
            centre[c] = part * float(np.median(own)) + (1 - part) * overall
            scale[c] = np.sqrt(part * float(own.var()) + (1 - part) * size**2)
    return Door(centre, scale)


def learn_namer(data: SystemData, left: LeftOut, without: int = NOBODY) -> Namer | None:
    """Learn from the library's own faults when the likeliest name was right.

    Each fault row counts twice: with its own fault among the candidates, and with that fault
    taken away, which is what an unknown fault looks like.  without: a vehicle that is not asked.
    """
    rows = np.flatnonzero(~data.good & np.isfinite(left.size) & (data.vehicle != without))
    if rows.size < 6:
        return None
    evidence, right = [], []
    good_size = left.usual_size(data.good)
    for i in rows:
        for hide in (False, True):
            along = left.along[i].copy()
            if hide:
                along[data.fault[i]] = np.nan
            if not np.isfinite(along).any():
                continue
            best, facts = likeness_of(along, left.length[i], float(left.size[i]), good_size)
            evidence.append(facts)
            right.append(best == data.fault[i])
    return fit_namer(np.array(evidence), np.array(right))


@dataclass(frozen=True, slots=True, eq=False)
class Placing:
    """Where one capture lies.

    total, stray, p_value; size: whitened length; parts: (axes,) what each axis adds to its
    square; z: (axes,) the capture in the joint space; far_units: the whole and
    the largest single deviation; along_units: likeness to a known fault;
    best: likeliest fault's index or -1; sure: probability that its name is right; margin: lead
    over the next fault; typical: how typical of that fault (conformal).
    """

    total: float
    stray: float
    p_value: float
    parts: Floats
    z: Floats
    size: float
    far_units: float
    along_units: float
    best: int
    sure: float
    margin: float
    typical: float


def place(model: SystemModel, row: SystemData) -> Placing:
    """Place one capture (a SystemData of one row) among the references."""
    z = model.space.joint(row)
    parts = model.metric.parts(z)[0]
    size = float(np.sqrt(max(parts.sum(), 1e-12)))
    far = model.far_door.units(np.array([np.log(size)]), row.context)[0]
    along_units, best, sure, margin, typical = 0.0, -1, 0.0, 0.0, 0.0
    if model.directions is not None and model.along_door is not None:
        along = model.directions.along(z)[0]
        along_units = float(model.along_door.units(along.max()[None], row.context)[0])
        good_size = model.left.usual_size(model.data.good)
        k, evidence = likeness_of(along, model.directions.length, size, good_size)
        best = int(model.directions.index[k])
        sure = float(model.namer.sure(evidence[None, :])[0]) if model.namer else 0.0
        order = np.sort(along)
        margin = float(order[-1] - order[-2]) if order.size > 1 else float(order[-1])
        typical = typicality(model, best, float(along.max()), size)
        if model.directions.index.size == 1 and typical <= _least_typical(model, best):
            sure = 0.0  # nothing taught the namer what another fault looks like
    largest = model.space.largest(z, model.metric.origin)
    top = float(model.top_door.units(largest, row.context)[0])
    total = float(far + top + along_units)
    return Placing(
        total, stray_of(model, total), p_value(model.good_total, total), parts, z[0], size,
        float(far), along_units, best, sure, margin, typical,
    )  # fmt: skip


def _least_typical(model: SystemModel, fault: int) -> float:
    """The p-value of a capture that is less like a fault than every vehicle with it."""
    return smallest(np.unique(model.data.vehicle[model.data.fault == fault]).size)


def stray_of(model: SystemModel, total: float) -> float:
    """A total as stray: 0.5 at the good median, 1 at the edge, then growing evenly.

    Halving with each step from median to edge inside, so that it never falls to nothing; a
    straight line of the same slope outside, so that gross faults stay numbers one can say.
    """
    t = (total - model.edge) / max(model.edge - model.middle, 1e-6)
    return float(2.0**t) if t <= 0 else float(1.0 + np.log(2.0) * t)


def typicality(
    model: SystemModel, fault: int, along: float, size: float, without: int = NOBODY
) -> float:
    """Conformal p-value: how typical the angle to the fault's direction is of that fault's own
    left-out vehicles. without: a vehicle that is not ranked among them."""
    known = np.isfinite(model.left.along[:, fault]) & (model.data.vehicle != without)
    rows = np.flatnonzero((model.data.fault == fault) & known)
    if rows.size == 0:
        return 0.0
    angle = -model.left.along[rows, fault] / np.maximum(model.left.size[rows], 1e-9)
    return p_value(per_vehicle(angle, model.data.vehicle[rows]), -along / max(size, 1e-9))
