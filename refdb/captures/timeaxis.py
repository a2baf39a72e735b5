"""The rate of a recording from its time column, and what is wrong with that column."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refdb.captures.words import plural, refusal

GAP_STEPS = 5.0
JITTER_LIMIT = 0.20


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """rate: samples per unit of the time column. jitter: the step that 95 % of all steps keep
    to, as a part of a step, beyond what the printed digits hide. remarks: one sentence each."""

    rate: float
    start: float
    jitter: float
    remarks: tuple[str, ...]


def measure(path: object, time: NDArray[np.float64], resolution: float = 0.0) -> TimeAxis:
    """Measure a time column of shape (n,), n >= 2.

    resolution: what one step of the last printed digit is; steps are not blamed for it.
    The step is the mean of all steps that are no gap and do not go back (for a clean axis that is
    the whole span over n - 1, so rounding of the printed time averages out); the median decides
    what a gap is.
    Raises CaptureError when time does not run forward at all.
    """
    remarks: list[str] = []
    time, missing = _without_holes(path, time)
    if missing:
        remarks.append(
            f"{plural(missing, 'time cell')} held no number and was taken from its neighbours"
            if missing == 1
            else f"{missing} time cells held no number and were taken from their neighbours"
        )
    n = len(time)
    eps = 4 * 2.0**-52 * max(abs(float(time[0])), abs(float(time[-1])))
    resolution = max(resolution, eps)
    steps = np.diff(time)
    low, high = float(steps.min()), float(steps.max())
    span = float(time[-1] - time[0])
    step = span / (n - 1)
    if not (step > 0 and low >= -resolution and high <= 2 * step):
        step = _typical_step(path, steps, step, resolution)
        remarks += _breaks(steps, step, resolution)
    stray = max(high - step, step - low) - resolution
    jitter = max(0.0, stray / step)
    if jitter > JITTER_LIMIT:
        regular = (steps >= -resolution) & (steps <= GAP_STEPS * step + resolution)
        off = np.abs(steps[regular] - step)
        jitter = max(0.0, float(np.quantile(off, 0.95) - resolution) / step)
        if jitter > JITTER_LIMIT:
            remarks.append(
                f"time steps jitter by {100 * jitter:.0f} % of a step (limit "
                f"{100 * JITTER_LIMIT:.0f} %): timing measured here is that uncertain"
            )
    if resolution > 0.5 * step and np.mean(steps < 0.5 * step) > 0.05:
        remarks.append(
            f"time is printed to {resolution:.3g}, coarser than half a step of {step:.3g}: "
            "the rate comes from the whole span"
        )
    uncertainty = max(resolution / abs(span), 1e-10) if span else 1e-10
    return TimeAxis(roundest(1.0 / step, uncertainty), float(time[0]), jitter, tuple(remarks))


def roundest(rate: float, uncertainty: float) -> float:
    """The value of fewest digits, as rate or as period, within `uncertainty` (relative) of rate.

    Printed time hides the last digits of a rate; a recording made at 500 kS/s must not read as
    499999.9997, or the same capture saved twice would seem two.
    """
    for digits in range(1, 12):
        for candidate in (float(f"{rate:.{digits}g}"), 1.0 / float(f"{1.0 / rate:.{digits}g}")):
            if abs(candidate - rate) <= uncertainty * rate:
                # 1 / 4e-5 is 24999.999999999996 to a computer.
                decimal = float(f"{candidate:.13g}")
                return decimal if abs(decimal - candidate) <= 1e-15 * candidate else candidate
    return rate


def _without_holes(path: object, time: NDArray[np.float64]) -> tuple[NDArray[np.float64], int]:
    if np.isfinite(time[0]) and np.isfinite(time.sum()):
        return time, 0
    good = np.isfinite(time)
    count = int(good.sum())
    if count < max(2, len(time) // 2):
        raise refusal(
            path,
            "numbers in the time column",
            f"{count} in {len(time)} rows",
            "give the rate with --rate, or a file whose time column is numeric",
        )
    index = np.flatnonzero(good)
    filled = np.interp(np.arange(len(time)), index, time[index])
    # np.interp holds the ends flat; time goes on.
    step = (filled[index[-1]] - filled[index[0]]) / max(1, index[-1] - index[0])
    filled[: index[0]] = filled[index[0]] - step * np.arange(index[0], 0, -1)
    filled[index[-1] + 1 :] = filled[index[-1]] + step * np.arange(1, len(time) - index[-1])
    return filled, len(time) - count


def _typical_step(
    path: object, steps: NDArray[np.float64], mean: float, resolution: float
) -> float:
    median = float(np.median(steps))
    if median <= resolution and mean > 0:
        # More than half of the printed steps are zero: only the span is left to tell.
        median = mean
    forward = (steps > -resolution) & (steps <= GAP_STEPS * median + resolution)
    step = float(steps[forward].mean()) if median > 0 and forward.any() else 0.0
    if step <= 0:
        raise refusal(
            path,
            "a time column that runs forward",
            f"a median step of {float(np.median(steps)):.6g}",
            "give the rate with --rate and name all columns with --channels",
        )
    return step


def _breaks(steps: NDArray[np.float64], step: float, resolution: float) -> list[str]:
    remarks = []
    back = np.flatnonzero(steps < -resolution)
    if len(back):
        remarks.append(
            f"time goes back {plural(len(back), 'time')}, first after sample {back[0]} "
            f"by {-steps[back[0]] / step:.1f} steps: the samples are not one recording"
        )
    gaps = np.flatnonzero(steps > GAP_STEPS * step + resolution)
    if len(gaps):
        remarks.append(
            f"time has {plural(len(gaps), 'gap')} of more than {GAP_STEPS:.0f} steps, first after "
            f"sample {gaps[0]} of {steps[gaps[0]] / step:.1f} steps: samples are missing there"
        )
    return remarks
