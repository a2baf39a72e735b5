"""The one gatekeeper of matching.dtw: what comes in is checked here, inner functions trust.

Every refusal is a ValueError whose text says which argument, what was expected and what was
found. Nothing here imports numba, so that a refusal costs no start-up time.
"""

from __future__ import annotations

import operator
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

LARGEST = 1e15
"""Largest absolute value taken (any unit): its square summed over a path stays far inside
float32, which the search needs; no quantity on a vehicle comes near."""


def radius(value: Any) -> int:
    """A Sakoe-Chiba radius in samples: a whole number >= 0. Raises ValueError otherwise."""
    if not isinstance(value, bool | np.bool_):
        try:
            whole = operator.index(value)
        except TypeError:
            whole = -1
        if whole >= 0:
            return whole
    raise ValueError(f"radius: expected a whole number of samples >= 0, found {value!r}")


def count(name: str, value: Any, highest: int) -> int:
    """A whole number in 1..highest. Raises ValueError otherwise."""
    if not isinstance(value, bool | np.bool_):
        try:
            whole = operator.index(value)
        except TypeError:
            whole = 0
        if 1 <= whole <= highest:
            return whole
    raise ValueError(f"{name}: expected a whole number from 1 to {highest}, found {value!r}")


def series(name: str, value: ArrayLike) -> NDArray[np.float64]:
    """One series as (C, L) float64, C-contiguous; (L,) becomes (1, L).

    Raises ValueError for other shapes, no samples, non-numbers, NaN, infinity, over LARGEST.
    """
    x = _numbers(name, value)
    if x.ndim == 1:
        x = x[np.newaxis, :]
    if x.ndim != 2 or x.size == 0:
        raise ValueError(
            f"{name}: expected a series of shape (L,) or (C, L) with at least one sample, "
            f"found shape {np.shape(value)}"
        )
    _bounded(name, x, ("channel", "sample"))
    return x


def pair(a: ArrayLike, b: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Two series of one shape, each as (C, L) float64. Raises ValueError like ``series``."""
    x, y = series("a", a), series("b", b)
    same("b", y, "a", x)
    return x, y


def batch(name: str, value: ArrayLike) -> NDArray[np.float64]:
    """Many series as (N, C, L) float64, C-contiguous; N may be 0.

    Raises ValueError for other shapes, no samples, non-numbers, NaN, infinity, over LARGEST.
    """
    x = _numbers(name, value)
    if x.ndim != 3 or 0 in x.shape[1:]:
        raise ValueError(
            f"{name}: expected series of shape (N, C, L) with at least one sample, "
            f"found shape {np.shape(value)}"
        )
    _bounded(name, x, ("series", "channel", "sample"))
    return x


def same(name: str, x: NDArray, other: str, y: NDArray) -> None:
    """Refuse x unless its channels and samples are those of y."""
    if x.shape[-2:] != y.shape[-2:]:
        raise ValueError(f"{name}: expected {_words(y)} like {other}, found {_words(x)}")


def _words(x: NDArray) -> str:
    return f"{x.shape[-2]} channel(s) of {x.shape[-1]} sample(s)"


def _numbers(name: str, value: ArrayLike) -> NDArray[np.float64]:
    # A ragged list fails inside numpy with a text of its own, which names no argument.
    try:
        x = np.asarray(value)
    except ValueError:
        raise ValueError(f"{name}: expected an array of numbers, found a ragged list") from None
    if x.dtype.kind not in "fiu":
        raise ValueError(f"{name}: expected an array of numbers, found dtype {x.dtype}")
    return np.ascontiguousarray(x, dtype=np.float64)


def _bounded(name: str, x: NDArray[np.float64], axes: tuple[str, ...]) -> None:
    # Two reductions without a temporary: NaN survives both, infinity is over the limit.
    if x.size == 0 or (x.max() <= LARGEST and x.min() >= -LARGEST):
        return
    first = np.unravel_index(int(np.argmax(~(np.abs(x) <= LARGEST))), x.shape)
    place = ", ".join(f"{axis} {at}" for axis, at in zip(axes, first, strict=True))
    raise ValueError(
        f"{name}: expected finite values within +-{LARGEST:g}, found {x[first]} at {place}"
    )
