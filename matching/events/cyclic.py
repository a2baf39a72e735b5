"""Rules for signals that repeat: `cycles` follows a phase, `swings` counts level crossings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.tools import (
    Floats,
    amplitude_spectrum,
    analytic,
    band_pass,
    crossings,
    refine_peak,
    thin,
)


@rule("cycles")
def cycles(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """Events of `per_event` cycles of the fundamental, cut where its phase passes zero.

    params: role; low_hz, high_hz where the fundamental may lie; per_event cycles in one event;
    divide, candidate divisors when a fault moves the strongest line to a sub-harmonic; anchor
    'trough' starts each event at its deepest point.
    """
    x = signal.channel(params.get("role", ""))
    rate = signal.rate_hz
    high = min(params["high_hz"], 0.4 * rate)
    f = fundamental(x, rate, params["low_hz"], high, hint.get("cycle_hz", 0.0))
    if f <= 0.0:
        return none_found()
    per_event = int(params.get("per_event", 1))
    turns = phase_turns(x, rate, f)
    if turns.size < per_event + 1:
        return none_found({"cycle_hz": f})
    offset = _deepest(x, turns, per_event)
    edges = turns[offset::per_event]
    start, stop = edges[:-1], edges[1:]
    marks = {"cycle": turns}
    return make(signal, start, stop, start, (0.0, 100.0), marks, {"cycle_hz": f})


def fundamental(x: Floats, rate: float, low: float, high: float, expected: float = 0.0) -> float:
    """Frequency (Hz) of the repetition of x (n,) between low and high; 0 when there is none.

    Without an expectation the strongest line wins. With one, the line near it (within a third
    of an octave) wins as long as it stands out, since a fault may raise a sub-harmonic.
    """
    f, a = amplitude_spectrum(x, rate)
    inside = np.flatnonzero((f >= low) & (f <= high))
    if inside.size < 5:
        return 0.0
    floor = float(np.median(a[inside]))
    if expected > 0.0:
        near = np.flatnonzero((f > expected / 1.26) & (f < expected * 1.26))
        if near.size:
            k = int(near[np.argmax(a[near])])
            if a[k] > 4.0 * floor:
                return refine_peak(f, a, k)
    k = int(inside[np.argmax(a[inside])])
    return refine_peak(f, a, k) if a[k] > 3.0 * floor else 0.0


def phase_turns(x: Floats, rate: float, f: float) -> Floats:
    """Instants (fractional samples) at which the fundamental of x passes its trough.

    None within a quarter of a cycle of either end, where the filter would have to know what comes
    before and after the recording.
    """
    narrow = band_pass(x, rate, 0.6 * f, 1.5 * f)
    phase = np.unwrap(np.angle(analytic(narrow)))
    phase = np.maximum.accumulate(phase)  # a slip backwards would count a cycle twice
    first, last = (
        np.ceil((phase[0] - np.pi) / (2 * np.pi)),
        np.floor((phase[-1] - np.pi) / (2 * np.pi)),
    )
    if last < first:
        return np.zeros(0)
    wanted = np.pi + 2 * np.pi * np.arange(first, last + 1)
    rising = np.concatenate(([True], np.diff(phase) > 0))
    turns = np.interp(wanted, phase[rising], np.flatnonzero(rising).astype(float))
    margin = 0.25 * rate / f
    return turns[(turns >= margin) & (turns <= x.size - 1 - margin)]


def _deepest(x: Floats, turns: Floats, per_event: int) -> int:
    """Which of the per_event possible starts has the lowest troughs on average."""
    if per_event == 1:
        return 0
    index = np.clip(np.round(turns).astype(np.int64), 1, x.size - 2)
    trough = np.minimum(np.minimum(x[index - 1], x[index]), x[index + 1])
    return int(np.argmin([trough[k::per_event].mean() for k in range(per_event)]))


@rule("swings")
def swings(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One event from one upward crossing to the next: slow or square signals.

    params: role; level (absolute) or share of the range (default 0.5); hysteresis as a share of
    the range; min_swing below which nothing counts.
    """
    x = signal.channel(params.get("role", ""))
    low, high = np.quantile(thin(x), [0.01, 0.99])
    reach = float(high - low)
    noise = float(signal.noise[signal.row(params.get("role", ""))])
    if reach < max(params.get("min_swing", 0.0), 6.0 * noise):
        return none_found()
    level = params.get("level", float(low + params.get("share", 0.5) * reach))
    up, down = crossings(x, level, params.get("hysteresis", 0.3) * reach)
    if up.size < 2:
        return none_found()
    period = float(np.median(np.diff(up)))
    marks = {"up": up, "down": down}
    scout = {"cycle_hz": signal.rate_hz / period}
    return make(signal, up[:-1], up[1:], up[:-1], (0.0, 100.0), marks, scout)
