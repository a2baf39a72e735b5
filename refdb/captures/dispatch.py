"""Which reader a file is for: by its first bytes, then by its suffix, text last."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from refdb.captures import csv, mat, mdf, npz, table, wav
from refdb.captures.decoded import BlockReader, Reader
from refdb.captures.gate import admit
from refdb.captures.options import ReadOptions, check_options
from refdb.captures.words import refusal, short
from refdb.records import Capture

READERS: tuple[Reader, ...] = (wav, npz, mat, table, mdf, csv)
BLOCK_READERS: tuple[BlockReader, ...] = (wav, npz, csv)
HEAD_BYTES = 1024
_CHECK = "check the path"


def read(path: str | os.PathLike[str], options: ReadOptions | None = None) -> Capture:
    """The recording in the file at `path`, in physical units, validated.

    Raises CaptureError, one line, for whatever keeps the file from being read as asked.
    """
    options = options or ReadOptions()
    file = Path(path)
    check_options(file, options)
    with guarded(file):
        return admit(file, reader_for(file).decode(file, options), options)


def reader_for(path: Path) -> Reader:
    """The reader whose format the file is. Raises CaptureError if it is none, or no file."""
    info = path.stat()
    if stat.S_ISDIR(info.st_mode):
        raise refusal(path, "a capture file", "a directory", "name a file in it")
    if not stat.S_ISREG(info.st_mode):
        raise refusal(path, "a capture file", "a device or pipe", "save the recording to a file")
    with open(path, "rb") as handle:
        head = handle.read(HEAD_BYTES)
    if not head:
        raise refusal(path, "a recording", "an empty file", "save the recording again")
    for reader in READERS:
        if reader.claims(head):
            return reader
    suffix = path.suffix.lower()
    for reader in READERS:
        if suffix in reader.SUFFIXES and not (reader is not csv and _is_text(head)):
            return reader
    if _is_text(head):
        return csv
    raise refusal(
        path,
        "a capture file (CSV, WAV, NPZ, NPY, MAT, Parquet, Arrow, MDF4)",
        f"bytes {head[:8].hex(' ')}",
        "save the recording in one of these formats",
    )


def _is_text(head: bytes) -> bool:
    return head.startswith((b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")) or not any(
        byte < 9 or 13 < byte < 26 for byte in head
    )


@contextmanager
def guarded(path: Path) -> Iterator[None]:
    """Turns what the system says about a file into a CaptureError of one line."""
    try:
        yield
    except FileNotFoundError:
        raise refusal(path, "a capture file", "no such file", _CHECK) from None
    except PermissionError:
        raise refusal(
            path, "a readable file", "no permission", "allow reading it, or copy it"
        ) from None
    except IsADirectoryError:
        raise refusal(path, "a capture file", "a directory", "name a file in it") from None
    except MemoryError:
        raise refusal(
            path,
            "a recording that fits in memory",
            f"{path.stat().st_size} bytes",
            "cut the recording or lower --max-samples",
        ) from None
    except OSError as error:
        reason = os.strerror(error.errno) if error.errno else str(error)
        if error.errno == errno.ENAMETOOLONG:
            raise refusal(path, "a capture file", "a name that is too long", _CHECK) from None
        raise refusal(path, "a readable file", short(reason), _CHECK) from None
    except ValueError as error:
        if "null byte" in str(error) or "null character" in str(error):
            raise refusal(path, "a file name", "a null character in it", _CHECK) from None
        raise
