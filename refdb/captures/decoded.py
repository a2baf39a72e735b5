"""What every format reader hands to the gatekeeper, and the interface all of them share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from refdb.captures.options import ReadOptions
from refdb.records import Coupling

Column = NDArray[Any]


@dataclass(slots=True)
class Layout:
    """What a file says about its channels besides the samples.

    names, units: one per channel, None where the file is silent. rate_hz: what the file says in
    so many words. scale: the file's own factor, one for all or one per channel.
    default_unit: what a channel nobody gives a unit is taken as.
    """

    names: list[str | None]
    units: list[str | None]
    rate_hz: float | None = None
    scale: tuple[float, ...] = (1.0,)
    coupling: Coupling | None = None
    default_unit: str = "V"
    start_s: float = 0.0
    remarks: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Decoded:
    """A whole file as stored, before scaling and before anything is trusted.

    columns: one 1-D numeric array per channel; not finite = overload, its sign the rail.
    time: the time column as stored, in `time_unit` (None: the file does not say which).
    time_resolution: what one step of the last printed digit is, in the same unit.
    """

    layout: Layout
    columns: list[Column]
    time: NDArray[np.float64] | None = None
    time_unit: str | None = None
    time_resolution: float = 0.0


@dataclass(slots=True)
class Stream:
    """A file to be read in pieces. `pieces(n)` yields lists of columns, about n long.

    first: as much of the file as settles names, units and rate (its columns may be missing);
    its remarks grow while pieces are read. n_samples: None if unknown.
    """

    first: Decoded
    n_samples: int | None
    pieces: Callable[[int], Iterator[list[Column]]]


class Reader(Protocol):
    """One file format. A module with these functions is one."""

    NAME: str
    SUFFIXES: tuple[str, ...]

    def claims(self, head: bytes) -> bool:
        """Whether the first bytes of a file are of this format for certain."""

    def decode(self, path: Path, options: ReadOptions) -> Decoded:
        """The whole file. Raises CaptureError if it cannot be read as asked."""


class BlockReader(Reader, Protocol):
    """A format that can also be read in pieces, within bounded memory."""

    def stream(self, path: Path, options: ReadOptions) -> Stream:
        """The file as pieces. Raises CaptureError as `decode` does."""
