"""What a quiet input or a sine tells of an instrument: noise, offset, drift, step, effective bits.

The sine is fitted by the 4-parameter least-squares method of IEEE Std 1057 (amplitude, phase,
offset and frequency; the standard's text was not at hand, the method is from memory). Effective
bits follow from it as log2(range / (rms residual x sqrt 12)), which for a sine of full scale is
(SINAD - 1.76 dB) / 6.02 (Analog Devices MT-001).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from matching.tools import Floats, quantisation_step
from refdb.bench_records import BenchReading, Instrument
from refdb.errors import CaptureError
from refdb.records import Capture
from refdb.units import dimension, factor

LEAST_SAMPLES = 64
LEAST_CYCLES = 3.0
# Of the power about the mean: more in one sine and the input was fed one. Common practice.
SINE_SHARE = 0.9
# A sine is worth fitting when it is at least so many steps tall; hum on a quiet input is not.
SINE_STEPS = 8.0


@dataclass(frozen=True, slots=True)
class SineFit:
    """The best sine: amplitude (half of peak to peak), offset and rms residual in the input's
    unit, frequency in Hz, phase in rad (of a cosine at sample 0), SINAD in dB."""

    amplitude: float
    frequency_hz: float
    phase: float
    offset: float
    residual_rms: float

    @property
    def sinad_db(self) -> float:
        """Signal over noise and distortion, dB; infinite for a perfect sine."""
        if self.residual_rms == 0.0:
            return math.inf
        return 20.0 * math.log10(self.amplitude / math.sqrt(2.0) / self.residual_rms)


def sine_fit(x: Floats, rate_hz: float, guess_hz: float | None = None) -> SineFit:
    """Four-parameter least-squares sine of x (n,), n >= 64. guess_hz: None takes the spectrum's.

    The frequency is moved by the linearised term until it changes by less than 1e-12 of a sample.
    """
    n = x.size
    centre = (n - 1) / 2.0
    k = np.arange(n) - centre  # about the middle: the frequency's term is then nearly independent
    omega = 2.0 * math.pi * (guess_hz or _strongest_hz(x, rate_hz)) / rate_hz
    terms = np.empty((n, 4))
    terms[:, 2] = 1.0
    a = b = 0.0
    for turn in range(30):
        terms[:, 0], terms[:, 1] = np.cos(omega * k), np.sin(omega * k)
        used = 3 if turn == 0 else 4
        if used == 4:
            terms[:, 3] = k * (b * terms[:, 0] - a * terms[:, 1])
        solved = np.linalg.lstsq(terms[:, :used], x, rcond=None)[0]
        a, b = float(solved[0]), float(solved[1])
        if used == 4:
            omega += float(solved[3])
            if abs(float(solved[3])) * n < 1e-12:
                break
    terms[:, 0], terms[:, 1] = np.cos(omega * k), np.sin(omega * k)
    solved = np.linalg.lstsq(terms[:, :3], x, rcond=None)[0]
    residual = x - terms[:, :3] @ solved
    a, b = float(solved[0]), float(solved[1])
    phase = math.atan2(-b, a) - omega * centre
    return SineFit(
        math.hypot(a, b), omega * rate_hz / (2.0 * math.pi), math.remainder(phase, 2 * math.pi),
        float(solved[2]), float(np.sqrt(np.mean(residual**2))),
    )  # fmt: skip


def _strongest_hz(x: Floats, rate_hz: float) -> float:
    """Frequency of the strongest line: the Hann-windowed spectrum's peak, by parabola."""
    n = x.size
    size = np.abs(np.fft.rfft((x - x.mean()) * np.hanning(n)))
    top = int(np.argmax(size[1:-1])) + 1
    left, peak, right = np.log(np.maximum(size[top - 1 : top + 2], 1e-300))
    bend = left - 2.0 * peak + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return (top + shift) * rate_hz / n


def ideal_sinad_db(bits: int) -> float:
    """Of a full-scale sine through an ideal converter: 6.02 N + 1.76 dB (MT-001)."""
    return 6.02 * bits + 1.76


def bits_from_sinad(sinad_db: float) -> float:
    """(SINAD - 1.76) / 6.02: effective bits if the sine fills the range (MT-001)."""
    return (sinad_db - 1.76) / 6.02


def effective_bits(span: float, rms: float) -> float:
    """Bits of an ideal converter over `span` (peak to peak range) whose step noise is `rms`:
    log2(span / (rms sqrt 12)). Infinite for no noise at all."""
    return math.inf if rms == 0.0 else math.log2(span / (rms * math.sqrt(12.0)))


@dataclass(frozen=True, slots=True)
class QuietFigures:
    """Of an input left alone: noise rms about the straight drift, mean, drift per minute."""

    noise_rms: float
    offset: float
    drift_per_min: float


def quiet_figures(x: Floats, rate_hz: float) -> QuietFigures:
    """Noise, offset and drift of x (n,) by a straight line through it, in its unit."""
    t = (np.arange(x.size) - (x.size - 1) / 2.0) / rate_hz
    slope = float(t @ x / (t @ t))
    offset = float(x.mean())
    rest = x - offset - slope * t
    return QuietFigures(float(np.sqrt(np.mean(rest**2))), offset, 60.0 * slope)


def measure_channel(
    instrument: Instrument, capture: Capture, row: int, source: str
) -> BenchReading:
    """One channel of a capture as a reading of the instrument, referred to its bare input.

    Raises CaptureError for a channel that is not in volts or too short.
    """
    channel = capture.channels[row]
    if dimension(channel.unit) != "voltage":
        raise CaptureError(
            f"{capture.source}: expected channel '{channel.name}' in volts, found "
            f"{channel.unit}; take the clamp off, or say --channels '{channel.name}=V'"
        )
    x = capture.samples[row] * factor(channel.unit, "V") / capture.attenuation
    if x.size < LEAST_SAMPLES:
        raise CaptureError(
            f"{capture.source}: expected at least {LEAST_SAMPLES} samples to measure an "
            f"instrument, found {x.size}; record longer"
        )
    step = float(quantisation_step(x))
    quiet = quiet_figures(x, capture.rate_hz)
    fit = _sine_in(x, capture.rate_hz, step)
    # What the converter's own step leaves is always there, even where the file shows one code.
    span = 2.0 * instrument.range_v
    floor = span / 2.0**instrument.bits / math.sqrt(12.0)
    rms = fit.residual_rms if fit else quiet.noise_rms
    return BenchReading(
        instrument=instrument.name, at="", kind="sine" if fit else "quiet", channel=channel.name,
        attenuation=capture.attenuation, rate_hz=capture.rate_hz, n_samples=int(x.size),
        noise_rms_v=rms,
        offset_v=fit.offset if fit else quiet.offset,
        drift_v_per_min=0.0 if fit else quiet.drift_per_min,
        step_v=step,
        effective_bits=effective_bits(span, max(rms, floor)),
        sine_hz=fit.frequency_hz if fit else None,
        sine_v=fit.amplitude if fit else None,
        sinad_db=fit.sinad_db if fit and fit.residual_rms > 0.0 else None,
        source=source,
    )  # fmt: skip


def _sine_in(x: Floats, rate_hz: float, step: float) -> SineFit | None:
    """The sine that x (n,) is made of; None where it is not one."""
    power = float(np.var(x))
    if power == 0.0 or float(np.ptp(x)) < SINE_STEPS * step:
        return None
    guess = _strongest_hz(x, rate_hz)
    if not LEAST_CYCLES * rate_hz / x.size <= guess < 0.5 * rate_hz:
        return None
    fit = sine_fit(x, rate_hz, guess)
    return fit if fit.amplitude**2 / 2.0 >= SINE_SHARE * power else None
