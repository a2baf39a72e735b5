"""The whole recording as a strip: lowest and highest sample per bin, at several zooms.

Every sample lies in exactly one bin of every level, and a bin keeps its extremes, so that a glitch
of one sample is there at any zoom, however many samples share its column. Pure functions.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from matching.tools import Floats

# How much a page can carry: bins of the finest level and samples of the close-ups, both over all
# channels together. At two bytes a number in base64 this is about 0.55 MB and 0.12 MB.
MOST_BINS = 98_304
MOST_CLOSE_SAMPLES = 40_000
FACTOR = 8
COARSEST_BINS = 256
# Samples on either side of the highest and the lowest sample of a channel, in its close-up.
AROUND_EXTREME = 400


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """Bin b holds samples [b x width, (b + 1) x width), the last one what is left.

    low, high: float32 (channels, bins), the exact extremes rounded to float32, in channel units.
    """

    width: int
    low: np.ndarray
    high: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class CloseUp:
    """Every sample from `first` on: float32 (channels, samples). why: in plain words."""

    first: int
    samples: np.ndarray
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A recording of n samples at rate_hz from start_s on. levels: finest first.

    roles, units: one per channel. close_ups: pieces at the full rate, where levels[0].width > 1.
    """

    start_s: float
    rate_hz: float
    n: int
    roles: tuple[str, ...]
    units: tuple[str, ...]
    levels: tuple[Level, ...]
    close_ups: tuple[CloseUp, ...] = ()

    def coarse(self, bins: int) -> Level:
        """The coarsest level that has at least so many bins; the finest if none has."""
        fitting = [level for level in self.levels if level.low.shape[1] >= bins]
        return fitting[-1] if fitting else self.levels[0]


def strip_of(
    data: Floats,
    rate_hz: float,
    start_s: float,
    roles: tuple[str, ...],
    units: tuple[str, ...],
    windows: Iterable[tuple[int, int, str]] = (),
) -> Strip:
    """The strip of channels data (channels, n), n >= 1.

    windows: (first, last + 1, why) in samples, the most wanted first; each becomes a close-up
    while there is room, after the channels' own extremes.  Raises ValueError for no samples.
    """
    if data.ndim != 2 or 0 in data.shape:
        raise ValueError(f"data: expected (channels, samples), both above 0, found {data.shape}")
    channels, n = data.shape
    width = max(1, -(-n * channels // MOST_BINS))
    levels = [_finest(data, width)]
    while levels[-1].low.shape[1] > FACTOR * COARSEST_BINS:
        levels.append(_coarser(levels[-1]))
    close = _close_ups(data, roles, levels[0], windows) if width > 1 else ()
    return Strip(start_s, rate_hz, n, roles, units, tuple(levels), close)


def _finest(data: Floats, width: int) -> Level:
    if width == 1:
        plain = data.astype(np.float32)
        return Level(1, plain, plain)
    low, high = _extremes(data, data, width)
    return Level(width, low.astype(np.float32), high.astype(np.float32))


def _coarser(level: Level) -> Level:
    low, high = _extremes(level.low, level.high, FACTOR)
    return Level(level.width * FACTOR, low, high)


def _extremes(low: np.ndarray, high: np.ndarray, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Minimum of low and maximum of high (channels, n) over blocks of width, the rest a block."""
    whole = low.shape[1] // width * width
    shape = (low.shape[0], -1, width)
    lows = [low[:, :whole].reshape(shape).min(axis=2)] if whole else []
    highs = [high[:, :whole].reshape(shape).max(axis=2)] if whole else []
    if whole < low.shape[1]:
        lows.append(low[:, whole:].min(axis=1, keepdims=True))
        highs.append(high[:, whole:].max(axis=1, keepdims=True))
    return np.concatenate(lows, axis=1), np.concatenate(highs, axis=1)


def _close_ups(
    data: Floats, roles: tuple[str, ...], finest: Level, windows: Iterable[tuple[int, int, str]]
) -> tuple[CloseUp, ...]:
    channels, n = data.shape
    room = MOST_CLOSE_SAMPLES // channels
    found: list[CloseUp] = []
    for first, stop, why in (*_extreme_windows(data, roles, finest), *windows):
        first, stop = max(0, first), min(n, stop)
        covered = any(c.first <= first and stop <= c.first + c.samples.shape[1] for c in found)
        if stop <= first or stop - first > room or covered:
            continue
        found.append(CloseUp(first, data[:, first:stop].astype(np.float32), why))
        room -= stop - first
    return tuple(found)


def _extreme_windows(
    data: Floats, roles: tuple[str, ...], finest: Level
) -> list[tuple[int, int, str]]:
    """Windows around each channel's highest and lowest sample."""
    windows = []
    for c, role in enumerate(roles):
        for bins, pick, word in (
            (int(np.argmax(finest.high[c])), np.argmax, "highest"),
            (int(np.argmin(finest.low[c])), np.argmin, "lowest"),
        ):
            start = bins * finest.width
            at = start + int(pick(data[c, start : start + finest.width]))
            windows.append((at - AROUND_EXTREME, at + AROUND_EXTREME + 1, f"{word} of {role}"))
    return windows
