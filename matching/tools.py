"""Small array tools that the rules, measurements and views share. numpy only, no state."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_SAMPLE = 60_000


def thin(x: Floats, limit: int = _SAMPLE) -> Floats:
    """At most `limit` samples of x (n,), evenly picked, for statistics that need no more."""
    return x if x.size <= limit else x[:: x.size // limit + 1]


def mad_sigma(x: Floats) -> float:
    """Standard deviation of x (n,) by the median absolute deviation (Gaussian factor 1.4826)."""
    if x.size == 0:
        return 0.0
    return float(1.4826 * np.median(np.abs(x - np.median(x))))


def quantisation_step(x: Floats) -> float:
    """The step of the instrument's codes in x (n,), same unit; 0 when the values are continuous.

    The smallest gap between distinct values counts only if most gaps are whole multiples of it.
    """
    values = np.unique(thin(x))
    if values.size < 2 or values.size > 20_000:
        return 0.0
    gaps = np.diff(values)
    gaps = gaps[gaps > 1e-9 * max(float(np.ptp(values)), 1e-30)]
    if gaps.size == 0:
        return 0.0
    step = float(np.quantile(gaps, 0.02))
    multiples = gaps / step
    whole = np.abs(multiples - np.round(multiples)) < 0.05
    return step if whole.mean() > 0.8 else 0.0


def noise_sigma(x: Floats, step: float = 0.0) -> float:
    """Noise rms of x (n,) from its second differences, floored by the quantisation noise.

    Second differences pass white noise times sqrt(6) and hide slow signal; the median keeps
    edges out. step/sqrt(12) is the rms error of a uniform quantiser (Analog Devices MT-001).
    """
    if x.size < 4:
        return step / np.sqrt(12.0)
    part = x if x.size <= 4 * _SAMPLE else x[: 4 * _SAMPLE]
    second = part[2:] - 2.0 * part[1:-1] + part[:-2]
    sigma = float(np.median(np.abs(second))) * 1.4826 / np.sqrt(6.0)
    return max(sigma, step / np.sqrt(12.0))


def smooth(x: Floats, width: int) -> Floats:
    """Centred moving average of x (n,) over `width` samples (odd is best), edges shortened."""
    if width <= 1 or x.size < 3:
        return x
    width = min(width, x.size)
    left = (width - 1) // 2
    right = width - left
    total = np.concatenate(([0.0], np.cumsum(x)))
    index = np.arange(x.size)
    lo = np.maximum(index - left, 0)
    hi = np.minimum(index + right, x.size)
    return (total[hi] - total[lo]) / (hi - lo)


def median3(x: Floats) -> Floats:
    """Running median of three samples of x (n,): single odd samples go, edges stay."""
    if x.size < 3:
        return x
    out = x.copy()
    a, b, c = x[:-2], x[1:-1], x[2:]
    out[1:-1] = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    return out


def band_pass(x: Floats, rate: float, low: float, high: float) -> Floats:
    """x (n,) between low and high Hz by a zero-phase FFT filter with raised-cosine skirts."""
    n = x.size
    padded = fast_length(n + min(n, 4096))
    spectrum = np.fft.rfft(x - x.mean(), padded)
    f = np.fft.rfftfreq(padded, 1.0 / rate).astype(np.float64)
    rise: Floats = _ramp(f, low * 0.7, low) if low > 0 else np.ones(f.size)
    gain = rise * (1.0 - _ramp(f, high, high * 1.4))
    return np.fft.irfft(spectrum * gain, padded)[:n]


def _ramp(f: Floats, start: float, stop: float) -> Floats:
    t = np.clip((f - start) / max(stop - start, 1e-12), 0.0, 1.0)
    return 0.5 - 0.5 * np.cos(np.pi * t)


def fast_length(n: int) -> int:
    """The least length >= n that numpy's FFT handles quickly (factors 2, 3 and 5)."""
    best = 1 << max(n - 1, 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            power = three * (1 << max(-(-n // three) - 1, 0).bit_length())
            if n <= power < best:
                best = power
            three *= 3
        five *= 5
    return best


def analytic(x: Floats) -> NDArray[np.complex128]:
    """The analytic signal of x (n,) (Hilbert), its angle is the phase of a narrow band."""
    n = x.size
    padded = fast_length(n)
    spectrum = np.fft.fft(x, padded)
    spectrum[1 : (padded + 1) // 2] *= 2.0
    spectrum[padded // 2 + 1 :] = 0.0
    return np.fft.ifft(spectrum)[:n]


def schmitt(x: Floats, low: float, high: float) -> Bools:
    """State of a trigger with hysteresis over x (n,): True above high, False below low."""
    decided = np.where(x > high, 2, np.where(x < low, 1, 0)).astype(np.int8)
    last = np.maximum.accumulate(np.where(decided > 0, np.arange(x.size), 0))
    state = decided[last] == 2
    if decided[0] == 0:
        first = int(np.argmax(decided > 0))
        state[:first] = decided[first] == 2 if decided[first] else False
    return state


def crossings(x: Floats, level: float, hysteresis: float) -> tuple[Floats, Floats]:
    """Where x (n,) crosses `level` upwards and downwards, in fractional samples.

    hysteresis: total width of the dead band around the level; a crossing counts once the far
    side of the band is passed, and its time is the last passage of the level before that.
    """
    state = schmitt(x, level - hysteresis / 2.0, level + hysteresis / 2.0)
    change = np.flatnonzero(state[1:] != state[:-1]) + 1
    rising = state[change]
    return _refine(x, level, change[rising], True), _refine(x, level, change[~rising], False)


def _refine(x: Floats, level: float, index: Ints, rising: bool) -> Floats:
    """Walk back from the trigger to the last sample on the other side of the level."""
    if index.size == 0:
        return np.zeros(0)
    side = x < level if rising else x > level
    last_other = np.maximum.accumulate(np.where(side, np.arange(x.size), 0))
    before = np.minimum(last_other[index], x.size - 2)
    step = x[before + 1] - x[before]
    safe = np.where(step == 0.0, 1.0, step)
    fraction = np.where(step == 0.0, 0.5, (level - x[before]) / safe)
    return before + np.clip(fraction, 0.0, 1.0)


def state_levels(x: Floats, bins: int = 100) -> tuple[float, float]:
    """Low and high state level of x (n,) by the histogram-mode method of IEEE 181.

    The range is cut in half and each half's most populated bin is refined to the mean of the
    samples in it. Equal levels come back for a constant.
    """
    part = thin(x)
    lo, hi = float(part.min()), float(part.max())
    if hi <= lo:
        return lo, hi
    counts, edges = np.histogram(part, bins=bins, range=(lo, hi))
    half = bins // 2
    low_bin = int(np.argmax(counts[:half]))
    high_bin = half + int(np.argmax(counts[half:]))
    return _bin_mean(part, edges, low_bin), _bin_mean(part, edges, high_bin)


def _bin_mean(x: Floats, edges: Floats, index: int) -> float:
    inside = x[(x >= edges[index]) & (x <= edges[index + 1])]
    return float(inside.mean()) if inside.size else float(edges[index : index + 2].mean())


def mode_level(x: Floats, bins: int = 200) -> float:
    """The most frequent level of x (n,): the resting state of a signal with rare events."""
    part = thin(x)
    lo, hi = np.quantile(part, [0.001, 0.999])
    if hi <= lo:
        return float(np.median(part))
    counts, edges = np.histogram(part, bins=bins, range=(float(lo), float(hi)))
    wide = counts + np.concatenate(([0], counts[:-1])) + np.concatenate((counts[1:], [0]))
    return _bin_mean(part, edges, int(np.argmax(wide)))


def spectrum_peak(
    x: Floats, rate: float, low: float, high: float, padding: int = 2
) -> tuple[float, float]:
    """Frequency (Hz) and prominence (peak over the median amplitude) of the strongest line.

    Hann window, zero padding, parabola through the logarithm of the three top bins.
    """
    f, a = amplitude_spectrum(x, rate, padding)
    inside = np.flatnonzero((f >= low) & (f <= high))
    if inside.size < 3:
        return 0.0, 0.0
    k = int(inside[np.argmax(a[inside])])
    return float(refine_peak(f, a, k)), float(a[k] / max(float(np.median(a[inside])), 1e-30))


def amplitude_spectrum(x: Floats, rate: float, padding: int = 2) -> tuple[Floats, Floats]:
    """Frequencies (Hz) and single-sided amplitudes (unit of x) under a Hann window."""
    n = x.size
    window = np.hanning(n)
    padded = fast_length(n * padding)
    a = np.abs(np.fft.rfft((x - x.mean()) * window, padded)) * 2.0 / max(window.sum(), 1e-12)
    return np.fft.rfftfreq(padded, 1.0 / rate).astype(np.float64), a


def refine_peak(f: Floats, a: Floats, k: int) -> float:
    """Parabolic interpolation of the peak at bin k of an amplitude spectrum."""
    if k <= 0 or k >= a.size - 1:
        return float(f[k])
    left, mid, right = np.log(np.maximum(a[k - 1 : k + 2], 1e-300))
    bend = left - 2.0 * mid + right
    shift = 0.0 if bend >= 0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
    return float(f[k] + shift * (f[1] - f[0]))


def line_amplitude(x: Floats, rate: float, frequency: float) -> float:
    """Amplitude of one spectral line at a known frequency (Hz), Hann-weighted projection."""
    n = x.size
    window = np.hanning(n)
    turn = np.exp(-2j * np.pi * frequency / rate * np.arange(n))
    return float(2.0 * abs(np.sum((x - x.mean()) * window * turn)) / max(window.sum(), 1e-12))


def block_extremes(x: Floats, blocks: int) -> tuple[Floats, Floats]:
    """Minimum and maximum of x (n,) in `blocks` nearly equal parts; no sample is left out."""
    starts = np.linspace(0, x.size, min(blocks, x.size), endpoint=False).astype(np.int64)
    return np.minimum.reduceat(x, starts), np.maximum.reduceat(x, starts)
