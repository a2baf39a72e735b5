"""NPZ and NPY, without pickles: headers are read and checked before any memory is taken."""

from __future__ import annotations

import math
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy_format
from numpy.typing import NDArray

from refdb.captures.arrays import as_decoded, refuse_too_many, roles_of, time_of
from refdb.captures.decoded import Column, Decoded, Stream
from refdb.captures.options import ReadOptions
from refdb.captures.words import plural, refusal, short, shown
from refdb.errors import CaptureError

NAME: str = "NPZ"
SUFFIXES: tuple[str, ...] = (".npz", ".npy")
MAX_MEMBERS = 64
MAX_TEXT_BYTES = 64 * 1024
MAX_RATIO, RATIO_FREE_BYTES = 250, 256 * 1024 * 1024
_NPY_MAGIC = b"\x93NUMPY"
_SAVE = "save the recording again with numpy.savez"
_PIECE_BYTES = 1 << 24
RATE_SAMPLES = 1 << 20  # what the rate of a recording read in pieces is measured on
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError)


@dataclass(frozen=True, slots=True)
class _Member:
    """One array in a file, known by its header only. offset: of its data, in the NPY content."""

    name: str
    dtype: np.dtype[Any]
    shape: tuple[int, ...]
    fortran: bool
    offset: int
    zip_name: str | None

    @property
    def size(self) -> int:
        return math.prod(self.shape)


def claims(head: bytes) -> bool:
    """Whether the file begins as NPY or as a zip archive."""
    return head.startswith((_NPY_MAGIC, b"PK\x03\x04", b"PK\x05\x06"))


def decode(path: Path, options: ReadOptions) -> Decoded:
    """The whole file. Raises CaptureError for pickles, bombs, damage, and what is no recording."""
    with open(path, "rb") as handle:
        archive = _archive(path, handle)
        members = _members(path, handle, archive)
        refuse_too_many(
            path, (m.shape for m in members if m.dtype.kind in "biuf"), options.max_samples
        )
        arrays, texts = {}, {}
        for member in members:
            with _opened(path, handle, archive, member) as content:
                array = _load(path, content, member)
            if member.dtype.kind in "US":
                texts[member.name] = [shown(_text(v)) for v in array.reshape(-1)[:64]]
            else:
                arrays[member.name] = array
    return as_decoded(path, arrays, texts)


def stream(path: Path, options: ReadOptions) -> Stream:
    """The file in pieces: uncompressed arrays from the disk, compressed ones unpacked in order."""
    with open(path, "rb") as handle:
        archive = _archive(path, handle)
        members = {m.name: m for m in _members(path, handle, archive)}
        roles = roles_of({m.name: m.shape for m in members.values() if m.dtype.kind in "biuf"})
        arrays: dict[str, NDArray[Any]] = {}
        texts: dict[str, list[str]] = {}
        for name, member in members.items():
            if name in roles.signals:
                # As long as the array, without its memory: only its shape is asked for.
                arrays[name] = np.broadcast_to(np.zeros((), member.dtype), member.shape)
                continue
            if name == roles.time:
                continue
            with _opened(path, handle, archive, member) as content:
                array = _load(path, content, member)
            if member.dtype.kind in "US":
                texts[name] = [shown(_text(v)) for v in array.reshape(-1)[:64]]
            else:
                arrays[name] = array
        first = as_decoded(path, arrays, texts)
        first.columns = []
        long = [members[name] for name in roles.signals]
        timed = [members[roles.time]] if roles.time is not None else []
        lengths = {m.name: _length(m) for m in (*long, *timed)}
        if len(set(lengths.values())) > 1:
            raise refusal(
                path,
                "arrays of one length",
                ", ".join(f"{shown(k)} {v}" for k, v in lengths.items()),
                "save all channels over the same time",
            )
        for member in timed:
            with _opened(path, handle, archive, member) as content:
                head = next(_rows(path, member, content, RATE_SAMPLES))
            first.time, first.time_unit, first.time_resolution = time_of(member.name, head)

    def pieces(size: int) -> Iterator[list[Column]]:
        with open(path, "rb") as source, ExitStack() as stack:
            again = _archive(path, source)
            contents = [stack.enter_context(_opened(path, source, again, m)) for m in long]
            runs = [_rows(path, m, c, size) for m, c in zip(long, contents, strict=True)]
            for parts in zip(*runs, strict=True):
                yield [
                    column
                    for part in parts
                    for column in ([part] if part.ndim == 1 else list(part.T))
                ]

    return Stream(first, max(lengths.values()), pieces)


def _archive(path: Path, handle: IO[bytes]) -> zipfile.ZipFile | None:
    handle.seek(0)
    if handle.read(6) == _NPY_MAGIC:
        return None
    try:
        archive = zipfile.ZipFile(handle)
        entries = archive.infolist()
    except (*_BROKEN, ValueError, IndexError, UnicodeError) as error:
        raise refusal(path, "an NPZ or NPY file", short(error, 60), _SAVE) from None
    if len(entries) > MAX_MEMBERS:
        raise refusal(path, f"at most {MAX_MEMBERS} arrays", f"{len(entries)}", "save fewer arrays")
    for entry in entries:
        if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise refusal(
                path,
                "arrays stored or deflated",
                f"compression {entry.compress_type} of '{shown(entry.filename)}'",
                _SAVE,
            )
        packed = max(1, entry.compress_size)
        if entry.file_size > RATIO_FREE_BYTES and entry.file_size > MAX_RATIO * packed:
            raise refusal(
                path,
                f"arrays packed at most {MAX_RATIO} to 1",
                f"{entry.file_size // packed} to 1 in '{shown(entry.filename)}'",
                _SAVE,
            )
    return archive


def _members(path: Path, handle: IO[bytes], archive: zipfile.ZipFile | None) -> list[_Member]:
    if archive is None:
        handle.seek(0)
        size = path.stat().st_size
        return [_header(path, handle, "data", None, size)]
    members = []
    for entry in archive.infolist():
        if not entry.filename.endswith(".npy"):
            if entry.is_dir():
                continue
            raise refusal(
                path,
                "only .npy arrays in the archive",
                f"'{shown(entry.filename)}'",
                _SAVE,
            )
        with _entry(path, archive, entry.filename) as content:
            members.append(
                _header(path, content, entry.filename[:-4], entry.filename, entry.file_size)
            )
    names = [m.name for m in members]
    if len(set(names)) < len(names):
        raise refusal(path, "every array once", "a name twice in the archive", _SAVE)
    return members


def _entry(path: Path, archive: zipfile.ZipFile, name: str) -> IO[bytes]:
    try:
        return archive.open(name)
    except (*_BROKEN, ValueError, KeyError) as error:
        raise refusal(path, "a readable archive", short(error, 60), _SAVE) from None


def _opened(
    path: Path, handle: IO[bytes], archive: zipfile.ZipFile | None, member: _Member
) -> IO[bytes]:
    """The content of a member, standing at the first byte of its data."""
    if archive is None or member.zip_name is None:
        content: IO[bytes] = open(path, "rb")  # noqa: SIM115 (closed by the caller)
    else:
        content = _entry(path, archive, member.zip_name)
    try:
        content.read(member.offset)
    except _BROKEN as error:
        content.close()
        raise refusal(path, "a readable archive", short(error, 60), _SAVE) from None
    return content


def _header(path: Path, content: IO[bytes], name: str, zip_name: str | None, size: int) -> _Member:
    array = f"array '{shown(name)}'"
    try:
        version = npy_format.read_magic(content)
        if version == (1, 0):
            shape, fortran, dtype = npy_format.read_array_header_1_0(content)
        elif version == (2, 0):
            shape, fortran, dtype = npy_format.read_array_header_2_0(content)
        else:
            raise ValueError(f"NPY version {version[0]}.{version[1]}")
        offset = content.tell()
    except Exception as error:  # numpy's parser lets through whatever ast and tokenize meet
        raise refusal(path, f"an NPY header in {array}", short(error, 60), _SAVE) from None
    if dtype.hasobject:
        raise refusal(
            path,
            f"plain numbers in {array}",
            "pickled objects, which are never loaded",
            "save numeric arrays only",
        )
    if dtype.kind not in "biufUS":
        kind = "complex numbers" if dtype.kind == "c" else f"type {dtype}"
        raise refusal(path, f"real numbers in {array}", kind, "save plain numeric arrays")
    if any(side < 0 for side in shape):
        raise refusal(path, f"a possible shape of {array}", f"{shape}", _SAVE)
    needed = math.prod(shape) * dtype.itemsize
    if offset + needed > size:
        raise refusal(
            path,
            f"{plural(needed, 'byte')} of samples in {array} as its header says",
            f"{size - offset}",
            "the file was cut off or damaged: save it again",
        )
    if dtype.kind in "US" and needed > MAX_TEXT_BYTES:
        raise refusal(path, f"real numbers in {array}", "text", "save plain numeric arrays")
    return _Member(name, dtype, shape, fortran, offset, zip_name)


def _load(path: Path, content: IO[bytes], member: _Member) -> NDArray[Any]:
    if isinstance(content, zipfile.ZipExtFile) or member.size * member.dtype.itemsize < 1 << 16:
        data = _read(path, content, member.size * member.dtype.itemsize, member)
        flat = np.frombuffer(data, dtype=member.dtype, count=member.size)
    else:
        flat = np.fromfile(content, dtype=member.dtype, count=member.size)
    return flat.reshape(member.shape, order="F" if member.fortran else "C")


def _read(path: Path, content: IO[bytes], size: int, member: _Member) -> bytearray:
    """Exactly `size` bytes. The buffer grows with what arrives, never with what is promised."""
    data = bytearray()
    try:
        while len(data) < size:
            part = content.read(min(_PIECE_BYTES, size - len(data)))
            if not part:
                break
            data += part
    except _BROKEN as error:
        raise refusal(
            path, f"undamaged array '{shown(member.name)}'", short(error, 60), _SAVE
        ) from None
    if len(data) < size:
        raise refusal(
            path,
            f"{plural(size, 'byte')} of samples in array '{shown(member.name)}'",
            f"{len(data)}",
            "the file was cut off or damaged: save it again",
        )
    return data


def _length(member: _Member) -> int:
    """Samples along the time axis."""
    if len(member.shape) == 2 and min(member.shape) > 1 and not _is_wide(member):
        return member.shape[0]
    return max(member.shape, default=1)


def _is_wide(member: _Member) -> bool:
    return member.shape[0] <= 8 < member.shape[1]


def _rows(path: Path, member: _Member, content: IO[bytes], size: int) -> Iterator[NDArray[Any]]:
    """Pieces of at most `size` samples, in the member's own layout (rows or wide columns)."""
    n = _length(member)
    width = max(1, member.size // max(1, n))
    row_major = (not member.fortran) != _is_wide(member) if len(member.shape) == 2 else True
    if width == 1 or row_major:
        for start in range(0, n, size):
            count = min(size, n - start)
            data = _read(path, content, count * width * member.dtype.itemsize, member)
            flat = np.frombuffer(data, dtype=member.dtype)
            yield flat if width == 1 else flat.reshape(count, width)
        return
    if isinstance(content, zipfile.ZipExtFile) and content._compress_type != 0:  # type: ignore[attr-defined]
        raise CaptureError(
            f"{shown(path)}: expected samples row by row in array '{shown(member.name)}', found "
            "compressed channels one after the other; save with numpy.savez, uncompressed"
        )
    base = content.tell()
    for start in range(0, n, size):
        count = min(size, n - start)
        out = np.empty((count, width), dtype=member.dtype)
        for i in range(width):
            content.seek(base + (i * n + start) * member.dtype.itemsize)
            data = _read(path, content, count * member.dtype.itemsize, member)
            out[:, i] = np.frombuffer(data, dtype=member.dtype)
        yield out


def _text(value: Any) -> str:
    return value.decode("latin-1") if isinstance(value, bytes) else str(value)
