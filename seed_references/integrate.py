"""Small solvers and draws that several physical models share. Deterministic, numpy only."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator


def rk4(
    slope: Callable[[float, list[float]], list[float]], start: list[float], step: float, count: int
) -> Floats:
    """States (count, k) of dy/dt = slope(t, y) by the classical fourth-order Runge-Kutta method.

    Fixed step in plain floats: for three states it is quicker than any array code.
    """
    y = list(start)
    size = len(y)
    out = np.empty((count, size))
    half = 0.5 * step
    for n in range(count):
        out[n] = y
        t = n * step
        k1 = slope(t, y)
        k2 = slope(t + half, [y[i] + half * k1[i] for i in range(size)])
        k3 = slope(t + half, [y[i] + half * k2[i] for i in range(size)])
        k4 = slope(t + step, [y[i] + step * k3[i] for i in range(size)])
        y = [y[i] + step / 6.0 * (k1[i] + 2.0 * (k2[i] + k3[i]) + k4[i]) for i in range(size)]
    return out


def lag(x: Floats, rate: float, tau: float) -> Floats:
    """First-order lag of x (n,) with time constant tau (s): tau dy/dt = x - y, y(0) = x(0).

    The exact response to samples held over one step, as a convolution cut at 1e-7.
    """
    a = float(np.exp(-1.0 / max(rate * tau, 1e-9)))
    if a < 1e-6:
        return x
    length = min(x.size, int(np.ceil(np.log(1e-7) / np.log(a))) + 1)
    kernel = (1.0 - a) * a ** np.arange(length)
    size = 1 << int(x.size + length - 1).bit_length()
    y = np.fft.irfft(np.fft.rfft(x - x[0], size) * np.fft.rfft(kernel, size), size)[: x.size]
    return y + x[0]


def vary(rng: Rng, middle: float, relative: float) -> float:
    """A vehicle's own value: normal about the middle, without tails beyond 2.2 sigma."""
    return float(middle * (1.0 + relative * np.clip(rng.normal(), -2.2, 2.2)))


def wander(rng: Rng, count: int, knots: int, size: float) -> Floats:
    """A smooth random course (count,) of about `size` rms: cosine-joined random knots."""
    values = rng.normal(size=knots + 1) * size
    place = np.linspace(0.0, knots - 1e-9, count)
    k = place.astype(np.int64)
    f = 0.5 - 0.5 * np.cos(np.pi * (place - k))
    return values[k] * (1.0 - f) + values[k + 1] * f


def often(rng: Rng, count: int, share: float) -> Floats:
    """1 where a fault that comes and goes is there (about `share` of count), in short runs."""
    state, out = False, np.zeros(count)
    for n in range(count):
        leave = 0.4 if state else 0.4 * share / max(1.0 - share, 0.05)
        state = state ^ bool(rng.random() < leave)
        out[n] = float(state)
    return out
