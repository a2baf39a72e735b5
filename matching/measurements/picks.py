"""From one value per event to the one number of the capture: the usual, the worst, the spread."""

from __future__ import annotations

import numpy as np

from matching.tools import Floats, mad_sigma
from refdb.cards import CardMeasurement


def pick(values: Floats, how: str) -> float:
    """One number from values (events,), NaN ones left out; NaN when none is left.

    median, mean, min, max: as named.  spread: robust spread (MAD) over the median, in per cent.
    highest, lowest: the odd one out, max or min over the median, in per cent above or below it.
    step: median change from one event to the next over the median, in per cent.
    """
    values = values[np.isfinite(values)]
    if values.size == 0:
        return float("nan")
    usual = float(np.median(values))
    plain = {"median": usual, "mean": values.mean(), "min": values.min(), "max": values.max()}
    if how in plain:
        return float(plain[how])
    if values.size < 2 or usual == 0.0:
        return float("nan")
    if how == "spread":
        return 100.0 * mad_sigma(values) / abs(usual)
    if how == "highest":
        return 100.0 * (float(values.max()) - usual) / abs(usual)
    if how == "lowest":
        return 100.0 * (usual - float(values.min())) / abs(usual)
    if how == "step":
        return 100.0 * float(np.median(np.abs(np.diff(values)))) / abs(usual)
    raise KeyError(how)


def picked(values: Floats | None, wanted: CardMeasurement) -> float:
    """`pick` as a card asks for it: params pick (default median), factor (default 1)."""
    if values is None:
        return float("nan")
    return pick(values, wanted.params.get("pick", "median")) * float(
        wanted.params.get("factor", 1.0)
    )
