"""What is read off an ignition trace, secondary or primary: firing, spark line, ringing, dwell.

All of it comes from one anatomy per firing (`anatomies`), in the channel's unit and seconds:
calm line - coil-on step - dwell - firing edge - spark line - ringing - calm line.
The primary shows the same stretches, reflected through the turns ratio.
"""

from __future__ import annotations

import numpy as np

from matching.measurements import Cut, measurement
from matching.measurements.coil_phases import LONGEST_DWELL_S, above_noise, dwell, ringing
from matching.measurements.picks import pick, picked
from matching.tools import Floats, smooth
from refdb.cards import CardMeasurement

NAN = float("nan")
SPIKE_S = 60e-6  # after this the capacitive discharge of the firing line is over
LONGEST_SPARK_S = 5e-3


def anatomies(cut: Cut, role: str) -> dict[str, Floats]:
    """One value per firing of each quantity below, (events,), NaN where the recording ends.

    firing: top of the first strike over the calm line.  spike_area: (unit s) what the firing line
    adds to the spark line in its first 60 us; unlike the top it does not depend on the sampling.
    spark: mean of the middle half of the first strike's spark line.  early, late: means of the
    spark line from 10 to 30 and 70 to 90 % of its length.  end_rise: its last tenth over `spark`.
    rough: rms of the line around its own 0.2 ms average, relative, NaN
    when the instrument's noise makes most of it.  burn: firing edge to the end
    of the first spark (line first below 15 % of itself for 25 us).  burn_last, burn_sum: of the
    last strike, of all strikes.  ring: rms over 1.2 ms after the last spark.  ring_first: largest
    swing back.  ring_keep: rms of the second 0.4 ms over that of the first.  ring_hz.
    ring_count: swings above a tenth of the first.  dwell, on_step, on_late: duration, largest
    depth in its first quarter, mean depth of its last quarter.  on_ring: rms about the 0.3 ms
    average in its first quarter.  strikes, strike_gap, total: how many, time between their edges,
    first edge to last spark's end.  base: the calm level itself.  on_first, on_last: absolute level
    from 15 to 30 and 80 to 97 % of the dwell; on_rise, the latter less the former.  edge: 10 to
    90 % of the firing edge, s.  top_time: time the firing line stays above half its height, s.
    flux: integral of the first spark line over its length, unit x s: the flux linkage the coil
    had left (v = dPhi/dt).  on_flux: the same over the dwell, the flux built up.  on_keep: rms of
    the coil-on ringing from 0.3 to 0.6 ms over that of the first 0.3 ms.
    """
    return cut.shared(f"ignition:{role}", lambda: _anatomies(cut, role))


def _anatomies(cut: Cut, role: str) -> dict[str, Floats]:
    x, rate = cut.channel(role), cut.rate_hz
    noise = float(cut.signal.noise[cut.signal.row(role)])
    marks = cut.events.marks
    if "strike" not in marks or cut.events.n == 0:
        return {}
    level = float(marks["calm"][0])
    owner = marks["owner"].astype(np.int64)
    rows = []
    anchors = np.append(cut.events.anchor, np.inf)
    for event in _thinned(cut.events.n):
        strikes = marks["strike"][owner == event]
        earlier = anchors[event - 1] if event else -np.inf
        rows.append(_firing(x, rate, noise, level, strikes, earlier, anchors[event + 1]))
    return {name: np.array([row[name] for row in rows]) for name in rows[0]} if rows else {}


def _thinned(n: int, most: int = 120) -> np.ndarray:
    """All event numbers, or `most` of them evenly picked."""
    return np.arange(n) if n <= most else np.linspace(0, n - 1, most).astype(np.int64)


def _firing(
    x: Floats,
    rate: float,
    noise: float,
    level: float,
    strikes: Floats,
    earlier: float,
    later: float,
) -> dict[str, float]:
    """The anatomy of one firing with its strikes (m,), in samples of x."""
    first = strikes[0]
    base = _base_before(x, rate, noise, first, earlier, level)
    out = dwell(x, rate, noise, base, first, earlier)
    ends = []
    limit = min(later - 1e-3 * rate, x.size)
    for k, strike in enumerate(strikes):
        stop = strikes[k + 1] - 0.1e-3 * rate if k + 1 < strikes.size else limit
        ends.append(
            _spark_end(x, rate, noise, base, strike, min(stop, strike + LONGEST_SPARK_S * rate))
        )
    burns = (np.array(ends) - strikes) / rate
    out |= _line(x, rate, noise, base, first, ends[0])
    out |= _edge_times(x, rate, base, first)
    out["base"] = base
    out |= ringing(x, rate, noise, base, ends[-1], min(limit, x.size))
    out["burn"], out["burn_last"] = float(burns[0]), float(burns[-1])
    out["burn_sum"] = float(burns.sum())
    out["strikes"] = float(strikes.size)
    out["strike_gap"] = float(np.median(np.diff(strikes))) / rate if strikes.size > 1 else NAN
    out["total"] = float(ends[-1] - first) / rate
    if ends[-1] + 2e-3 * rate > x.size:  # more strikes may have followed
        out |= dict.fromkeys(("strikes", "total", "burn_sum", "burn_last"), NAN)
    if ends[0] >= x.size - 2:  # the recording ended first
        out |= dict.fromkeys(("burn", "late", "end_rise", "flux", "early"), NAN)
    return out


def _base_before(
    x: Floats, rate: float, noise: float, first: float, earlier: float, level: float
) -> float:
    """Calm level just before the dwell: a slow pickup leaves a slope that must not count."""
    begin = int(max(first - 14e-3 * rate, earlier + 8e-3 * rate, 0))
    end = int(first - LONGEST_DWELL_S * rate)
    return calm_mean(x[begin:end], noise) if end - begin > max(8, 1e-3 * rate) else level


def calm_mean(x: Floats, noise: float) -> float:
    """Mean of x (n,) near its median: below the steps of a coarse instrument, blind to spikes."""
    near = x[np.abs(x - np.median(x)) <= 5.0 * noise + 1e-12]
    return float(near.mean()) if near.size else float(np.median(x))


def _span(rate: float, begin: float, end: float, size: int) -> slice:
    """Whole samples from begin to end (fractional), inside the recording, at least one."""
    a = int(np.clip(np.ceil(begin), 0, size - 1))
    return slice(a, int(np.clip(np.floor(end) + 1, a + 1, size)))


def _spark_end(
    x: Floats, rate: float, noise: float, base: float, strike: float, limit: float
) -> float:
    """Where the spark line of a strike ends (fractional sample): below 15 % of itself for 25 us."""
    start = int(strike + max(10e-6 * rate, 1))
    stop = int(min(limit, x.size))
    if stop - start < 3:
        return float(min(strike + 1, x.size))
    part = x[start:stop] - base
    body = part[: max(3, int(0.6e-3 * rate))]
    positive = body[body > 0.0]
    line = float(np.median(positive)) if positive.size else 0.0
    width, widest = max(1, int(6e-6 * rate)), int(60e-6 * rate)
    while noise / np.sqrt(width) > 0.1 * line and 2 * width <= widest:
        width *= 2
    low = max(0.15 * line, 2.0 * noise / np.sqrt(width))
    hold = max(1, int(25e-6 * rate))
    calm = smooth(part, width)
    under = calm < low
    count = np.cumsum(np.concatenate(([0], under)))
    whole = np.flatnonzero(count[hold:] - count[:-hold] == hold)
    if whole.size == 0:
        return float(stop)
    k = int(whole[0])
    if k == 0:
        return float(start)
    before, after = calm[k - 1], calm[k]
    step = float(np.clip((before - low) / (before - after), 0, 1)) if before > after else 0.5
    return start + k - 1 + step


def _line(
    x: Floats, rate: float, noise: float, base: float, strike: float, end: float
) -> dict[str, float]:
    """Firing top and spark line of one strike."""
    top = float(x[_span(rate, strike - 30e-6 * rate, strike + SPIKE_S * rate, x.size)].max()) - base
    begin = min(strike + SPIKE_S * rate, strike + 0.3 * (end - strike))
    length = max(end - begin, 1.0)

    def mean(a: float, b: float) -> float:
        return float(np.mean(x[_span(rate, begin + a * length, begin + b * length, x.size)])) - base

    middle = x[_span(rate, begin + 0.25 * length, begin + 0.75 * length, x.size)]
    spark = float(middle.mean()) - base
    size = max(abs(spark), 1e-9)
    spike = x[_span(rate, strike - 15e-6 * rate, strike + SPIKE_S * rate, x.size)] - base
    early = mean(0.1, 0.3)
    area = float(np.maximum(spike - max(early, 0.0), 0.0).sum()) / rate
    body = x[_span(rate, begin + 0.1 * length, begin + 0.85 * length, x.size)]
    width = max(1, int(10e-6 * rate))
    fine = smooth(body, width)
    rough = fine - smooth(fine, max(3, int(0.2e-3 * rate)))
    line = x[_span(rate, strike + 20e-6 * rate, end, x.size)] - base
    return {
        "firing": top, "spike_area": area, "spark": spark, "early": early,
        "flux": float(np.minimum(line, 3.0 * size).sum()) / rate,
        "late": mean(0.7, 0.9), "end_rise": mean(0.88, 0.97) / size,
        "rough": above_noise(float(np.sqrt(np.mean(rough**2))), noise / np.sqrt(width)) / size,
    }  # fmt: skip


def _edge_times(x: Floats, rate: float, base: float, strike: float) -> dict[str, float]:
    """How quickly the firing line rises, and how long it stays up: a clamp holds it flat."""
    a = max(int(strike - 150e-6 * rate), 0)
    part = x[a : int(strike + 400e-6 * rate) + 2]
    centre = min(int(strike) - a, part.size - 1)
    reach = centre + max(2, int(SPIKE_S * rate))
    peak = centre + int(np.argmax(part[centre:reach])) if part[centre:reach].size else centre
    foot = float(part[: centre + 1].min())
    rise = float(part[peak]) - foot
    before = part[: peak + 1][::-1]
    t90 = _back(before, foot + 0.9 * rise)
    t10 = _back(before, foot + 0.1 * rise)
    half = base + 0.5 * (float(part[peak]) - base)
    after = _back(part[peak:], half)
    return {"edge": (t10 - t90) / rate, "top_time": (after + _back(before, half)) / rate}


def _back(part: Floats, level: float) -> float:
    """Fractional samples until part (n,), starting high, first falls below the level."""
    k = int(np.argmax(part < level))
    if k == 0:
        return float(part.size - 1)
    step = part[k - 1] - part[k]
    return k - 1 + (float((part[k - 1] - level) / step) if step > 0 else 1.0)


@measurement("spark")
def spark(cut: Cut, wanted: CardMeasurement) -> float:
    """One quantity of the firings (`what`, see `anatomies`), reduced over them as `pick` says.

    Times are in seconds times `factor`; sizes in the channel's unit. Terms: SAE J1930 ignition
    control; firing, spark line and coil oscillation are trade terms (common practice).
    """
    return picked(anatomies(cut, wanted.role).get(wanted.params["what"]), wanted)


@measurement("spark-ratio")
def spark_ratio(cut: Cut, wanted: CardMeasurement) -> float:
    """Ratio of two quantities `what` over `over` of the same firing, reduced as `pick` says.

    Without unit and free of the pickup's ratio, which for a clip-on pickup is not calibrated.
    """
    parts = anatomies(cut, wanted.role)
    if wanted.params["what"] not in parts:
        return NAN
    upper, under = parts[wanted.params["what"]], parts[wanted.params["over"]]
    floor = 1e-3 * max(float(np.nanmax(np.abs(under), initial=0.0)), 1e-12)
    return picked(upper / np.maximum(np.abs(under), floor), wanted)


@measurement("spark-dwell-angle")
def dwell_angle(cut: Cut, wanted: CardMeasurement) -> float:
    """Dwell in crank degrees if one firing an engine cycle is seen: 720 x dwell / interval.

    One crank degree lasts 1 / (6 x rpm) s and a cycle 120 / rpm s (four-stroke, closed form).
    """
    parts = anatomies(cut, wanted.role)
    if not parts or cut.events.n < 2:
        return NAN
    interval = float(np.median(np.diff(cut.events.anchor))) / cut.rate_hz
    return 720.0 * pick(parts["dwell"], "median") / interval
