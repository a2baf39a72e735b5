"""Battery and supply voltages: cranking dip, internal resistance, charging, reference, draw."""

from __future__ import annotations

import numpy as np

from matching.events.lines import block_mean
from matching.measurements import Cut, measurement
from matching.measurements.starter import steady
from matching.tools import Floats, median3, smooth, thin
from refdb.cards import CardMeasurement

NAN = float("nan")

# Battery load test, 15 s at half the cold cranking amperes: degC -> least V (one vehicle maker).
LOAD_TEST = ((-12.0, 8.7), (-7.0, 8.9), (-1.0, 9.1), (4.0, 9.3), (10.0, 9.4), (18.0, 9.5))


def load_test_limit(temperature: float) -> float:
    """Least battery voltage (V) under load test at a temperature in degC; NaN below the table.

    Straight lines between the table's points; 9.6 V above 20 degC. Source: a vehicle maker's
    service table, one example and no general limit.
    """
    points = np.array([*LOAD_TEST, (20.0, 9.6)])
    if temperature < points[0, 0]:
        return NAN
    return float(np.interp(temperature, points[:, 0], points[:, 1]))


def fine(cut: Cut, role: str) -> tuple[Floats, float]:
    """1 ms means of the channel (n,) and their rate."""

    def make() -> tuple[Floats, float]:
        width = max(1, int(0.001 * cut.rate_hz))
        return block_mean(median3(cut.channel(role)), width), cut.rate_hz / width

    return cut.shared(f"fine:{role}", make)


@measurement("voltage-rest")
def voltage_rest(cut: Cut, wanted: CardMeasurement) -> float:
    """Level before the crank: the mean of what precedes the first fast fall of 0.5 V, in V.

    NaN when the recording begins during the crank.
    """
    fall = first_fall(cut, wanted.role)
    x, rate = fine(cut, wanted.role)
    return float(np.median(x[:fall])) if fall > 0.004 * rate else NAN


def first_fall(cut: Cut, role: str) -> int:
    """Index (1 ms means) of the first fall of more than 0.5 V within 20 ms; 0 when there is none
    or when the recording begins already down."""
    x, rate = fine(cut, role)
    lag = max(1, int(0.02 * rate))
    if x.size <= lag:
        return 0
    drop = np.flatnonzero(x[lag:] - x[:-lag] < -0.5)
    if drop.size == 0:
        return 0
    at = int(drop[0])
    if at == 0:
        return 0
    head, body = x[:at], x[at + lag : at + int(0.6 * rate)]
    # before the key nothing moves and all is higher than later; an engine already turning ripples
    above = body.size == 0 or float(np.median(head)) > float(np.quantile(body, 0.9))
    return at if above and float(np.ptp(median3(head))) < 0.35 else 0


@measurement("voltage-least")
def voltage_least(cut: Cut, wanted: CardMeasurement) -> float:
    """Lowest 1 ms mean of the recording, in V."""
    x, _ = fine(cut, wanted.role)
    return float(x.min()) if x.size else NAN


@measurement("voltage-dip")
def voltage_dip(cut: Cut, wanted: CardMeasurement) -> float:
    """Rest level minus the lowest 1 ms mean within 0.2 s of the first fall, in V."""
    fall = first_fall(cut, wanted.role)
    x, rate = fine(cut, wanted.role)
    if fall <= 0.004 * rate:
        return NAN
    return float(np.median(x[:fall]) - x[fall : fall + int(0.2 * rate)].min())


@measurement("voltage-drop")
def voltage_drop(cut: Cut, wanted: CardMeasurement) -> float:
    """Rest level minus the mean of the settled cranking part, in V."""
    rest = voltage_rest(cut, wanted)
    part = steady(cut, wanted.role)
    return rest - float(part.mean()) if part.size else NAN


@measurement("dip-over-drop")
def dip_over_drop(cut: Cut, wanted: CardMeasurement) -> float:
    """First dip over the settled drop, a ratio: the inrush against the running current."""
    return voltage_dip(cut, wanted) / max(voltage_drop(cut, wanted), 1e-3)


@measurement("voltage-end")
def voltage_end(cut: Cut, wanted: CardMeasurement) -> float:
    """Mean of the last tenth of a second, in V: charging when the engine has started."""
    x, rate = fine(cut, wanted.role)
    return float(x[-max(1, int(0.1 * rate)) :].mean()) if x.size else NAN


@measurement("internal-resistance")
def internal_resistance(cut: Cut, wanted: CardMeasurement) -> float:
    """(rest level - settled level) / settled current, in mOhm; needs the `current` channel.

    Ohm's law; 12.6 V to 9.9 V at 180 A is 15 mOhm.
    """
    other = wanted.params.get("current", "current")
    if other not in cut.signal.roles:
        return NAN
    begin, end = cut.events.marks.get("steady", np.array([0.0, cut.signal.n])).astype(np.int64)
    amps = abs(float(cut.channel(other)[begin:end].mean()))
    return 1e3 * voltage_drop(cut, wanted) / amps if amps > 1.0 else NAN


@measurement("time-low")
def time_low(cut: Cut, wanted: CardMeasurement) -> float:
    """Time below `level`, in ms (a supply's dips); 0.05 ms for none, a finite logarithm."""
    below = float((cut.channel(wanted.role) < wanted.params["level"]).sum())
    return max(1e3 * below / cut.rate_hz, 0.05)


@measurement("slow-range")
def slow_range(cut: Cut, wanted: CardMeasurement) -> float:
    """Range (1 to 99 %) of the `mean_s` (0.1 s) means of the channel, in its unit."""
    width = max(1, int(float(wanted.params.get("mean_s", 0.1)) * cut.rate_hz))
    level = block_mean(cut.channel(wanted.role), min(width, max(1, cut.signal.n // 4)))
    low, high = np.quantile(level, [0.01, 0.99])
    return float(high - low)


@measurement("fast-range")
def fast_range(cut: Cut, wanted: CardMeasurement) -> float:
    """Range (0.5 to 99.5 %) of what is faster than `mean_s` (0.05 s), in the channel's unit."""
    x = cut.channel(wanted.role)
    width = max(3, int(float(wanted.params.get("mean_s", 0.05)) * cut.rate_hz))
    low, high = np.quantile(thin(x - smooth(x, width)), [0.005, 0.995])
    return float(high - low)


@measurement("most-frequent-rate")
def most_frequent_rate(cut: Cut, wanted: CardMeasurement) -> float:
    """Frequency of the strongest line between `low_hz` and `high_hz`, in Hz."""
    from matching.events.lines import lines, strongest

    x = cut.channel(wanted.role)
    width = max(1, int(cut.rate_hz / (4.0 * wanted.params["high_hz"])))
    if x.size < 4 * width:  # no line has room in it
        return NAN
    spectrum = lines(block_mean(x, width), cut.rate_hz / width)
    f = strongest(spectrum, wanted.params["low_hz"], wanted.params["high_hz"], None)
    return f if f > 0 else NAN


# --- parasitic draw -----------------------------------------------------------------------


@measurement("draw-asleep")
def draw_asleep(cut: Cut, wanted: CardMeasurement) -> float:
    """Current once asleep: the 10 % quantile of the 0.2 s means in the last third, in the unit."""
    level = _draw(cut, wanted.role)
    return float(np.quantile(level[2 * level.size // 3 :], 0.1)) if level.size >= 3 else NAN


@measurement("draw-awake")
def draw_awake(cut: Cut, wanted: CardMeasurement) -> float:
    """Current before sleep: the median of the 0.2 s means in the first tenth, in the unit."""
    level = _draw(cut, wanted.role)
    return float(np.median(level[: max(1, level.size // 10)])) if level.size else NAN


@measurement("draw-sleep-time")
def draw_sleep_time(cut: Cut, wanted: CardMeasurement) -> float:
    """Time until the current first stays within a twentieth of its way down for 1 s, in s.

    At least 30 mA count as that twentieth. The recording's length when it never does.
    """
    level = _draw(cut, wanted.role)
    if level.size < 8:
        return NAN
    asleep, awake = draw_asleep(cut, wanted), draw_awake(cut, wanted)
    low = level < asleep + max(0.05 * (awake - asleep), 0.03)
    need = max(1, int(1.0 / _draw_step(cut)))
    run = np.convolve(low, np.ones(need), "valid") >= need
    first = int(np.argmax(run)) if run.any() else level.size
    return first * _draw_step(cut)


@measurement("draw-wakes")
def draw_wakes(cut: Cut, wanted: CardMeasurement) -> float:
    """How often the 0.2 s mean rises 0.1 A over twice the sleeping current after first sleep."""
    level = _draw(cut, wanted.role)
    begin = int(draw_sleep_time(cut, wanted) / _draw_step(cut)) if level.size >= 8 else 0
    later = level[begin:] > 2.0 * max(draw_asleep(cut, wanted), 0.0) + 0.1
    return float(np.count_nonzero(later[1:] & ~later[:-1]))


@measurement("draw-charge")
def draw_charge(cut: Cut, wanted: CardMeasurement) -> float:
    """Mean current of the last half of the recording, in the unit: what the battery loses."""
    level = _draw(cut, wanted.role)
    return float(level[level.size // 2 :].mean()) if level.size else NAN


def _draw_step(cut: Cut) -> float:
    return max(1, int(min(0.2 * cut.rate_hz, cut.signal.n / 50))) / cut.rate_hz


def _draw(cut: Cut, role: str) -> Floats:
    def make() -> Floats:
        return block_mean(cut.channel(role), max(1, round(_draw_step(cut) * cut.rate_hz)))

    return cut.shared(f"draw:{role}", make)
