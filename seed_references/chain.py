"""The measuring chain: from the probe tips to the integer codes an instrument stores.

In this order: AC coupling, gain and offset of the front end, anti-alias filter and decimation,
drift and noise of the converter, quantisation with its rails. Each step is a function of its own
with a closed form that tests/test_chain.py compares it with.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from seed_references.model import Model, Recording
from seed_references.vehicles import Instrument, Stored, step_of

Floats = NDArray[np.float64]
Rng = np.random.Generator

FILTER_ORDER = 4
# rms noise in steps of the converter, and everything else as a share of full scale
_NOISE_STEPS = {8: (0.15, 0.5), 12: (0.5, 1.6)}
_GAIN_SIGMA, _GAIN_MOST = 0.0075, 0.02
_OFFSET_MOST = 0.003
_DRIFT_MOST = 0.001
_FILTER_SHARE = (0.35, 0.48)


def draw_instrument(model: Model, rng: Rng) -> Instrument:
    """An instrument as workshops have them, its faults within what makers allow."""
    bits = int(rng.choice(np.array(model.bits)))
    count = len(model.channels)
    low, high = _NOISE_STEPS[bits]
    errors = np.clip(rng.normal(0.0, _GAIN_SIGMA, count), -_GAIN_MOST, _GAIN_MOST)
    offsets = rng.uniform(-_OFFSET_MOST, _OFFSET_MOST, count)
    drifts = rng.uniform(-_DRIFT_MOST, _DRIFT_MOST, count)
    noises = np.full(count, rng.uniform(low, high)) * step_of(1.0, bits)
    unit = Instrument(
        bits=bits,
        full_scale=(1.0,) * count,
        gain=tuple((1.0 + errors).tolist()),
        offset=tuple(offsets.tolist()),
        drift=tuple(drifts.tolist()),
        noise=tuple(noises.tolist()),
        filter_share=float(rng.uniform(*_FILTER_SHARE)),
        ac_corner_hz=model.ac_corner_hz if model.coupling == "ac" else 0.0,
    )
    return at_range(unit, model.full_scale)


def at_range(instrument: Instrument, full_scale: tuple[float, ...]) -> Instrument:
    """The same instrument switched to other ranges: its errors are shares of full scale."""
    factors = [new / old for new, old in zip(full_scale, instrument.full_scale, strict=True)]

    def scaled(values: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(value * factor for value, factor in zip(values, factors, strict=True))

    return replace(
        instrument,
        full_scale=full_scale,
        offset=scaled(instrument.offset),
        drift=scaled(instrument.drift),
        noise=scaled(instrument.noise),
    )


def digitise(recording: Recording, record_hz: float, instrument: Instrument, rng: Rng) -> Stored:
    """What `instrument` keeps of a recording, at `record_hz`. Pure: all chance comes from rng.

    Raises ValueError for a recording slower than the record rate.
    """
    x = np.asarray(recording.samples, dtype=np.float64)
    if instrument.ac_corner_hz > 0.0:
        x = ac_coupled(x, recording.rate_hz, instrument.ac_corner_hz, x.mean(axis=1))
    x = x * _column(instrument.gain) + _column(instrument.offset)
    x = decimated(x, recording.rate_hz, record_hz, instrument.filter_share)
    x = x + _column(instrument.drift) * np.linspace(-0.5, 0.5, x.shape[1])
    x = x + _column(instrument.noise) * rng.normal(size=x.shape)
    codes = [
        quantised(r, f, instrument.bits) for r, f in zip(x, instrument.full_scale, strict=True)
    ]
    return Stored(np.stack(codes), instrument.steps, record_hz)


def clipped(stored: Stored, bits: int) -> tuple[bool, ...]:
    """Per channel: does it touch a rail?"""
    low, high = rails(bits)
    return tuple(bool(row.min() <= low or row.max() >= high) for row in stored.codes)


def ac_coupled(x: Floats, rate_hz: float, corner_hz: float, held: Floats) -> Floats:
    """x (channels, n) behind a series capacitor: first-order high-pass, v_c = `held` at the start.

    The exact response to samples held over one step; a step of 1 droops by 1 - exp(-2 pi f_c t).
    """
    keep = float(np.exp(-2.0 * np.pi * corner_hz / rate_hz))
    # capacitor: c[k + 1] = keep c[k] + (1 - keep) x[k]
    slow, _ = signal.lfilter([0.0, 1.0 - keep], [1.0, -keep], x, axis=1, zi=held[:, None])
    return x - slow


def decimated(x: Floats, rate_hz: float, record_hz: float, filter_share: float) -> Floats:
    """x (channels, n) at `record_hz`, behind a Bessel low-pass of corner share x record_hz.

    At the record rate already it is given back as it is. A Bessel filter, as analogue front ends
    have, neither overshoots much nor rings ahead of an edge as a windowed sinc would.
    """
    ratio = rate_hz / record_hz
    if ratio < 1.0 - 1e-9:
        raise ValueError(f"recorded at {rate_hz:g} Hz, to be stored at {record_hz:g} Hz")
    if ratio < 1.0 + 1e-9:
        return x
    sections = low_pass(rate_hz, filter_share * record_hz)
    start = signal.sosfilt_zi(sections)[:, None, :] * x[None, :, :1]
    y, _ = signal.sosfilt(sections, x, axis=1, zi=start)
    whole = round(ratio)
    if abs(ratio - whole) < 1e-9 * ratio:
        return np.ascontiguousarray(y[:, ::whole])
    places = np.arange(int((x.shape[1] - 1) / ratio) + 1) * ratio
    return np.stack([np.interp(places, np.arange(x.shape[1]), row) for row in y])


def low_pass(rate_hz: float, corner_hz: float) -> Floats:
    """Second-order sections of a Bessel low-pass, -3 dB at `corner_hz`."""
    return signal.bessel(FILTER_ORDER, corner_hz, fs=rate_hz, output="sos", norm="mag")


def rails(bits: int) -> tuple[int, int]:
    """The lowest and highest code."""
    return -(2 ** (bits - 1)), 2 ** (bits - 1) - 1


def quantised(x: Floats, full_scale: float, bits: int) -> NDArray[np.int16]:
    """The nearest codes of x, which stay at the rails outside them."""
    return np.clip(np.rint(x / step_of(full_scale, bits)), *rails(bits)).astype(np.int16)


def _column(values: tuple[float, ...]) -> Floats:
    return np.array(values)[:, None]
