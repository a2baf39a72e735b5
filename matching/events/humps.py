"""Rule `humps`: slow swells after an inrush, such as starter current against compression."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.events.cyclic import phase_turns
from matching.tools import Floats, amplitude_spectrum, refine_peak, smooth, thin


@rule("humps")
def humps(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One event per hump, trough to trough, in the steady part after the inrush.

    params: role; low_hz, high_hz of the humps; skip_s after the inrush; sense 'up' | 'down'
    (battery voltage dips where current swells).
    """
    role = params.get("role", "")
    x = signal.channel(role) * (-1.0 if params.get("sense") == "down" else 1.0)
    rate = signal.rate_hz
    begin, end = steady_part(x, rate, params.get("skip_s", 0.3), params.get("end_s", 0.05))
    if end - begin < 0.3 * rate:
        begin, end = 0, x.size
    calm = smooth(x[begin:end], max(1, int(rate / (3.0 * params["high_hz"]))))
    f = hump_rate(calm, rate, params["low_hz"], params["high_hz"], hint.get("hump_hz", 0.0))
    if f <= 0.0:
        return none_found()
    turns = phase_turns(calm, rate, f) + begin
    if turns.size < 2:
        return none_found({"hump_hz": f})
    marks = {"steady": np.array([begin, end], dtype=float), "trough": turns}
    return make(signal, turns[:-1], turns[1:], turns[:-1], (0.0, 100.0), marks, {"hump_hz": f})


def steady_part(x: Floats, rate: float, skip_s: float, end_s: float) -> tuple[int, int]:
    """Where x (n,) turns steadily: after the inrush peak settled, before the release."""
    slow = smooth(x, max(1, int(0.02 * rate)))
    rest, top = np.quantile(thin(slow), [0.02, 0.6])
    if top - rest < 0.25 * (float(slow.max()) - float(slow.min())) and rest > 0.3 * top:
        return 0, x.size  # the recording shows cranking only
    on = np.flatnonzero(slow > rest + 0.35 * (top - rest))
    if on.size == 0:
        return 0, x.size
    begin = on[0] + int(skip_s * rate) if on[0] > 0.005 * rate or _inrush(slow, on[0], rate) else 0
    end = on[-1] - int(end_s * rate) if on[-1] < x.size - 0.01 * rate else x.size
    return int(max(begin, 0)), int(max(end, begin))


def _inrush(slow: Floats, first: int, rate: float) -> bool:
    """Whether the part after `first` begins with a peak well above what follows."""
    head = slow[first : first + int(0.15 * rate)]
    body = slow[first + int(0.3 * rate) :]
    return bool(head.size and body.size and head.max() > 1.5 * float(np.quantile(body, 0.95)))


def hump_rate(x: Floats, rate: float, low: float, high: float, expected: float) -> float:
    """Hump frequency (Hz): the strongest line, or a harmonic of it when a weak cylinder raises
    the once-per-cycle line. A hump train has its 2nd to 6th multiple stronger than chance."""
    f, a = amplitude_spectrum(x - smooth(x, int(rate / low)), rate, 4)
    inside = np.flatnonzero((f >= low) & (f <= high))
    if inside.size < 5:
        return 0.0
    if expected > 0.0:
        near = np.flatnonzero((f > expected / 1.4) & (f < expected * 1.4))
        if near.size and a[near].max() > 2.0 * float(np.median(a[inside])):
            return refine_peak(f, a, int(near[np.argmax(a[near])]))
    k = int(inside[np.argmax(a[inside])])
    return refine_peak(f, a, k) if a[k] > 3.0 * float(np.median(a[inside])) else 0.0
