"""Rule `cam-cycles`: 720 degree cycles of a crank wheel with a cam signal beside it.

Crank angle comes from the crank's teeth and reference gap alone; the cam is only read at those
angles. Cam and crank are never moved against each other: their offset is the diagnosis.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.events.wheel_track import Track, two_modes
from matching.events.wheels import track_marks, track_of, turn_starts
from matching.tools import Floats, crossings, noise_sigma

ORDERS = 12


def crank_degrees(track: Track, starts: Floats, at: Floats) -> Floats:
    """Crank degrees of instants `at` (samples), 0 at the first reference gap.

    Linear between teeth; each turn is scaled to its own two gaps, so that a lost or extra tooth
    does not shift what comes later.
    """
    places = np.interp(starts, track.edge, track.place)
    knot = np.union1d(track.edge, starts)
    place = np.interp(knot, track.edge, track.place)
    turns = np.interp(place, places, np.arange(starts.size, dtype=float))
    before, after = place < places[0], place > places[-1]
    turns[before] = (place[before] - places[0]) / track.turn
    turns[after] = starts.size - 1 + (place[after] - places[-1]) / track.turn
    inside = (at >= knot[0]) & (at <= knot[-1])
    return np.where(inside, 360.0 * np.interp(at, knot, turns), np.nan)


def cam_edges(x: Floats) -> tuple[Floats, Floats]:
    """Rising and falling edges (samples) of a cam signal at the middle of its range."""
    low, high = two_modes(x)
    if high - low < 6.0 * noise_sigma(x) or high <= low:
        return np.zeros(0), np.zeros(0)
    return crossings(x, 0.5 * (low + high), 0.5 * (high - low))


def pattern_orders(rise: Floats, fall: Floats, start: float, stop: float) -> np.ndarray:
    """Complex orders 1..12 of the 720 degree cycle of a two-state signal between start and stop.

    The state's step up at degree a gives exp(-i k a / 720 * 2 pi) / (i k), down the opposite: only
    edges matter, so levels and slow edges do not.
    """
    k = np.arange(1, ORDERS + 1)
    total = np.zeros(ORDERS, complex)
    for edges, sign in ((rise, 1.0), (fall, -1.0)):
        part = edges[(edges >= start) & (edges < stop)]
        if part.size:
            total += sign * np.exp(-2j * np.pi * np.outer(k, part) / 720.0).sum(axis=1)
    return total / (1j * k) / max((stop - start) / 720.0, 1e-9)


def best_order(orders: np.ndarray, expected: float = 0.0) -> int:
    """The lowest order with at least 0.35 of the strongest one's size (1-based)."""
    if 1 <= expected <= ORDERS and abs(orders[int(expected) - 1]) > 0.1 * np.abs(orders).max():
        return int(expected)
    size = np.abs(orders)
    return 1 + int(np.argmax(size >= 0.35 * size.max()))


@rule("cam-cycles")
def cam_cycles(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One 720 degree cycle from the reference gap in the same half of the cam's turn each time.

    params: role (crank) and its kind "emf" | "square"; cam, role of the cam signal. Which of the
    two gaps starts the cycle: the one after which the cam's half-speed component has the phase
    the references agree on, or without them the one with the longer high time after it.
    """
    track = track_of(signal, params, float(hint.get("pitches", 0.0)))
    if track is None:
        return none_found()
    marks = track_marks(track)
    scout = {"pitches": float(track.turn)} if track.turn and track.reference.size > 1 else {}
    starts = turn_starts(track)
    cam_role = params.get("cam", "")
    up, down = cam_edges(signal.channel(cam_role))
    marks |= {"cam_up": up, "cam_down": down, "start": starts}
    if starts.size < 2:
        wanted = np.arange(0, track.place[-1], track.turn or 10)
        starts = np.interp(wanted, track.place, track.edge)
    if starts.size < 3 or up.size + down.size < 2 or not track.turn:
        if starts.size < 2:
            return none_found(scout)
        return make(signal, starts[:-1], starts[1:], starts[:-1], (0.0, 360.0), marks, scout)
    rise, fall = (crank_degrees(track, starts, edges) for edges in (up, down))
    rise, fall = rise[np.isfinite(rise)], fall[np.isfinite(fall)]
    cycles = (starts.size - 1) // 2
    orders = pattern_orders(rise, fall, 0.0, 720.0 * cycles)
    shift = _parity(orders, rise, fall, cycles, hint)
    rise, fall = rise - 360.0 * shift, fall - 360.0 * shift
    orders = orders * np.exp(1j * np.pi * shift * np.arange(1, ORDERS + 1))
    order = best_order(orders, round(hint.get("cam_order", 0.0)))
    marks |= {"cam_rise": rise, "cam_fall": fall, "order": np.array([float(order)])}
    marks["expected"] = np.array([hint.get(f"cam_{part}{order}", np.nan) for part in "cs"])
    scout["cam_order"] = float(order)
    for k in {1, order}:
        unit = orders[k - 1] / max(abs(orders[k - 1]), 1e-12)
        strength = abs(orders[k - 1]) / max(float(np.abs(orders).max()), 1e-12)
        scout |= {f"cam_c{k}": unit.real * min(strength * 5, 1.0)}
        scout |= {f"cam_s{k}": unit.imag * min(strength * 5, 1.0)}
    first = starts[shift::2]
    return make(signal, first[:-1], first[1:], first[:-1], (0.0, 720.0), marks, scout)


def _parity(
    orders: np.ndarray, rise: Floats, fall: Floats, cycles: int, hint: Mapping[str, float]
) -> int:
    """0 or 1: by how many turns the cycles start later than the first gap."""
    first = orders[0]
    if abs(first) < 0.05 * np.abs(orders).max():
        return 0  # the pattern repeats every turn: both gaps are alike
    wanted = complex(hint.get("cam_c1", 0.0), hint.get("cam_s1", 0.0))
    if abs(wanted) > 0.3:
        return 0 if (first * wanted.conjugate()).real >= 0 else 1
    share = _high_share(rise, fall, cycles)
    if abs(share) > 0.02:
        return 0 if share > 0 else 1
    return 0 if first.real >= 0 else 1


def _high_share(rise: Floats, fall: Floats, cycles: int) -> float:
    """High time in the first less that in the second turn of the cycles, as a share of both."""
    grid = (np.arange(720 * cycles) + 0.5) if cycles else np.zeros(0)
    edges = np.concatenate((rise, fall))
    sign = np.concatenate((np.ones(rise.size), -np.ones(fall.size)))
    order = np.argsort(edges)
    if edges.size == 0 or grid.size == 0:
        return 0.0
    index = np.searchsorted(edges[order], grid) - 1
    state = np.where(index >= 0, sign[order][index] > 0, sign[order][0] < 0)
    halves = state.reshape(cycles, 2, 360).mean(axis=(0, 2))
    return float(halves[0] - halves[1])
