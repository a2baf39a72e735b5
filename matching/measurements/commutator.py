"""Small DC motors with a commutator: ripple, segments and turns of a fuel pump's current.

rpm = 60 f / N with N ripples per revolution (bars, or twice an odd number of bars); the frequency
wants at least 20 ripples (ripple counting practice, TI DRV8215 data sheet).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.measurements import Cut, measurement
from matching.measurements.odd import by_place, least_share
from matching.measurements.starter import steady
from matching.tools import Floats, mad_sigma, smooth
from refdb.cards import CardMeasurement

NAN = float("nan")
LEAST_RIPPLES = 20


@dataclass(frozen=True, slots=True, eq=False)
class Ripples:
    """The commutator ripples of one cut capture.

    height: (n,) peak over the mean of the valleys beside it.  top, valley: (n,) levels without
    slow drift.  period: (n,) in samples.  count: ripples per turn, 0 where unknown.
    pattern: (count, points) each segment's own mean shape; (0, points) without a count.
    """

    height: Floats
    top: Floats
    valley: Floats
    middle: Floats
    period: Floats
    count: int
    pattern: Floats


def ripples(cut: Cut, role: str) -> Ripples | None:
    """The ripples of a cut capture, worked out once; None with fewer than 8."""
    return cut.shared(f"commutator:{role}", lambda: _ripples(cut, role))


def _ripples(cut: Cut, role: str) -> Ripples | None:
    edge = cut.events.marks.get("ripple", np.zeros(0))
    if edge.size < 9:
        return None
    x = cut.channel(role)
    fine = 16
    place = edge[:-1, None] + np.diff(edge)[:, None] * ((np.arange(fine) + 0.5) / fine)
    period = float(np.median(np.diff(edge)))
    # a moving mean over 1/16 ripple keeps the noise of a fast recording out of the extremes
    calm = smooth(x, max(1, int(period / fine)))
    wave = np.interp(place, np.arange(x.size, dtype=np.float64), calm)
    low = 0.5 * (wave[:, :2].mean(axis=1) + wave[:, -2:].mean(axis=1))
    middle = wave.mean(axis=1)
    slow = smooth(middle, min(31, middle.size))
    top = wave.max(axis=1)
    count = int(cut.events.marks.get("per_turn", np.zeros(1))[0])
    known = count if 1 < count <= wave.shape[0] // 2 else 0
    flat = wave - slow[:, None]
    pattern = np.array([np.median(flat[k::known], axis=0) for k in range(known)])
    return Ripples(
        top - low, top - slow, low - slow, middle - slow, np.diff(edge), count,
        pattern.reshape(known, fine),
    )  # fmt: skip


@measurement("commutator-ripple")
def commutator_ripple(cut: Cut, wanted: CardMeasurement) -> float:
    """Median peak-over-valley of the ripples, in A; `over = "mean"` in % of the settled mean."""
    r = ripples(cut, wanted.role)
    if r is None:
        return NAN
    value = float(np.median(r.height))
    if wanted.params.get("over") == "mean":
        return 100.0 * value / max(float(steady(cut, wanted.role).mean()), 1e-12)
    return value


@measurement("commutator-frequency")
def commutator_frequency(cut: Cut, wanted: CardMeasurement) -> float:
    """Ripples per second over the settled part, in Hz; NaN with fewer than 20 ripples."""
    edge = cut.events.marks.get("ripple", np.zeros(0))
    if edge.size <= LEAST_RIPPLES:
        return NAN
    return cut.rate_hz * (edge.size - 1) / float(edge[-1] - edge[0])


@measurement("commutator-rpm")
def commutator_rpm(cut: Cut, wanted: CardMeasurement) -> float:
    """Speed 60 f / N in rpm; N ripples per turn from `per_turn`, else from the recording."""
    r = ripples(cut, wanted.role)
    f = commutator_frequency(cut, wanted)
    count = int(wanted.params.get("per_turn", 0)) or (r.count if r else 0)
    return 60.0 * f / count if count else NAN


@measurement("segment-spread")
def segment_spread(cut: Cut, wanted: CardMeasurement) -> float:
    """Standard deviation of the ripples' heights over their median, in %."""
    r = ripples(cut, wanted.role)
    if r is None:
        return NAN
    return 100.0 * float(r.height.std()) / max(float(np.median(r.height)), 1e-12)


@measurement("segment-unrest")
def segment_unrest(cut: Cut, wanted: CardMeasurement) -> float:
    """Robust spread of a ripple's height from one turn to the next over the median, in %.

    Without a known count per turn neighbours are compared instead.
    """
    r = ripples(cut, wanted.role)
    if r is None:
        return NAN
    lag = r.count if 0 < r.count < r.height.size // 2 else 1
    change = r.height[lag:] - r.height[:-lag]
    return 100.0 * mad_sigma(change) / np.sqrt(2.0) / max(float(np.median(r.height)), 1e-12)


@measurement("segment-odd")
def segment_odd(cut: Cut, wanted: CardMeasurement) -> float:
    """Largest deviation of one segment's `what` (height, top, valley, middle) from the median
    segment over the median height, in %. `sense` 'low' or 'high' keeps one side; else both.

    A segment is the median over the turns; with an unknown count the worst tenth of all ripples
    stands for it.
    """
    r = ripples(cut, wanted.role)
    if r is None:
        return NAN
    values: Floats = getattr(r, wanted.params.get("what", "height"))
    scale = max(float(np.median(r.height)), 1e-12)
    sense = wanted.params.get("sense", "both")
    if 1 < r.count <= values.size:
        away = by_place(values, r.count) - float(np.median(values))
        low, high = -float(away.min()), float(away.max())
    else:
        away = values - float(np.median(values))
        low, high = -least_share(away, 0.1), -least_share(-away, 0.1)
    return 100.0 * {"low": low, "high": high}.get(sense, max(low, high)) / scale


@measurement("segment-worst")
def segment_worst(cut: Cut, wanted: CardMeasurement) -> float:
    """Mean of the lowest (`sense = "low"`) or highest 3 % of `what` from its median over the
    median height, in %: an odd segment that comes and goes."""
    r = ripples(cut, wanted.role)
    if r is None:
        return NAN
    values: Floats = getattr(r, wanted.params.get("what", "height"))
    away = values - float(np.median(values))
    away = away if wanted.params.get("sense", "low") == "low" else -away
    return -100.0 * least_share(away, 0.03) / max(float(np.median(r.height)), 1e-12)


@measurement("segment-pattern")
def segment_pattern(cut: Cut, wanted: CardMeasurement) -> float:
    """Rms distance of a segment's mean shape from the mean segment over the median height, in %.

    which 'worst' (default) takes the segment furthest away, 'usual' the median segment. Shapes
    are averaged over the turns first, so noise does not count. NaN without a count per turn.
    """
    r = ripples(cut, wanted.role)
    if r is None or r.pattern.shape[0] < 3:
        return NAN
    away = np.sqrt(np.mean((r.pattern - np.median(r.pattern, axis=0)) ** 2, axis=1))
    value = away.max() if wanted.params.get("which", "worst") == "worst" else np.median(away)
    return 100.0 * float(value) / max(float(np.median(r.height)), 1e-12)


@measurement("turn-share")
def turn_share(cut: Cut, wanted: CardMeasurement) -> float:
    """Share of the heights' variance that repeats with the turn, 0 to 1; NaN without a count."""
    r = ripples(cut, wanted.role)
    if r is None or r.count < 2 or r.height.size < 4 * r.count:
        return NAN
    usual = by_place(r.height, r.count)[np.arange(r.height.size) % r.count]
    return float(np.var(usual) / max(float(np.var(r.height)), 1e-30))


@measurement("turn-swing")
def turn_swing(cut: Cut, wanted: CardMeasurement) -> float:
    """Amplitude of the ripples' means at once per turn over the median height, in % (drag)."""
    r = ripples(cut, wanted.role)
    if r is None or r.count < 3 or r.middle.size < 2 * r.count:
        return NAN
    turn = np.exp(-2j * np.pi * np.arange(r.middle.size) / r.count)
    size = 2.0 * abs(complex(np.mean(r.middle * turn)))
    return 100.0 * size / max(float(np.median(r.height)), 1e-12)


@measurement("ripple-pace-spread")
def ripple_pace_spread(cut: Cut, wanted: CardMeasurement) -> float:
    """Robust spread of the ripples' periods over their median, in %."""
    r = ripples(cut, wanted.role)
    if r is None:
        return NAN
    return 100.0 * mad_sigma(r.period) / float(np.median(r.period))


@measurement("slow-swing")
def slow_swing(cut: Cut, wanted: CardMeasurement) -> float:
    """Range (2 to 98 %) of the current's 5 ms mean in the settled part over its mean, in %."""
    part = steady(cut, wanted.role)
    width = max(1, int(0.005 * cut.rate_hz))
    if part.size < 8 * width:
        return NAN
    level = part[: part.size // width * width].reshape(-1, width).mean(axis=1)
    low, high = np.quantile(level, [0.02, 0.98])
    return 100.0 * float(high - low) / max(abs(float(part.mean())), 1e-12)


@measurement("deepest-dip")
def deepest_dip(cut: Cut, wanted: CardMeasurement) -> float:
    """Median over the events of the event's minimum over its mean, in %: near 0 for an open bar."""
    if cut.grid.shape[0] == 0:
        return NAN
    part = cut.grid[:, cut.signal.row(wanted.role)]
    mean = float(part.mean())
    return 100.0 * float(np.median(part.min(axis=1))) / mean if mean > 0 else NAN
