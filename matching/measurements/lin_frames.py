"""LIN frames from edges: break, sync, protected identifier, data and checksum (LIN 2.x)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from matching.tools import Floats

BREAK_BITS = 9.6  # a zero byte holds 9 dominant bits; a slave must take 11 for a break


@dataclass(frozen=True, slots=True, eq=False)
class LinFrame:
    """One frame as read. Times in samples.

    start: break's falling edge.  break_bits, delimiter_bits: their lengths.  values: the bytes
    after the break (sync first).  starts: start edge of each byte.  framing: bytes whose stop bit
    is not recessive.  bit: from the sync byte, 0 if it is not 0x55.
    """

    start: float
    break_bits: float
    delimiter_bits: float
    values: tuple[int, ...]
    starts: tuple[float, ...]
    framing: int
    bit: float


def protected_identifier(identifier: int) -> int:
    """The six bit identifier with its parity: P0 = 0^1^2^4, P1 = not (1^3^4^5)."""
    b = [(identifier >> k) & 1 for k in range(6)]
    p0 = b[0] ^ b[1] ^ b[2] ^ b[4]
    p1 = 1 - (b[1] ^ b[3] ^ b[4] ^ b[5])
    return identifier | (p0 << 6) | (p1 << 7)


def checksum(values: Sequence[int], identifier: int | None = None) -> int:
    """Inverted sum with carry of the data bytes; with the protected identifier: enhanced."""
    total = 0 if identifier is None else identifier
    for value in values:
        total += value
        if total > 255:
            total -= 255
    return (~total) & 0xFF


def checksum_fits(frame: LinFrame) -> bool:
    """Whether the last byte is the classic or the enhanced checksum of those before it."""
    if len(frame.values) < 4:
        return False
    identifier, data, last = frame.values[1], frame.values[2:-1], frame.values[-1]
    return last in (checksum(data), checksum(data, identifier))


def read_frames(down: Floats, up: Floats, bit: float, end: float) -> list[LinFrame]:
    """Frames between breaks. down, up: edges into and out of the dominant state, samples.

    bit: samples per bit; end: last sample of the recording.
    """
    after = np.searchsorted(up, down)
    ok = after < up.size
    begin, stop = down[ok], up[after[ok]]
    breaks = np.flatnonzero(stop - begin > BREAK_BITS * bit)
    frames = []
    for i, k in enumerate(breaks):
        limit = begin[breaks[i + 1]] if i + 1 < breaks.size else end
        frames.append(_frame(down, up, float(begin[k]), float(stop[k]), float(limit), bit))
    return frames


def _frame(
    down: Floats, up: Floats, start: float, stop: float, limit: float, bit: float
) -> LinFrame:
    values: list[int] = []
    starts: list[float] = []
    framing = 0
    own, at, first = 0.0, stop, 0.0
    while len(values) < 11:
        k = int(np.searchsorted(down, at + 1e-9))
        if k >= down.size or down[k] >= limit:
            break
        edge = float(down[k])
        if not values:
            first = edge
            own = _sync_bit(down, k, bit)
        step = own or bit
        if edge + 9.9 * step > limit + step:
            break
        level = [_recessive(down, up, edge + (j + 0.5) * step) for j in range(1, 10)]
        values.append(sum(level[j] << j for j in range(8)))
        starts.append(edge)
        framing += 1 - level[8]
        at = edge + 9.4 * step
    delimiter = (first - stop) / bit if values else 0.0
    return LinFrame(
        start, (stop - start) / (own or bit), delimiter, tuple(values), tuple(starts), framing, own
    )  # fmt: skip


def _sync_bit(down: Floats, k: int, bit: float) -> float:
    """Bit time from the five falling edges of 0x55 (8 bits apart); 0 if they do not fit."""
    if k + 4 >= down.size:
        return 0.0
    edges = down[k : k + 5]
    steps = np.diff(edges)
    if np.any(np.abs(steps / bit - 2.0) > 0.5):
        return 0.0
    return float(edges[4] - edges[0]) / 8.0


def _recessive(down: Floats, up: Floats, at: float) -> int:
    """1 where the last edge before `at` leads out of the dominant state."""
    a = int(np.searchsorted(down, at)) - 1
    b = int(np.searchsorted(up, at)) - 1
    last_down = down[a] if a >= 0 else -1.0
    last_up = up[b] if b >= 0 else -0.5
    return int(last_up > last_down)
