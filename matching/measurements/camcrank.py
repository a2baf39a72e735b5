"""Where the cam's edges stand on the crank: angles in crank degrees, their wander and pattern."""

from __future__ import annotations

import numpy as np

from matching.events.cam_cycles import best_order, pattern_orders
from matching.measurements import Cut
from matching.measurements.sheet import register_sheet
from matching.tools import Floats, mad_sigma
from refdb.cards import CardMeasurement

CAM = {
    "angle": "Place of the cam pattern on the crank, deg crank, from the phase of its strongest low"
    " order; unwrapped beside what the context's references show.",
    "cosine": "Cosine of that phase, 1: for contexts whose angle stands at the wrap.",
    "sine": "Sine of that phase, 1.",
    "rises": "Rising cam edges per 720 deg, usual count.",
    "first-rise": "First rising edge after the cycle's gap, deg crank, median over the cycles.",
    "first-fall": "First falling edge after the cycle's gap, deg crank, median over the cycles.",
    "widest": "Widest high stretch of the pattern, deg crank.",
    "narrowest": "Narrowest high stretch of the pattern, deg crank.",
    "widest-low": "Widest low stretch of the pattern, deg crank.",
    "high-share": "High share of the cycle, %.",
}
WANDER = {
    "wander": "Robust spread of the whole pattern's angle from cycle to cycle, deg crank.",
    "wander-worst": "Largest departure of one cycle's pattern from the usual angle, deg crank.",
    "wander-step": "Median change of the pattern's angle from one cycle to the next, deg crank.",
    "edge-spread": "Robust spread of the least steady edge, deg crank.",
    "edge-worst": "Largest departure of a single edge from its usual angle, deg crank.",
    "odd-cycles": "Share of the cycles with more or fewer edges than usual, %.",
    "edges-off": "Mean deviation of the number of edges per cycle from the usual one, 1.",
    "drift": "Angle in the last third less that in the first third, deg crank.",
}


def _sheet(cut: Cut, wanted: CardMeasurement) -> dict[str, float]:
    marks = cut.events.marks
    if "cam_rise" not in marks:
        return {}
    rise, fall = marks["cam_rise"], marks["cam_fall"]
    cycles = cut.events.n
    if cycles < 1 or rise.size + fall.size < 2:
        return {}
    out = _phase(rise, fall, cycles, float(marks["order"][0]), marks["expected"])
    return out | _pattern(rise, fall, cycles) | _wander(rise, fall, cycles)


def _phase(
    rise: Floats, fall: Floats, cycles: int, order: float, expected: Floats
) -> dict[str, float]:
    orders = pattern_orders(rise, fall, 0.0, 720.0 * cycles)
    k = best_order(orders, order)
    turn = 720.0 / k
    angle = -np.angle(orders[k - 1]) / (2.0 * np.pi) * turn
    if np.all(np.isfinite(expected)) and np.hypot(*expected) > 0.1:
        centre = -np.angle(complex(*expected)) / (2.0 * np.pi) * turn
        centre = np.mod(centre, turn)
        angle = centre + (np.mod(angle - centre + turn / 2.0, turn) - turn / 2.0)
    else:
        angle = np.mod(angle, turn)
    phase = 2.0 * np.pi * angle / turn
    return {"angle": float(angle), "cosine": float(np.cos(phase)), "sine": float(np.sin(phase))}


def _usual(edges: Floats, cycles: int) -> tuple[Floats, Floats]:
    """Usual number of edges per cycle and their angles: (cycles that have it, edges).

    Also the number of edges in every cycle, (cycles,).
    """
    number = np.floor(edges / 720.0).astype(np.int64)
    inside = (number >= 0) & (number < cycles)
    counts = np.bincount(number[inside], minlength=cycles).astype(float)
    values, often = np.unique(counts, return_counts=True)
    usual = int(values[np.argmax(often)])
    if usual == 0:
        return np.zeros((0, 0)), counts
    good = np.flatnonzero(counts == usual)
    table = np.stack([np.sort(edges[number == c]) - 720.0 * c for c in good])
    return table, counts


def _pattern(rise: Floats, fall: Floats, cycles: int) -> dict[str, float]:
    ups, _ = _usual(rise, cycles)
    downs, _ = _usual(fall, cycles)
    out = {"rises": float(ups.shape[1])}
    if ups.shape[1]:
        out["first-rise"] = float(np.median(ups[:, 0]))
    if downs.shape[1]:
        out["first-fall"] = float(np.median(downs[:, 0]))
    high, low = _stretches(rise, fall), _stretches(fall, rise)
    if high.size and low.size:
        high, low = _typical(high, cycles), _typical(low, cycles)
        out |= {"widest": high.max(), "narrowest": high.min(), "widest-low": low.max()}
        out["high-share"] = 100.0 * _high_time(rise, fall, 720.0 * cycles) / (720.0 * cycles)
    return out


def _stretches(first: Floats, second: Floats) -> Floats:
    """Degrees from each edge in `first` to the next in `second`."""
    after = np.searchsorted(second, first)
    ok = after < second.size
    return second[after[ok]] - first[ok]


def _high_time(rise: Floats, fall: Floats, stop: float) -> float:
    """Degrees from 0 to stop in which the signal is high."""
    ups = rise[(rise >= 0.0) & (rise < stop)]
    downs = fall[(fall >= 0.0) & (fall < stop)]
    still = ups.size and (not downs.size or ups[-1] > downs[-1])
    return float(downs.sum() - ups.sum() + (stop if still else 0.0))


def _typical(stretch: Floats, cycles: int) -> Floats:
    """The usual stretches of one cycle, ascending: quantiles of all of them."""
    count = max(1, round(stretch.size / max(cycles, 1)))
    places = (np.arange(count) + 0.5) / count
    return np.asarray(np.quantile(stretch, places), dtype=np.float64)


def _wander(rise: Floats, fall: Floats, cycles: int) -> dict[str, float]:
    tables, odd, off = [], np.zeros(cycles, bool), 0.0
    for edges in (rise, fall):
        table, counts = _usual(edges, cycles)
        usual = float(table.shape[1])
        odd |= counts != usual
        off += float(np.mean(np.abs(counts - usual)))
        if table.size:
            tables.append((table - np.median(table, axis=0), counts == usual))
    out = {"odd-cycles": 100.0 * float(odd.mean()), "edges-off": off}
    if not tables or cycles < 2:
        return out
    out["edge-spread"] = max(mad_sigma(column) for t, _ in tables for column in t.T)
    out["edge-worst"] = max(float(np.abs(t).max()) for t, _ in tables)
    both = [t.mean(axis=1) for t, _ in tables if t.shape[0]]
    if len(both) == 2 and both[0].size == both[1].size:
        angle = 0.5 * (both[0] + both[1])
    else:
        angle = max(both, key=lambda b: b.size)
    if angle.size >= 2:
        out["wander"] = mad_sigma(angle) if angle.size >= 4 else float(angle.std())
        out["wander-worst"] = float(np.abs(angle).max())
        out["wander-step"] = float(np.median(np.abs(np.diff(angle))))
        third = max(angle.size // 3, 1)
        out["drift"] = float(angle[-third:].mean() - angle[:third].mean())
    return out


register_sheet("cam", CAM | WANDER, _sheet)
