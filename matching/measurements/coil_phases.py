"""The two phases of a coil around its spark: charging before it, ringing after it.

Both are small against the firing line, so a coarse instrument shows them in its noise: they are
averaged as far as their own frequencies allow, and what is mostly noise is left unsaid.
"""

from __future__ import annotations

import numpy as np

from matching.tools import Floats, smooth

NAN = float("nan")
LONGEST_DWELL_S = 9e-3
RING_S = 1.2e-3
RING_NAMES = ("ring", "ring_first", "ring_keep", "ring_hz", "ring_count")
DWELL_NAMES = (
    "dwell", "on_step", "on_late", "on_ring", "on_first", "on_last", "on_flux", "on_keep",
    "on_rise",
)  # fmt: skip


def above_noise(size: float, noise: float) -> float:
    """An rms size without the noise's share of it; NaN when the noise makes most of it."""
    return float(np.sqrt(size**2 - noise**2)) if size**2 > 2.0 * noise**2 else NAN


def rms(x: Floats) -> float:
    """Root mean square of x (n,)."""
    return float(np.sqrt(np.mean(x**2)))


def ringing(
    x: Floats, rate: float, noise: float, base: float, end: float, limit: float
) -> dict[str, float]:
    """The coil's free ringing after the last spark went out at sample `end` (fractional)."""
    a, b = int(np.ceil(end)), int(end + RING_S * rate)
    if b + 1 > limit or b - a < 8:
        return dict.fromkeys(RING_NAMES, NAN)
    width = max(1, int(20e-6 * rate))
    left = noise / np.sqrt(width)
    part = smooth(x[a : b + 1], width)
    part = part - float(part[int(0.7 * part.size) :].mean())
    step = max(2, int(0.4e-3 * rate))
    strong, weak = rms(part[:step]), rms(part[step : 2 * step])
    swing = max(float(-part.min()), 1e-12)
    keep = np.sqrt(max(weak**2 - left**2, (0.3 * left) ** 2)) / max(strong, 1e-12)
    clear = strong > 3.0 * left
    return {
        "ring": float(np.sqrt(max(rms(part) ** 2 - left**2, (0.5 * left) ** 2))),
        "ring_first": swing,
        "ring_keep": float(keep) if clear else NAN,
        "ring_hz": ring_frequency(part, rate) if clear else NAN,
        "ring_count": swings(part, 0.15 * swing) if 3.0 * left < 0.2 * swing else NAN,
    }


def swings(part: Floats, least: float) -> float:
    """Full swings of part (n,) whose half-waves exceed `least`."""
    above = part > 0.0
    changes = np.flatnonzero(above[1:] != above[:-1])
    tops = np.maximum.reduceat(np.abs(part), np.concatenate(([0], changes + 1)))
    return float((tops > least).sum()) / 2.0


def ring_frequency(part: Floats, rate: float) -> float:
    """Frequency (Hz) of the strongest line of part (n,) between 1.5 and 15 kHz, interpolated."""
    block = max(1, int(rate / 100e3))
    y = part[: part.size // block * block].reshape(-1, block).mean(axis=1)
    size = np.abs(np.fft.rfft(y, 2048))
    f = np.fft.rfftfreq(2048, block / rate)
    inside = np.flatnonzero((f > 1.5e3) & (f < min(15e3, 0.45 * rate / block)))
    if inside.size < 3:
        return NAN
    k = int(inside[np.argmax(size[inside])])
    if k in (inside[0], inside[-1]):
        return float(f[k])
    before, top, after = size[k - 1], size[k], size[k + 1]
    shift = 0.5 * (before - after) / min(before - 2.0 * top + after, -1e-12)
    return float(f[k] + np.clip(shift, -0.5, 0.5) * (f[1] - f[0]))


def dwell(
    x: Floats, rate: float, noise: float, base: float, first: float, earlier: float
) -> dict[str, float]:
    """The charging before the firing edge at sample `first`, as a step away from `base`.

    Its start is where the averaged depth passes 30 % of itself; the average widens with the noise.
    """
    begin = int(max(first - LONGEST_DWELL_S * rate, earlier + 3e-3 * rate, 0))
    end = int(first - max(25e-6 * rate, 2))
    if end - begin < 8 or first - begin < 1.5e-3 * rate:
        return dict.fromkeys(DWELL_NAMES, NAN)
    depth = base - x[begin:end]
    width = max(1, int(40e-6 * rate))
    calm = smooth(depth, width)
    deep = float(np.quantile(calm, 0.97))
    if 4.0 * noise / np.sqrt(width) > 0.25 * deep:
        width = max(1, int(200e-6 * rate))
        calm = smooth(depth, width)
        deep = float(np.quantile(calm, 0.97))
    least = max(0.3 * deep, 4.0 * noise / np.sqrt(width))
    on = np.flatnonzero(calm > least)
    if on.size == 0 or (on[0] < 2 and begin == 0):
        return dict.fromkeys(DWELL_NAMES, NAN)  # too faint, or begun before the recording
    start = min(int(on[0] + (0.5 - least / deep) * width), depth.size - 4)
    return _charge(depth[start:], rate, noise, base) | {"dwell": (first - begin - start) / rate}


def _charge(charge: Floats, rate: float, noise: float, base: float) -> dict[str, float]:
    n = charge.size
    width = max(1, int(15e-6 * rate))
    left = noise / np.sqrt(width)
    fine = smooth(charge, width)
    quarter = fine[: max(3, n // 4)]
    wave = quarter - smooth(quarter, max(3, int(0.3e-3 * rate)))
    early = base - float(charge[int(0.15 * n) : int(0.3 * n) + 1].mean())
    late = base - float(charge[int(0.8 * n) : int(0.97 * n) + 1].mean())
    return {
        "on_step": float(quarter.max()),
        "on_late": float(charge[-max(3, n // 4) :].mean()),
        "on_ring": above_noise(rms(wave), left),
        "on_flux": float(charge.sum()) / rate,
        "on_keep": _keep(fine, rate, left),
        "on_first": early,
        "on_last": late,
        "on_rise": late - early,
    }


def _keep(charge: Floats, rate: float, noise: float) -> float:
    """How much of the ringing of the first 0.3 ms is left in the next 0.3 ms."""
    part = max(3, int(0.3e-3 * rate))
    if charge.size < 2 * part:
        return NAN
    wave = charge[: 2 * part] - smooth(charge[: 2 * part], max(3, int(0.25e-3 * rate)))
    first, second = rms(wave[:part]), rms(wave[part:])
    return second / first if first > 3.0 * noise and first > 0 else NAN
