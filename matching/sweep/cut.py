"""Cutting a recording of any length: the card's rule block by block, each event exactly once.

A block is looked at with a margin of its neighbours on both sides, so that the rule sees whole
events and whole levels; an event counts where its anchor lies. The two blocks that share a border
may place an anchor a fraction of a sample apart, so what was counted last decides.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from matching.conditioning import Signal, condition
from matching.events import Events, cut
from matching.grid import Grid
from matching.tools import Floats
from refdb.cards import SystemCard
from refdb.records import Capture, Channel

# Samples over all channels that one block holds, and the share of it that is its margin. The
# rules make some ten copies of a block, and the references take 200 MB beside it.
BLOCK = 1 << 19
MARGIN_SHARE = 8
POINTS = 128
# Length of the quiet strip looked at on either side of an event, as a share of the event.
STRIP = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """Samples (channels, n) of the recording from sample `at`; its own events have their anchor
    from sample `core[0]` to before `core[1]`, both of the recording."""

    at: int
    core: tuple[int, int]
    samples: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Events of one segment, in order. n events, C channels.

    anchor, start, stop: (n,) samples of the recording, fractional.  grid: float32 (n, C, POINTS)
    means over equal parts of each window, in the card's units.  strips: (n, 2, C, 2) before and
    after the window: mean and rms about it; NaN where there is none.  floor: (C,) the spread that
    noise and quantisation alone give a grid point.
    """

    anchor: Floats
    start: Floats
    stop: Floats
    grid: Grid
    strips: Floats
    floor: Floats

    @property
    def n(self) -> int:
        return int(self.anchor.size)


def segments(blocks: Iterable[tuple[int, Floats]], margin: int) -> Iterator[Segment]:
    """Blocks (first sample, samples) as segments that carry `margin` samples of both neighbours.

    margin must not exceed the length of a block (the last one may be shorter).
    """
    tail: Floats | None = None
    now: tuple[int, Floats] | None = None
    for block in blocks:
        if now is not None:
            yield _segment(tail, now, block[1][:, :margin])
            tail = now[1][:, -margin:] if margin else None
        now = block
    if now is not None:
        yield _segment(tail, now, None)


def _segment(tail: Floats | None, now: tuple[int, Floats], head: Floats | None) -> Segment:
    at, samples = now
    parts = [part for part in (tail, samples, head) if part is not None]
    before = 0 if tail is None else tail.shape[1]
    joined = np.concatenate(parts, axis=1) if len(parts) > 1 else samples
    return Segment(at - before, (at, at + samples.shape[1]), joined)


@dataclass(slots=True, eq=False)
class Cutter:
    """Cuts segment after segment. hint: what the context's references agree on; without one the
    segment before gives it, so that a window in typical lengths does not jump from block to block.

    flipped: decided by the first segment that has events, then kept.  edge: events left out
    because their window leaves the recording.
    """

    card: SystemCard
    channels: tuple[Channel, ...]
    rate_hz: float
    source: str
    hint: Mapping[str, float] = field(default_factory=dict)
    flipped: bool | None = None
    axis: tuple[float, float] = (0.0, 1.0)
    roles: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    edge: int = 0
    counted: float = -np.inf

    def cut(self, segment: Segment) -> Batch:
        """The segment's own events. Raises CaptureError when a channel is missing."""
        signal = self._condition(segment)
        self.roles, self.units = signal.roles, signal.units
        rule, params = self.card.events.rule, self.card.events.params
        if not self.hint:
            self.hint = dict(cut(signal, rule, params, {}).scout)
        events = cut(signal, rule, params, self.hint)
        if events.n:
            self.axis = events.axis
            self.flipped = signal.flipped if self.flipped is None else self.flipped
        mine = self._mine(events, segment)
        self.edge += int(np.sum(~events.complete[mine]))
        mine = mine[events.complete[mine]]
        start, stop = events.start[mine], events.stop[mine]
        grid, strips = _laid_out(signal, start, stop)
        per_point = np.median(stop - start) / POINTS if mine.size else 1.0
        floor = signal.noise / np.sqrt(max(per_point, 1.0)) + signal.step / np.sqrt(12.0)
        at = segment.at
        return Batch(events.anchor[mine] + at, start + at, stop + at, grid, strips, floor)

    def _condition(self, segment: Segment) -> Signal:
        capture = Capture(
            segment.samples, self.rate_hz, self.channels, None, 1.0, 1.0, self.source, ""
        )
        signal = condition(self.card, capture)
        if self.flipped is None or signal.flipped == self.flipped:
            return signal
        signal.data[0] = -signal.data[0]
        return replace(signal, flipped=self.flipped)

    def _mine(self, events: Events, segment: Segment) -> np.ndarray:
        """Indices of the events that this segment counts, in order of their anchors."""
        anchor = events.anchor + segment.at
        order = np.argsort(anchor, kind="stable")
        gaps = np.diff(anchor[order])
        apart = max(0.5 * float(np.median(gaps)), 1.0) if gaps.size else 1.0
        first = max(self.counted + apart, segment.core[0] - apart)
        mine = order[(anchor[order] >= first) & (anchor[order] < segment.core[1])]
        if mine.size:
            self.counted = float(anchor[mine[-1]])
        return mine


def _laid_out(signal: Signal, start: Floats, stop: Floats) -> tuple[Grid, Floats]:
    """Grid (n, C, POINTS) and strips (n, 2, C, 2) of windows [start, stop), by running sums."""
    n, channels = start.size, signal.data.shape[0]
    grid = np.empty((n, channels, POINTS), np.float32)
    strips = np.full((n, 2, channels, 2), np.nan)
    if n == 0:
        return grid, strips
    width = stop - start
    inside = np.stack((start - STRIP * width >= -0.5, stop + STRIP * width <= signal.n - 0.5), 1)
    edges = start[:, None] + width[:, None] * np.linspace(0.0, 1.0, POINTS + 1)
    sides = np.stack((start - STRIP * width, start, stop, stop + STRIP * width), axis=1)
    for c in range(channels):
        x = signal.data[c]
        rest = float(x[:: max(1, x.size // 1000)].mean())  # keeps the sums of squares exact
        total = np.concatenate(([0.0], np.cumsum(x - rest)))
        step = np.diff(_between(total, edges), axis=1)
        grid[:, c] = step * (POINTS / width[:, None]) + rest
        square = np.concatenate(([0.0], np.cumsum((x - rest) ** 2)))
        for side in (0, 1):
            a = 2 * side
            length = STRIP * width
            mean = (_between(total, sides[:, a + 1]) - _between(total, sides[:, a])) / length
            power = (_between(square, sides[:, a + 1]) - _between(square, sides[:, a])) / length
            strips[:, side, c, 0] = mean + rest
            strips[:, side, c, 1] = np.sqrt(np.maximum(power - mean**2, 0.0))
    strips[~inside] = np.nan
    return grid, strips


def _between(total: Floats, places: Floats) -> Floats:
    """Running sum `total` (n + 1,) at fractional places; samples are half a step wide each way."""
    places = np.clip(places + 0.5, 0.0, total.size - 1.0)
    left = np.minimum(places.astype(np.int64), total.size - 2)
    part = places - left
    return total[left] * (1.0 - part) + total[left + 1] * part
