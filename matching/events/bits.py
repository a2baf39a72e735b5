"""Rule `bits`: a serial bus, each event one edge pair (into and out of the active state)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.tools import Floats, crossings, smooth, thin


def bus_difference(signal: Signal, params: Mapping[str, Any]) -> Floats:
    """The line that carries the bits: high minus low where there are two, else the one turned
    so that the active (dominant) state is up."""
    plus = signal.channel(params.get("role", ""))
    if params.get("minus") in signal.roles:
        return plus - signal.channel(params["minus"])
    return -plus if params.get("active") == "low" else plus


def bit_time(widths: Floats, shortest: float) -> float:
    """Bit time in samples from the widths between edges (n,): the base of their multiples.

    Starts from the shortest common width and refines by the widths' whole multiples up to 6.
    """
    widths = widths[widths > shortest]
    if widths.size < 8:
        return 0.0
    base = float(np.quantile(widths, 0.1))
    base = float(np.median(widths[(widths > 0.6 * base) & (widths < 1.4 * base)]))
    for _ in range(3):
        multiple = np.round(widths / base)
        usable = (multiple >= 1) & (multiple <= 6) & (np.abs(widths / base - multiple) < 0.3)
        if usable.sum() < 4:
            return base
        base = float(np.sum(widths[usable]) / np.sum(multiple[usable]))
    return base


@rule("bits")
def bits(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """Events around each edge into the active state: one bit before to `span` bits after.

    params: role, minus (second wire); active; level (absolute threshold) or the middle of the
    range; span bits after the edge; shortest_us, the least credible bit.
    """
    x = bus_difference(signal, params)
    rate = signal.rate_hz
    low, high = np.quantile(thin(x), [0.005, 0.995])
    reach = float(high - low)
    if reach < params.get("min_swing", 0.0) or reach < 8.0 * float(signal.noise.max()):
        return none_found()
    level = params.get("level", float(low + 0.5 * reach))
    if not low < level < high:
        level = float(low + 0.5 * reach)
    up, down = crossings(x, level, 0.2 * reach)
    edges = np.sort(np.concatenate((up, down)))
    shortest = params.get("shortest_us", 0.0) * 1e-6 * rate
    bit = bit_time(np.diff(edges), max(shortest, 0.9))
    expected = hint.get("bit_s", 0.0) * rate
    if expected and not 0.8 < bit / expected < 1.25:
        bit = expected
    if bit <= 0.0 or up.size < 2:
        return none_found()
    span = float(params.get("span", 3.0))
    follow = np.searchsorted(down, up)
    has = follow < down.size
    width = np.where(has, down[np.minimum(follow, down.size - 1)] - up, np.inf) / bit
    single = up[(width > 0.5) & (width < 1.5)]
    chosen = single if single.size >= 8 else up
    start, stop = chosen - bit, chosen + span * bit
    marks = {"up": up, "down": down, "bit": np.array([bit])}
    return make(signal, start, stop, chosen, (-1.0, span), marks, {"bit_s": bit / rate})


def middle_of_bits(x: Floats, edges: Floats, bit: float) -> Floats:
    """Samples of x (n,) at the middle of the bits between edges, away from the edges.

    Runs longer than six bits are idle or errors and give one sample each.
    """
    begin, end = edges[:-1], edges[1:]
    count = np.clip(np.round((end - begin) / bit), 1, 6).astype(np.int64)
    owner = np.repeat(np.arange(begin.size), count)
    place = np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count)
    centre = begin[owner] + (place + 0.6) * bit
    index = np.round(centre[centre < end[owner]]).astype(np.int64)
    return smooth(x, 1)[np.clip(index, 0, x.size - 1)]
