"""Rules for toothed wheels: `teeth` (one tooth an event) and `revolution` (gap to gap)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.tools import Floats, crossings, smooth, thin


def tooth_edges(signal: Signal, params: Mapping[str, Any]) -> Floats:
    """Instants of the tooth edges (fractional samples), falling or rising as `edge` says.

    Level: zero for an inductive sensor with `level = "zero"`, else the middle of the range.
    An inductive sensor's amplitude follows speed, so its hysteresis follows the local amplitude.
    """
    x = signal.channel(params.get("role", ""))
    row = signal.row(params.get("role", ""))
    low, high = np.quantile(thin(x), [0.02, 0.98])
    reach = float(high - low)
    if reach < 6.0 * float(signal.noise[row]):
        return np.zeros(0)
    if params.get("level") == "zero":
        level = float(np.median(thin(x))) if low < 0 < high else float(low + high) / 2.0
        level = 0.0 if abs(level) > 0.3 * reach else level
    else:
        level = float(low + high) / 2.0
    up, down = crossings(x, level, params.get("hysteresis", 0.25) * reach)
    return down if params.get("edge", "down") == "down" else up


def pitch_ratio(edges: Floats) -> Floats:
    """Each tooth period over the median of its neighbours (five either side)."""
    period = np.diff(edges)
    if period.size < 3:
        return np.ones(period.size)
    reach = min(5, (period.size - 1) // 2)
    padded = np.pad(period, reach, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return period / np.median(windows, axis=1)


def gaps(edges: Floats, least: float = 1.5) -> np.ndarray:
    """Indices of the tooth periods that are gaps: at least `least` times their neighbours."""
    return np.flatnonzero(pitch_ratio(edges) > least)


def teeth_per_gap(gap: np.ndarray, expected: float = 0.0) -> int:
    """Tooth periods from gap to gap: the most frequent distance, the expected one in a tie."""
    steps = np.diff(gap)
    steps = steps[steps > 3]
    if steps.size == 0:
        return int(expected)
    values, counts = np.unique(steps, return_counts=True)
    if expected > 0 and np.any(np.abs(values - expected) <= 1):
        return int(values[np.argmin(np.abs(values - expected))])
    return int(values[np.argmax(counts)])


@rule("revolution")
def revolution(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One crank revolution, from the first tooth after a gap to the next such tooth.

    Falls back to stretches of the usual number of teeth where the gap cannot be found, and to
    single teeth where that number is unknown. params: as `tooth_edges`, revolutions per event.
    """
    edges = tooth_edges(signal, params)
    if edges.size < 6:
        return none_found()
    gap = gaps(edges, params.get("gap_ratio", 1.5))
    expected = hint.get("teeth", 0.0)
    count = teeth_per_gap(gap, expected)
    scout = {"teeth": float(count)} if count else {}
    marks = {"edge": edges, "gap": gap.astype(float)}
    if count:
        first = _regular(gap, count) + 1
        first = first[(first >= 0) & (first + count < edges.size)]
    else:
        count = int(expected) or 1
        first = np.arange(0, edges.size - count, count)
    turns = int(params.get("revolutions", 1))
    if turns > 1 and first.size > turns:
        first = first[: first.size - turns + 1 : turns]
    last = first + count * turns
    ok = last < edges.size
    if not ok.any():
        return none_found(scout)
    start, stop = edges[first[ok]], edges[last[ok]]
    marks["first_tooth"] = first[ok].astype(float)
    return make(signal, start, stop, start, (0.0, 360.0 * turns), marks, scout)


def _regular(gap: np.ndarray, count: int) -> np.ndarray:
    """The gaps that keep step with each other at `count` teeth; odd ones (a broken tooth) go."""
    phases = gap % count
    best = np.bincount(phases, minlength=count)
    spread = best + np.roll(best, 1) + np.roll(best, -1)
    centre = int(np.argmax(spread * 1000 + best))
    distance = np.abs((phases - centre + count // 2) % count - count // 2)
    return gap[distance <= 1]


@rule("teeth")
def teeth(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One tooth (edge to edge) an event. params: as `tooth_edges`; per_event teeth."""
    edges = tooth_edges(signal, params)
    per_event = int(params.get("per_event", 1))
    if edges.size < per_event + 2:
        return none_found()
    starts = edges[:-per_event:per_event]
    stops = edges[per_event::per_event][: starts.size]
    starts = starts[: stops.size]
    pitch = float(np.median(np.diff(edges)))
    scout = {"cycle_hz": signal.rate_hz / pitch}
    return make(signal, starts, stops, starts, (0.0, 100.0), {"edge": edges}, scout)


def flatten(x: Floats, width: int) -> Floats:
    """x (n,) without its slow part (moving average over `width` samples)."""
    return x - smooth(x, width)
