"""Invented measuring instruments: from a physical signal to integer codes, with the sins of
cheap hardware.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from .common import Array, Rng, Sensor, low_pass

ATTENUATORS = (1.0, 4.0, 10.0, 20.0, 100.0)


@dataclass(frozen=True)
class Instrument:
    name: str
    bits: int
    full: float  # native volts at the rail
    rates: tuple[float, ...]
    noise: float  # native volts rms, before rounding
    offset: float  # native volts, spread over specimens
    gain: float  # relative spread over specimens
    bandwidth: float  # Hz
    formats: tuple[str, ...]

    @property
    def lsb(self) -> float:
        return self.full / 2 ** (self.bits - 1)


INSTRUMENTS = (
    Instrument(
        "thimble-8",
        8,
        5.0,
        (20e3, 50e3, 100e3, 250e3, 500e3, 1e6, 2e6, 4e6),
        0.018,
        0.03,
        0.015,
        1.5e6,
        ("npz", "npy", "mat", "csv"),
    ),
    Instrument(
        "larch-12",
        12,
        5.0,
        (25e3, 50e3, 125e3, 250e3, 500e3, 1e6, 2.5e6, 5e6),
        0.0025,
        0.008,
        0.008,
        5e6,
        ("npz", "mat", "npy", "csv", "wav16"),
    ),
    Instrument(
        "organ-16",
        16,
        5.0,
        (24e3, 48e3, 96e3, 192e3),
        0.0006,
        0.004,
        0.010,
        80e3,
        ("wav16", "wavf", "npz"),
    ),
    Instrument(
        "tinker-10",
        10,
        5.0,
        (5e3, 10e3, 40e3, 100e3, 200e3, 400e3, 1e6, 2e6),
        0.008,
        0.02,
        0.02,
        600e3,
        ("csv", "csv", "npy"),
    ),
)


@dataclass(frozen=True)
class Settings:
    """How the technician set the instrument up for one capture."""

    instrument: Instrument
    sensor: Sensor
    fs: float
    attenuation: float
    coupling: str
    ac_corner: float
    settled: bool  # AC coupling already settled when the recording began
    anti_alias: bool


@dataclass(frozen=True)
class Recorded:
    codes: NDArray[np.int32]
    lsb: float  # volts at the input per code, attenuation not counted
    settings: Settings


def choose_attenuation(rng: Rng, peak_volts: float, full: float, sloppy: float) -> float:
    """Smallest attenuator leaving a fifth of headroom; now and then the next larger one, as
    people do.
    """
    fitting = [a for a in ATTENUATORS if a * full >= 1.2 * peak_volts] or [ATTENUATORS[-1]]
    if len(fitting) > 1 and rng.random() < sloppy and fitting[1] / fitting[0] < 3:
        return fitting[1]
    return fitting[0]


def clipping_attenuation(peak_volts: float, full: float) -> float | None:
    """An attenuator at which the signal's peak runs well over the rail; None when every one
    holds it.
    """
    short = [a for a in ATTENUATORS if a * full < 0.85 * peak_volts]
    return short[-1] if short else None


def usable_rates(instrument: Instrument, lo: float, hi: float) -> list[float]:
    return [r for r in instrument.rates if lo <= r <= hi]


def high_pass(x: Array, fs: float, corner: float, settled: bool, base: float) -> Array:
    """First-order AC coupling. A settled capacitor already holds the signal's mean."""
    a = float(np.exp(-2 * np.pi * corner / fs))
    charge = base if settled else 0.0
    held, _ = lfilter([1 - a], [1, -a], x, zi=np.array([a * charge]))
    return np.asarray(x - held)


def sensed(signal: Array, fs: float, sensor: Sensor, rng: Rng) -> Array:
    """Volts at the instrument's plug for one channel."""
    x = low_pass(signal, fs, sensor.bandwidth) if sensor.bandwidth else signal
    if sensor.noise:
        # Clamp noise is spread evenly up to some tens of kHz; keep its density, not its rms, at
        # other rates.
        x = x + rng.normal(0, sensor.noise * np.sqrt(max(fs / 100e3, 0.05)), len(x))
    zero = sensor.zero * float(np.clip(rng.normal(), -2, 2))
    return (x + zero) / sensor.per_volt


def record(signal: Array, fs_sim: float, settings: Settings, rng: Rng) -> Recorded:
    """Digitise n x channels of physical signal, simulated at a whole multiple of the sample
    rate.
    """
    step = round(fs_sim / settings.fs)
    device = settings.instrument
    gain = 1 + device.gain * float(np.clip(rng.normal(), -2, 2))
    columns = []
    for column in signal.T:
        volts = sensed(column, fs_sim, settings.sensor, rng) / settings.attenuation * gain
        if settings.coupling == "ac":
            volts = high_pass(
                volts, fs_sim, settings.ac_corner, settings.settled, float(volts.mean())
            )
        corner = (
            min(device.bandwidth, 0.42 * settings.fs) if settings.anti_alias else device.bandwidth
        )
        volts = low_pass(volts, fs_sim, corner, 1 if step == 1 else 3)[::step]
        volts = volts * (1 + 0.002 * rng.normal()) + device.offset * float(
            np.clip(rng.normal(), -2, 2)
        )
        volts = volts + rng.normal(0, device.noise, len(volts))
        columns.append(volts)
    top = 2 ** (device.bits - 1)
    codes = np.clip(np.round(np.column_stack(columns) / device.lsb), -top, top - 1)
    return Recorded(codes.astype(np.int32), device.lsb, settings)


def dead(
    n: int, channels: int, settings: Settings, hum: float, open_lead: bool, rng: Rng
) -> Recorded:
    """A channel with nothing on it: a shorted lead shows noise only, an open one picks up mains
    hum.
    """
    device = settings.instrument
    t = np.arange(n) / settings.fs
    columns = []
    for _ in range(channels):
        volts = device.offset * rng.normal() + rng.normal(0, device.noise, n)
        if open_lead:
            size = hum / settings.sensor.per_volt / settings.attenuation
            phase = rng.uniform(0, 6.28)
            volts = volts + size * (
                np.sin(2 * np.pi * 50 * t + phase) + 0.2 * np.sin(2 * np.pi * 150 * t + phase)
            )
        columns.append(volts)
    top = 2 ** (device.bits - 1)
    codes = np.clip(np.round(np.column_stack(columns) / device.lsb), -top, top - 1)
    return Recorded(codes.astype(np.int32), device.lsb, settings)
