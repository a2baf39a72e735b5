"""Recordings too long for memory, block by block, scaled and checked as `read` does."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from refdb.captures.decoded import Column, Stream
from refdb.captures.gate import fill_overloads, scaled, settle, settle_rate
from refdb.captures.options import ReadOptions, check_options
from refdb.captures.words import refusal, shown
from refdb.records import Channel


class Blocks:
    """An iterator of (index of the first sample, float64 (channels, n) in physical units).

    Every block but the last has the same length. rate_hz, channels, start_s are known at once;
    n_samples only where the format says it (None for CSV). remarks: what was noticed so far.
    overload: bool (channels, n) marks of the block last given, None if it has none; a marked
    sample holds the nearest rail seen so far.
    """

    def __init__(self, path: Path, stream: Stream, options: ReadOptions, block: int) -> None:
        first = stream.first
        self._plan = settle(path, first.layout, len(first.layout.names), options)
        self.rate_hz, self.start_s, remarks = settle_rate(path, first, options)
        self.channels: tuple[Channel, ...] = self._plan.channels
        self.n_samples = stream.n_samples
        self.source = shown(path)
        self.overload: NDArray[np.bool_] | None = None
        self._path, self._stream, self._block = path, stream, block
        said = first.layout.remarks
        self._settled = tuple(r for r in (*self._plan.remarks, *remarks) if r not in said)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What was noticed so far; more may come while blocks are read."""
        return (*self._settled, *self._stream.first.layout.remarks)

    def __iter__(self) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """The blocks from the start. Raises CaptureError where the file turns out damaged."""
        from refdb.captures.dispatch import guarded

        rails: list[tuple[float, float]] | None = None
        at = 0
        with guarded(self._path):
            for columns in _even(self._stream.pieces(self._block), self._block):
                samples, overload = scaled(columns, self._plan.factors)
                rails = _widened(rails, samples, overload)
                if overload is not None:
                    fill_overloads(samples, overload, rails)
                self.overload = overload
                yield at, samples
                at += samples.shape[1]
        if at < 2:
            raise refusal(self._path, "at least 2 samples", f"{at}", "save more of the recording")


def open_blocks(
    path: str | os.PathLike[str], options: ReadOptions | None = None, block: int = 1 << 18
) -> Blocks:
    """The recording at `path`, block by block: WAV, NPZ, NPY and CSV.

    block: samples per channel in one block. Iterate the result as often as wanted; each time the
    file is read anew. The sample limit of the options does not apply: memory is bound by `block`.
    Raises CaptureError as `read` does, and for formats that cannot be read in pieces.
    """
    from refdb.captures.dispatch import BLOCK_READERS, guarded, reader_for

    options = options or ReadOptions()
    file = Path(path)
    check_options(file, options)
    if block < 1:
        raise refusal(file, "blocks of at least 1 sample", f"{block}", "ask for more")
    with guarded(file):
        chosen = reader_for(file)
        for reader in BLOCK_READERS:
            if reader is chosen:
                return Blocks(file, reader.stream(file, options), options, block)
        raise refusal(
            file,
            "a format that can be read in blocks (CSV, WAV, NPZ, NPY)",
            chosen.NAME,
            "save the recording as WAV or NPZ",
        )


def _even(pieces: Iterator[list[Column]], block: int) -> Iterator[list[Column]]:
    """The pieces cut and joined so that each but the last is `block` long."""
    held: list[Column] = []
    for piece in pieces:
        if held:
            piece = [np.concatenate(pair) for pair in zip(held, piece, strict=True)]
        n = len(piece[0])
        start = 0
        while n - start >= block:
            yield [column[start : start + block] for column in piece]
            start += block
        held = [column[start:] for column in piece] if start < n else []
    if held:
        yield held


def _widened(
    rails: list[tuple[float, float]] | None,
    samples: NDArray[np.float64],
    overload: NDArray[np.bool_] | None,
) -> list[tuple[float, float]]:
    """The extremes of every channel over this block and those before it."""
    out = []
    for i, row in enumerate(samples):
        good = row if overload is None or not overload[i].any() else row[~overload[i]]
        low, high = rails[i] if rails else (np.inf, -np.inf)
        if len(good):
            low, high = min(low, float(good.min())), max(high, float(good.max()))
        out.append((low, high) if low <= high else (0.0, 0.0))
    return out
