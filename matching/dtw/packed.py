"""The packed index: built once per catalogue revision, memory-mapped, never trusted blindly.

File, all numbers little-endian: 8 bytes of magic, format version (uint32), length of the header
(uint32), the header (JSON), its CRC-32 (uint32), then the arrays one after the other, each at a
multiple of 64 bytes. The header names the catalogue revision and, for each array, dtype, shape,
place, the CRC-32 of the whole and that of its two ends. Opening checks everything but the whole
CRCs, in well under 1 ms whatever the size; ``PackedIndex.verify`` reads and checks every byte.
Whatever does not fit raises UnusableIndex: the caller builds the index anew from the catalogue,
which alone is the truth.
"""

from __future__ import annotations

import json
import mmap
import os
import struct
import tempfile
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import gate
from .tables import Tables, pack

if TYPE_CHECKING:
    from .search import SearchResult

MAGIC = b"sgpacked"
VERSION = 1
ALIGN = 64
ENDS = 4096
"""Bytes at each end of an array that opening checks: finds truncated, swapped, blank files."""
ROOM = 8192
"""Bytes kept for the header; ours takes about 2000 plus the revision."""
_LEAD = struct.Struct("<8sII")


class UnusableIndex(Exception):
    """A packed index that is missing, stale, damaged or of another version: build it anew."""


class PackedIndex:
    """N references of one shape, ready for exact nearest-neighbour search at one band radius."""

    def __init__(self, tables: Tables, source: Path | None = None) -> None:
        self._tables = tables
        self._source = source

    @classmethod
    def build(cls, refs: ArrayLike, radius: int) -> PackedIndex:
        """Pack refs (N, C, L), finite, N >= 1, for a Sakoe-Chiba radius in samples.

        A float64 array is kept as it is, not copied: do not change it afterwards. Takes about
        as much memory again. Raises ValueError for NaN, infinity, other shapes,
        no references, negative radius.
        """
        x = gate.batch("refs", refs)
        if len(x) == 0:
            raise ValueError("refs: expected at least one series, found 0")
        return cls(pack(x, gate.radius(radius)))

    def __len__(self) -> int:
        """How many references it holds."""
        return len(self._tables.refs)

    @property
    def shape(self) -> tuple[int, int, int]:
        """(N, C, L)."""
        n, channels, length = self._tables.refs.shape
        return n, channels, length

    @property
    def radius(self) -> int:
        """Sakoe-Chiba radius in samples, at most L - 1."""
        return self._tables.radius

    def search(self, query: ArrayLike, k: int, threads: int = 1) -> SearchResult:
        """The k nearest references, exact: the same ids and float64 distances as brute force.

        Parameters: query (L,) or (C, L), finite, shaped like the references; k, 1..N; threads,
        1 or 2. Returns ids (k,), distances (k,) ascending, equal distances by id, and the
        fraction of references that reached each stage. Raises ValueError otherwise.
        """
        from . import search

        x = gate.series("query", query)
        gate.same("query", x, "the references", self._tables.refs)
        wanted = gate.count("k", k, len(self))
        return search.nearest(self._tables, x, wanted, gate.count("threads", threads, 2))

    def save(self, path: str | os.PathLike[str], revision: str) -> None:
        """Write the index for a catalogue revision; the file appears whole or not at all.

        Raises OSError when the folder cannot be written or the disk is full; an older file of
        that name is then still there.
        """
        target = Path(path)
        header, arrays = _describe(self._tables, revision)
        handle, name = tempfile.mkstemp(prefix=target.name + ".", dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                _write(file, header, arrays)
                file.flush()
                os.fsync(file.fileno())
            os.replace(name, target)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise

    @classmethod
    def open(cls, path: str | os.PathLike[str], revision: str) -> PackedIndex:
        """Map a saved index into memory if it was made for this catalogue revision.

        Raises UnusableIndex when it is missing, stale, damaged or of another format version.
        """
        source = Path(path)
        view, header = _map(source)
        if header["revision"] != revision:
            raise UnusableIndex(
                f"{source}: expected a packed index of catalogue revision {revision!r}, "
                f"found revision {header['revision']!r}"
            )
        arrays = {entry["name"]: _array(source, view, entry) for entry in header["arrays"]}
        return cls(_tables(arrays, header), source)

    def verify(self) -> None:
        """Read every byte of the file this index was opened from and compare all checksums.

        Raises UnusableIndex when one differs. An index that was just built has nothing to verify.
        """
        if self._source is None:
            return
        view, header = _map(self._source)
        for entry in header["arrays"]:
            place = entry["place"]
            if zlib.crc32(view[place : place + entry["bytes"]]) != entry["crc"]:
                raise _damaged(self._source, f"array {entry['name']} with another checksum")


def _damaged(source: Path, found: str) -> UnusableIndex:
    return UnusableIndex(f"{source}: expected an undamaged packed index, found {found}")


def _named(tables: Tables) -> dict[str, NDArray[Any]]:
    names = ("refs", "codes", "offset", "means", "reach", "edges")
    return {name: getattr(tables, name) for name in names}


def _bytes(array: NDArray[Any]) -> memoryview:
    return np.ascontiguousarray(array).data.cast("B")


def _ends(data: memoryview) -> int:
    return zlib.crc32(data[-ENDS:], zlib.crc32(data[:ENDS]))


def _describe(tables: Tables, revision: str) -> tuple[dict[str, Any], list[memoryview]]:
    entries, arrays = [], []
    place = ROOM
    for name, array in _named(tables).items():
        data = _bytes(array)
        entries.append({
            "name": name, "dtype": array.dtype.newbyteorder("<").str, "shape": list(array.shape),
            "place": place, "bytes": data.nbytes, "crc": zlib.crc32(data), "ends": _ends(data),
        })  # fmt: skip
        arrays.append(data)
        place += -(-data.nbytes // ALIGN) * ALIGN
    header = {
        "revision": revision, "radius": tables.radius, "largest": tables.largest,
        "step": tables.step,
        "arrays": entries, "size": place,
    }  # fmt: skip
    return header, arrays


def _write(file: Any, header: dict[str, Any], arrays: list[memoryview]) -> None:
    text = json.dumps(header).encode()
    if _LEAD.size + len(text) + 4 > ROOM:
        length = len(header["revision"])
        raise ValueError(f"revision: expected a short text, found {length} characters")
    file.write(_LEAD.pack(MAGIC, VERSION, len(text)))
    file.write(text)
    file.write(struct.pack("<I", zlib.crc32(text)))
    # Seeking over the gaps leaves holes that take no room on the disk.
    for entry, data in zip(header["arrays"], arrays, strict=True):
        file.seek(entry["place"])
        file.write(data)
    file.truncate(header["size"])


def _map(source: Path) -> tuple[memoryview, dict[str, Any]]:
    try:
        with open(source, "rb") as file:
            # A private mapping: numba compiles for writable arrays only once that way, and
            # nothing written by mistake could reach the file.
            whole = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_COPY)
    except FileNotFoundError:
        raise UnusableIndex(f"{source}: expected a packed index, found no file") from None
    except ValueError:
        raise _damaged(source, "an empty file") from None
    except OSError as failure:
        raise UnusableIndex(
            f"{source}: expected a readable packed index, found {failure.strerror}"
        ) from failure
    view = memoryview(whole)
    return view, _header(source, view)


def _header(source: Path, view: memoryview) -> dict[str, Any]:
    if len(view) < _LEAD.size or bytes(view[:8]) != MAGIC:
        raise _damaged(source, "a file that is no packed index")
    _, version, length = _LEAD.unpack(view[: _LEAD.size])
    if version != VERSION:
        raise UnusableIndex(f"{source}: expected format version {VERSION}, found {version}")
    stop = _LEAD.size + length
    if stop + 4 > min(len(view), ROOM):
        raise _damaged(source, "a header that does not fit")
    text = view[_LEAD.size : stop]
    if struct.unpack("<I", view[stop : stop + 4])[0] != zlib.crc32(text):
        raise _damaged(source, "a header with another checksum")
    # The checksum holds, so this is a header we wrote: its fields are there.
    header: dict[str, Any] = json.loads(bytes(text))
    if header["size"] != len(view):
        raise _damaged(source, f"{len(view)} bytes instead of {header['size']}")
    return header


def _array(source: Path, view: memoryview, entry: dict[str, Any]) -> NDArray[Any]:
    data = view[entry["place"] : entry["place"] + entry["bytes"]]
    if _ends(data) != entry["ends"]:
        raise _damaged(source, f"array {entry['name']} with another checksum at its ends")
    return np.frombuffer(data, dtype=entry["dtype"]).reshape(entry["shape"])


def _tables(arrays: dict[str, Any], header: dict[str, Any]) -> Tables:
    numbers: dict[str, Any] = {name: header[name] for name in ("step", "radius", "largest")}
    return Tables(**arrays, **numbers)
