"""Where a motor current (or a bus voltage under it) runs steadily, after its switch-on."""

from __future__ import annotations

import numpy as np

from matching.tools import Bools, Floats, smooth

BLOCK_S = 0.01


def slow_level(x: Floats, rate: float, block_s: float = BLOCK_S) -> tuple[Floats, int]:
    """Means of consecutive blocks of about `block_s` seconds of x (n,), and the block's samples."""
    width = max(1, int(block_s * rate))
    count = max(1, x.size // width)
    return x[: count * width].reshape(count, -1).mean(axis=1), width


def running(x: Floats, rate: float) -> tuple[int, int, bool]:
    """First and last+1 sample at which a current x (n,) flows, and whether the start is recorded.

    It flows where its 10 ms mean exceeds 30 % of its upper-middle level, and all the while if no
    part of the recording lies near zero.
    """
    level, width = slow_level(x, rate)
    usual = float(np.quantile(level, 0.7))
    on: Bools = level > 0.3 * usual
    if usual <= 0.0 or not on.any():
        return 0, x.size, False
    first, last = int(np.argmax(on)), on.size - int(np.argmax(on[::-1]))
    fine = np.flatnonzero(x[max(0, (first - 1) * width) : (first + 1) * width] > 0.3 * usual)
    begin = max(0, (first - 1) * width) + (int(fine[0]) if fine.size else 0)
    end = x.size if last >= on.size else last * width
    return (begin if first > 0 else 0), end, first > 0


def steady_run(x: Floats, rate: float, settle_s: float) -> tuple[int, int]:
    """First and last+1 sample between which a motor current x (n,) has settled.

    From `settle_s` after a recorded switch-on (or after a decaying inrush that the recording
    opens with) to the switch-off; the whole recording when that would leave too little.
    """
    begin, end, started = running(x, rate)
    if started or _decays(x, rate, settle_s):
        begin += int(settle_s * rate)
    if end - begin < max(0.25 * x.size, 16):
        half = begin - int(0.5 * settle_s * rate)
        begin = max(0, half) if end - half >= 0.25 * x.size else 0
    return begin, end


def _decays(x: Floats, rate: float, settle_s: float) -> bool:
    """Whether the recording opens well above the level it runs at later."""
    level, width = slow_level(x, rate)
    head = level[: max(1, int(settle_s * rate / width) // 2)]
    body = level[max(1, int(settle_s * rate / width)) :]
    if body.size < 3:
        return False
    top = float(np.quantile(body, 0.98))
    return float(head[0]) > 1.35 * top and head[0] >= 0.8 * float(head.max())


def inrush_peak(x: Floats, rate: float, begin: int, reach_s: float = 0.12) -> float:
    """Highest 1 ms mean within `reach_s` seconds after the switch-on at sample `begin`."""
    part = x[begin : begin + max(2, int(reach_s * rate))]
    width = max(1, int(0.001 * rate))
    if part.size < 2 * width:
        return float(part.max()) if part.size else float("nan")
    return float(part[: part.size // width * width].reshape(-1, width).mean(axis=1).max())


def cranking_run(x: Floats, rate: float, skip_s: float) -> tuple[int, int]:
    """First and last+1 sample between which a battery voltage x (n,) is pulled down by cranking.

    The longest stretch whose 0.15 s mean (longer than a compression) lies in the lower part of
    its range, `skip_s` after the fall and 0.15 s before the rise; all of it when the voltage
    never leaves that level.
    """
    level, width = slow_level(x, rate)
    calm = smooth(level, max(1, round(0.15 * rate / width)))
    # the tenth part, not the least: the first dip lies deeper than the cranking level
    low, high = float(np.quantile(calm, 0.1)), float(calm.max())
    ripple = float(np.median(np.abs(level - calm)))
    if high - low < max(0.06 * abs(low), 4.0 * ripple):
        return 0, x.size
    on = np.concatenate(([False], calm < low + 0.45 * (high - low), [False]))
    change = np.flatnonzero(on[1:] != on[:-1])
    start, stop = change[::2], change[1::2]
    longest = int(np.argmax(stop - start))
    begin = int(start[longest]) * width + (int(skip_s * rate) if start[longest] > 0 else 0)
    end = x.size if stop[longest] >= level.size else int(stop[longest]) * width - int(0.15 * rate)
    return min(begin, x.size), max(min(end, x.size), min(begin, x.size))
