"""WAV (RIFF and RF64): PCM of 8 to 32 bits, float32, float64.

The stored value is the integer code for PCM (int16: -32768..32767; 8-bit codes minus 128) and the
float itself for float files; `scale` is therefore physical units per code. A channel nobody gives
a unit is a.u., because a code is no voltage.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from refdb.captures.decoded import Column, Decoded, Layout, Stream
from refdb.captures.options import MAX_CHANNELS, ReadOptions
from refdb.captures.words import plural, refusal

NAME: str = "WAV"
SUFFIXES: tuple[str, ...] = (".wav", ".wave")
_SAVE = "save the recording as PCM or float WAV again"
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_UNKNOWN_SIZE = 0xFFFFFFFF
_DTYPES = {
    (_PCM, 8): "u1", (_PCM, 16): "<i2", (_PCM, 24): "u1", (_PCM, 32): "<i4",
    (_FLOAT, 32): "<f4", (_FLOAT, 64): "<f8",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Header:
    kind: int
    bits: int
    channels: int
    rate_hz: float
    offset: int
    n: int
    remarks: tuple[str, ...]


def claims(head: bytes) -> bool:
    """Whether the file begins as RIFF/RF64 WAVE."""
    return head[:4] in (b"RIFF", b"RF64", b"BW64") and head[8:12] == b"WAVE"


def decode(path: Path, options: ReadOptions) -> Decoded:
    """The whole file. Raises CaptureError for a header that lies or a coding not known here."""
    header = _header(path, options)
    frames = _mapped(path, header)
    return Decoded(_layout(header), _columns(frames, header))


def stream(path: Path, options: ReadOptions) -> Stream:
    """The file in pieces, memory-mapped. The sample limit does not apply to pieces."""
    header = _header(path, None)
    frames = _mapped(path, header)

    def pieces(n: int) -> Iterator[list[Column]]:
        for start in range(0, header.n, n):
            yield _columns(frames[start : start + n], header)

    return Stream(Decoded(_layout(header), []), header.n, pieces)


def _layout(header: _Header) -> Layout:
    return Layout(
        names=[None] * header.channels,
        units=[None] * header.channels,
        rate_hz=header.rate_hz,
        default_unit="a.u.",
        remarks=list(header.remarks),
    )


def _header(path: Path, limited: ReadOptions | None) -> _Header:
    size = path.stat().st_size
    with open(path, "rb") as handle:
        if not claims(handle.read(12)):
            raise refusal(path, "a RIFF WAVE header", "other bytes", _SAVE)
        form: tuple[int, int, int, int, int] | None = None
        long_size: int | None = None
        while True:
            start = handle.tell()
            chunk = handle.read(8)
            if len(chunk) < 8:
                missing = "no data" if form else "no format"
                raise refusal(path, "a WAV format and data", f"{missing} chunk", _SAVE)
            name, length = chunk[:4], struct.unpack("<I", chunk[4:])[0]
            if name == b"fmt ":
                form = _format(path, handle.read(min(length, 64)))
            elif name == b"ds64":
                extra = handle.read(min(length, 64))
                if len(extra) >= 16:
                    long_size = struct.unpack("<Q", extra[8:16])[0]
            elif name == b"data":
                break
            handle.seek(start + 8 + length + (length & 1))
    if form is None:
        raise refusal(path, "a WAV format before the data", "none", _SAVE)
    kind, channels, rate, bits, align = form
    offset = start + 8
    announced = long_size if length == _UNKNOWN_SIZE and long_size is not None else length
    there = size - offset
    remarks = []
    if announced > there:
        if announced != _UNKNOWN_SIZE:
            remarks.append(
                f"the file announces {announced} bytes of samples but holds {there}: it was cut off"
            )
        announced = there
    n = announced // align
    if limited is not None and n * channels > limited.max_samples:
        raise refusal(
            path,
            f"at most {limited.max_samples} samples",
            f"{n * channels} ({plural(channels, 'channel')} x {n})",
            "cut the recording or raise --max-samples",
        )
    if n < 2:
        raise refusal(path, "at least 2 samples", plural(n, "sample"), "save more of the recording")
    return _Header(kind, bits, channels, float(rate), offset, n, tuple(remarks))


def _format(path: Path, chunk: bytes) -> tuple[int, int, int, int, int]:
    if len(chunk) < 16:
        raise refusal(path, "a WAV format of 16 bytes or more", plural(len(chunk), "byte"), _SAVE)
    kind, channels, rate, _, align, bits = struct.unpack("<HHIIHH", chunk[:16])
    if kind == _EXTENSIBLE and len(chunk) >= 26:
        kind = struct.unpack("<H", chunk[24:26])[0]
    if (kind, bits) not in _DTYPES:
        raise refusal(
            path,
            "PCM of 8, 16, 24 or 32 bits or float of 32 or 64",
            f"coding {kind} with {bits} bits",
            _SAVE,
        )
    if not 1 <= channels <= MAX_CHANNELS:
        raise refusal(path, f"1 to {MAX_CHANNELS} channels", f"{channels}", _SAVE)
    if align != channels * bits // 8:
        raise refusal(
            path,
            f"frames of {plural(channels * bits // 8, 'byte')}",
            f"{align} in the WAV header",
            _SAVE,
        )
    return kind, channels, rate, bits, align


def _mapped(path: Path, header: _Header) -> NDArray[np.generic]:
    """The frames on disk: (n, channels), or (n, channels, 3) bytes for 24 bits."""
    dtype = np.dtype(_DTYPES[header.kind, header.bits])
    shape: tuple[int, ...] = (header.n, header.channels)
    if header.bits == 24:
        shape = (*shape, 3)
    return np.memmap(path, dtype=dtype, mode="r", offset=header.offset, shape=shape)


def _columns(frames: NDArray[np.generic], header: _Header) -> list[Column]:
    if header.bits == 24:
        return [_from_24(frames[:, i]) for i in range(header.channels)]
    if header.bits == 8:
        return [frames[:, i].astype(np.int16) - 128 for i in range(header.channels)]
    return [frames[:, i] for i in range(header.channels)]


def _from_24(triples: NDArray[np.generic]) -> NDArray[np.int32]:
    """Little-endian 24-bit codes, sign kept by filling the upper three bytes of 32."""
    wide = np.zeros((len(triples), 4), dtype=np.uint8)
    wide[:, 1:] = triples
    return wide.view("<i4")[:, 0] >> 8
