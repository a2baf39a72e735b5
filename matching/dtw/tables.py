"""What an index holds, and how it is made from references: plain numpy, no compiled code.

Made once per catalogue revision by ``pack``; read by ``search``; stored by ``packed``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .band import clip_radius, envelope, segment_edges, segment_means

SEGMENTS = 32
"""Segments per channel of the sieve. Measured on noisy pulses of 512 samples: 16 let 7-20 % of
the references through (band 5 %), 32 let 4-7 %, 64 hardly fewer for twice the reading."""

ROOM = 0.5
"""Codes reach this share of the usual range of samples beyond it on either side, so that a query
of another level still finds its differences; what lies farther out is clipped, which can only
make a bound lower."""

USUAL = (0.0005, 0.9995)
"""Quantiles of all samples that count as the usual range: a few spikes shall not coarsen it."""

CODES = 65_000.0
"""Steps in the coded range: 16 bits with room for rounding."""

FAR = 32_766
"""Largest code: a query's envelope is widened by one code and must still fit 16 bits."""

PAD = 32
"""Coded series are padded to a multiple of this many samples: whole vectors, whole chunks."""

PROFILE, LOWER, UPPER = 0, 1, 2
"""Where in the codes of a reference its samples and its envelope stand."""

AT_ONCE = 4_000_000
"""Samples packed at once: bounds the memory for temporaries to some 200 MB."""


@dataclass(frozen=True)
class Tables:
    """What the stages of a search read, N references of C channels by L samples.

    refs (N, C, L) float64, the unit of the samples; codes (N, 3, C, P) int16: samples, lower and
    upper envelope as round((value - offset of the channel) / step), L samples padded to P such
    that the padding never exceeds an envelope; offset (C,) float64 and step, the unit of the
    samples, are shared by all references, so that codes can be compared as they are; means
    (C*S, N) float32, segment-major; reach (N, C*S, 2) float32, segment means of the lower and
    upper envelope; edges (S + 1,) int64, samples; radius, samples, 0..L-1; largest, the highest
    absolute value of any reference; spare: work arrays kept from one search to the next.
    """

    refs: NDArray[np.float64]
    codes: NDArray[np.int16]
    offset: NDArray[np.float64]
    step: float
    means: NDArray[np.float32]
    reach: NDArray[np.float32]
    edges: NDArray[np.int64]
    radius: int
    largest: float
    spare: list[Any] = field(default_factory=list, compare=False)


def pack(refs: NDArray[np.float64], radius: int) -> Tables:
    """Build the tables for refs (N, C, L), finite, for one Sakoe-Chiba radius in samples."""
    n, channels, length = refs.shape
    edges = segment_edges(length, SEGMENTS)
    columns = channels * (len(edges) - 1)
    offset, step = _coding(refs)
    tables = Tables(
        refs=refs,
        codes=_empty_codes(refs.shape),
        offset=offset,
        step=step,
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


def encode(x: NDArray[np.float64], offset: NDArray[np.float64], step: float) -> NDArray[np.int16]:
    """Codes of x (..., C, L): rounded, hence wrong by at most half a step, and clipped to +-FAR."""
    codes = (x - offset[:, np.newaxis]) / step
    return np.clip(np.rint(codes, out=codes), -FAR, FAR, out=codes).astype(np.int16)


def padded(length: int) -> int:
    """The coded length: a multiple of PAD."""
    return -(-length // PAD) * PAD


def _empty_codes(shape: tuple[int, ...]) -> NDArray[np.int16]:
    n, channels, length = shape
    codes = np.empty((n, 3, channels, padded(length)), dtype=np.int16)
    # No excess is ever found in the padding: nothing lies outside the widest corridor.
    for part, value in ((PROFILE, 0), (LOWER, -32768), (UPPER, 32767)):
        codes[:, part, :, length:] = value
    return codes


def _pack_block(tables: Tables, rows: slice) -> None:
    x = tables.refs[rows]
    n, _, length = x.shape
    lower, upper = envelope(x, tables.radius)
    for part, source in ((PROFILE, x), (LOWER, lower), (UPPER, upper)):
        tables.codes[rows, part, :, :length] = encode(source, tables.offset, tables.step)
    tables.means[:, rows] = segment_means(x, tables.edges).reshape(n, -1).T
    tables.reach[rows, :, 0] = segment_means(lower, tables.edges).reshape(n, -1)
    tables.reach[rows, :, 1] = segment_means(upper, tables.edges).reshape(n, -1)


def _coding(refs: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Offset per channel and the common step (one unit of cost must mean the same everywhere)."""
    some = refs[:: max(1, refs.size // 1_000_000)]
    low, high = np.quantile(some, USUAL, axis=(0, 2))
    widest = float((high - low).max()) * (1 + 2 * ROOM)
    # Constants, or usual values that all agree: any step will do that numbers can resolve.
    finest = max(float(np.abs(some).max()) * 2.0**-40, 1e-30)
    return 0.5 * low + 0.5 * high, max(widest / CODES, finest)
