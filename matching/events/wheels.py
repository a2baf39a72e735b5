"""Rules for toothed wheels: `teeth` (one tooth an event) and `revolution` (gap to gap)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.events.wheel_track import Track, follow
from matching.tools import Floats, noise_sigma, thin


def track_of(signal: Signal, params: Mapping[str, Any], expected: float = 0.0) -> Track | None:
    """The wheel's track on the role that params name.

    kind: "emf" for inductive, "square" for switching sensors, "auto" to tell by the wave itself.
    """
    role = params.get("role", "")
    kind = params.get("kind", "emf")
    x = signal.channel(role)
    square = two_states(x) if kind == "auto" else kind == "square"
    return follow(x, noise_sigma(x), square, expected)


def two_states(x: Floats) -> bool:
    """Whether x (n,) is nearly always at one of two levels: a sine spends a third of its time in
    the middle half of its range, a switching sensor only its edges."""
    low, high = np.quantile(thin(x), [0.01, 0.99])
    y = (thin(x) - low) / max(float(high - low), 1e-30)
    return float(np.mean((y > 0.25) & (y < 0.75))) < 0.15


def track_marks(track: Track) -> dict[str, Floats]:
    """What the measurements need of a track, as the marks of its events."""
    return {
        "edge": track.edge,
        "opposite": track.opposite,
        "pitch": track.pitch,
        "place": track.place.astype(np.float64),
        "ratio": track.ratio,
        "extra": track.extra,
        "reference": track.reference.astype(np.float64),
        "turn": np.array([float(track.turn)]),
        "lean": np.array([track.lean]),
    }


def turn_starts(track: Track) -> Floats:
    """Instants (fractional samples) at which turns start, gap to gap.

    A reference that was not seen between two others is filled in by the count of pitches. With a
    single reference its neighbours are extrapolated by the local pitch, so that part of a turn
    still gives an event (incomplete).
    """
    turn = track.turn
    if turn == 0 or track.reference.size == 0:
        return np.zeros(0)
    seen, places = track.edge[track.reference], track.place[track.reference]
    starts = [float(seen[0])]
    for b, pa, pb in zip(seen[1:], places[:-1], places[1:], strict=True):
        count = max(round((pb - pa) / turn), 1)
        inner = pa + (pb - pa) * np.arange(1, count) / count
        starts += np.interp(inner, track.place, track.edge).tolist()
        starts.append(float(b))
    if len(starts) == 1:
        k = int(track.reference[0])
        before = float(track.pitch[max(k - turn // 2, 0)])
        after = float(track.pitch[min(k + turn // 2, track.pitch.size - 1)])
        starts = [starts[0] - turn * before, starts[0], starts[0] + turn * after]
    return np.array(starts)


@rule("revolution")
def revolution(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One crank revolution, from the first tooth after a gap to the next such tooth.

    Falls back to the usual number of pitches where the gap cannot be found, and to ten teeth
    where that number is unknown. params: role; kind "emf" | "square"; revolutions per event.
    """
    expected = float(hint.get("pitches", 0.0))
    track = track_of(signal, params, expected)
    if track is None:
        return none_found()
    scout = {"pitches": float(track.turn)} if track.turn and track.reference.size > 1 else {}
    starts = turn_starts(track)
    if starts.size < 2:
        step = track.turn or 10
        wanted = np.arange(0, track.place[-1], step)
        starts = np.interp(wanted, track.place, track.edge)
        if starts.size < 2:
            starts = track.edge[[0, -1]]
    turns = int(params.get("revolutions", 1))
    if starts.size <= turns:
        turns = 1
    start, stop = starts[:-turns:turns], starts[turns::turns]
    n = min(start.size, stop.size)
    axis = (0.0, 360.0 * turns)
    return make(signal, start[:n], stop[:n], start[:n], axis, track_marks(track), scout)


@rule("teeth")
def teeth(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One tooth (edge to edge) an event. params: as `revolution`; per_event teeth.

    The ring has no reference gap: a tooth that is missing turn after turn is a lost one.
    """
    found = track_of(signal, params)
    if found is None:
        return none_found()
    track = replace(found, turn=0, reference=np.zeros(0, np.int64), lean=0.0)
    per_event = int(params.get("per_event", 1))
    edge = track.edge
    if edge.size < per_event + 2:
        return none_found()
    # A lost tooth or gap is no event of its own: only whole steps of one pitch are windows.
    whole = np.concatenate(([0], np.cumsum(track.ratio > 1.45)))
    starts = np.arange(0, edge.size - per_event, per_event)
    clean = whole[starts + per_event] == whole[starts]
    starts = starts[clean] if clean.sum() >= 2 else starts
    marks = track_marks(track)
    pitch = float(np.median(np.diff(edge)))
    scout = {"cycle_hz": signal.rate_hz / pitch}
    begin = edge[starts]
    return make(signal, begin, edge[starts + per_event], begin, (0.0, 100.0), marks, scout)
