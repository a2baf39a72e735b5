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
    slow: arbitration bits in data bits, 1 on a classic bus (params two_rates asks for more).
    frame: (runs,) index of the frame a run belongs to, -1 outside; first, last: first run of each
    frame and its last dominant run (the acknowledge slot of a valid frame).
    sums: running sums of the four by name, a 0 in front.
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
    sums: dict[str, Floats]
    slow: float


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
    slow = slow_ratio(begin, dominant, bits, bit) if params.get("two_rates") else 1.0
    frame, first, last = _segments(begin, dominant, bits, bit, slow)
    frames = tuple(
        _read(dominant, bits, int(start), int(stop))
        for start, stop in zip(first[:MOST_FRAMES], [*first[1:], begin.size], strict=False)
        if slow < 1.5
    )
    named = {"high": high, "low": low, "diff": diff}
    sums = {name: np.concatenate(([0.0], np.cumsum(x))) for name, x in named.items()}
    sums["total"] = sums["high"] + sums["low"]
    return Line(
        high, low, diff, high + low, bit, begin, end, dominant, bits, frame, first, last,
        frames, bias, up, down, sums, slow,
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


def slow_ratio(begin: Floats, dominant: Bools, bits: Floats, bit: float) -> float:
    """How many data bits one arbitration bit lasts (CAN FD), 1 where there is one rate only.

    The head of a frame (start, identifier) is sent slowly: the longest r for which the distances
    of like edges there are whole multiples of r data bits.
    """
    if bit <= 0.0 or begin.size < 8:
        return 1.0
    best = 1.0
    for ratio in (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 16.0):
        starts = np.flatnonzero(~dominant[:-1] & (bits[:-1] > IDLE_BITS * ratio)) + 1
        distances = []
        for k in starts[:60]:
            near = begin[k:][begin[k:] < begin[k] + 12.5 * ratio * bit]
            distances.append(near[2::2] - near[0])
            distances.append(near[3::2] - near[1] if near.size > 1 else near[:0])
        far = np.concatenate(distances) / (ratio * bit) if distances else np.zeros(0)
        if far.size >= 4 and float(np.mean(np.cos(2.0 * np.pi * far))) > 0.8:
            best = ratio
    return best


def _segments(
    begin: Floats, dominant: Bools, bits: Floats, bit: float, slow: float
) -> tuple[Ints, Ints, Ints]:
    """Frame index of each run, first run and last dominant run of each frame."""
    none = np.zeros(0, np.int64)
    frame = np.full(begin.size, -1, np.int64)
    if bit <= 0.0 or begin.size == 0:
        return frame, none, none
    idle = ~dominant & (bits > IDLE_BITS * slow)
    starts = np.flatnonzero(idle) + 1
    starts = starts[starts < begin.size]
    if dominant[0] and begin[0] > IDLE_BITS * slow * bit:
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


def run_means(line: Line, which: str, chosen: Bools) -> Floats:
    """Mean of a channel ("high", "low", "diff", "total") over the settled part of each chosen run.

    Settled: from 0.45 bit after its start to 0.15 bit before its end, six bits at most. One value
    a run, so that long rests count no more than short ones.
    """
    begin, end = line.begin[chosen], line.end[chosen]
    end = np.minimum(end, begin + 6.0 * line.bit)
    a = np.ceil(begin + 0.45 * line.bit).astype(np.int64)
    b = np.floor(end - 0.15 * line.bit).astype(np.int64)
    middle = np.round(0.5 * (begin + end)).astype(np.int64)
    a, b = np.where(b < a, middle, a), np.where(b < a, middle, b)
    last = line.diff.size - 1
    a, b = np.clip(a, 0, last), np.clip(b, 0, last)
    total = line.sums[which]
    return (total[b + 1] - total[a]) / (b + 1 - a)
