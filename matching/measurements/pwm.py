"""What is read off a switched load: duty, frequency, the current it makes, a heater's fade."""

from __future__ import annotations

import numpy as np

from matching.measurements import Cut, measurement
from matching.measurements.picks import picked
from matching.tools import Floats, smooth
from refdb.cards import CardMeasurement

NAN = float("nan")


def cycles(cut: Cut) -> dict[str, Floats]:
    """One value per complete switching cycle: period and low (s), and high = period - low."""
    return cut.shared("pwm:cycles", lambda: _cycles(cut))


def _cycles(cut: Cut) -> dict[str, Floats]:
    marks = cut.events.marks
    if "pulse_start" not in marks or marks["pulse_start"].size < 2:
        return {}
    begin, end = marks["pulse_start"], marks["pulse_stop"]
    period = np.diff(begin) / cut.rate_hz
    low = (end - begin)[:-1] / cut.rate_hz
    return {"period": period, "low": low, "high": period - low, "duty": 100.0 * low / period}


@measurement("pwm-cycle")
def pwm_cycle(cut: Cut, wanted: CardMeasurement) -> float:
    """`what` = period, low, high (s) or duty (per cent of the time in the lower state), by `pick`.

    Duty is the pulse duration over the period (IEEE 181 duty factor) of the lower state, which is
    the driven one when the driver switches the ground side.
    """
    return picked(cycles(cut).get(wanted.params["what"]), wanted)


@measurement("pwm-frequency")
def pwm_frequency(cut: Cut, wanted: CardMeasurement) -> float:
    """Reciprocal of the median switching period, in Hz."""
    period = cycles(cut).get("period")
    return NAN if period is None else 1.0 / float(np.median(period))


@measurement("cycle-current")
def cycle_current(cut: Cut, wanted: CardMeasurement) -> float:
    """`what` of the second channel over the switching cycles, in its unit, by `pick`.

    mean: over the cycle.  swing: maximum minus minimum of the cycle, after a 20 us average.
    ratio: swing over mean.  rise, fall: share of the swing that the first and second half of the
    driven part make, which tells a bowed ramp (0.5 is straight).
    """
    role = wanted.role
    parts = cut.shared(f"pwm:current:{role}", lambda: _cycle_current(cut, role))
    return picked(parts.get(wanted.params["what"]), wanted)


def _cycle_current(cut: Cut, role: str) -> dict[str, Floats]:
    marks = cut.events.marks
    if "pulse_start" not in marks or marks["pulse_start"].size < 2:
        return {}
    x = smooth(cut.channel(role), max(1, int(20e-6 * cut.rate_hz)))
    begin, end = marks["pulse_start"], marks["pulse_stop"]
    rows = []
    for k in range(min(begin.size - 1, 240)):
        part = x[int(begin[k]) : int(begin[k + 1]) + 1]
        if part.size < 4:
            continue
        swing, mean = float(part.max() - part.min()), float(part.mean())
        a, b = part[0], part[min(int(end[k] - begin[k]), part.size - 1)]
        half = part[min(int(0.5 * (end[k] - begin[k])), part.size - 1)]
        bow = float((half - a) / (b - a)) if abs(b - a) > 0.2 * swing else 0.5
        rows.append((mean, swing, swing / max(abs(mean), 1e-12), float(np.clip(bow, -1, 2))))
    names = ("mean", "swing", "ratio", "rise")
    return dict(zip(names, np.array(rows).T, strict=True)) if rows else {}


def heating(cut: Cut, role: str) -> dict[str, float]:
    """A heater's current after switch-on, in A and s: see `heater`."""
    return cut.shared(f"heater:{role}", lambda: _heating(cut, role))


def _heating(cut: Cut, role: str) -> dict[str, float]:
    marks = cut.events.marks
    if "pulse_start" not in marks or cut.events.n == 0:
        return {}
    x, rate = cut.channel(role), cut.rate_hz
    rest = float(marks["levels"][0])
    a, b = int(marks["pulse_start"][0]), int(marks["pulse_stop"][0])
    if b - a < 16:
        return {}
    y = smooth(x[a:b] - rest, max(1, min(int(0.02 * rate), (b - a) // 40)))
    rough = float(
        np.sqrt(np.mean((x[a:b] - rest - smooth(x[a:b] - rest, max(3, int(0.2 * rate)))) ** 2))
    )
    n = y.size
    inrush, steady = float(y.max()), float(np.median(y[int(0.75 * n) : max(int(0.95 * n), 1)]))
    top = int(np.argmax(y))
    middle = 0.5 * (inrush + steady)
    below = np.flatnonzero(y[top:] < middle)
    step = max(1, int(0.1 * rate))
    drops = y[top + step :] - y[top:-step] if y.size > top + 2 * step else np.zeros(1)
    out = {
        "inrush": inrush, "steady": steady, "fade": inrush / max(steady, 1e-12),
        "half_time": (float(below[0]) if below.size else float(n - top)) / rate,
        "charge": float(y.sum()) / rate, "on_time": n / rate, "rough": rough / max(steady, 1e-12),
        "largest_drop": float(-drops.min()) / max(steady, 1e-12),
        "largest_gain": float(drops.max()) / max(steady, 1e-12),
    }  # fmt: skip
    for t in (0.2, 0.5, 1.0, 2.0, 4.0):
        k = int(t * rate)
        out[f"at_{t:g}s"] = float(y[k]) if k < n else NAN
    return out


@measurement("heater")
def heater(cut: Cut, wanted: CardMeasurement) -> float:
    """One quantity `what` of a heater's current after switch-on, times `factor`.

    inrush: highest (20 ms average), A.  steady: median from 75 to 95 % of the on time, A.  fade:
    inrush over steady (a PTC's cold to hot conductance).  half_time: top to half-way down, s.
    charge: A s.  on_time: s.  rough: rms about the 0.2 s average over steady.  largest_drop,
    largest_gain: change within 0.1 s after the top over steady (a plug that cuts out).
    at_0.2s ... at_4s: A.
    """
    return heating(cut, wanted.role).get(wanted.params["what"], NAN) * float(
        wanted.params.get("factor", 1.0)
    )
