"""Data for the search benchmark: noisy pulses of 40 classes, and random walks, from a seed.

A class is 2 to 5 pulses (bell, decay or ringing) at places of its own, with a noise level of its
own, 2 to 15 % of a typical pulse: quiet classes are easy to search, noisy ones hard, as with real
captures. Members differ in place, width and height of every pulse and in a common delay.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

CLASSES = 40
NOISE = (0.02, 0.15)
BLOCK = 2_000


def pulses(count: int, length: int, channels: int, seed: int) -> NDArray[np.float64]:
    """count members of the 40 classes in random order, shape (count, channels, length)."""
    rng = np.random.default_rng(seed)
    classes = _classes(channels)
    out = np.empty((count, channels, length))
    for first in range(0, count, BLOCK):
        part = out[first : first + BLOCK]
        label = rng.integers(0, CLASSES, len(part))
        for k in range(CLASSES):
            rows = np.flatnonzero(label == k)
            part[rows] = _members(classes[k], len(rows), length, channels, rng)
    return out


def walks(count: int, length: int, channels: int, seed: int) -> NDArray[np.float64]:
    """count random walks with normal steps, shape (count, channels, length)."""
    steps = np.random.default_rng(seed).standard_normal((count, channels, length))
    return np.cumsum(steps, axis=-1, out=steps)


def _classes(channels: int) -> list[tuple[float, list[tuple[int, str, float, float, float]]]]:
    # One fixed catalogue of classes, whatever the seed of the members.
    rng = np.random.default_rng(2024)
    classes = []
    for _ in range(CLASSES):
        noise = float(rng.uniform(*NOISE))
        parts = []
        for channel in range(channels):
            for _ in range(int(rng.integers(2, 6))):
                kind = str(rng.choice(["bell", "decay", "ringing"]))
                place, width = float(rng.uniform(0.1, 0.9)), float(rng.uniform(0.01, 0.12))
                parts.append((channel, kind, place, width, float(rng.uniform(-2, 2))))
        classes.append((noise, parts))
    return classes


def _members(
    cls: tuple[float, list[tuple[int, str, float, float, float]]],
    count: int,
    length: int,
    channels: int,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    noise, parts = cls
    time = np.linspace(0.0, 1.0, length)
    x = noise * rng.standard_normal((count, channels, length))
    delay = rng.normal(0.0, 0.01, (count, 1))
    for channel, kind, place, width, height in parts:
        near = place + delay + rng.normal(0.0, 0.005, (count, 1))
        wide = width * rng.uniform(0.85, 1.15, (count, 1))
        high = height * rng.uniform(0.85, 1.15, (count, 1))
        x[:, channel] += high * _pulse(kind, (time - near) / wide)
    return x


def _pulse(kind: str, u: NDArray[np.float64]) -> NDArray[np.float64]:
    if kind == "bell":
        return np.exp(-u * u)
    decay = np.where(u > 0, np.exp(-np.clip(u, 0, 40)), 0.0)
    return decay if kind == "decay" else decay * np.sin(3 * u)
