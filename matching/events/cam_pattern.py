"""Rule `pattern`: a two-state signal whose unequal pulses repeat, such as a cam sensor's."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.events.cam_cycles import cam_edges
from matching.tools import Floats

MOST_PULSES = 12


def alternating(up: Floats, down: Floats) -> tuple[Floats, Floats]:
    """Rises and falls as pairs: the first is a rise, each fall follows its rise."""
    if up.size and down.size and down[0] < up[0]:
        down = down[1:]
    n = min(up.size, down.size)
    return up[:n], down[:n]


def repeat_length(up: Floats, down: Floats, expected: float = 0.0) -> int:
    """Pulses after which the pattern of high and low times repeats; 0 for less than three pulses.

    The least m for which stretches m pulses apart differ (median log ratio) hardly more than for
    the best m; one that the references expect wins if it repeats as well.
    """
    rise, fall = alternating(up, down)
    n = rise.size
    if n < 3:
        return 0
    high = np.log(fall - rise)
    low = np.log(rise[1:] - fall[:-1])
    errors = {}
    for m in range(1, min(MOST_PULSES, n - 2) + 1):
        apart = np.concatenate((np.abs(high[m:] - high[:-m]), np.abs(low[m:] - low[:-m])))
        errors[m] = float(np.quantile(apart, 0.75))
    limit = 1.5 * min(errors.values()) + 0.04
    if errors.get(round(expected), np.inf) <= limit + 0.06:
        return round(expected)
    return next(m for m, error in errors.items() if error <= limit)


@rule("pattern")
def pattern(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One cycle of the pattern, from the rise after its longest low stretch. params: role."""
    role = params.get("role", "")
    up, down = cam_edges(signal.channel(role))
    length = repeat_length(up, down, hint.get("pulses", 0.0))
    if length == 0:
        return none_found()
    rise, fall = alternating(up, down)
    low = np.concatenate(([np.nan], rise[1:] - fall[:-1]))
    around = np.concatenate((np.diff(rise), [np.nan]))
    share = low / np.where(np.isfinite(around), around + low, np.nan)
    usual = [_median(share[k::length]) for k in range(length)]
    first = int(np.argmax(usual))
    edges = rise[first::length]
    marks = {"up": up, "down": down, "pulses": np.array([float(length)])}
    scout = {"pulses": float(length)}
    if edges.size < 2:
        edges = rise[[0, -1]]
    return make(signal, edges[:-1], edges[1:], edges[:-1], (0.0, 100.0), marks, scout)


def _median(values: Floats) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else 0.0
