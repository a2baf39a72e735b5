"""Timing of a repeating pulse pattern without a crank beside it: shares, regularity, odd cycles."""

from __future__ import annotations

import numpy as np

from matching.events.cam_pattern import alternating
from matching.measurements import Cut
from matching.measurements.sheet import register_sheet
from matching.tools import Floats, mad_sigma
from refdb.cards import CardMeasurement

PATTERN = {
    "pulses": "Pulses after which the pattern repeats, 1.",
    "cycle-hz": "Cycles of the pattern per second, Hz.",
    "rpm": "Crank speed if the pattern spans 720 deg, rpm: 120 over the cycle time.",
    "high-share": "High share of the cycle, %.",
    "widest": "Widest high stretch, % of the cycle.",
    "narrowest": "Narrowest high stretch, % of the cycle.",
    "widest-low": "Widest low stretch, % of the cycle.",
    "narrowest-low": "Narrowest low stretch, % of the cycle.",
}
STEADINESS = {
    "repeat": "Median difference of a stretch from the one a cycle later, %.",
    "repeat-worst": "95 % quantile of those differences, %.",
    "cycle-spread": "Median change of the cycle time from one to the next, %.",
    "short": "Stretches shorter than a third of the narrowest usual one, per hundred.",
    "long": "Stretches longer than 1.5 times the widest usual one, per hundred.",
}


def _sheet(cut: Cut, wanted: CardMeasurement) -> dict[str, float]:
    marks = cut.events.marks
    if "pulses" not in marks:
        return {"pulses": 0.0}
    m = int(marks["pulses"][0])
    rise, fall = alternating(marks["up"], marks["down"])
    if rise.size < m + 1:
        return {"pulses": float(m)}
    cycle = rise[m:] - rise[:-m]
    usual = float(np.median(cycle))
    out = {
        "pulses": float(m),
        "cycle-hz": cut.rate_hz / usual,
        "rpm": 120.0 * cut.rate_hz / usual,
        "high-share": 100.0 * float(np.median(_sums(fall - rise, m)[: cycle.size] / cycle)),
    }
    high = _places((fall - rise)[: cycle.size] / cycle, m)
    low = _places((rise[1:] - fall[:-1])[: cycle.size] / cycle, m)
    out |= {
        "widest": 100.0 * high.max(),
        "narrowest": 100.0 * high.min(),
        "widest-low": 100.0 * low.max(),
        "narrowest-low": 100.0 * low.min(),
    }
    return out | _steadiness(rise, fall, m, cycle, high, low)


def _sums(values: Floats, m: int) -> Floats:
    total = np.concatenate(([0.0], np.cumsum(values)))
    return total[m:] - total[:-m]


def _places(share: Floats, m: int) -> Floats:
    """Median share of each of the m stretches of the cycle."""
    return np.array([np.median(share[k::m]) for k in range(min(m, share.size))])


def _steadiness(
    rise: Floats, fall: Floats, m: int, cycle: Floats, high: Floats, low: Floats
) -> dict[str, float]:
    out: dict[str, float] = {}
    apart = [
        np.abs(np.log(part[m:] / part[:-m]))
        for part in (fall - rise, rise[1:] - fall[:-1])
        if part.size > m
    ]
    if apart and sum(a.size for a in apart) >= 3:
        joined = np.concatenate(apart)
        out["repeat"] = 100.0 * float(np.median(joined))
        out["repeat-worst"] = 100.0 * float(np.quantile(joined, 0.95))
    if cycle.size >= 4:
        ratio = np.log(cycle[m:] / cycle[:-m]) if cycle.size > m else np.diff(np.log(cycle))
        out["cycle-spread"] = 100.0 * mad_sigma(ratio)
    usual = float(np.median(cycle))
    stretches = np.concatenate((fall - rise, rise[1:] - fall[:-1])) / usual
    least, most = min(high.min(), low.min()), max(high.max(), low.max())
    out["short"] = 100.0 * float(np.mean(stretches < least / 3.0))
    out["long"] = 100.0 * float(np.mean(stretches > 1.5 * most))
    return out


register_sheet("pattern", PATTERN | STEADINESS, _sheet)
