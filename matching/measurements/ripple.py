"""Generator ripple: what one electrical period of a bridge rectifier tells of diodes and phases.

Definitions follow six-pulse rectifier theory: with f_e the electrical frequency, a healthy bridge
has lines at 6, 12, 18 f_e only, an open diode adds 1 to 4 f_e, an open phase 2 and 4 f_e.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from matching.events.lines import block_mean
from matching.measurements import Cut, measurement
from matching.tools import Floats, mad_sigma, smooth
from refdb.cards import CardMeasurement

HUMPS = 6
TOP_LINE = 18


@dataclass(frozen=True, slots=True, eq=False)
class Periods:
    """The electrical periods of one cut capture.

    wave: (events, points), each without its own mean and straight drift.  lines: complex
    (events, TOP_LINE + 1), amplitudes of the multiples of f_e.  usual: (points,) mean period.
    size: (events,) peak to peak of each period.
    """

    wave: Floats
    lines: np.ndarray
    usual: Floats
    size: Floats


def periods(cut: Cut, role: str) -> Periods | None:
    """The periods of a cut capture, worked out once; None when it has none."""
    return cut.shared(f"ripple:{role}", lambda: _periods(cut, role))


def _periods(cut: Cut, role: str) -> Periods | None:
    if cut.grid.shape[0] == 0:
        return None
    wave = cut.grid[:, cut.signal.row(role)].astype(np.float64)
    points = wave.shape[1]
    drift = _drift(cut, role)[cut.picked]
    wave = wave - drift[:, None] * ((np.arange(points) + 0.5) / points - 0.5)[None, :]
    wave = wave - wave.mean(axis=1, keepdims=True)
    lines = np.fft.rfft(wave, axis=1)[:, : TOP_LINE + 1] * (2.0 / points)
    calm = 0.5 * (wave[:, 1:] + wave[:, :-1])
    return Periods(wave, lines, np.median(wave, axis=0), np.ptp(calm, axis=1))


def _drift(cut: Cut, role: str) -> Floats:
    """Change of the slow level over each event (events,): half the step between its neighbours'
    means. A whole period's mean does not depend on the wave's shape, its ends would."""
    x = cut.channel(role)
    total = np.concatenate(([0.0], np.cumsum(x)))
    edge = np.clip(np.round([cut.events.start, cut.events.stop]), 0, x.size).astype(np.int64)
    mean = (total[edge[1]] - total[edge[0]]) / np.maximum(edge[1] - edge[0], 1)
    return np.gradient(mean) if mean.size >= 3 else np.zeros(mean.size)


@measurement("ripple-peak-to-peak")
def ripple_peak_to_peak(cut: Cut, wanted: CardMeasurement) -> float:
    """Peak to peak inside one electrical period without drift; `q` quantile (default median), V."""
    p = periods(cut, wanted.role)
    return float(np.quantile(p.size, wanted.params.get("q", 0.5))) if p else float("nan")


@measurement("ripple-frequency")
def ripple_frequency(cut: Cut, wanted: CardMeasurement) -> float:
    """Frequency of the humps, six per electrical period: 6 f_e, in Hz."""
    anchor = cut.events.anchor
    if anchor.size < 2:
        return float("nan")
    return HUMPS * cut.rate_hz * (anchor.size - 1) / float(anchor[-1] - anchor[0])


@measurement("ripple-line")
def ripple_line(cut: Cut, wanted: CardMeasurement) -> float:
    """Amplitude of the `multiple` of f_e over that of `over` (default 6), as a ratio.

    which 'mean' adds the periods in phase (what every period shares), 'worst' takes the mean of
    the fifth of the periods that show it most (a fault that comes and goes). Floors of 2 % and
    1 % of all lines, added as squares, keep the ratio finite and quiet. Derived for an ideal
    bridge: 1 f_e / 6 f_e = 6.3 with one diode open, 2 f_e / 6 f_e = 11.7 with one phase open.
    """
    p = periods(cut, wanted.role)
    if p is None:
        return float("nan")
    k, base = int(wanted.params["multiple"]), int(wanted.params.get("over", HUMPS))
    if wanted.params.get("which", "mean") == "mean":
        return float(_ratios(np.abs(p.lines.mean(axis=0, keepdims=True)), k, base)[0])
    ratio = np.sort(_ratios(np.abs(p.lines), k, base))
    return float(np.exp(np.log(ratio[-max(1, ratio.size // 5) :] + 1e-12).mean()))


def _ratios(size: Floats, k: int, base: int) -> Floats:
    """Line k over line `base` of each row of amplitudes (rows, lines), with quiet floors."""
    total = np.sqrt(np.sum(size[:, 1:] ** 2, axis=1)) + 1e-30
    return np.hypot(size[:, k], 0.02 * total) / np.hypot(size[:, base], 0.01 * total)


@measurement("ripple-odd-share")
def ripple_odd_share(cut: Cut, wanted: CardMeasurement) -> float:
    """Share of the ripple's power outside 6, 12 and 18 f_e (periods added in phase), 0 to 1."""
    p = periods(cut, wanted.role)
    if p is None:
        return float("nan")
    power = np.abs(p.lines.mean(axis=0)[1:]) ** 2
    healthy = power[HUMPS - 1 :: HUMPS].sum()
    return float(1.0 - healthy / max(float(power.sum()), 1e-30)) + 1e-4


@measurement("ripple-hump-spread")
def ripple_hump_spread(cut: Cut, wanted: CardMeasurement) -> float:
    """Highest minus lowest of the six humps of the mean period over their mean height, in %."""
    p = periods(cut, wanted.role)
    if p is None:
        return float("nan")
    height = hump_heights(p.usual)
    return float(100.0 * np.ptp(height) / max(float(np.abs(p.usual).max()), 1e-30))


@measurement("ripple-lowest-hump")
def ripple_lowest_hump(cut: Cut, wanted: CardMeasurement) -> float:
    """Height of the lowest of six humps over the median hump, in %: a missing hump gives 0."""
    p = periods(cut, wanted.role)
    if p is None:
        return float("nan")
    height = hump_heights(p.usual)
    return float(100.0 * height.min() / max(float(np.median(height)), 1e-30))


def hump_heights(wave: Floats) -> Floats:
    """Height of each of the six sixths of a period that starts at a trough (points,): (6,)."""
    edges = np.linspace(0, wave.size, HUMPS + 1).astype(np.int64)
    part = [wave[a:b] for a, b in pairwise(edges)]
    return np.array([x.max() - 0.5 * (x[0] + x[-1]) for x in part])


@measurement("ripple-deepest")
def ripple_deepest(cut: Cut, wanted: CardMeasurement) -> float:
    """How far the mean period goes below its mean over how far above: 1 for a balanced wave."""
    p = periods(cut, wanted.role)
    if p is None:
        return float("nan")
    return float(-p.usual.min() / max(float(p.usual.max()), 1e-30))


@measurement("ripple-skew")
def ripple_skew(cut: Cut, wanted: CardMeasurement) -> float:
    """Third standardised moment of the mean period: negative when it dips rather than peaks."""
    p = periods(cut, wanted.role)
    if p is None:
        return float("nan")
    sigma = float(p.usual.std())
    return float(np.mean(p.usual**3)) / max(sigma**3, 1e-30)


@measurement("ripple-size-spread")
def ripple_size_spread(cut: Cut, wanted: CardMeasurement) -> float:
    """Robust spread of the periods' peak to peak over their median, in % (field, slip rings)."""
    p = periods(cut, wanted.role)
    if p is None or p.size.size < 4:
        return float("nan")
    return 100.0 * mad_sigma(p.size) / max(float(np.median(p.size)), 1e-30)


@measurement("ripple-size-least")
def ripple_size_least(cut: Cut, wanted: CardMeasurement) -> float:
    """Mean of the lowest tenth of the periods' peak to peak over their median: ripple lost."""
    p = periods(cut, wanted.role)
    if p is None or p.size.size < 4:
        return float("nan")
    low = np.sort(p.size)[: max(1, p.size.size // 10)]
    return float(low.mean()) / max(float(np.median(p.size)), 1e-30)


@measurement("ripple-worst-period")
def ripple_worst_period(cut: Cut, wanted: CardMeasurement) -> float:
    """Largest rms distance of three neighbouring periods from the usual one over its rms."""
    p = periods(cut, wanted.role)
    if p is None:
        return float("nan")
    away = np.sqrt(np.mean((p.wave - p.usual) ** 2, axis=1))
    if away.size >= 3:
        away = np.convolve(away, np.ones(3) / 3.0, "valid")
    return float(away.max()) / max(float(p.usual.std()), 1e-30)


@measurement("ripple-speed-swing")
def ripple_speed_swing(cut: Cut, wanted: CardMeasurement) -> float:
    """Range (5 to 95 %) of the electrical frequency over its median, in %: torsion, belt slip."""
    start = np.asarray(cut.events.start)
    if start.size < 5:
        return float("nan")
    period = smooth(np.diff(start), min(3, start.size - 1))
    low, high = np.quantile(period, [0.05, 0.95])
    return float(100.0 * (high - low) / max(float(np.median(period)), 1e-30))


@measurement("ripple-slow-share")
def ripple_slow_share(cut: Cut, wanted: CardMeasurement) -> float:
    """Rms of the slow course (10 Hz to half f_e: regulator, hunting) over the ripple's rms."""
    slow, ripple = _slow(cut, wanted.role), periods(cut, wanted.role)
    if slow is None or ripple is None:
        return float("nan")
    return float(slow.std()) / max(float(np.sqrt(np.mean(ripple.wave**2))), 1e-30)


@measurement("ripple-slow-size")
def ripple_slow_size(cut: Cut, wanted: CardMeasurement) -> float:
    """Rms of the slow course between 10 Hz and half the electrical frequency, in V."""
    slow = _slow(cut, wanted.role)
    return float(slow.std()) if slow is not None else float("nan")


def _slow(cut: Cut, role: str) -> Floats | None:
    """Means over one electrical period each, without what lies below 10 Hz (AC corner)."""
    anchor = cut.events.anchor
    if anchor.size < 6:
        return None
    period = float(np.median(np.diff(anchor)))
    width = max(1, round(period))
    level = block_mean(cut.channel(role), width)
    wide = int(0.1 * cut.rate_hz / width)
    return level - smooth(level, wide) if 3 < wide < level.size else level - level.mean()
