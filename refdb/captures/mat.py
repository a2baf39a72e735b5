"""MATLAB v5 files (level 5 MAT), numeric arrays only.

The format is walked here rather than by scipy.io.loadmat: every announced length is held against
the bytes that are there before memory is taken, and structures, cells, objects and function
handles are stepped over unread. scipy writes and reads the same files in the tests.
"""

from __future__ import annotations

import math
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from refdb.captures.arrays import as_decoded, refuse_too_many
from refdb.captures.decoded import Decoded
from refdb.captures.options import ReadOptions
from refdb.captures.words import refusal, shown

NAME: str = "MAT"
SUFFIXES: tuple[str, ...] = (".mat",)
_HDF5 = b"\x89HDF\r\n\x1a\n"
_SAVE = "save the arrays with MAT version 5 (for instance save -v6) again"
_MATRIX, _COMPRESSED = 14, 15
_CHAR_CLASS = 4
_NUMERIC_CLASSES = range(6, 16)  # double, single, int8 ... uint64
_TYPES = {
    1: "i1", 2: "u1", 3: "i2", 4: "u2", 5: "i4", 6: "u4", 7: "f4", 9: "f8", 12: "i8", 13: "u8",
    16: "u1", 17: "u2", 18: "u4",
}  # fmt: skip
MAX_VARIABLES = 256
_SMALL = 64 * 1024


class _Damaged(Exception):
    """A length that does not fit; the message is what was found."""


@dataclass(frozen=True, slots=True)
class _Element:
    kind: int
    data: memoryview
    end: int


def claims(head: bytes) -> bool:
    """Whether the file begins as MAT v5 or v7.3 (the latter to refuse it by name)."""
    return head.startswith(b"MATLAB ")


def decode(path: Path, options: ReadOptions) -> Decoded:
    """The whole file. Raises CaptureError for v7.3, damage, and what is no recording."""
    content = path.read_bytes() if path.stat().st_size <= _limit(options) else None
    if content is None:
        raise refusal(
            path,
            f"at most {options.max_samples} samples",
            f"{path.stat().st_size} bytes",
            "cut the recording or raise --max-samples",
        )
    if content.startswith((b"MATLAB 7.3", _HDF5)) or content[512:520] == _HDF5:
        raise refusal(path, "MAT version 5", "version 7.3 (HDF5)", _SAVE)
    if not claims(content) or len(content) < 128 or content[126:128] not in (b"IM", b"MI"):
        raise refusal(path, "a MAT version 5 header", "other bytes", _SAVE)
    order = "<" if content[126:128] == b"IM" else ">"
    try:
        arrays, texts = _variables(path, memoryview(content), order, options)
    except (_Damaged, struct.error, zlib.error, ValueError) as damage:
        raise refusal(path, "an undamaged MAT file", shown(damage), _SAVE) from None
    return as_decoded(path, arrays, texts)


def _limit(options: ReadOptions) -> int:
    return options.max_samples * 8 + (1 << 20)


def _variables(
    path: Path, content: memoryview, order: str, options: ReadOptions
) -> tuple[dict[str, NDArray[Any]], dict[str, list[str]]]:
    arrays: dict[str, NDArray[Any]] = {}
    texts: dict[str, list[str]] = {}
    budget = _limit(options)
    at = 128
    for _ in range(MAX_VARIABLES + 1):
        if at + 8 > len(content):
            return arrays, texts
        element = _element(content, at, order)
        at = element.end
        if element.kind == _COMPRESSED:
            element, used = _unpacked(element.data, order, budget)
            budget -= used
        if element.kind != _MATRIX:
            continue
        _take(path, element.data, order, options, arrays, texts)
        refuse_too_many(path, (a.shape for a in arrays.values()), options.max_samples)
    raise refusal(path, f"at most {MAX_VARIABLES} variables", "more", "save fewer variables")


def _unpacked(packed: memoryview, order: str, budget: int) -> tuple[_Element, int]:
    """The element in a compressed one, unpacked no further than `budget` bytes."""
    unpacker = zlib.decompressobj()
    data = unpacker.decompress(packed, budget + 1)
    if len(data) > budget:
        raise _Damaged("more unpacked bytes than the sample limit allows")
    return _element(memoryview(data), 0, order), len(data)


def _element(content: memoryview, at: int, order: str) -> _Element:
    if at + 8 > len(content):
        raise _Damaged("an end in the middle of a variable")
    kind, size = struct.unpack_from(order + "II", content, at)
    if kind >> 16:  # up to four bytes packed into the tag itself
        size, kind = kind >> 16, kind & 0xFFFF
        if size > 4:
            raise _Damaged(f"a short element of {size} bytes")
        return _Element(kind, content[at + 4 : at + 4 + size], at + 8)
    start = at + 8
    if start + size > len(content):
        raise _Damaged(f"{len(content) - start} bytes where {size} are announced")
    padded = size if kind == _COMPRESSED else -(-size // 8) * 8
    return _Element(kind, content[start : start + size], start + padded)


def _take(
    path: Path,
    matrix: memoryview,
    order: str,
    options: ReadOptions,
    arrays: dict[str, NDArray[Any]],
    texts: dict[str, list[str]],
) -> None:
    """Put one variable into `arrays` or `texts`, if it is of those."""
    flags = _element(matrix, 0, order)
    if len(flags.data) < 4:
        raise _Damaged("a variable without a class")
    word = struct.unpack_from(order + "I", flags.data)[0]
    kind, is_complex = word & 0xFF, bool(word & 0x0800)
    if kind != _CHAR_CLASS and kind not in _NUMERIC_CLASSES:
        return
    dims = _element(matrix, flags.end, order)
    shape = tuple(int(side) for side in np.frombuffer(dims.data, dtype=order + "i4"))
    title = _element(matrix, dims.end, order)
    name = bytes(title.data).decode("latin-1")
    if any(side < 0 for side in shape) or not shape:
        raise _Damaged(f"a variable of shape {shape}")
    if is_complex:
        raise refusal(
            path,
            f"real numbers in array '{shown(name)}'",
            "complex numbers",
            "save plain numeric arrays",
        )
    real = _element(matrix, title.end, order)
    if real.kind not in _TYPES:
        raise _Damaged(f"data type {real.kind} in variable '{name}'")
    dtype = np.dtype(order + _TYPES[real.kind])
    count = math.prod(shape)
    if count * dtype.itemsize != len(real.data):
        raise _Damaged(
            f"{len(real.data)} bytes in variable '{name}' where {count * dtype.itemsize} belong"
        )
    values = np.frombuffer(real.data, dtype=dtype)
    if kind == _CHAR_CLASS:
        if len(shape) == 2 and len(real.data) <= _SMALL:
            rows = values.reshape(shape, order="F")
            texts[name] = [shown("".join(map(chr, row)).strip()) for row in rows.tolist()]
        return
    if count and name:
        arrays[name] = values.reshape(shape, order="F")
