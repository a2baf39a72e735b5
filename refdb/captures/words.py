"""The one shape of every refusal: file, what was expected, what was found, what to do."""

from __future__ import annotations

import os

from refdb.errors import CaptureError


def shown(text: object) -> str:
    """`text` on one line, whatever it holds: control characters and lone surrogates escaped."""
    plain = os.fspath(text) if isinstance(text, os.PathLike) else str(text)
    if isinstance(plain, bytes):
        plain = os.fsdecode(plain)
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in plain
    )


def short(text: object, limit: int = 40) -> str:
    """`text` quoted and cut, for showing what a file holds."""
    line = shown(text)
    return f"'{line}'" if len(line) <= limit else f"'{line[: limit - 3]}...'"


def refusal(path: object, expected: str, found: str, todo: str) -> CaptureError:
    """The error to raise for a file that cannot be read as asked."""
    return CaptureError(f"{shown(path)}: expected {expected}, found {found}; {todo}")


def plural(count: int, noun: str) -> str:
    """'1 gap', '2 gaps'."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
