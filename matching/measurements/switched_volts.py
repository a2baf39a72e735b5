"""What is read off the driver side of a solenoid: supply, on level, kick, needle's hump.

The low side sits at the supply, is pulled to ground for the pulse and kicks when it lets go
(v = L di/dt); on the way back the moving armature bends the decay (motional voltage).
"""

from __future__ import annotations

import numpy as np

from matching.measurements import Cut, measurement
from matching.measurements.picks import picked
from matching.tools import Floats, smooth
from refdb.cards import CardMeasurement

NAN = float("nan")
MOST = 120


def switched_anatomies(cut: Cut, role: str) -> dict[str, Floats]:
    """One value per low-side pulse of each quantity, (events,), in V and s.

    supply: median before the pulse.  on: median from 15 to 95 % of the pulse.  on_rise: mean of its
    last fifth less that of its second (current times driver and ground resistance).  width.
    kick: top after release over the supply.  kick_time: release until the kick has fallen to a
    fifth.  kick_flat: time it stays above 85 % (a clamp).  kick_area: integral over the supply.
    hump, hump_at: strongest concave bend of the decay below half the kick, over the kick per ms,
    and when after release.  bump: largest rise on the way back, V.  fall: 90 to 10 % at turn-on.
    """
    return cut.shared(f"switched:{role}", lambda: _anatomies(cut, role))


def _anatomies(cut: Cut, role: str) -> dict[str, Floats]:
    marks = cut.events.marks
    if "pulse_start" not in marks or cut.events.n == 0:
        return {}
    x, rate = cut.channel(role), cut.rate_hz
    begin, end = marks["pulse_start"], marks["pulse_stop"]
    rest, active = marks["levels"]
    index = np.arange(begin.size)
    if index.size > MOST:
        index = np.linspace(0, index.size - 1, MOST).astype(np.int64)
    rows = []
    for k in index:
        earlier = end[k - 1] + 0.3 * (begin[k] - end[k - 1]) if k else 0.0
        later = begin[k + 1] - 2 if k + 1 < begin.size else x.size
        if end[k] - begin[k] > 4:
            rows.append(_pulse(x, rate, rest, active, begin[k], end[k], earlier, later))
    return {name: np.array([row[name] for row in rows]) for name in rows[0]} if rows else {}


def _pulse(
    x: Floats, rate: float, rest: float, active: float,
    begin: float, end: float, earlier: float, later: float,
) -> dict[str, float]:  # fmt: skip
    width = end - begin

    def part(lo: float, hi: float) -> Floats:
        a = int(begin + lo * width)
        return x[a : max(int(begin + hi * width), a + 1)]

    before = x[int(max(begin - 1.5e-3 * rate, earlier)) : int(max(begin - 0.05e-3 * rate, 1))]
    supply = float(np.median(before)) if before.size > 3 else rest
    on = float(np.median(part(0.15, 0.95)))
    rise = float(part(0.78, 0.97).mean()) - float(part(0.2, 0.4).mean())
    edge = x[int(max(begin - 0.1e-3 * rate, 0)) : int(begin + min(0.2 * width, 0.2e-3 * rate)) + 2]
    out = {"supply": supply, "on": on, "on_rise": rise, "width": width / rate}
    out["fall"] = _fall(edge, supply, on) / rate
    return out | _kick(x, rate, supply, end, min(later, x.size))


def _fall(edge: Floats, high: float, low: float) -> float:
    """90 to 10 % duration in samples of a falling edge (n,) between two levels."""
    if high - low <= 0 or edge.size < 3:
        return NAN
    y = (edge - low) / (high - low)
    under = np.flatnonzero(y < 0.1)
    if under.size == 0:
        return NAN
    b = int(under[0])
    above = np.flatnonzero(y[:b] > 0.9)
    if b == 0 or above.size == 0:
        return NAN
    a = int(above[-1])
    t90 = a + (y[a] - 0.9) / max(y[a] - y[a + 1], 1e-12)
    t10 = b - 1 + (y[b - 1] - 0.1) / max(y[b - 1] - y[b], 1e-12)
    return float(t10 - t90)


def _kick(x: Floats, rate: float, supply: float, end: float, limit: float) -> dict[str, float]:
    names = ("kick", "kick_time", "kick_flat", "kick_area", "hump", "hump_at", "bump")
    stop = int(min(end + 4e-3 * rate, limit))
    if stop - end < 0.5e-3 * rate:
        return dict.fromkeys(names, NAN)
    y = x[int(end) : stop] - supply
    head = y[: max(4, int(0.6e-3 * rate))]
    top = int(np.argmax(head))
    kick = float(head[top])
    size = max(kick, 1e-9)
    low = np.flatnonzero(y[top:] < 0.2 * size)
    back = top + int(low[0]) if low.size else y.size
    out = {
        "kick": kick, "kick_time": back / rate, "kick_flat": float((y > 0.85 * size).sum()) / rate,
        "kick_area": float(np.maximum(y, 0.0).sum()) / rate,
    }  # fmt: skip
    half = np.flatnonzero(y[top:] < 0.5 * size)
    knee = top + int(half[0]) if half.size else y.size
    return out | _hump(y[knee:], rate, size, knee)


def _hump(y: Floats, rate: float, kick: float, offset: int) -> dict[str, float]:
    """The concave bend on the decay y (n,), which a plain RL decay does not have."""
    lag = max(1, round(0.15e-3 * rate))
    calm = smooth(y, max(1, int(60e-6 * rate)))
    if calm.size < 2 * lag + 3:
        return {"hump": NAN, "hump_at": NAN, "bump": NAN}
    bend = calm[2 * lag :] - 2.0 * calm[lag:-lag] + calm[: -2 * lag]
    k = int(np.argmin(bend))
    bump = float((calm - np.minimum.accumulate(calm)).max())
    per_ms = 1e-3 * rate / lag
    return {
        "hump": -float(bend[k]) / kick * per_ms,
        "hump_at": (k + lag + offset) / rate,
        "bump": bump,
    }


@measurement("switched-volts")
def switched_volts(cut: Cut, wanted: CardMeasurement) -> float:
    """One quantity of the low-side pulses (`what`, see `switched_anatomies`), by `pick`.

    V or s times `factor`. Source: v = L di/dt of a coil that is switched off; motional voltage of
    the armature (Ribbens; visible in the coil voltage by its derivative, CN102213172A).
    """
    return picked(switched_anatomies(cut, wanted.role).get(wanted.params["what"]), wanted)
