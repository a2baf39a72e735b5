"""Rule `humps`: slow swells after an inrush, such as starter current against compression."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.events.lines import (
    Lines,
    autocorrelation,
    block_mean,
    clarity,
    demodulate,
    instants,
    is_flat,
    lines,
    strongest,
)
from matching.events.steady import cranking_run, steady_run
from matching.tools import Floats, smooth


@rule("humps")
def humps(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One event per hump, trough to trough, in the steady part after the inrush.

    params: role; low_hz, high_hz of the humps; usual_hz, their most likely rate; skip_s after the
    inrush; sense 'up' | 'down' (battery voltage dips where current swells); switched, whether the
    channel starts from rest (default) or runs throughout. hint: hump_hz, per_cycle.
    """
    role = params.get("role", "")
    x = signal.channel(role)
    rate = signal.rate_hz
    skip = float(params.get("skip_s", 0.3))
    begin, end = 0, x.size
    if params.get("sense") == "down":
        begin, end = cranking_run(x, rate, skip)
        x = -x
    elif params.get("switched", True):
        begin, end = steady_run(x, rate, skip)
    low, high = float(params["low_hz"]), float(params["high_hz"])
    width = max(1, int(rate / (20.0 * high)))
    slow_rate = rate / width
    calm = smooth(block_mean(x[begin:end], width), int(slow_rate / (3.0 * high)))
    if calm.size < 32 or is_flat(calm) or calm.size < 1.6 * slow_rate / high:
        return none_found()
    flat = levelled(calm, int(1.6 * slow_rate / low))
    usual = float(params.get("usual_hz", 7.5))
    f = hump_rate(flat, slow_rate, low, high, hint.get("hump_hz", 0.0), usual)
    if f <= 0.0:
        return none_found()
    phase, _ = demodulate(flat, slow_rate, f, 0.17 * f)
    trough = troughs(flat, instants(phase, np.pi, 2.0 * np.pi), slow_rate / f)
    turns = (trough + 0.5) * width - 0.5 + begin
    scout = {"hump_hz": f}
    if turns.size < 2:
        return none_found(scout)
    scout["hump_hz"] = rate * (turns.size - 1) / float(turns[-1] - turns[0])
    heights = hump_heights(flat, trough)
    count, sure = cylinder_count(heights, hint.get("per_cycle", 0.0))
    if sure:
        scout["per_cycle"] = float(count)
    cycle = count or 4
    multiples = np.arange(1.0, 2.0 * cycle + 1.0) / cycle
    scout["clarity"] = clarity(lines(flat, slow_rate), f, multiples)
    marks = {
        "steady": np.array([begin, end], dtype=np.float64),
        "trough": turns,
        "height": heights,
        "per_cycle": np.array([float(count)]),
    }
    return make(signal, turns[:-1], turns[1:], turns[:-1], (0.0, 100.0), marks, scout)


def hump_heights(x: Floats, trough: Floats) -> Floats:
    """Peak of x (n,) between neighbouring troughs over the mean of the two: (humps,), unit of x."""
    edge = np.clip(np.round(trough).astype(np.int64), 0, x.size - 1)
    peak = np.array([x[a : b + 1].max() for a, b in pairwise(edge)])
    return peak - 0.5 * (x[edge[:-1]] + x[edge[1:]])


def cylinder_count(heights: Floats, expected: float) -> tuple[int, bool]:
    """Humps per engine cycle (3 to 8) and whether the heights (n,) show it by repeating.

    Falls back to what is expected, or 0 for unknown. Two full cycles are the least that can tell.
    """
    centred = heights - smooth(heights, min(25, heights.size))
    most = min(8, heights.size // 2)
    if most < 3 or not float(np.dot(centred, centred)) > 0.0:
        return int(expected), False
    repeat = autocorrelation(centred[:, None])
    counts = np.arange(3, most + 1)
    score = np.array([_at_multiples(repeat, int(k)) for k in counts])
    best = float(score.max())
    clear = best > max(0.2, 2.5 / np.sqrt(heights.size))
    if 3 <= expected <= most:
        fits = not clear or score[round(expected) - 3] > 0.4 * best
        return (round(expected), clear) if fits else (int(counts[np.argmax(score)]), clear)
    if not clear:
        return int(expected), False
    return int(counts[score > 0.8 * best][0]), True


def _at_multiples(repeat: Floats, count: int) -> float:
    lags = count * np.arange(1, min(5, (repeat.size - 1) // count) + 1)
    return float(repeat[lags].mean()) if lags.size else -1.0


def levelled(x: Floats, width: int) -> Floats:
    """x (n,) without its slow course: a parabola first, then a wide running mean of the rest."""
    t = np.linspace(-1.0, 1.0, x.size)
    rest = x - np.polynomial.polynomial.polyval(t, np.polynomial.polynomial.polyfit(t, x, 2))
    return rest - smooth(rest, width) if width < x.size // 2 else rest


def hump_rate(
    x: Floats, rate: float, low: float, high: float, expected: float, usual: float
) -> float:
    """Hump frequency (Hz) of x (n,): the strongest line, weighted by what is likely.

    One or two weak cylinders raise the lines of the engine cycle (f over the cylinder count)
    below the hump line; those are told by a strong line at a whole multiple of 2 to 8 above.
    """
    spectrum = lines(x, rate)
    # 0.55 nepers: cranking speed varies by a factor 1.7 between a weak battery and no compression
    prior = (expected, 0.33) if expected > 0.0 else (usual, 0.55)
    top = strongest(spectrum, low, high, prior)
    if expected > 0.0 or top <= 0.0 or top > 0.9 * usual:
        return top
    return _multiple(spectrum, top, high)


def _multiple(spectrum: Lines, top: float, high: float) -> float:
    """The line `top` itself, or a multiple of it when it is only the engine cycle's."""
    size = float(spectrum.line(top, 0.03))
    for count in (2, 3, 4, 5, 6):
        # a healthy hump's own 2nd harmonic is below a half; the 3rd below a fifth
        least = {2: 0.75, 3: 0.45}.get(count, 0.35)
        if top * count < high and float(spectrum.line(top * count, 0.03)) > least * size:
            return top * count
    return top


def troughs(x: Floats, near: Floats, period: float) -> Floats:
    """Each instant of `near` moved to the middle of the lowest stretch of x (n,) around it.

    Only within a quarter period: a missing hump leaves the instant where the phase puts it.
    """
    if near.size == 0:
        return near
    reach = max(1, int(0.22 * period))
    calm = smooth(x, max(1, int(0.12 * period)))
    index = np.round(near).astype(np.int64)[:, None] + np.arange(-reach, reach + 1)[None, :]
    values = calm[np.clip(index, 0, x.size - 1)]
    lean = 0.15 * (np.abs(np.arange(-reach, reach + 1)) / reach) ** 2 * float(np.std(x))
    moved = near + (np.argmin(values + lean, axis=1) - reach)
    edge = (near < reach) | (near > x.size - 1 - reach)
    return np.where(edge, near, 0.5 * (moved + near))
