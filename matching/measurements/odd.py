"""Odd one out: numbers of a train of humps in which one or two may differ from their fellows."""

from __future__ import annotations

import numpy as np

from matching.tools import Floats


def by_place(values: Floats, count: int) -> Floats:
    """Median of every `count`-th of values (n,): (count,), one per cylinder or segment."""
    return np.array([float(np.median(values[k::count])) for k in range(min(count, values.size))])


def lowest(values: Floats, count: int) -> Floats:
    """values of the places sorted upwards; each value its own place when the count is unknown.

    With an unknown count the train is read in quarters of its order (n / 4 of the values each).
    """
    if count >= 2 and values.size >= count:
        return np.sort(by_place(values, count))
    ordered = np.sort(values)
    quarter = max(1, ordered.size // 4)
    parts = np.array_split(ordered, ordered.size // quarter)
    return np.array([float(part.mean()) for part in parts])


def least_share(values: Floats, share: float) -> float:
    """Mean of the lowest `share` of values (n,), at least one of them."""
    return float(np.sort(values)[: max(1, round(share * values.size))].mean())
