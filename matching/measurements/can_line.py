"""The CAN line as runs of equal bits: what the level, edge and frame numbers are read from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.events.bits import bus_difference, bus_edges
from matching.measurements import Cut
from matching.measurements.can_frames import Frame, read_frame
from matching.tools import Bools, Floats, Ints

IDLE_BITS = 9.3  # more recessive bits than the 8 after the acknowledge slot that traffic can show
MOST_FRAMES = 160


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One CAN capture.

    high, low, diff, total: (n,) volts; total is high + low.  bit: samples per bit, 0 if unknown.
    begin, end: (runs,) edges of the runs in samples; dominant: their state; bits: their length.
    frame: (runs,) index of the frame a run belongs to, -1 outside; first, last: first run of each
    frame and its last dominant run (the acknowledge slot of a valid frame).
    frames: what the frames say; bias: by how many bits dominant ones are longer than nominal.
    """

    high: Floats
    low: Floats
    diff: Floats
    total: Floats
    bit: float
    begin: Floats
    end: Floats
    dominant: Bools
    bits: Floats
    frame: Ints
    first: Ints
    last: Ints
    frames: tuple[Frame, ...]
    bias: float
    up: Floats
    down: Floats


def line_of(cut: Cut) -> Line:
    """The line of a cut capture, worked out once."""
    result: Line = cut.shared("can:line", lambda: _build(cut))
    return result


def _build(cut: Cut) -> Line:
    params = cut.card.events.params
    high = cut.channel(params.get("role", ""))
    minus = params.get("minus", "")
    low = cut.channel(minus) if minus in cut.signal.roles else np.zeros_like(high)
    diff = bus_difference(cut.signal, params)
    marks = cut.events.marks
    if "up" in marks:
        up, down, bit = marks["up"], marks["down"], float(marks["bit"][0])
    else:
        up, down, _ = bus_edges(diff, params)
        bit = 0.0
    edges = np.sort(np.concatenate((up, down)))
    begin, end = edges[:-1], edges[1:]
    dominant = np.zeros(begin.size, bool)
    if begin.size:
        dominant[(0 if edges[0] in up[:1] else 1) :: 2] = True
    bits, bias = _run_lengths(begin, end, dominant, bit)
    frame, first, last = _segments(begin, dominant, bits, bit)
    frames = tuple(
        _read(dominant, bits, int(start), int(stop))
        for start, stop in zip(first[:MOST_FRAMES], [*first[1:], begin.size], strict=False)
    )
    return Line(
        high, low, diff, high + low, bit, begin, end, dominant, bits, frame, first, last,
        frames, bias, up, down,
    )  # fmt: skip


def _run_lengths(begin: Floats, end: Floats, dominant: Bools, bit: float) -> tuple[Floats, float]:
    """Lengths of the runs in bits, freed of the edge asymmetry, and that asymmetry in bits."""
    if bit <= 0.0 or begin.size == 0:
        return np.zeros(begin.size), 0.0
    width = (end - begin) / bit
    dom = width[dominant & (width > 0.4) & (width < 6.5)]
    rec = width[~dominant & (width > 0.4) & (width < 6.5)]
    if dom.size < 3 or rec.size < 3:
        return width, 0.0
    # Dominant longer by b makes recessive shorter by b: the b for which both lie on whole bits.
    trial = np.linspace(-0.45, 0.45, 91)
    sign = np.concatenate((np.ones(dom.size), -np.ones(rec.size)))
    both = np.concatenate((dom, rec))
    every = both.size // 600 + 1
    off = both[::every, None] - sign[::every, None] * trial
    bias = float(trial[np.argmax(np.cos(2.0 * np.pi * off).sum(axis=0))])
    exact = dom - np.round(dom - bias)
    near = exact[np.abs(exact - bias) < 0.15]
    bias = float(np.median(near)) if near.size else bias
    return width - np.where(dominant, bias, -bias), bias


def _segments(begin: Floats, dominant: Bools, bits: Floats, bit: float) -> tuple[Ints, Ints, Ints]:
    """Frame index of each run, first run and last dominant run of each frame."""
    none = np.zeros(0, np.int64)
    frame = np.full(begin.size, -1, np.int64)
    if bit <= 0.0 or begin.size == 0:
        return frame, none, none
    idle = ~dominant & (bits > IDLE_BITS)
    starts = np.flatnonzero(idle) + 1
    starts = starts[starts < begin.size]
    if dominant[0] and begin[0] > IDLE_BITS * bit:
        starts = np.concatenate(([0], starts))
    if starts.size == 0:
        return frame, none, none
    owner = np.cumsum(np.isin(np.arange(begin.size), starts)) - 1
    frame = np.where(idle, -1, owner)
    dom_index = np.flatnonzero(dominant & (frame >= 0))
    last = np.full(starts.size, -1, np.int64)
    last[frame[dom_index]] = dom_index
    return frame, starts.astype(np.int64), last


def _read(dominant: Bools, bits: Floats, start: int, stop: int) -> Frame:
    """The frame in runs start..stop (an idle run at the end counts as eleven recessive bits)."""
    raw: list[int] = []
    for r in range(start, stop):
        count = int(min(max(round(float(bits[r])), 1), 12))
        raw.extend([0 if dominant[r] else 1] * count)
        if len(raw) > 200:
            break
    return read_frame(raw)


def run_means(line: Line, x: Floats, chosen: Bools) -> Floats:
    """Mean of x (n,) over the settled part of each chosen run (0.45 bit in, 0.15 before the end).

    One value a run, so that long rests count no more than short ones.
    """
    begin, end = line.begin[chosen], line.end[chosen]
    end = np.minimum(end, begin + 6.0 * line.bit)
    a = np.ceil(begin + 0.45 * line.bit).astype(np.int64)
    b = np.floor(end - 0.15 * line.bit).astype(np.int64)
    middle = np.round(0.5 * (begin + end)).astype(np.int64)
    a, b = np.where(b < a, middle, a), np.where(b < a, middle, b)
    a, b = np.clip(a, 0, x.size - 1), np.clip(b, 0, x.size - 1)
    total = np.concatenate(([0.0], np.cumsum(x)))
    return (total[b + 1] - total[a]) / (b + 1 - a)
