"""Why: the terms, the readings, the places and the events behind a stray, from the same model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from matching.answer import Deviation, EventStray, NearCurve, Overlay, Reading, Term
from matching.grid import rebin
from matching.model.system import Placing, SystemModel
from matching.model.views import by_group
from matching.profile import Inspection, Profile
from matching.tools import Floats
from refdb.cards import GROUPS, CardMeasurement, SystemCard

# Half-width of a good range in spreads; 2.24 leaves 2.5 % of Gaussian vehicles outside (1.25 % on
# either side), a customary choice, no source.
RANGE_SPREADS = 2.24
MOST_DEVIATIONS = 6
# A kind of stray that adds less than this is not told.
LEAST_SHARE = 0.005
_TEXT = {
    "level": "levels and sizes",
    "shape": "shape of the event",
    "timing": "times and rates",
    "regularity": "evenness from event to event",
    "spectrum": "share of the harmonics",
}


def terms_of(model: SystemModel, placing: Placing, fault_name: str) -> tuple[Term, ...]:
    """The kinds of stray that add to the total, largest share first. Shares sum to 1."""
    sums = by_group(placing.parts[None, :], model.space.axes)[0]
    good = model.left.groups[model.data.good]
    edge = np.nanquantile(good, 0.95, axis=0)
    found = [
        (name, float(np.sqrt(s / max(e, 1e-12))), float(s), _TEXT[name])
        for name, s, e in zip(GROUPS, sums, edge, strict=True)
        if s > 0
    ]
    far = max(placing.far_units, 0.0)
    along = max(placing.along_units, 0.0)
    whole = sum(s for _, _, s, _ in found) or 1.0
    direction = along / (far + along) if far + along > 0 else 0.0
    out = [Term(n, stray, (1 - direction) * s / whole, text) for n, stray, s, text in found]
    if direction > 0 and fault_name:
        assert model.along_door is not None
        text = f"lies in the direction of {fault_name}"
        out.append(Term("direction", along / _along_edge(model), direction, text))
    told = sorted((t for t in out if t.share >= LEAST_SHARE), key=lambda t: -t.share)
    sum_told = sum(t.share for t in told)
    return tuple(replace(t, share=t.share / sum_told) for t in told)


def _along_edge(model: SystemModel) -> float:
    """The good vehicles' 95th percentile along the likeliest fault, in door units."""
    assert model.along_door is not None
    rows = model.data.good
    best = np.nanmax(np.where(np.isfinite(model.left.along), model.left.along, -1e9), axis=1)
    units = model.along_door.units(best[rows], model.data.context[rows])
    return max(float(np.quantile(units, 0.95)), 0.5)


def readings_of(
    card: SystemCard, model: SystemModel | None, context: int, profile: Profile, source: str
) -> tuple[Reading, ...]:
    """Each measurement of the card against the good range of the context."""
    return tuple(_reading(m, model, context, profile, source) for m in card.measurements)


def _reading(
    m: CardMeasurement, model: SystemModel | None, context: int, profile: Profile, source: str
) -> Reading:
    value = profile.measured.get(m.name, float("nan"))
    low, high = _good_range(m, model, context)
    if low is None and high is None:
        low, high, source = m.low, m.high, m.source
    if not np.isfinite(value):
        return Reading(m.name, None, m.unit, low, high, "not-judged", source, m.text)
    if low is None and high is None:
        return Reading(m.name, value, m.unit, None, None, "not-judged", "no range known", m.text)
    outside = (low is not None and value < low) or (high is not None and value > high)
    return Reading(
        m.name, value, m.unit, low, high, "outside" if outside else "inside", source, m.text
    )


def _good_range(
    m: CardMeasurement, model: SystemModel | None, context: int
) -> tuple[float | None, float | None]:
    if model is None:
        return None, None
    for j, column in enumerate(model.data.columns):
        if column.measured and not column.shown and column.name == m.name:
            centre = model.space.numbers.centre[context, j]
            reach = RANGE_SPREADS * model.space.numbers.scale[context, j]
            if column.log:
                return float(np.exp(centre - reach)), float(np.exp(centre + reach))
            return float(centre - reach), float(centre + reach)
    return None, None


def good_band(model: SystemModel, context: int) -> tuple[Floats, Floats, Floats] | None:
    """5th, 50th and 95th percentile (channels, points) of good events; None: too few."""
    rows = model.data.good & (model.data.context == context)
    grids = model.data.grids[rows]
    grids = grids[np.isfinite(grids).all(axis=(1, 2))]
    if grids.shape[0] < 2:
        return None
    low, middle, high = np.quantile(grids, [0.05, 0.5, 0.95], axis=0)
    return low, middle, high


def deviations_of(
    card: SystemCard, model: SystemModel, context: int, profile: Profile
) -> tuple[Deviation, ...]:
    """Places where the typical event leaves the range of all good ones, largest first."""
    rows = model.data.good & (model.data.context == context)
    grids = model.data.grids[rows]
    grids = grids[np.isfinite(grids).all(axis=(1, 2))]
    if grids.shape[0] < 3 or profile.usual.shape != grids.shape[1:]:
        return ()
    if not np.isfinite(profile.usual).all():
        return ()
    middle = np.median(grids, axis=0)
    reach = np.maximum(grids.max(axis=0) - middle, middle - grids.min(axis=0))
    found: list[tuple[float, Deviation]] = []
    for c, role in enumerate(profile.roles):
        floor = 0.02 * float(np.ptp(middle[c])) + 1e-12
        limit = _widened(reach[c]) + floor
        excess = profile.usual[c] - middle[c]
        out = np.abs(excess) > limit
        for a, b in _runs(out, least=4):
            found.append(_one_deviation(card, profile, role, c, excess, limit, a, b))
    found.sort(key=lambda pair: -pair[0])
    return tuple(d for _, d in found[:MOST_DEVIATIONS])


def _widened(reach: Floats, points: int = 4) -> Floats:
    """Running maximum of reach (n,), so that a steep edge a point early is not called a place."""
    padded = np.pad(reach, points, mode="edge")
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * points + 1).max(axis=1)


def _runs(out: np.ndarray, least: int) -> list[tuple[int, int]]:
    padded = np.concatenate(([False], out, [False]))
    change = np.flatnonzero(padded[1:] != padded[:-1])
    return [
        (int(a), int(b)) for a, b in zip(change[::2], change[1::2], strict=True) if b - a >= least
    ]


def _one_deviation(
    card: SystemCard, profile: Profile, role: str, c: int, excess: Floats, limit: Floats,
    a: int, b: int,
) -> tuple[float, Deviation]:  # fmt: skip
    peak = a + int(np.argmax(np.abs(excess[a:b])))
    size = float(excess[peak])
    lo, hi = profile.axis
    per_point = (hi - lo) / excess.size
    start, stop = lo + a * per_point, lo + b * per_point
    unit, axis_unit = profile.units[c], card.events.axis_unit
    way = "above" if size > 0 else "below"
    sentence = (
        f"{role} is {abs(size):.3g} {unit} {way} the usual {card.events.unit_name} "
        f"from {start:.3g} to {stop:.3g} {axis_unit}"
    )
    weight = float(np.sum(np.abs(excess[a:b]) / limit[a:b]))
    return weight, Deviation(role, start, stop, axis_unit, size, unit, sentence)


def events_of(model: SystemModel, context: int, seen: Inspection) -> tuple[EventStray, ...]:
    """Stray of every picked event: 1 is twice the joint spread of vehicles and of events."""
    band = good_band(model, context)
    if band is None or seen.event_grid.shape[1:2] != model.data.grids.shape[1:2]:
        return ()
    if seen.event_grid.shape[0] == 0:
        return ()
    rows = model.data.good & (model.data.context == context)
    points = seen.event_grid.shape[2]
    grids = rebin(model.data.grids[rows], points)
    grids = grids[np.isfinite(grids).all(axis=(1, 2))]
    middle = np.median(grids, axis=0)
    vehicles = np.maximum(
        1.4826 * np.median(np.abs(grids - middle), axis=0), 0.6 * grids.std(axis=0)
    )
    own = np.median(seen.event_grid, axis=0)
    inside = 1.4826 * np.median(np.abs(seen.event_grid - own), axis=0)
    scale = np.sqrt(vehicles**2 + inside**2)
    scale = np.maximum(scale, 0.02 * np.ptp(middle, axis=1, keepdims=True) + 1e-12)
    z = (seen.event_grid - middle) / scale
    stray = np.sqrt(np.mean(np.minimum(z**2, 100.0), axis=(1, 2))) / 2.0
    return tuple(
        EventStray(int(i), float(seen.event_start_s[i]), float(s))
        for i, s in zip(seen.picked, stray, strict=True)
    )


def overlay_of(
    card: SystemCard, model: SystemModel, context: int, seen: Inspection,
    fault_row: int, fault_name: str, good_row: int, near: Sequence[tuple[int, str, int]] = (),
) -> Overlay | None:  # fmt: skip
    """Curves for a picture; None where the context has too few good events.

    near: (reference, fault or "", row of the model's data) of references to carry along.
    """
    band = good_band(model, context)
    profile = seen.profile
    if band is None or profile.usual.shape != band[0].shape:
        return None
    lo, hi = profile.axis
    points = profile.usual.shape[1]
    axis = lo + (np.arange(points) + 0.5) * (hi - lo) / points
    return Overlay(
        axis, card.events.axis_unit, profile.roles, profile.units,
        profile.usual.astype(np.float64), *band,
        model.data.grids[fault_row] if fault_row >= 0 else None, fault_name,
        model.data.grids[good_row] if good_row >= 0 else None, seen.event_grid,
        tuple(NearCurve(ref, fault, model.data.grids[row]) for ref, fault, row in near),
    )  # fmt: skip


def not_judged(readings: Sequence[Reading]) -> tuple[str, ...]:
    """Names of the measurements that were not judged."""
    return tuple(r.name for r in readings if r.state == "not-judged")


def outside_readings(readings: Sequence[Reading]) -> list[Reading]:
    """Readings outside their range, the ones to tell first in front.

    Cards list the numbers of a system in the order a technician reads them, so among readings
    that lie about as far outside, the card's order stands.
    """
    out = [(min(_excess(r), 5.0), r) for r in readings if r.state == "outside"]
    if not out:
        return []
    most = max(e for e, _ in out)
    front = [r for e, r in out if e >= 0.3 * most]
    return front + [r for e, r in out if e < 0.3 * most]


def _excess(r: Reading) -> float:
    """How far a reading lies outside its range, in half-widths of it."""
    assert r.value is not None
    low = r.low if r.low is not None else -np.inf
    high = r.high if r.high is not None else np.inf
    half = (high - low) / 2.0 if np.isfinite(high - low) else abs(r.value)
    return float(max(r.value - high, low - r.value) / max(half, 1e-12))
