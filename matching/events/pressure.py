"""Rule `compressions`: in-cylinder pressure, one engine cycle around each compression peak."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.events.lines import is_flat
from matching.events.pulses import stretches
from matching.tools import Floats, schmitt, smooth, thin

HALF_CYCLE_DEG = 360.0


@rule("compressions")
def compressions(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One event per engine cycle, from 360 deg before to 360 deg after the compression peak.

    The angle runs linearly from peak to peak. params: role; share of the range that a peak must
    rise to (default 0.4); least_s, the shortest credible cycle. hint: cycle_s, for recordings
    with a single peak.
    """
    role = params.get("role", "")
    x = signal.channel(role)
    rate = signal.rate_hz
    low, high = np.quantile(thin(x), [0.02, 0.9995])
    if is_flat(x) or high - low < 6.0 * float(signal.noise[signal.row(role)]):
        return none_found()
    least = max(2, int(float(params.get("least_s", 0.018)) * rate))
    share = float(params.get("share", 0.4))
    level = low + share * (high - low)
    calm = smooth(x, max(1, least // 60))
    start, stop = stretches(schmitt(calm, level - 0.15 * (high - low), level))
    peak = np.array([_crest(calm, a, b) for a, b in zip(start, stop, strict=True)])
    inner = (start > 0) & (stop < x.size)
    peak = _apart(calm, peak[inner], least)
    if peak.size == 0:
        return none_found()
    cycle = float(np.median(np.diff(peak))) if peak.size > 1 else hint.get("cycle_s", 0.0) * rate
    scout = {"cycle_s": cycle / rate} if peak.size > 1 else {}
    if cycle <= 0.0:
        return none_found()
    step = np.diff(peak)
    before = 0.5 * np.concatenate(([cycle], step)) if peak.size > 1 else np.array([cycle / 2])
    after = 0.5 * np.concatenate((step, [cycle])) if peak.size > 1 else np.array([cycle / 2])
    span = (-HALF_CYCLE_DEG, HALF_CYCLE_DEG)
    return make(signal, peak - before, peak + after, peak, span, {"peak": peak}, scout)


def _crest(x: Floats, start: int, stop: int) -> float:
    """Middle of the top tenth of a peak: steadier than its highest sample."""
    part = x[start:stop]
    if part.size < 3:
        return start + 0.5 * (part.size - 1)
    top = float(part.max())
    edge = max(float(part[0]), float(part[-1]), float(part.min()))
    near = np.flatnonzero(part >= top - 0.1 * (top - edge))
    run = near[np.abs(near - int(np.argmax(part))) <= near.size]
    return start + 0.5 * float(run[0] + run[-1])


def _apart(x: Floats, peak: Floats, least: int) -> Floats:
    """Peaks at least `least` samples apart; of two closer ones the higher stays."""
    kept: list[float] = []
    for place in peak:
        if kept and place - kept[-1] < least:
            if x[int(place)] > x[int(kept[-1])]:
                kept[-1] = place
        else:
            kept.append(place)
    return np.array(kept)
