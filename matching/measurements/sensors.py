"""Slow sensors: oxygen sensor swings, throttle sweeps, pressure and air flow against time."""

from __future__ import annotations

import numpy as np

from matching.measurements import Cut, measurement
from matching.measurements.common import transitions
from matching.tools import Floats, crossings, mad_sigma, median3, smooth, thin
from refdb.cards import CardMeasurement

NAN = float("nan")


@measurement("share-above")
def share_above(cut: Cut, wanted: CardMeasurement) -> float:
    """Share of the time above `level`, in % (an oxygen sensor's rich duty at 0.45 V)."""
    return 100.0 * float(np.mean(cut.channel(wanted.role) > wanted.params["level"]))


@measurement("span")
def span(cut: Cut, wanted: CardMeasurement) -> float:
    """Difference between two quantiles (`low` 0.02, `high` 0.98) of the channel, in its unit."""
    x = thin(cut.channel(wanted.role))
    low, high = np.quantile(x, [wanted.params.get("low", 0.02), wanted.params.get("high", 0.98)])
    return float(high - low)


@measurement("crossing-rate")
def crossing_rate(cut: Cut, wanted: CardMeasurement) -> float:
    """Full swings per second through `level` (absolute) or the middle of the range, in Hz.

    Hysteresis is `hysteresis` (0.3) of the range. No crossing at all gives the recording's own
    limit, half a swing in its length, so that a stuck sensor is a low number and not a gap.
    """
    x = smooth(cut.channel(wanted.role), max(1, int(0.002 * cut.rate_hz)))
    low, high = np.quantile(thin(x), [0.01, 0.99])
    length = x.size / cut.rate_hz
    level = wanted.params.get("level", 0.5 * (low + high))
    up, down = crossings(x, level, wanted.params.get("hysteresis", 0.3) * (high - low))
    if up.size >= 2:
        return cut.rate_hz * (up.size - 1) / float(up[-1] - up[0])
    return max(0.5 * (up.size + down.size), 0.5) / length


@measurement("crossing-time")
def crossing_time(cut: Cut, wanted: CardMeasurement) -> float:
    """Median time of the way between `from` and `to` (absolute levels), up or down, in s.

    With levels in the order 0.3, 0.6 it is the lean-to-rich time of an oxygen sensor.
    """
    x = smooth(cut.channel(wanted.role), max(1, int(0.002 * cut.rate_hz)))
    a, b = float(wanted.params["from"]), float(wanted.params["to"])
    low, high = min(a, b), max(a, b)
    # 10 to 90 % of a range stretched so that these are the asked levels
    pad = (high - low) / 8.0
    times = transitions(x, low - pad, high + pad, "rise" if b > a else "fall")
    return float(np.median(times)) / cut.rate_hz if times.size else NAN


@measurement("range-transition")
def range_transition(cut: Cut, wanted: CardMeasurement) -> float:
    """Median 10-90 % time of the swings between the channel's own 3 and 97 % levels, in s."""
    x = smooth(cut.channel(wanted.role), max(1, int(0.002 * cut.rate_hz)))
    low, high = np.quantile(thin(x), [0.03, 0.97])
    times = transitions(x, float(low), float(high), wanted.params.get("edge", "rise"))
    return float(np.median(times)) / cut.rate_hz if times.size else NAN


@measurement("hash")
def hash_size(cut: Cut, wanted: CardMeasurement) -> float:
    """Size that the fast part (against a `smooth_s` running mean) exceeds 1 % of the time."""
    x = cut.channel(wanted.role)
    fast = x - smooth(x, max(3, int(wanted.params.get("smooth_s", 0.02) * cut.rate_hz)))
    return float(np.quantile(np.abs(thin(fast)), wanted.params.get("q", 0.99)))


@measurement("jitter")
def jitter(cut: Cut, wanted: CardMeasurement) -> float:
    """Size that half the second difference exceeds `q` (0.02) of the time, in the unit: noise.

    Slow changes do not count, whatever their size; a lone odd sample counts in full.
    """
    x = cut.channel(wanted.role)
    if x.size < 8:
        return NAN
    second = np.abs(x[1:-1] - 0.5 * (x[2:] + x[:-2]))
    return float(np.quantile(thin(second), 1.0 - wanted.params.get("q", 0.02)))


@measurement("spike")
def spike(cut: Cut, wanted: CardMeasurement) -> float:
    """Largest departure from the `smooth_s` (0.02 s) running median-like mean, in the unit."""
    x = cut.channel(wanted.role)
    fast = x - smooth(x, max(3, int(wanted.params.get("smooth_s", 0.02) * cut.rate_hz)))
    return float(np.abs(fast).max())


# --- throttle sweeps ----------------------------------------------------------------------


def sweep_level(cut: Cut, role: str, where: str) -> float:
    """Level at rest or at the far end of the sweeps: the mean of the nearest 3 % of the range.

    Rest is the end at which the first channel's recording begins. The path of the hand (60 ms
    running median) is read, so that a dropout is not taken for an end of the stroke.
    """
    first, path = _path(cut, ""), _path(cut, role)
    low, high = float(first.min()), float(first.max())
    begin = float(np.median(first[: max(1, first.size // 50)]))
    ends_low = (begin < 0.5 * (low + high)) == (where == "rest")
    reach = 0.03 * (high - low)
    near = first <= low + reach if ends_low else first >= high - reach
    return float(np.median(path[near])) if near.any() else NAN


@measurement("sweep-rest")
def sweep_rest(cut: Cut, wanted: CardMeasurement) -> float:
    """Level of the channel at rest (closed throttle), in its unit."""
    return sweep_level(cut, wanted.role, "rest")


@measurement("sweep-far")
def sweep_far(cut: Cut, wanted: CardMeasurement) -> float:
    """Level of the channel at the far end of the sweep (wide open), in its unit."""
    return sweep_level(cut, wanted.role, "far")


@measurement("sweep-span")
def sweep_span(cut: Cut, wanted: CardMeasurement) -> float:
    """Far level minus rest level, in the channel's unit."""
    return sweep_level(cut, wanted.role, "far") - sweep_level(cut, wanted.role, "rest")


@measurement("sweep-dropout")
def sweep_dropout(cut: Cut, wanted: CardMeasurement) -> float:
    """Deepest short departure from the path of the hand: against a 60 ms running median, in V.

    A worn track loses contact for milliseconds; a hand cannot move that fast.
    """
    away = _away(cut, wanted.role)
    return float(np.abs(away).max()) if away.size else NAN


@measurement("sweep-dropout-time")
def sweep_dropout_time(cut: Cut, wanted: CardMeasurement) -> float:
    """Time spent further than `beyond` (0.15) of the span off the path of the hand, in ms."""
    away = _away(cut, wanted.role)
    span_v = abs(sweep_span(cut, wanted))
    if away.size == 0 or not span_v > 0:
        return NAN
    off = np.abs(away) > wanted.params.get("beyond", 0.15) * span_v
    # a tenth of a millisecond is less than any sample here: none at all stays a finite logarithm
    return max(1e3 * float(off.sum()) * _step(cut) / cut.rate_hz, 0.1)


def _step(cut: Cut) -> int:
    """Every how many samples the sweep is looked at: 4 kS/s are enough for a dropout."""
    return max(1, int(cut.rate_hz / 4000.0))


def _path(cut: Cut, role: str) -> Floats:
    """The path of the hand: 60 ms running median of the channel at 4 kS/s at most, (n,)."""

    def make() -> Floats:
        x = cut.channel(role)[:: _step(cut)]
        return slow_median(x, max(3, int(0.06 * cut.rate_hz / _step(cut))))

    return cut.shared(f"path:{role}", make)


def _away(cut: Cut, role: str) -> Floats:
    """The channel minus the path of the hand, at 4 kS/s at most: (n,)."""
    return cut.channel(role)[:: _step(cut)] - _path(cut, role)


def slow_median(x: Floats, width: int) -> Floats:
    """Running median of x (n,) over about `width` samples, on every width/6-th sample."""
    step = max(1, width // 6)
    reach = max(1, width // 2)
    centre = np.arange(0, x.size, step)
    index = np.clip(centre[:, None] + np.arange(-reach, reach + 1)[None, :], 0, x.size - 1)
    return np.interp(np.arange(x.size), centre, np.median(x[index], axis=1))


@measurement("sweep-reversals")
def sweep_reversals(cut: Cut, wanted: CardMeasurement) -> float:
    """Way travelled over twice the span per sweep: 1 for a clean stroke up and down.

    Small moves inside a band of 2 % of the span are not counted.
    """
    x = smooth(cut.channel(wanted.role), max(1, int(0.004 * cut.rate_hz)))
    x = x[:: max(1, int(0.002 * cut.rate_hz))]
    span_v = abs(sweep_span(cut, wanted))
    if not span_v > 0 or cut.events.n == 0:
        return NAN
    return _travel(x, 0.02 * span_v) / (2.0 * span_v * cut.events.n)


def _travel(x: Floats, band: float) -> float:
    """Way of x (n,) with moves inside a dead band left out (rounded to multiples of the band)."""
    place = np.round(x / band)
    keep = np.concatenate(([True], np.abs(np.diff(place)) > 0))
    return float(np.abs(np.diff(x[keep])).sum())


@measurement("sweep-standstill")
def sweep_standstill(cut: Cut, wanted: CardMeasurement) -> float:
    """Share of the moving time (10 to 90 % of the span) in which the level stands still, in %.

    Standing still: slower than a tenth of the stroke's own mean speed over 20 ms. A sticking
    plate hangs and jumps; a hand moves through. Half a per cent stands for none.
    """
    x, rate = _slow(cut, wanted.role)
    rest, far = sweep_level(cut, wanted.role, "rest"), sweep_level(cut, wanted.role, "far")
    if x.size < 8 or not abs(far - rest) > 0:
        return NAN
    y = (x - rest) / (far - rest)
    moving = (y[1:] > 0.1) & (y[1:] < 0.9)
    speed = np.abs(np.diff(y)) * rate
    if moving.sum() < 4:
        return NAN
    return max(100.0 * float(np.mean(speed[moving] < 0.1 * speed[moving].mean())), 0.5)


@measurement("sweep-jump")
def sweep_jump(cut: Cut, wanted: CardMeasurement) -> float:
    """Fastest 20 ms of the stroke over its mean speed, a ratio (jumps after hanging)."""
    x, _ = _slow(cut, wanted.role)
    rest, far = sweep_level(cut, wanted.role, "rest"), sweep_level(cut, wanted.role, "far")
    if x.size < 8 or not abs(far - rest) > 0:
        return NAN
    y = (x - rest) / (far - rest)
    speed = np.abs(np.diff(y))
    moving = (y[1:] > 0.1) & (y[1:] < 0.9)
    if moving.sum() < 4:
        return NAN
    return float(np.quantile(speed[moving], 0.98) / max(float(speed[moving].mean()), 1e-12))


def _slow(cut: Cut, role: str) -> tuple[Floats, float]:
    """The channel's 20 ms medians (n,) and their rate."""
    width = max(1, int(0.02 * cut.rate_hz))
    x = cut.channel(role)
    count = x.size // width
    return np.median(x[: count * width].reshape(count, width), axis=1), cut.rate_hz / width


# --- two tracks ---------------------------------------------------------------------------


def track_relation(cut: Cut) -> tuple[float, float, Floats] | None:
    """Slope and offset of the second channel against the first (robust line), and what is left.

    None for one channel. Slope -1 is a mirrored pair, 0.5 a half-slope pair.
    """

    def make() -> tuple[float, float, Floats] | None:
        if cut.signal.data.shape[0] < 2:
            return None
        step = max(1, cut.signal.n // 20_000)
        a, b = median3(cut.signal.data[0][::step]), median3(cut.signal.data[1][::step])
        if np.ptp(a) <= 0:
            return None
        slope, offset = np.polyfit(a, b, 1)
        for _ in range(4):
            rest = b - slope * a - offset
            good = np.abs(rest - np.median(rest)) < 3.0 * mad_sigma(rest) + 1e-9
            if good.sum() < 10 or np.ptp(a[good]) <= 0:
                break
            slope, offset = np.polyfit(a[good], b[good], 1)
        return float(slope), float(offset), b - slope * a - offset

    return cut.shared("tracks", make)


@measurement("track-slope")
def track_slope(cut: Cut, wanted: CardMeasurement) -> float:
    """Slope of the second track against the first, V/V; NaN with one track."""
    got = track_relation(cut)
    return got[0] if got else NAN


@measurement("track-offset")
def track_offset(cut: Cut, wanted: CardMeasurement) -> float:
    """Second track where the first would be 0 V, in V: for a mirrored pair the sum of both."""
    got = track_relation(cut)
    return got[1] if got else NAN


@measurement("track-worst")
def track_worst(cut: Cut, wanted: CardMeasurement) -> float:
    """Largest deviation (99.8 % of the time) of the second track from its line, in V."""
    got = track_relation(cut)
    return float(np.quantile(np.abs(got[2]), 0.998)) if got else NAN


@measurement("track-sum")
def track_sum(cut: Cut, wanted: CardMeasurement) -> float:
    """Median of the two tracks' sum, in V; only telling for a mirrored pair."""
    if cut.signal.data.shape[0] < 2:
        return NAN
    a, b = cut.signal.data[:2]
    return float(np.median(thin(a + b)))


# --- rises, snaps and air flow ------------------------------------------------------------


@measurement("rise-time")
def rise_time(cut: Cut, wanted: CardMeasurement) -> float:
    """Shortest 10-90 % time of a rise (or `edge` "fall") from the low to the high level, in s.

    Levels are quantiles of the recording: `low` (0.05) and `high` (0.995).
    """
    x = smooth(cut.channel(wanted.role), max(1, int(0.004 * cut.rate_hz)))
    p = wanted.params
    low, high = np.quantile(thin(x), [p.get("low", 0.05), p.get("high", 0.995)])
    times = transitions(x, float(low), float(high), wanted.params.get("edge", "rise"))
    return float(times.min()) / cut.rate_hz if times.size else NAN


@measurement("square-frequency")
def square_frequency(cut: Cut, wanted: CardMeasurement) -> float:
    """Frequency of a square signal by its rising crossings, `q` quantile over the recording, Hz.

    NaN when the channel is no square wave (its middle fifth holds over a third of the samples).
    """
    x = cut.channel(wanted.role)
    low, high = np.quantile(thin(x), [0.01, 0.99])
    middle = np.abs(x - 0.5 * (low + high)) < 0.1 * (high - low)
    if high <= low or middle.mean() > 1 / 3:
        return NAN
    up, _ = crossings(x, 0.5 * float(low + high), 0.4 * float(high - low))
    if up.size < 3:
        return NAN
    period = np.quantile(np.diff(up), 1.0 - wanted.params.get("q", 0.5))
    return cut.rate_hz / float(period) if period > 0 else NAN


@measurement("map-pressure")
def map_pressure(cut: Cut, wanted: CardMeasurement) -> float:
    """Manifold pressure at the `q` quantile of the voltage, by V = Vs (0.009 P - 0.095), in kPa.

    Vs from params (5.0). Source: Motorola MPX4115A data sheet.
    """
    v = float(np.quantile(thin(cut.channel(wanted.role)), wanted.params.get("q", 0.5)))
    return map_kpa(v, float(wanted.params.get("supply", 5.0)))


def map_kpa(volt: float, supply: float) -> float:
    """Absolute pressure in kPa of a ratiometric sensor's voltage (MPX4115A data sheet)."""
    return (volt / supply + 0.095) / 0.009


def map_volt(kpa: float, supply: float) -> float:
    """Voltage of a ratiometric sensor at an absolute pressure in kPa (MPX4115A data sheet)."""
    return supply * (0.009 * kpa - 0.095)
