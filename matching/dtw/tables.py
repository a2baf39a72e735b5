"""What an index holds, and how it is made from references: plain numpy, no compiled code.

Made once per catalogue revision by ``pack``; read by ``search``; stored by ``packed``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .band import clip_radius, envelope, segment_edges, segment_means

SEGMENTS = 32
"""Segments per channel of the sieve. Measured on noisy pulses of 512 samples: 16 let 7-20 % of
the references through (band 5 %), 32 let 4-7 %, 64 hardly fewer for twice the reading."""

CODES = 65_000.0
"""Steps between the lowest and highest sample of a reference: 16 bits with room for rounding."""

AT_ONCE = 4_000_000
"""Samples packed at once: bounds the memory for temporaries to some 200 MB."""


class Coded(NamedTuple):
    """References rounded to 16 bits, each channel with an offset and a step of its own.

    profile, lower, upper: int16 (N, C, L), the samples and their envelope; offset, step: float32
    (N, C): value = offset + step * code, wrong by at most one step.
    numba's on-disk cache refers to this class by module and name: after moving it, old cache
    files (*.nbi, *.nbc) must go.
    """

    profile: NDArray[np.int16]
    lower: NDArray[np.int16]
    upper: NDArray[np.int16]
    offset: NDArray[np.float32]
    step: NDArray[np.float32]


@dataclass(frozen=True)
class Tables:
    """What the stages of a search read, N references of C channels by L samples.

    refs (N, C, L) float64, the unit of the samples; coded: the same in 16 bits with envelopes;
    means (C*S, N) float32, segment-major; reach (N, C*S, 2) float32, segment means of the lower
    and upper envelope; edges (S + 1,) int64, samples; radius, samples, 0..L-1; largest, the
    highest absolute value of any reference.
    """

    refs: NDArray[np.float64]
    coded: Coded
    means: NDArray[np.float32]
    reach: NDArray[np.float32]
    edges: NDArray[np.int64]
    radius: int
    largest: float


def pack(refs: NDArray[np.float64], radius: int) -> Tables:
    """Build the tables for refs (N, C, L), finite, for one Sakoe-Chiba radius in samples."""
    n, channels, length = refs.shape
    edges = segment_edges(length, SEGMENTS)
    columns = channels * (len(edges) - 1)
    tables = Tables(
        refs=refs,
        coded=_empty_codes(refs.shape),
        means=np.empty((columns, n), dtype=np.float32),
        reach=np.empty((n, columns, 2), dtype=np.float32),
        edges=edges,
        radius=clip_radius(radius, length),
        largest=max(float(refs.max()), -float(refs.min())),
    )
    block = max(1, AT_ONCE // (channels * length))
    for first in range(0, n, block):
        _pack_block(tables, slice(first, min(first + block, n)))
    return tables


def _empty_codes(shape: tuple[int, ...]) -> Coded:
    n, channels, _ = shape
    profile, lower, upper = (np.empty(shape, dtype=np.int16) for _ in range(3))
    offset, step = (np.empty((n, channels), dtype=np.float32) for _ in range(2))
    return Coded(profile, lower, upper, offset, step)


def _pack_block(tables: Tables, rows: slice) -> None:
    x, coded = tables.refs[rows], tables.coded
    lower, upper = envelope(x, tables.radius)
    offset, step = _coding(x)
    coded.offset[rows], coded.step[rows] = offset, step
    for target, source in ((coded.profile, x), (coded.lower, lower), (coded.upper, upper)):
        centred = (source - offset[..., np.newaxis]) / step[..., np.newaxis]
        target[rows] = np.rint(centred, out=centred)
    n = len(x)
    tables.means[:, rows] = segment_means(x, tables.edges).reshape(n, -1).T
    tables.reach[rows, :, 0] = segment_means(lower, tables.edges).reshape(n, -1)
    tables.reach[rows, :, 1] = segment_means(upper, tables.edges).reshape(n, -1)


def _coding(x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offset and step of each series and channel, both exactly representable in float32.

    A step is never finer than 2^-22 of the largest value, so that decoding in float32 is right
    to a step; a series of zeros gets a step that can never matter.
    """
    low, high = x.min(axis=-1), x.max(axis=-1)
    offset = (0.5 * low + 0.5 * high).astype(np.float32)
    step = np.maximum((high - low) / CODES, np.maximum(np.abs(low), np.abs(high)) * 2.0**-22)
    step = np.maximum(step, 1e-30).astype(np.float32)
    return offset.astype(np.float64), step.astype(np.float64)
