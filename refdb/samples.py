"""Arrays <-> the bytes kept for one capture: lossless, compressed, checked before use.

Layout of a trace, version 1, little-endian throughout:

    magic "SGTR", version u8, digest 16 bytes (blake2b of version and all that follows),
    channels u16, samples u64, bytes of packed overload marks u64 (0: no marks),
    per channel: kind u8, flags u8, 6 x f64 of the grid, bytes of codes u64, bytes of signs u64,
    then the compressed bodies: overload marks, then codes and signs channel by channel.

Bodies are byte-shuffled and deflated by zlib, which needs no further dependency: of the standard
library's compressors only zlib is fast enough here (lzma and bz2 take 10 to 30 times as long for
a few per cent). The digest guards against damage, not against malice.
"""

from __future__ import annotations

import struct
import zlib
from hashlib import blake2b
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from refdb.errors import CatalogueError
from refdb.samples_grid import Grid, find_grid

VERSION = 1
_MAGIC = b"SGTR"
_PREFIX = struct.Struct("<4sB16s")
_SIZES = struct.Struct("<HQQ")
_CHANNEL = struct.Struct("<BB6dQQ")
_KINDS = (np.dtype("<i1"), np.dtype("<i2"), np.dtype("<i4"), np.dtype("<f4"), np.dtype("<f8"))
_DELTA, _SIGNS = 1, 2
_LEVEL = 1
_TRIAL = 8192  # codes looked at to choose between plain and delta
_DEFLATE_MOST = 1040  # no deflated byte stands for more, so that a claimed size is bounded
_NO_GRID = Grid(1.0, 0.0, 1.0, 1.0, 1.0, 0.0)


class _Coded(NamedTuple):
    kind: int
    flags: int
    grid: Grid
    codes: bytes
    signs: bytes


def encode(
    samples: ArrayLike,
    overload: NDArray[np.bool_] | None = None,
    *,
    scale: float = 1.0,
    attenuation: float = 1.0,
) -> bytes:
    """The bytes to keep for `samples`, from which `decode` gives every float64 back bit for bit.

    samples: (channels, n), any real type that float64 holds exactly; NaN and infinities pass.
    overload: bool (channels, n) or None.
    scale, attenuation: what stored values were multiplied with; only a hint for finding the grid.

    Raises CatalogueError for another shape or for integers beyond float64.
    """
    array = _as_float64(samples)
    channels, count = array.shape
    if overload is not None and overload.shape != array.shape:
        raise CatalogueError(
            f"overload marks: expected shape {array.shape}, found {overload.shape}; "
            "read the capture again"
        )
    marks = b"" if overload is None else zlib.compress(np.packbits(overload).tobytes(), _LEVEL)
    coded = [_encode_channel(row, scale, attenuation) for row in array]
    parts = [_SIZES.pack(channels, count, len(marks))]
    parts += [_CHANNEL.pack(c.kind, c.flags, *c.grid, len(c.codes), len(c.signs)) for c in coded]
    parts.append(marks)
    for channel in coded:
        parts += (channel.codes, channel.signs)
    body = b"".join(parts)
    return _PREFIX.pack(_MAGIC, VERSION, _digest(VERSION, body)) + body


def decode(
    trace: bytes, *, name: str = "trace"
) -> tuple[NDArray[np.float64], NDArray[np.bool_] | None]:
    """Samples float64 (channels, n) and overload marks (or None) of bytes made by `encode`.

    name: what the error text calls it, for instance 'reference 12'.

    Raises CatalogueError naming it when a bit has changed, when the bytes are no trace, or when
    they were written by a newer version. The checksum is verified before anything is unpacked.
    """
    check(trace, name=name)
    try:
        return _decode_body(memoryview(trace)[_PREFIX.size :])
    except (struct.error, zlib.error, ValueError, IndexError) as error:
        raise damaged(name, f"contents that do not fit together ({error})") from error


def check(trace: bytes, *, name: str = "trace") -> str:
    """The checksum of a trace in hexadecimal, once it is known to be right.

    Raises CatalogueError naming `name` as `decode` does, without unpacking the samples.
    """
    if len(trace) < _PREFIX.size + _SIZES.size or trace[:4] != _MAGIC:
        raise damaged(name, "bytes that are no trace")
    _, version, stored = _PREFIX.unpack_from(trace)
    if version > VERSION:
        raise CatalogueError(
            f"{name}: expected samples in layout {VERSION} or older, found layout {version}; "
            "use the newer straygauge that wrote them"
        )
    if _digest(version, memoryview(trace)[_PREFIX.size :]) != stored:
        raise damaged(name, "others")
    return bytes(stored).hex()


def digest(trace: bytes) -> str:
    """The checksum a trace carries, in hexadecimal, unverified; its first 32 bytes suffice."""
    return bytes(trace[5 : _PREFIX.size]).hex()


def damaged(name: str, found: str) -> CatalogueError:
    """The error for a trace that cannot be trusted."""
    return CatalogueError(
        f"{name}: expected the samples as they were stored, found {found}; "
        "remove it and add the capture again, or restore a backup"
    )


def _digest(version: int, body: bytes | memoryview) -> bytes:
    return blake2b(body, digest_size=16, salt=bytes([version])).digest()


def _as_float64(samples: ArrayLike) -> NDArray[np.float64]:
    given = np.asarray(samples)
    if given.ndim != 2 or not 0 < given.shape[0] <= 0xFFFF:
        raise CatalogueError(
            f"samples: expected an array (channels, n), found shape {given.shape}; "
            "read the capture again"
        )
    if given.dtype.kind in "iu" and np.any((given > 2**53) | (given < -(2**53))):
        raise CatalogueError(
            f"samples: expected numbers that float64 holds exactly, found {given.dtype} beyond "
            "2^53; scale them first"
        )
    return np.ascontiguousarray(given, dtype=np.float64)


# --- one channel ---------------------------------------------------------------------------


def _encode_channel(values: NDArray[np.float64], scale: float, attenuation: float) -> _Coded:
    found = find_grid(values, scale, attenuation)
    if found is not None:
        grid, codes, negative_zeros = found
        signs = b""
        if negative_zeros is not None:
            signs = zlib.compress(np.packbits(negative_zeros).tobytes(), _LEVEL)
        return _encode_codes(codes, grid, signs)
    with np.errstate(over="ignore", under="ignore", invalid="ignore"):
        single = values.astype(_KINDS[3])
        exact = bool(np.array_equal(single.astype("<f8").view("<u8"), values.view("<u8")))
    if exact:
        return _Coded(3, 0, _NO_GRID, _pack(single), b"")
    return _Coded(4, 0, _NO_GRID, _pack(values), b"")


def _encode_codes(codes: NDArray[np.int64], grid: Grid, signs: bytes) -> _Coded:
    largest = int(max(codes.max(), -codes.min() - 1))
    kind = 0 if largest < 2**7 else 1 if largest < 2**15 else 2
    plain: NDArray[Any] = codes.astype(_KINDS[kind])
    flags = _SIGNS if signs else 0
    start = max(0, (plain.size - _TRIAL) // 2)
    trial = plain[start : start + _TRIAL]
    if len(_pack(_delta(trial))) < len(_pack(trial)):
        return _Coded(kind, flags | _DELTA, grid, _pack(_delta(plain)), signs)
    return _Coded(kind, flags, grid, _pack(plain), signs)


def _delta(codes: NDArray[Any]) -> NDArray[Any]:
    """Differences, modulo the width, folded so that small ones of either sign have small codes."""
    steps = np.diff(codes, prepend=codes.dtype.type(0))
    return (steps << 1) ^ (steps >> (8 * codes.dtype.itemsize - 1))


def _undelta(folded: NDArray[Any]) -> NDArray[Any]:
    unsigned = folded.view(f"<u{folded.dtype.itemsize}")
    steps = (unsigned >> 1).view(folded.dtype) ^ -(folded & 1)
    return np.cumsum(steps, dtype=folded.dtype)


def _pack(array: NDArray[Any]) -> bytes:
    width = array.dtype.itemsize
    if width == 1:
        return zlib.compress(array.tobytes(), _LEVEL)
    shuffled = array.view(np.uint8).reshape(-1, width).T.tobytes()
    return zlib.compress(shuffled, _LEVEL)


def _inflate(body: memoryview, size: int) -> bytes:
    """Exactly `size` bytes, never more, whatever the body claims."""
    engine = zlib.decompressobj()
    data = engine.decompress(body, size + 1)
    if len(data) != size:
        raise ValueError(f"{len(data)} bytes where {size} belong")
    return data


def _unpack(body: memoryview, count: int, kind: int) -> NDArray[Any]:
    dtype = _KINDS[kind]
    data = np.frombuffer(_inflate(body, count * dtype.itemsize), np.uint8)
    planes = data.reshape(dtype.itemsize, count)
    return np.ascontiguousarray(planes.T).view(dtype).reshape(count)


def _unpack_bits(body: memoryview, count: int) -> NDArray[np.bool_]:
    data = np.frombuffer(_inflate(body, (count + 7) // 8), np.uint8)
    return np.unpackbits(data, count=count).astype(np.bool_)


def _decode_body(
    body: memoryview,
) -> tuple[NDArray[np.float64], NDArray[np.bool_] | None]:
    channels, count, marks_size = _SIZES.unpack_from(body)
    at = _SIZES.size
    heads = [_CHANNEL.unpack_from(body, at + i * _CHANNEL.size) for i in range(channels)]
    at += channels * _CHANNEL.size
    for kind, _flags, *_grid, codes_size, _signs_size in heads:
        if count * _KINDS[kind].itemsize > _DEFLATE_MOST * codes_size:
            raise ValueError(f"{count} samples out of {codes_size} bytes")
    overload = None
    if marks_size:
        overload = _unpack_bits(body[at : at + marks_size], channels * count)
        overload = overload.reshape(channels, count)
        at += marks_size
    samples = np.empty((channels, count), np.float64)
    for row, head in zip(samples, heads, strict=True):
        kind, flags, *numbers, codes_size, signs_size = head
        codes = _unpack(body[at : at + codes_size], count, kind)
        at += codes_size
        row[:] = _values(codes, flags, Grid(*numbers)) if kind < 3 else codes
        if flags & _SIGNS:
            row[_unpack_bits(body[at : at + signs_size], count)] = -0.0
            at += signs_size
    return samples, overload


def _values(codes: NDArray[Any], flags: int, grid: Grid) -> NDArray[np.float64]:
    plain = _undelta(codes) if flags & _DELTA else codes
    return grid.values(plain.astype(np.float64))
