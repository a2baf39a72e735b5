"""Where output goes: standard output, or a file that is whole or not there at all."""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO, TextIO

from refdb.errors import StraygaugeError


class OutputProblem(StraygaugeError):
    """A file that cannot be written."""


@contextmanager
def whole_file(place: Path) -> Iterator[BinaryIO]:
    """A file to write to that takes its name only when all of it is on the disk.

    Until then it stands beside its place under a name of its own, so that nobody takes half of
    it for all of it; whatever ends the block early removes it. A pipe or device is written to
    directly.

    Raises OutputProblem, one line, when the folder or the disk refuses.
    """
    with _told(place):
        if os.path.lexists(place) and not os.path.isfile(place):
            with open(place, "wb") as stream:
                yield stream
            return
        descriptor, name = tempfile.mkstemp(prefix=f".{place.name[:40]}.", dir=place.parent)
        try:
            with os.fdopen(descriptor, "wb") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(name, 0o666 & ~_umask())
            os.replace(name, place)
        except BaseException:
            with suppress(OSError):
                os.unlink(name)
            raise


@contextmanager
def _told(place: Path) -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        folder = None if error.filename is None else os.path.dirname(os.fsdecode(error.filename))
        if folder is not None and os.path.abspath(folder) != os.path.abspath(place.parent):
            raise
        reason = error.strerror or type(error).__name__
        raise OutputProblem(
            f"{place}: expected to write this file, found '{reason}'; "
            "name another place, or make room"
        ) from error


def _umask() -> int:
    now = os.umask(0o077)
    os.umask(now)
    return now


def json_text(value: Any, indent: int | None = 2) -> str:
    """JSON in plain ASCII, so that no terminal, pipe or encoding changes it."""
    return json.dumps(value, indent=indent, allow_nan=False)


def print_json(value: Any) -> None:
    """`value` as JSON on standard output."""
    print(json_text(value))


@contextmanager
def json_lines(place: Path | None) -> Iterator[TextIO]:
    """Where a line per capture goes. None or '-': standard output, each line as it comes."""
    if place is None or str(place) == "-":
        yield sys.stdout
        return
    with whole_file(place) as stream:
        yield _Lines(stream)  # type: ignore[misc]


class _Lines:
    """Text into a binary stream, written through at once."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        return self._stream.write(text.encode("ascii"))

    def flush(self) -> None:
        self._stream.flush()
