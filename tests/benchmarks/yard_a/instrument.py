"""Four invented cheap instruments and what each does to a clean signal.

``brick8``   8 bit, +/-5 V native, leads x1/x4/x10/x20/x100, hardly any anti-alias filter
``slate12``  12 bit, switched ranges, x1 and x10 leads, moderate filter
``pad12``    12 bit logger, one +/-5 V input and x1/x4/x20 leads, slow
``audio16``  16 bit audio-like converter, good filter, gain steps, x1/x10/x100 leads
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, lfilter, sosfilt, sosfilt_zi

from .core import Array, Rng, System


@dataclass(frozen=True)
class Instrument:
    name: str
    bits: int
    ranges: tuple[float, ...]
    leads: tuple[float, ...]
    noise: float  # of full scale, rms
    gain: float  # 1-sigma
    offset: float  # of full scale, 1-sigma
    filter_order: int  # anti-alias; 0 = none to speak of
    ac_corner: tuple[float, float]


INSTRUMENTS = {
    i.name: i
    for i in (
        Instrument("brick8", 8, (5.0,), (1, 4, 10, 20, 100), 0.0035, 0.012, 0.006, 0, (1.0, 3.0)),
        Instrument(
            "slate12", 12, (0.5, 1, 2, 5, 10, 20), (1, 10), 0.0006, 0.007, 0.002, 2, (0.7, 2.0)
        ),
        Instrument("pad12", 12, (5.0,), (1, 4, 20, 100), 0.0009, 0.010, 0.003, 1, (2.0, 5.0)),
        Instrument(
            "audio16", 16, (0.1, 0.3, 1, 3), (1, 10, 100), 0.0002, 0.010, 0.001, 6, (3.0, 9.0)
        ),
    )
}


@dataclass(frozen=True)
class Recording:
    """What the instrument kept: codes, and what is needed to get back to physical units."""

    codes: Array  # n x channels, int16
    full_code: int
    fs: float
    volts_per_code: float
    attenuation: float
    probe: float
    coupling: str
    instrument: str
    rails: Array  # True where a sample sits at a rail


@dataclass(frozen=True)
class Wish:
    """How the capture is taken, including how it is spoiled."""

    instrument: str
    fs: float
    probe: float
    coupling: str
    usual_peak: float
    spoil: str = ""
    slow_fs: float = 0.0


def measure(signal: Array, fs_in: float, wish: Wish, system: System, rng: Rng) -> Recording:
    """Probe, lead, coupling, filter, converter - in that order."""
    device = INSTRUMENTS[wish.instrument]
    volts = _probe(signal, fs_in, wish, system, rng)
    volts = _sampled(volts, fs_in, wish, device)
    fs = wish.slow_fs or wish.fs
    if wish.spoil == "dead":
        volts = _dead(volts, fs, rng, system)
    corner = rng.uniform(*device.ac_corner)
    if wish.spoil == "coupling" and wish.coupling == "ac":
        # A visible mistake: the cheap inputs with the highest corner are the ones that get noticed.
        corner = rng.uniform(4.0, 25.0) if fs_in > 3e4 else rng.uniform(0.3, 2.0)
    if wish.coupling == "ac":
        volts = _ac(volts, fs, corner)
    lead, reach = _range(volts, wish, device, rng)
    codes, full = _convert(volts / lead, reach, device, rng)
    return Recording(
        codes,
        full,
        fs,
        reach / (full + 1),
        float(lead),
        wish.probe,
        wish.coupling,
        device.name,
        (codes <= -full - 1) | (codes >= full),
    )


def _probe(signal: Array, fs: float, wish: Wish, system: System, rng: Rng) -> Array:
    volts = signal / wish.probe * (1 + 0.008 * np.clip(rng.normal(), -2, 2))
    if system.clamp:
        # Clamps have a zero that is never quite zeroed, and it creeps.
        peak = np.abs(volts).max() + 1e-9
        creep = np.linspace(0, rng.normal() * 0.004, len(volts))[:, None]
        volts = volts + peak * (0.008 * rng.normal() + creep)
        volts = volts + peak * 0.002 * rng.normal(size=volts.shape)
    return volts


def _sampled(volts: Array, fs_in: float, wish: Wish, device: Instrument) -> Array:
    """Anti-alias filter (if the instrument has one), then keep every k-th sample."""
    target = wish.slow_fs or wish.fs
    step = max(1, round(fs_in / target))
    if device.filter_order and step > 1:
        sos = butter(device.filter_order, 0.42 * target / (fs_in / 2), output="sos")
        start = sosfilt_zi(sos)[:, :, None] * volts[0]
        volts, _ = sosfilt(sos, volts, axis=0, zi=start)
    return volts[::step]


def _dead(volts: Array, fs: float, rng: Rng, system: System) -> Array:
    """A lead that fell off: hum and a whisper of crosstalk, or nothing at all."""
    t = np.arange(len(volts)) / fs
    hum = 0.0 if system.clamp else rng.choice([0.0, 0.004, 0.03])
    empty = hum * np.sin(2 * np.pi * (50 * t + rng.uniform()))
    empty = empty + 0.1 * hum * rng.normal(size=len(t))
    volts = volts.copy()
    volts[:, rng.integers(volts.shape[1])] = empty
    return volts


def _ac(volts: Array, fs: float, corner: float) -> Array:
    """First-order high-pass that has been connected long before the capture began."""
    a = np.exp(-2 * np.pi * corner / fs)
    settle = volts[: max(10, int(fs / corner))].mean(axis=0)
    gain = (1 + a) / 2
    shifted = volts - settle
    out, _ = lfilter([gain, -gain], [1, -a], shifted, axis=0, zi=np.zeros((1, volts.shape[1])))
    return out


def _range(volts: Array, wish: Wish, device: Instrument, rng: Rng) -> tuple[float, float]:
    """The smallest range that holds the signal - or, spoiled, one that does not."""
    reaches = sorted({(lead * r, lead, r) for lead in device.leads for r in device.ranges})
    peak = np.abs(volts).max()
    if wish.spoil == "clipped":
        return _too_small(reaches, volts, rng)
    need = 1.12 * max(peak, wish.usual_peak / wish.probe * rng.uniform(0.85, 1.0))
    fitting = [r for r in reaches if r[0] >= need] or reaches[-1:]
    if len(fitting) > 1 and rng.uniform() < 0.2 and fitting[1][0] < 6 * need:
        fitting = fitting[1:]
    return fitting[0][1], fitting[0][2]


def _too_small(
    reaches: list[tuple[float, float, float]], volts: Array, rng: Rng
) -> tuple[float, float]:
    """A range that cuts the peaks off but still shows the lower part of the signal."""
    peak = np.abs(volts).max()
    shown = max(0.15 * peak, np.quantile(np.abs(volts), 0.3, axis=0).max() * 1.04)
    fitting = [r for r in reaches if shown < r[0] < 0.85 * peak]
    if fitting:
        return fitting[-1][1], fitting[-1][2]
    # No such step on this box: someone turned the variable gain up.
    reach = max(shown, rng.uniform(0.55, 0.8) * peak)
    return reaches[0][1], float(reach / reaches[0][1])


def _convert(volts: Array, reach: float, device: Instrument, rng: Rng) -> tuple[Array, int]:
    full = 2 ** (device.bits - 1) - 1
    gain = 1 + device.gain * np.clip(rng.normal(), -2, 2)
    offset = device.offset * np.clip(rng.normal(), -2, 2)
    raw = volts / reach * gain + offset + device.noise * rng.normal(size=volts.shape)
    codes = np.clip(np.rint(raw * (full + 1)), -full - 1, full)
    return codes.astype(np.int16), full
