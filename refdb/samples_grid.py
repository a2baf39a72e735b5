"""Finds the integer grid that recorded values lie on, if they lie on one bit for bit.

An instrument counts in steps, so a capture of doubles is really a list of small integers. Which
integers, and how they became doubles, is guessed here from the values alone (decimal text, binary
fractions, counts times a step, each perhaps times scale and attenuation) and a guess is only
taken when it reproduces every single double exactly.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_PROBE = 64  # values tried first: a wrong guess fails here and costs microseconds
_STEP_PROBE = 2048  # values looked at to guess a step
_SPAN = 2**32 - 1  # codes are centred, so that this many fit int32
_EXACT = 2.0**53


class Grid(NamedTuple):
    """value = ((code * multiple + base) / divisor) * scale * attenuation + offset, in this order.

    multiple and base are whole numbers. Factors of one and an offset of zero are left out.
    """

    multiple: float
    base: float
    divisor: float
    scale: float
    attenuation: float
    offset: float

    def values(self, codes: Floats) -> Floats:
        """The doubles of `codes` (whole numbers as float64, any shape); `codes` is not changed."""
        out = codes * self.multiple + self.base
        return self.from_counts(out)

    def from_counts(self, counts: Floats) -> Floats:
        """The doubles of counts, that is of code * multiple + base. Works in place."""
        if self.divisor != 1.0:
            counts /= self.divisor
        if self.scale != 1.0:
            counts *= self.scale
        if self.attenuation != 1.0:
            counts *= self.attenuation
        if self.offset != 0.0:
            counts += self.offset
        return counts

    def to_counts(self, values: Floats) -> Floats:
        """The nearest counts of `values`: the way back, right only if the grid is."""
        out = values - self.offset
        out /= self.scale * self.attenuation / self.divisor
        return np.rint(out, out=out)


class Found(NamedTuple):
    """A grid, the codes (int64, n), and where a zero must be negative (bool, n) or None."""

    grid: Grid
    codes: NDArray[np.int64]
    negative_zeros: NDArray[np.bool_] | None


def find_grid(values: Floats, scale: float = 1.0, attenuation: float = 1.0) -> Found | None:
    """The grid that reproduces every value of one channel (n,) bit for bit, or None."""
    if values.size == 0 or not np.isfinite(values).all():
        return None
    with np.errstate(all="ignore"):
        probe = _probe(values)
        for grid in _guesses(values, scale, attenuation):
            if _fits(grid, probe) is None:
                continue
            found = _fits_all(grid, values)
            if found is not None:
                return found
    return None


def _probe(values: Floats) -> Floats:
    spread = values[:: max(1, values.size // _PROBE)]
    return np.concatenate((spread, [values.min(), values.max()]))


def _fits(grid: Grid, values: Floats) -> Floats | None:
    counts = grid.to_counts(values)
    if not np.all(np.abs(counts) < _EXACT):
        return None
    if not np.array_equal(grid.from_counts(counts.copy()), values):
        return None
    return counts


def _fits_all(grid: Grid, values: Floats) -> Found | None:
    counts = _fits(grid, values)
    if counts is None:
        return None
    low = float(counts.min())
    whole = (counts - low).astype(np.int64)
    multiple = max(1, int(np.gcd.reduce(whole)))
    if multiple > 1:
        whole //= multiple
    span = int(whole.max())
    if span > _SPAN:
        return None
    centre = (span + 1) // 2
    whole -= centre
    base = low + float(multiple * centre)
    chosen = grid._replace(multiple=float(multiple), base=base)
    again = chosen.values(whole.astype(np.float64))
    if not np.array_equal(again, values):
        return None
    wrong = again.view(np.int64) != values.view(np.int64)
    # equal but other bits: only a zero of the other sign can be
    if wrong.any() and not np.all(np.signbit(values[wrong])):
        return None
    return Found(chosen, whole, wrong if wrong.any() else None)


def _guesses(values: Floats, scale: float, attenuation: float) -> Iterator[Grid]:
    factors = [(1.0, 1.0)]
    if (scale, attenuation) != (1.0, 1.0) and scale * attenuation not in (0.0, np.inf, -np.inf):
        factors += [(scale, attenuation), (attenuation, scale), (scale * attenuation, 1.0)]
    for first, second in factors:
        for digits in range(10):
            yield Grid(1.0, 0.0, 10.0**digits, first, second, 0.0)
    bits = _fraction_bits(_probe(values))
    if 0 < bits <= 32:
        yield Grid(1.0, 0.0, 2.0**bits, 1.0, 1.0, 0.0)
    spread = values[:: max(1, values.size // _STEP_PROBE)]
    for step, offset in _steps(spread):
        yield Grid(1.0, 0.0, 1.0, step, 1.0, offset)


def _fraction_bits(values: Floats) -> int:
    """The binary places that finite values need after the point; 0 for whole numbers."""
    fractions, exponents = np.frexp(values[values != 0.0])
    if fractions.size == 0:
        return 0
    whole = (fractions * _EXACT).astype(np.int64)
    trailing_zeros = np.log2((whole & -whole).astype(np.float64)).astype(np.int64)
    return max(0, int(np.max(53 - exponents - trailing_zeros)))


def _steps(values: Floats) -> Iterator[tuple[float, float]]:
    """Guesses of (step, offset) for value = count * step + offset."""
    levels = np.unique(values)
    step = _common_step(levels)
    if step is None:
        return
    counts = np.rint(levels / step)
    if np.max(np.abs(levels - counts * step)) < 0.05 * step:
        largest = int(np.argmax(np.abs(counts)))
        for refined in _near(float(levels[largest] / counts[largest])):
            yield refined, 0.0
    residue = float(np.median(levels - np.floor(levels / step) * step))
    nearest_zero = levels[np.argsort(np.abs(levels))[:8]]
    offsets = [*_rounded(residue), *_rounded(residue - step), *nearest_zero.tolist()]
    for refined in _rounded(step):
        for offset in offsets:
            yield refined, offset


def _common_step(levels: Floats) -> float | None:
    """The largest step all gaps between levels are multiples of, within rounding; or None."""
    if levels.size < 2:
        return None
    gaps = np.diff(levels)
    noise = 8.0 * np.finfo(np.float64).eps * float(np.max(np.abs(levels)))
    step = float(gaps.min())
    for _ in range(48):
        if not step > 64.0 * noise:
            return None
        multiples = np.rint(gaps / step)
        rest = np.abs(gaps - multiples * step)
        rest = rest[rest > noise * (4.0 + multiples)]  # the step's own error grows with them
        if rest.size == 0:
            break
        step = float(rest.min())
    else:
        return None
    span = float(levels[-1] - levels[0])
    steps_in_span = np.rint(span / step)
    if not 1 <= steps_in_span <= _SPAN:
        return None
    return float(span / steps_in_span)


def _rounded(number: float) -> list[float]:
    """The number with 2 to 15 significant digits, each different double once, then itself."""
    texts = [float(f"{number:.{digits}g}") for digits in range(2, 16)]
    close = [value for value in texts if abs(value - number) <= 1e-6 * abs(number)]
    return list(dict.fromkeys([*close, number]))


def _near(number: float) -> list[float]:
    """Rounded forms of a number, then its neighbours among the doubles."""
    around = [number]
    up = down = number
    for _ in range(3):
        up, down = float(np.nextafter(up, np.inf)), float(np.nextafter(down, -np.inf))
        around += [up, down]
    return list(dict.fromkeys([*_rounded(number), *around]))
