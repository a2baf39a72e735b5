"""Spectral lines of machines whose speed breathes: their power, and the phase along them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.tools import Floats, fast_length

BREATHING = 0.012  # half width of a line as a share of its frequency (torsion, drift)


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Power spectrum of one stretch, ready for asking how much power lies in a narrow band.

    step_hz: bin width.  total: (bins + 1,) cumulated power, unit squared.
    """

    step_hz: float
    total: Floats
    top_hz: float

    def power(self, low: Floats | float, high: Floats | float) -> Floats:
        """Power (unit squared) between two frequencies in Hz; arrays broadcast."""
        last = self.total.size - 1
        places = np.arange(self.total.size, dtype=np.float64)
        a = np.clip(np.asarray(low) / self.step_hz + 0.5, 0, last)
        b = np.clip(np.asarray(high) / self.step_hz + 0.5, 0, last)
        return np.interp(b, places, self.total) - np.interp(a, places, self.total)

    def line(self, f: Floats | float, breathing: float = BREATHING) -> Floats:
        """Amplitude (unit) of the line at f Hz above the floor beside it, >= 0.

        The line's band is f +- (breathing f + 2.2 bins of a Hann window); the floor is the mean
        density of two bands of the same width on either side. A line outside the spectrum is 0.
        """
        f = np.asarray(f, dtype=np.float64)
        half = breathing * f + 2.2 * self.step_hz
        inside = self.power(f - half, f + half)
        beside = np.minimum(self.power(f - 3 * half, f - half), self.power(f + half, f + 3 * half))
        power = np.where(f + half < self.top_hz, inside - beside, 0.0)
        return np.sqrt(2.0 * np.maximum(power, 0.0))


def lines(x: Floats, rate: float) -> Lines:
    """The power spectrum of x (n,) under a Hann window; powers are of the unwindowed signal."""
    n = x.size
    window = np.hanning(n)
    padded = fast_length(n)
    spectrum = np.abs(np.fft.rfft((x - x.mean()) * window, padded)) ** 2
    # Parseval: mean square of the windowed signal over that of the window, single sided
    scale = 2.0 / (padded * max(float(np.sum(window**2)), 1e-30))
    total = np.concatenate(([0.0], np.cumsum(spectrum * scale)))
    return Lines(rate / padded, total, 0.5 * rate)


def clarity(spectrum: Lines, f: float, multiples: Floats) -> float:
    """Share (0..1) of the power from half the first to past the last of `multiples` of f Hz that
    lies in those lines: near 1 for a machine that runs, near 0 for noise or an open lead."""
    top = min(1.08 * float(multiples.max()) * f, spectrum.top_hz)
    all_of_it = float(spectrum.power(0.5 * float(multiples.min()) * f, top))
    if all_of_it <= 0.0:
        return 0.0
    own = float(np.sum(spectrum.line(multiples * f, 0.02) ** 2)) / 2.0
    return min(own / all_of_it, 1.0)


def strongest(spectrum: Lines, low: float, high: float, prior: tuple[float, float] | None) -> float:
    """Frequency (Hz) of the strongest line from low to high; 0 if there is none.

    prior: (centre Hz, width in nepers) of a log-normal weight on the amplitude, or None.
    """
    high = min(high, 0.97 * spectrum.top_hz)
    if high <= low:
        return 0.0
    ratio = max(spectrum.step_hz / high, 0.002)
    f = np.exp(np.arange(np.log(low), np.log(high), 0.5 * ratio + 0.001))
    a = spectrum.line(f)
    if prior is not None:
        a = a * np.exp(-0.5 * (np.log(f / prior[0]) / prior[1]) ** 2)
    k = int(np.argmax(a))
    return centroid(spectrum, float(f[k])) if a[k] > 0 else 0.0


def centroid(spectrum: Lines, f: float) -> float:
    """Mean frequency of the power in the band of a line near f (Hz)."""
    half = BREATHING * f + 2.2 * spectrum.step_hz
    grid = np.linspace(f - half, f + half, 41)
    power = np.diff(spectrum.power(grid, grid[-1])) * -1.0
    total = float(power.sum())
    middle = 0.5 * (grid[1:] + grid[:-1])
    return float(np.dot(power, middle) / total) if total > 0 else f


def demodulate(x: Floats, rate: float, f: float, half_hz: float) -> tuple[Floats, Floats]:
    """Unwrapped phase (rad) and amplitude of the band f +- half_hz of x (n,).

    Zero-phase raised-cosine band (full to half_hz, gone at 1.5 half_hz); the ends are mirrored so
    that the phase does not bend there.
    """
    n = x.size
    pad = min(n - 1, int(2.0 * rate / max(half_hz, 1e-9)))
    longer = np.pad(x - x.mean(), pad, mode="reflect", reflect_type="odd") if pad > 0 else x
    padded = fast_length(longer.size)
    spectrum = np.fft.fft(longer, padded)
    frequency = np.fft.fftfreq(padded, 1.0 / rate)
    t = np.clip((np.abs(frequency - f) - half_hz) / (0.5 * half_hz), 0.0, 1.0)
    gain = np.where(frequency > 0, 1.0 + np.cos(np.pi * t), 0.0)
    band = np.fft.ifft(spectrum * gain)[pad : pad + n]
    phase: Floats = np.unwrap(np.angle(band)).astype(np.float64)
    return phase, np.abs(band).astype(np.float64)


def instants(phase: Floats, first: float, step: float) -> Floats:
    """Where a rising phase (n,) passes first, first + step, ...: fractional samples.

    A phase that slips back counts nothing twice; a start before phase[0] is moved up.
    """
    phase = np.maximum.accumulate(phase)
    begin = first + step * np.ceil((phase[0] - first) / step)
    wanted = np.arange(begin, phase[-1] + 1e-9, step)
    rising = np.concatenate(([True], np.diff(phase) > 0))
    return np.interp(wanted, phase[rising], np.flatnonzero(rising).astype(np.float64))


def is_flat(x: Floats) -> bool:
    """Whether x (n,) is a constant but for rounding."""
    return bool(np.ptp(x) <= 1e-9 * float(np.abs(x).max(initial=0.0))) if x.size else True


def block_mean(x: Floats, width: int) -> Floats:
    """Means of consecutive blocks of `width` samples of x (n,); a rest is left out."""
    if width <= 1:
        return x
    return x[: x.size // width * width].reshape(-1, width).mean(axis=1)


def folded(x: Floats, phase: Floats, period: float, bins: int) -> Floats:
    """Mean of x (n,) over its phase, `period` per turn: (bins,), clipped against lone spikes."""
    low, high = np.quantile(x[:: max(1, x.size // 20_000)], [0.002, 0.998])
    place = np.floor((phase / period) % 1.0 * bins).astype(np.int64) % bins
    total = np.bincount(place, np.clip(x, low, high), bins)
    count = np.bincount(place, minlength=bins)
    mean = total / np.maximum(count, 1)
    return np.where(count > 0, mean, mean[count > 0].mean() if count.any() else 0.0)


def deepest(wave: Floats, slots: int) -> float:
    """Phase (0..1 of the turn) of the deepest trough of a folded wave (bins,) of `slots` humps."""
    bins = wave.size
    width = max(1, bins // (slots * 5))
    calm = np.convolve(np.concatenate((wave[-width:], wave, wave[:width])), np.ones(width), "same")
    return (int(np.argmin(calm[width : width + bins])) + 0.5) / bins


def autocorrelation(rows: Floats) -> Floats:
    """Normalised autocorrelation of a train of rows (n, k) for the lags 0 .. 2/3 n - 1."""
    n = rows.shape[0]
    padded = fast_length(2 * n)
    power = np.abs(np.fft.rfft(rows, padded, axis=0)) ** 2
    raw = np.fft.irfft(power.sum(axis=1), padded)[: max(1, 2 * n // 3)]
    overlap = n / (n - np.arange(raw.size, dtype=np.float64))
    return raw / max(float(raw[0]), 1e-30) * overlap
