"""Makers of capture files for the tests: plain text and bytes, independent of the readers."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

CODINGS = {
    "u8": (1, 8), "i16": (1, 16), "i24": (1, 24), "i32": (1, 32), "f32": (3, 32), "f64": (3, 64),
}  # fmt: skip


def csv_text(
    columns: Iterable[Sequence[float | str]],
    *,
    delimiter: str = ",",
    decimal: str = ".",
    above: Sequence[str] = (),
    end: str = "\n",
    fmt: str = "{!r}",
    trailing: bool = False,
    last_end: bool = True,
) -> str:
    """A text table. Cells given as str stand as they are, numbers in `fmt` with that mark."""

    def cell(value: float | str) -> str:
        if isinstance(value, str):
            return value
        return fmt.format(value).replace(".", decimal)

    rows = [
        delimiter.join(map(cell, row)) + (delimiter if trailing else "")
        for row in zip(*columns, strict=True)
    ]
    return end.join([*above, *rows]) + (end if last_end else "")


def wav_bytes(frames: np.ndarray, rate: int, coding: str = "i16", *, extra: bytes = b"") -> bytes:
    """A RIFF WAVE file of integer codes or floats of shape (n, channels)."""
    kind, bits = CODINGS[coding]
    channels = frames.shape[1]
    if coding == "i24":
        wide = frames.astype("<i4").reshape(-1, 1).view(np.uint8).reshape(-1, 4)
        data = wide[:, :3].tobytes()
    elif coding == "u8":
        data = (frames + 128).astype(np.uint8).tobytes()
    else:
        data = frames.astype(
            {"i16": "<i2", "i32": "<i4", "f32": "<f4", "f64": "<f8"}[coding]
        ).tobytes()
    align = channels * bits // 8
    form = struct.pack("<HHIIHH", kind, channels, rate, rate * align, align, bits)
    body = b"WAVE" + chunk(b"fmt ", form) + extra + chunk(b"data", data)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def chunk(name: bytes, content: bytes, announced: int | None = None) -> bytes:
    """One RIFF chunk, padded to an even length."""
    size = len(content) if announced is None else announced
    return name + struct.pack("<I", size) + content + b"\0" * (len(content) & 1)


def put(folder: Path, name: str, content: str | bytes, encoding: str = "utf-8") -> Path:
    """Write `content` to a file in `folder` and give its path."""
    path = folder / name
    path.write_bytes(content.encode(encoding) if isinstance(content, str) else content)
    return path
