"""In-cylinder pressure over one engine cycle, 0 deg at the compression peak, -360 to 360 deg.

Compression and expansion of a closed cylinder follow p V^n = const (polytropic, n about 1.3), so a
tight cylinder is nearly a mirror image of itself about the peak; a leak lowers the expansion.
Pressures are gauge; absolute ones add 1.013 bar.
"""

from __future__ import annotations

import numpy as np

from matching.measurements import Cut, measurement
from matching.tools import Floats, mad_sigma, smooth
from refdb.cards import CardMeasurement

NAN = float("nan")
ATMOSPHERE_BAR = 1.013


def cycles(cut: Cut) -> tuple[Floats, Floats]:
    """Angle (points,) in deg and the gridded cycles (events, points) in the channel's unit."""

    def make() -> tuple[Floats, Floats]:
        part = cut.grid[:, 0].astype(np.float64)
        points = part.shape[1]
        return (np.arange(points) + 0.5) / points * 720.0 - 360.0, part

    return cut.shared("pressure", make)


def usual(cut: Cut) -> tuple[Floats, Floats] | None:
    """Angle and the median cycle (points,), or None without a cycle."""
    angle, part = cycles(cut)
    return (angle, np.median(part, axis=0)) if part.shape[0] else None


def worst(values: Floats, which: str) -> float:
    """Median of values (n,), or the mean of the lowest / highest fifth of them."""
    if values.size == 0:
        return NAN
    ordered = np.sort(values)
    fifth = max(1, ordered.size // 5)
    picks = {"low": ordered[:fifth].mean(), "high": ordered[-fifth:].mean()}
    return float(picks.get(which, np.median(ordered)))


@measurement("pressure-peak")
def pressure_peak(cut: Cut, wanted: CardMeasurement) -> float:
    """Compression peak of the cycles in the channel's unit; `which` median, low or high."""
    _, part = cycles(cut)
    return worst(part.max(axis=1), wanted.params.get("which", "median")) if part.size else NAN


@measurement("pressure-peak-spread")
def pressure_peak_spread(cut: Cut, wanted: CardMeasurement) -> float:
    """Standard deviation of the peaks over their mean (COV), in %."""
    _, part = cycles(cut)
    if part.shape[0] < 3:
        return NAN
    peak = part.max(axis=1)
    return 100.0 * float(peak.std()) / max(abs(float(peak.mean())), 1e-12)


@measurement("pressure-at")
def pressure_at(cut: Cut, wanted: CardMeasurement) -> float:
    """Mean of the median cycle between `from` and `to` degrees after the peak, channel's unit."""
    got = usual(cut)
    if got is None:
        return NAN
    angle, wave = got
    inside = (angle >= wanted.params["from"]) & (angle <= wanted.params["to"])
    return float(wave[inside].mean()) if inside.any() else NAN


@measurement("pressure-step")
def pressure_step(cut: Cut, wanted: CardMeasurement) -> float:
    """Mean between `from` and `to` minus mean between `less_from` and `less_to` degrees.

    A difference inside the cycle: the transducer's zero does not enter.
    """
    got = usual(cut)
    if got is None:
        return NAN
    angle, wave = got
    p = wanted.params
    first = (angle >= p["from"]) & (angle <= p["to"])
    other = (angle >= p["less_from"]) & (angle <= p["less_to"])
    return float(wave[first].mean() - wave[other].mean()) if first.any() and other.any() else NAN


@measurement("pressure-least")
def pressure_least(cut: Cut, wanted: CardMeasurement) -> float:
    """Lowest 5-degree mean of the median cycle between `from` and `to` degrees, channel's unit."""
    got = usual(cut)
    if got is None:
        return NAN
    angle, wave = got
    inside = (angle >= wanted.params["from"]) & (angle <= wanted.params["to"])
    return float(smooth(wave, 5)[inside].min()) if inside.any() else NAN


@measurement("pressure-symmetry")
def pressure_symmetry(cut: Cut, wanted: CardMeasurement) -> float:
    """Absolute pressure `angle` degrees after the peak over that as far before it.

    1 for a tight cylinder without heat loss; below 1 by what leaked or cooled away. `which` takes
    the worst cycles.
    """
    angle, part = cycles(cut)
    if part.shape[0] == 0:
        return NAN
    a = float(wanted.params["angle"])
    after = part[:, np.abs(angle - a) < 3.0].mean(axis=1) + ATMOSPHERE_BAR
    before = part[:, np.abs(angle + a) < 3.0].mean(axis=1) + ATMOSPHERE_BAR
    ratio = after / np.maximum(before, 0.02)
    return worst(ratio, wanted.params.get("which", "median"))


@measurement("pressure-width")
def pressure_width(cut: Cut, wanted: CardMeasurement) -> float:
    """Width of the compression hump at `share` (0.5) of its height over 0 bar gauge, in deg."""
    side = _sides(cut, float(wanted.params.get("share", 0.5)))
    return side[1] - side[0] if side else NAN


@measurement("pressure-lean")
def pressure_lean(cut: Cut, wanted: CardMeasurement) -> float:
    """Angle of the peak against the middle of the hump at `share` (0.5) of its height, in deg."""
    side = _sides(cut, float(wanted.params.get("share", 0.5)))
    return -0.5 * (side[0] + side[1]) if side else NAN


@measurement("pressure-crossing")
def pressure_crossing(cut: Cut, wanted: CardMeasurement) -> float:
    """Angle at which the flank crosses `bar` gauge: `side` "rise" before the peak, "fall" after."""
    got = usual(cut)
    if got is None:
        return NAN
    angle, wave = got
    level = float(wanted.params["bar"])
    side = _crossings(angle, wave, level)
    return NAN if side is None else side[0 if wanted.params.get("side") == "rise" else 1]


def _sides(cut: Cut, share: float) -> tuple[float, float] | None:
    got = usual(cut)
    if got is None:
        return None
    angle, wave = got
    return _crossings(angle, wave, share * float(wave.max()))


def _crossings(angle: Floats, wave: Floats, level: float) -> tuple[float, float] | None:
    """Angles left and right of the peak at which wave (points,) passes level."""
    middle = int(np.argmax(wave))
    left = np.flatnonzero(wave[:middle] < level)
    right = np.flatnonzero(wave[middle:] < level)
    if left.size == 0 or right.size == 0 or wave[middle] <= level:
        return None
    i, j = int(left[-1]), middle + int(right[0])
    step = angle[1] - angle[0]
    a = angle[i] + step * (level - wave[i]) / max(wave[i + 1] - wave[i], 1e-12)
    b = angle[j] - step * (level - wave[j]) / max(wave[j - 1] - wave[j], 1e-12)
    return float(a), float(b)


@measurement("pressure-event-angle")
def pressure_event_angle(cut: Cut, wanted: CardMeasurement) -> float:
    """Angle between `from` and `to` at which the median cycle changes fastest, in deg.

    `way` "rise" or "fall" over `span` degrees (default 12): the exhaust valve opening shows as
    the rise out of the expansion vacuum (or the fall of what pressure is left), the intake
    valve's closing as the turn into compression.
    """
    got = usual(cut)
    if got is None:
        return NAN
    angle, wave = got
    step = angle[1] - angle[0]
    lag = max(1, round(float(wanted.params.get("span", 12.0)) / step))
    change = wave[lag:] - wave[:-lag]
    middle = 0.5 * (angle[lag:] + angle[:-lag])
    inside = np.flatnonzero((middle >= wanted.params["from"]) & (middle <= wanted.params["to"]))
    if inside.size == 0:
        return NAN
    values = change[inside] if wanted.params.get("way", "rise") == "rise" else -change[inside]
    weight = np.maximum(values - 0.6 * values.max(), 0.0)
    if not weight.sum() > 0:
        return NAN
    return float(np.dot(weight, middle[inside]) / weight.sum())


@measurement("pressure-polytropic")
def pressure_polytropic(cut: Cut, wanted: CardMeasurement) -> float:
    """Slope of log absolute pressure against log volume between two angles of one flank.

    Volume by the crank slider with compression ratio `ratio` (10) and rod to crank `rod` (3.4);
    `side` "rise" gives the compression, "fall" the expansion exponent, from `near` (25) to `far`
    (75) degrees off the peak. The exponents' difference is what leaks and cools away.
    """
    got = usual(cut)
    if got is None:
        return NAN
    angle, wave = got
    off = -angle if wanted.params.get("side", "rise") == "rise" else angle
    inside = (off >= wanted.params.get("near", 25.0)) & (off <= wanted.params.get("far", 75.0))
    p = wave[inside] + ATMOSPHERE_BAR
    if (p <= 0.02).any() or inside.sum() < 8:
        return NAN
    ratio, rod = wanted.params.get("ratio", 10.0), wanted.params.get("rod", 3.4)
    volume = relative_volume(off[inside], float(ratio), float(rod))
    return -float(np.polyfit(np.log(volume), np.log(p), 1)[0])


def relative_volume(angle_deg: Floats, ratio: float, rod: float) -> Floats:
    """Cylinder volume over the clearance volume, 0 deg at top dead centre (crank slider)."""
    a = np.deg2rad(angle_deg)
    travel = 1.0 - np.cos(a) + rod - np.sqrt(rod**2 - np.sin(a) ** 2)
    return 1.0 + 0.5 * (ratio - 1.0) * travel


@measurement("pressure-hash")
def pressure_hash(cut: Cut, wanted: CardMeasurement) -> float:
    """Robust spread of the cycles about their median away from the peak, over the peak, in %."""
    angle, part = cycles(cut)
    if part.shape[0] < 3:
        return NAN
    calm = np.abs(angle) > 120.0
    rest = part[:, calm] - np.median(part[:, calm], axis=0)
    return 100.0 * mad_sigma(rest.ravel()) / max(abs(float(part.max())), 1e-12)


@measurement("cycle-speed")
def cycle_speed(cut: Cut, wanted: CardMeasurement) -> float:
    """Engine speed from peak to peak, 120 / period, in rpm; NaN with a single peak."""
    peak = cut.events.anchor
    if peak.size < 2:
        return NAN
    return 120.0 * cut.rate_hz * (peak.size - 1) / float(peak[-1] - peak[0])
