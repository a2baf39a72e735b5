"""Rule `bits`: a serial bus, each event one edge pair (into and out of the active state)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.tools import Floats, crossings, noise_sigma

_CANDIDATES = 320
_LONGEST = 8.0


def bus_difference(signal: Signal, params: Mapping[str, Any]) -> Floats:
    """The line that carries the bits: high minus low where there are two, else the one turned
    so that the active (dominant) state is up."""
    plus = signal.channel(params.get("role", ""))
    if params.get("minus") in signal.roles:
        return plus - signal.channel(params["minus"])
    return -plus if params.get("active") == "low" else plus


def bus_range(x: Floats) -> tuple[float, float]:
    """Low and high end of x (n,) that a rare frame still reaches but a lone spike does not."""
    low, high = np.quantile(x, [0.0005, 0.9995])
    return float(low), float(high)


def bit_time(up: Floats, down: Floats, shortest: float) -> float:
    """Bit time in samples from edges into (up) and out of (down) the active state; 0 if unclear.

    Distances between edges of one direction are whole multiples of the bit even where one edge
    is slower than the other (a missing terminator), so they are used rather than the widths: the
    longest period T with a clear mean of cos(2 pi d / T) over the distances d up to 8 T wins
    (T/2, T/3, ... fit as well, longer ones do not), refined by least squares on the multiples.
    """
    widths = np.diff(np.sort(np.concatenate((up, down))))
    widths = widths[widths > shortest]
    distances = np.concatenate((np.diff(up), np.diff(down)))
    distances = distances[distances > 1.4 * shortest]
    if widths.size < 4 or distances.size < 3:
        return 0.0
    few, middle = np.quantile(widths, [0.03, 0.6])
    # A capture may hold no single bit at all; half the shortest distance is then the longest T.
    top = max(1.4 * middle, 1.1 * few)
    candidates = np.geomspace(max(0.45 * few, shortest), top, _CANDIDATES)
    part = distances if distances.size <= 300 else distances[:: distances.size // 300 + 1]
    turns = part[:, None] / candidates
    near = turns < _LONGEST + 0.5
    count = near.sum(axis=0)
    fit = np.where(near, np.cos(2.0 * np.pi * turns), 0.0).sum(axis=0) / np.maximum(count, 1)
    fit = np.where(count >= max(3, 0.15 * part.size), fit, -1.0)
    best = float(fit.max())
    if best < 0.25:
        return 0.0
    good = np.flatnonzero(fit >= 0.85 * best)
    last = good[-1]
    while last > 0 and fit[last - 1] > fit[last]:
        last -= 1
    return _refined(distances, float(candidates[last]))


def _refined(distances: Floats, base: float) -> float:
    """Least-squares period (same unit) whose whole multiples the distances (n,) are."""
    for limit in (4.0, _LONGEST, _LONGEST):
        multiple = np.round(distances / base)
        off = np.abs(distances / base - multiple)
        usable = (multiple >= 1) & (multiple <= limit) & (off < 0.25)
        if usable.sum() < 3:
            return base
        n, d = multiple[usable], distances[usable]
        ratio = d / n
        keep = np.abs(ratio - np.median(ratio)) < 0.1 * base
        base = float(np.sum(d[keep] * n[keep]) / np.sum(n[keep] ** 2))
    return base


def bus_edges(x: Floats, params: Mapping[str, Any]) -> tuple[Floats, Floats, float]:
    """Edges into and out of the active state of x (n,), and the level they cross.

    params: level, min_swing. Where `level` does not cut the range well, its middle is taken.
    """
    low, high = bus_range(x)
    reach = high - low
    none = np.zeros(0)
    if reach < float(params.get("min_swing", 0.0)) or reach < 8.0 * noise_sigma(x):
        return none, none, 0.5 * (low + high)
    level = float(params.get("level", low + 0.5 * reach))
    if not low + 0.15 * reach < level < high - 0.15 * reach:
        level = low + 0.5 * reach
    up, down = crossings(x, level, 0.2 * reach)
    return up, down, level


@rule("bits")
def bits(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """Events around each edge into the active state: one bit before to `span` bits after.

    params: role, minus (second wire); active = "low"; level (absolute threshold) or the middle of
    the range; span bits after the edge; shortest_us, the least credible bit; min_swing. Where two
    bit times occur (CAN FD) the shorter one is found.
    Single active bits are preferred; one that a long rest follows (the acknowledge slot, where
    several nodes drive at once) is left out.
    """
    x = bus_difference(signal, params)
    rate = signal.rate_hz
    up, down, level = bus_edges(x, params)
    shortest = max(float(params.get("shortest_us", 0.0)) * 1e-6 * rate, 1.5)
    bit = bit_time(up, down, shortest)
    expected = hint.get("bit_s", 0.0) * rate
    scout = {"bit_s": bit / rate} if bit > 0.0 else {}
    if expected > 1.5 and not 0.8 < bit / expected < 1.25:
        bit = expected
    marks = {"up": up, "down": down, "bit": np.array([bit]), "level": np.array([level])}
    if bit <= 0.0 or up.size < 2:
        return none_found(scout)
    span = float(params.get("span", 3.0))
    chosen = _single(up, down, bit)
    return make(signal, chosen - bit, chosen + span * bit, chosen, (-1.0, span), marks, scout)


def _single(up: Floats, down: Floats, bit: float) -> Floats:
    """The edges that start a single active bit inside traffic; all edges if these are few."""
    after = np.searchsorted(down, up)
    ends = np.where(after < down.size, down[np.minimum(after, down.size - 1)], np.inf)
    following = np.append(up[1:], np.inf)
    with np.errstate(invalid="ignore"):
        width, rest = (ends - up) / bit, (following - ends) / bit
    single = (width > 0.5) & (width < 1.5)
    inside = up[single & (rest < 7.5)]
    if inside.size >= 8:
        return inside
    return up[single] if np.count_nonzero(single) >= 8 else up
