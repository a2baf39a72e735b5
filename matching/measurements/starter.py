"""Starter current (or the battery voltage under it): inrush, compression humps, commutator.

A hump is one compression; its height is the peak over the mean of the two valleys beside it, as
the trade reads relative compression. One weak cylinder shows once in an engine cycle.
"""

from __future__ import annotations

import numpy as np

from matching.events.lines import block_mean
from matching.events.steady import inrush_peak, running
from matching.measurements import Cut, measurement
from matching.measurements.odd import by_place, least_share, lowest
from matching.tools import Floats, mad_sigma, smooth
from refdb.cards import CardMeasurement

NAN = float("nan")


def steady(cut: Cut, role: str) -> Floats:
    """The settled part of the channel (n,), in its unit; the whole channel without that mark."""
    x = cut.channel(role)
    if "steady" not in cut.events.marks:
        return x
    begin, end = cut.events.marks["steady"].astype(np.int64)
    return x[begin:end]


def heights(cut: Cut) -> Floats:
    """Height of each compression hump (n,), in the channel's unit, always positive upwards."""
    return cut.events.marks.get("height", np.zeros(0))


def cylinders(cut: Cut) -> int:
    """Humps per engine cycle where the capture (or its context) shows them, else 0."""
    marks = cut.events.marks
    return int(marks["per_cycle"][0]) if "per_cycle" in marks else 0


@measurement("unclear-share")
def unclear_share(cut: Cut, wanted: CardMeasurement) -> float:
    """Share of the power beside the lines of the machine's own repetition, 0 to 1 (plus 0.003).

    A few per cent for a machine that runs well; near 1 for noise, hum or an open lead.
    """
    return 1.003 - float(cut.events.scout.get("clarity", NAN))


@measurement("steady-mean")
def steady_mean(cut: Cut, wanted: CardMeasurement) -> float:
    """Mean of the settled part, after the inrush and before the release, in the channel's unit."""
    part = steady(cut, wanted.role)
    return float(part.mean()) if part.size else NAN


@measurement("inrush-peak")
def inrush(cut: Cut, wanted: CardMeasurement) -> float:
    """Highest 1 ms mean within `reach_s` (0.12 s) of the switch-on, in the channel's unit.

    `over = "steady"` gives it as a multiple of the settled mean. NaN when the recording begins
    later than the switch-on.
    """
    x = cut.channel(wanted.role)
    begin, _, started = running(x, cut.rate_hz)
    if not started:
        return NAN
    peak = inrush_peak(x, cut.rate_hz, begin, wanted.params.get("reach_s", 0.12))
    if wanted.params.get("over") == "steady":
        part = steady(cut, wanted.role)
        return peak / float(part.mean()) if part.size and part.mean() > 0 else NAN
    return peak


@measurement("settle-time")
def settle_time(cut: Cut, wanted: CardMeasurement) -> float:
    """Time from the switch-on until the current's 5 ms mean has come within a quarter of its way
    from the peak to the settled mean, in s. NaN without the switch-on."""
    x = cut.channel(wanted.role)
    begin, end, started = running(x, cut.rate_hz)
    part = steady(cut, wanted.role)
    if not started or part.size == 0:
        return NAN
    width = max(1, int(0.005 * cut.rate_hz))
    level = block_mean(x[begin:end], width)
    if level.size < 4:
        return NAN
    top = int(np.argmax(level[: max(2, int(0.15 * cut.rate_hz / width))]))
    goal = float(part.mean()) + 0.25 * (float(level[top]) - float(part.mean()))
    below = np.flatnonzero(level[top:] < goal)
    return float((top + below[0]) * width / cut.rate_hz) if below.size else NAN


@measurement("hump-rate")
def hump_rate(cut: Cut, wanted: CardMeasurement) -> float:
    """Compression humps per second, over the whole settled part, in Hz (n rpm / 120)."""
    trough = cut.events.marks.get("trough", np.zeros(0))
    if trough.size < 2:
        return NAN
    return cut.rate_hz * (trough.size - 1) / float(trough[-1] - trough[0])


@measurement("hump-height")
def hump_height(cut: Cut, wanted: CardMeasurement) -> float:
    """Median height of the humps; `over = "mean"` as a share of the settled mean.

    `over = "rate"` divides by the hump rate: lost compression lowers the humps and lets the engine
    turn faster, both of which lower this; a weak supply lowers both and leaves it.
    """
    h = heights(cut)
    if h.size == 0:
        return NAN
    value = float(np.median(h))
    if wanted.params.get("over") == "mean":
        value /= max(abs(float(steady(cut, wanted.role).mean())), 1e-12)
    if wanted.params.get("over") == "rate":
        value /= max(cut.events.scout.get("hump_hz", NAN), 1e-12)
    return value


@measurement("hump-weakest")
def hump_weakest(cut: Cut, wanted: CardMeasurement) -> float:
    """Relative compression of the weakest place of the engine cycle, in % of the typical one.

    `rank` 1 (default) the weakest, 2 the second weakest, -1 the strongest. Each place is the
    median over the cycles; with an unknown cylinder count the ordered quarters stand for places.
    """
    h = heights(cut)
    if h.size < 3:
        return NAN
    places = lowest(h, cylinders(cut))
    rank = int(wanted.params.get("rank", 1))
    index = rank - 1 if rank > 0 else places.size + rank
    typical = float(np.median(places[max(1, places.size // 2) :]))
    return 100.0 * float(places[min(index, places.size - 1)]) / max(typical, 1e-12)


@measurement("hump-beside-weakest")
def hump_beside_weakest(cut: Cut, wanted: CardMeasurement) -> float:
    """Relative compression of the weaker neighbour (in firing order) of the weakest place, in %."""
    h, count = heights(cut), cylinders(cut)
    if count < 3 or h.size < count:
        return NAN
    places = by_place(h, count)
    k = int(np.argmin(places))
    beside = min(places[k - 1], places[(k + 1) % count])
    return 100.0 * float(beside) / max(float(np.median(np.sort(places)[count // 2 :])), 1e-12)


@measurement("hump-least")
def hump_least(cut: Cut, wanted: CardMeasurement) -> float:
    """Mean of the lowest tenth of all humps over their median, in %: also one weak at times."""
    h = heights(cut)
    if h.size < 3:
        return NAN
    return 100.0 * least_share(h, 0.1) / max(float(np.median(h)), 1e-12)


@measurement("hump-height-spread")
def hump_height_spread(cut: Cut, wanted: CardMeasurement) -> float:
    """Standard deviation of all humps' heights over their median, in %."""
    h = heights(cut)
    if h.size < 4:
        return NAN
    return 100.0 * float(h.std()) / max(float(np.median(h)), 1e-12)


@measurement("hump-unrest")
def hump_unrest(cut: Cut, wanted: CardMeasurement) -> float:
    """Robust spread of each place's height from cycle to cycle over the median height, in %."""
    h, count = heights(cut), cylinders(cut)
    if count < 2 or h.size < 2 * count:
        return NAN
    change = h[count:] - h[:-count]
    return 100.0 * mad_sigma(change) / np.sqrt(2.0) / max(float(np.median(h)), 1e-12)


@measurement("hump-pace-spread")
def hump_pace_spread(cut: Cut, wanted: CardMeasurement) -> float:
    """Robust spread of the time from hump to hump over its median, in %."""
    trough = cut.events.marks.get("trough", np.zeros(0))
    if trough.size < 5:
        return NAN
    pace = np.diff(trough)
    return 100.0 * mad_sigma(pace) / float(np.median(pace))


@measurement("load-line")
def load_line(cut: Cut, wanted: CardMeasurement) -> float:
    """Settled mean over (`how = "ratio"`) or times (`how = "product"`) the repetition rate.

    Torque follows current and speed follows rate: drag moves the ratio, lost supply the product.
    """
    rate = cut.events.scout.get(wanted.params.get("rate", "hump_hz"), 0.0)
    part = steady(cut, wanted.role)
    if rate <= 0.0 or part.size == 0:
        return NAN
    mean = abs(float(part.mean()))
    return mean / rate if wanted.params.get("how", "ratio") == "ratio" else mean * rate


def fast_part(cut: Cut, role: str) -> tuple[Floats, float]:
    """The settled part without its humps (what is faster than a tenth of a hump), and its rate."""

    def make() -> tuple[Floats, float]:
        part = steady(cut, role)
        width = max(1, int(cut.rate_hz / 2000.0))
        x = block_mean(part, width)
        rate = cut.rate_hz / width
        f = cut.events.scout.get("hump_hz", 8.0)
        return x - smooth(x, max(3, int(rate / (10.0 * f)))), rate

    return cut.shared(f"fast:{role}", make)


@measurement("fast-ripple")
def fast_ripple(cut: Cut, wanted: CardMeasurement) -> float:
    """Rms of what is faster than a tenth of a hump over the settled mean, in % (commutator)."""
    fast, _ = fast_part(cut, wanted.role)
    mean = abs(float(steady(cut, wanted.role).mean())) if fast.size else 0.0
    return 100.0 * float(fast.std()) / mean if mean > 0 else NAN


@measurement("fast-dip")
def fast_dip(cut: Cut, wanted: CardMeasurement) -> float:
    """Depth that the fast part falls below itself for 0.5 % of the time, in % of the mean.

    `sense = "up"` reads the rise instead (battery voltage when a bar loses contact).
    """
    fast, _ = fast_part(cut, wanted.role)
    mean = abs(float(steady(cut, wanted.role).mean())) if fast.size else 0.0
    if mean <= 0.0:
        return NAN
    q = np.quantile(fast, 0.995 if wanted.params.get("sense") == "up" else 0.005)
    return 100.0 * abs(float(q)) / mean


@measurement("fast-skew")
def fast_skew(cut: Cut, wanted: CardMeasurement) -> float:
    """Depth of the 0.5 % dips over the height of the 0.5 % peaks of the fast part, a ratio."""
    fast, _ = fast_part(cut, wanted.role)
    if fast.size < 100:
        return NAN
    low, high = np.quantile(fast, [0.005, 0.995])
    return float(-low) / max(float(high), 1e-12)


@measurement("event-mean-least")
def event_mean_least(cut: Cut, wanted: CardMeasurement) -> float:
    """Lowest event mean over the median event mean, in %: a drive that slips, power that fails."""
    if cut.grid.shape[0] < 3:
        return NAN
    mean = cut.grid[:, cut.signal.row(wanted.role)].mean(axis=1)
    middle = float(np.median(mean))
    return 100.0 * float(mean.min()) / middle if middle > 0 else NAN


@measurement("steady-trend")
def steady_trend(cut: Cut, wanted: CardMeasurement) -> float:
    """Straight trend of the settled part, in % of its mean per second."""
    part = steady(cut, wanted.role)
    if part.size < 16 or part.size < 0.2 * cut.rate_hz:
        return NAN
    level = block_mean(part, max(1, part.size // 64))
    slope = np.polyfit(np.linspace(-0.5, 0.5, level.size), level, 1)[0]
    return 100.0 * float(slope) / max(abs(float(part.mean())), 1e-12) / (part.size / cut.rate_hz)
