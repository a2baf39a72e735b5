"""Measurements any system can use: levels, sizes, spreads, rates, state levels, transitions."""

from __future__ import annotations

import numpy as np

from matching.measurements import Cut, measurement
from matching.tools import Floats, line_amplitude, mad_sigma, state_levels, thin
from refdb.cards import CardMeasurement


@measurement("mean")
def mean(cut: Cut, wanted: CardMeasurement) -> float:
    """Arithmetic mean of the channel, in its unit."""
    return float(cut.channel(wanted.role).mean())


@measurement("quantile")
def quantile(cut: Cut, wanted: CardMeasurement) -> float:
    """The level that a share `q` (0..1) of the samples stays below, in the channel's unit."""
    return float(np.quantile(thin(cut.channel(wanted.role)), wanted.params["q"]))


@measurement("extreme")
def extreme(cut: Cut, wanted: CardMeasurement) -> float:
    """Largest (`which = "max"`) or smallest sample of the recording, in the channel's unit."""
    x = cut.channel(wanted.role)
    return float(x.max() if wanted.params.get("which", "max") == "max" else x.min())


@measurement("ac-rms")
def ac_rms(cut: Cut, wanted: CardMeasurement) -> float:
    """Root mean square about the mean, in the channel's unit."""
    return float(cut.channel(wanted.role).std())


@measurement("event-peak-to-peak")
def event_peak_to_peak(cut: Cut, wanted: CardMeasurement) -> float:
    """Median over the events of maximum minus minimum inside the event, in the channel's unit."""
    if cut.grid.shape[0] == 0:
        return float("nan")
    part = cut.grid[:, cut.signal.row(wanted.role)]
    return float(np.median(part.max(axis=1) - part.min(axis=1)))


@measurement("event-rate")
def event_rate(cut: Cut, wanted: CardMeasurement) -> float:
    """Events per second times `factor`: the median distance of their anchors, in Hz (or rpm)."""
    anchor = cut.events.anchor
    if anchor.size < 2:
        return float("nan")
    period = float(np.median(np.diff(anchor))) / cut.rate_hz
    return float(wanted.params.get("factor", 1.0)) / period if period > 0 else float("nan")


@measurement("event-count")
def event_count(cut: Cut, wanted: CardMeasurement) -> float:
    """How many events the recording holds."""
    return float(cut.events.n)


@measurement("event-jitter")
def event_jitter(cut: Cut, wanted: CardMeasurement) -> float:
    """Robust spread (MAD) of the events' distances over their median, in per cent."""
    if cut.events.n < 4:
        return float("nan")
    period = np.diff(cut.events.anchor)
    return 100.0 * mad_sigma(period) / float(np.median(period))


@measurement("low-state")
def low_state(cut: Cut, wanted: CardMeasurement) -> float:
    """Low state level by the histogram-mode method (IEEE 181), in the channel's unit."""
    return _states(cut, wanted.role)[0]


@measurement("high-state")
def high_state(cut: Cut, wanted: CardMeasurement) -> float:
    """High state level by the histogram-mode method (IEEE 181), in the channel's unit."""
    return _states(cut, wanted.role)[1]


def _states(cut: Cut, role: str) -> tuple[float, float]:
    levels = cut.shared(f"states:{role}", lambda: state_levels(cut.channel(role)))
    return float(levels[0]), float(levels[1])


@measurement("duty")
def duty(cut: Cut, wanted: CardMeasurement) -> float:
    """Share of the time above the middle between the two state levels, in per cent."""
    low, high = _states(cut, wanted.role)
    if high <= low:
        return float("nan")
    return float(100.0 * np.mean(cut.channel(wanted.role) > (low + high) / 2.0))


@measurement("transition-time")
def transition_time(cut: Cut, wanted: CardMeasurement) -> float:
    """Median 10-90 % duration of the transitions (IEEE 181), `edge` = "rise" | "fall", seconds."""
    x = cut.channel(wanted.role)
    low, high = _states(cut, wanted.role)
    times = transitions(x, low, high, wanted.params.get("edge", "rise"))
    if times.size == 0:
        return float("nan")
    return float(np.median(times)) / cut.rate_hz * float(wanted.params.get("factor", 1.0))


def transitions(x: Floats, low: float, high: float, edge: str) -> Floats:
    """10-90 % durations (samples) of the complete transitions of x (n,) between two levels."""
    enter, leave = _passages(_rising(x, low, high, edge))
    return leave - enter


def _rising(x: Floats, low: float, high: float, edge: str) -> Floats:
    """x (n,) from 0 at one state to 1 at the other, in the sense of the edge; empty if alike."""
    if high <= low:
        return np.zeros(0)
    y = (x - low) / (high - low)
    return 1.0 - y if edge == "fall" else y


def _passages(y: Floats) -> tuple[Floats, Floats]:
    """Where y (n,) passes 0.1 and then 0.9 in each complete rise, in fractional samples."""
    zone = np.where(y >= 0.9, 2, np.where(y <= 0.1, 1, 0))
    decided = np.flatnonzero(zone > 0)
    state = zone[decided]
    change = np.flatnonzero((state[1:] == 2) & (state[:-1] == 1))
    before, after = decided[change], decided[change + 1]
    enter = before + (0.1 - y[before]) / np.maximum(y[before + 1] - y[before], 1e-12)
    leave = after - 1 + (0.9 - y[after - 1]) / np.maximum(y[after] - y[after - 1], 1e-12)
    return enter, leave


# How many transition durations after a transition its overshoot is looked for: as general
# libraries do by default, from memory.
SEEK = 3.0


@measurement("overshoot")
def overshoot(cut: Cut, wanted: CardMeasurement) -> float:
    """Post-transition overshoot (IEEE 181) over the state-level difference, per cent, median.

    `edge` = "rise" | "fall".
    """
    low, high = _states(cut, wanted.role)
    over = overshoots(cut.channel(wanted.role), low, high, wanted.params.get("edge", "rise"))
    return float(np.median(over)) if over.size else float("nan")


def overshoots(x: Floats, low: float, high: float, edge: str) -> Floats:
    """Per complete transition of x (n,): how far the extreme in the `SEEK` durations that follow
    lies beyond the state reached, per cent of the difference of the two levels; 0 for none."""
    y = _rising(x, low, high, edge)
    out = []
    for enter, leave in zip(*_passages(y), strict=True):
        begin, end = int(np.ceil(leave)), int(np.ceil(leave + SEEK * (leave - enter))) + 1
        out.append(100.0 * max(float(y[begin:end].max(initial=1.0)) - 1.0, 0.0))
    return np.array(out)


@measurement("line-amplitude")
def line(cut: Cut, wanted: CardMeasurement) -> float:
    """Amplitude of the `multiple` of the event rate over that of `over` (or absolute without)."""
    rate = event_rate(cut, CardMeasurement("rate", "event-rate", "Hz"))
    if not np.isfinite(rate):
        return float("nan")
    x = cut.channel(wanted.role)
    top = line_amplitude(x, cut.rate_hz, wanted.params["multiple"] * rate)
    if "over" not in wanted.params:
        return top
    return top / max(line_amplitude(x, cut.rate_hz, wanted.params["over"] * rate), 1e-12)
