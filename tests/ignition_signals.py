"""Signals with known numbers for the tests of the ignition and coil measurements."""

from __future__ import annotations

import numpy as np

from matching.conditioning import condition
from matching.measurements import Cut, measure
from matching.profile import cut_signal
from refdb.cards import find_card
from refdb.records import Capture, Channel


def cut_of(system: str, samples: np.ndarray, rate: float) -> Cut:
    """Samples (n,) or (channels, n) in the card's units, conditioned and cut."""
    card = find_card(system)
    rows = np.atleast_2d(np.asarray(samples, dtype=np.float64))
    channels = tuple(Channel(want.role, want.unit) for want in card.channels[: rows.shape[0]])
    capture = Capture(rows, rate, channels, "dc", 1.0, 1.0, "made", "0" * 64)
    return cut_signal(card, condition(card, capture), {})


def reading(cut: Cut, name: str) -> float:
    """The card's measurement of that name."""
    wanted = next(m for m in cut.card.measurements if m.name == name)
    return measure(cut, wanted)


def firing_train(
    rate: float = 500e3, period: float = 0.05, count: int = 5, *, kv: float = 12.0,
    line: float = 1.2, burn: float = 1.6e-3, end_line: float | None = None, dwell: float = 3e-3,
    step: float = 1.0, ring_hz: float = 5e3, ring_tau: float = 0.4e-3, strikes: int = 1,
    gap: float = 0.75e-3, noise: float = 0.01, seed: int = 1, spike: float = 30e-6,
    first: float = 0.02,
) -> np.ndarray:  # fmt: skip
    """Firings in kV: dwell step, triangular spike of base `spike`, spark line, damped ringing.

    end_line: level the line has at its end (a straight slope). strikes: equal strikes, `gap` apart.
    """
    n = int((first + count * period) * rate)
    t = np.arange(n) / rate
    x = np.random.default_rng(seed).normal(0.0, noise, n)
    end_line = line if end_line is None else end_line
    for k in range(count):
        fire = first + k * period
        x[(t >= fire - dwell) & (t < fire)] -= step
        for s in range(strikes):
            at = fire + s * (burn + gap)
            on = (t >= at) & (t < at + burn)
            share = (t[on] - at) / burn
            tip = np.clip(1.0 - np.abs(t[on] - at - spike / 2) / (spike / 2), 0.0, None)
            x[on] += line + (end_line - line) * share + (kv - line) * tip
            if s + 1 < strikes:
                x[(t >= at + burn) & (t < at + burn + gap)] -= step
        after = t >= at + burn
        r = t[after] - at - burn
        keep = r < 6e-3
        x[np.flatnonzero(after)[keep]] += (
            end_line * np.exp(-r[keep] / ring_tau) * np.cos(2 * np.pi * ring_hz * r[keep])
        )
    return x


def rl_train(
    rate: float = 250e3, period: float = 0.04, count: int = 5, *, volts: float = 14.0,
    ohms: float = 12.0, henry: float = 12e-3, width: float = 3e-3, fall: float = 0.15e-3,
    noise: float = 0.0, seed: int = 1, first: float = 0.01, limit: float = np.inf,
) -> np.ndarray:  # fmt: skip
    """Pulses of i(t) = V/R (1 - exp(-t R/L)), straight down to zero in `fall` at the end."""
    n = int((first + count * period) * rate)
    t = np.arange(n) / rate
    x = np.random.default_rng(seed).normal(0.0, noise, n)
    top = min(volts / ohms * (1 - np.exp(-width * ohms / henry)), limit)
    for k in range(count):
        tau = t - first - k * period
        on = (tau >= 0) & (tau < width)
        x[on] += np.minimum(volts / ohms * (1 - np.exp(-tau[on] * ohms / henry)), limit)
        off = (tau >= width) & (tau < width + fall)
        x[off] += top * (1 - (tau[off] - width) / fall)
    return x
