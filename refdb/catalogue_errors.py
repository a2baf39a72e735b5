"""What SQLite or the system says went wrong, told in one line a person can act on."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from refdb.errors import CatalogueError

_FULL = "found the disk full; free some space and try again, nothing was half-written"
_FULL_NAMES = (  # the last two: no room for the index beside the write-ahead log
    "SQLITE_FULL",
    "SQLITE_IOERR_WRITE",
    "SQLITE_IOERR_SHMOPEN",
    "SQLITE_IOERR_SHMSIZE",
)
_BUSY_NAMES = ("SQLITE_BUSY", "SQLITE_LOCKED")


def sqlite_error(error: BaseException) -> sqlite3.Error | None:
    """The sqlite3 error itself, also when SQLAlchemy has wrapped it; None if there is none."""
    inner = getattr(error, "orig", None) or error
    return inner if isinstance(inner, sqlite3.Error) else None


def is_busy(error: BaseException) -> bool:
    """True when another program holds the lock that was needed, so that waiting helps."""
    inner = sqlite_error(error)
    return inner is not None and _name(inner).startswith(_BUSY_NAMES)


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turns errors of SQLite, SQLAlchemy and the system inside the block into CatalogueError."""
    try:
        yield
    except CatalogueError:
        raise
    except OSError as error:
        raise CatalogueError(_of_system(path, error)) from error
    except Exception as error:
        inner = sqlite_error(error)
        if inner is None:
            raise
        raise CatalogueError(_of_sqlite(path, inner)) from error


def busy(path: Path, patience_s: float) -> CatalogueError:
    """The error after waiting in vain for other programs to finish writing."""
    return CatalogueError(
        f"{path}: expected a turn to write within {patience_s:g} s, found other programs writing "
        "all that time; wait for them to finish and try again"
    )


def not_ours(path: Path, found: str) -> CatalogueError:
    """The error for a file that is something else than a catalogue."""
    return CatalogueError(
        f"{path}: expected a straygauge catalogue, found {found}; "
        "name another file with --catalogue, a new one is made where there is none"
    )


def _name(error: sqlite3.Error) -> str:
    return getattr(error, "sqlite_errorname", "") or ""


def _of_sqlite(path: Path, error: sqlite3.Error) -> str:
    name = _name(error)
    if name == "SQLITE_NOTADB":
        return str(not_ours(path, "a file that is no database"))
    if name in _FULL_NAMES:
        return f"{path}: expected room to write, {_FULL}"
    if name.startswith("SQLITE_CORRUPT") or str(error).startswith("Could not decode"):
        return (
            f"{path}: expected an undamaged catalogue, found damage ({_line(error)}); "
            "see what is still good with `straygauge verify`, or restore a backup"
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_AUTH")):
        return _forbidden(path)
    if name.startswith("SQLITE_CANTOPEN"):
        return _cannot_open(path)
    if name.startswith(_BUSY_NAMES):
        return (
            f"{path}: expected a turn, found other programs using the catalogue; "
            "wait for them to finish and try again"
        )
    what = f"{name.removeprefix('SQLITE_').lower()}: {_line(error)}" if name else _line(error)
    return (
        f"{path}: expected SQLite to read and write it, found an error ({what}); "
        "check the disk, then `straygauge verify`"
    )


def _of_system(path: Path, error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EFBIG, errno.EDQUOT):
        return f"{path}: expected room to write, {_FULL}"
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return _forbidden(path)
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return _cannot_open(path)
    return (
        f"{path}: expected a file that can be read and written, "
        f"found '{error.strerror or _line(error)}'; check the path and the disk"
    )


def _cannot_open(path: Path) -> str:
    if not os.path.isdir(path.parent):
        return _no_folder(path)
    if not os.path.exists(path):
        return (
            f"{path}: expected a catalogue, found that the file has gone; "
            "restore a backup, or name the right one with --catalogue"
        )
    return _forbidden(path)


def _forbidden(path: Path) -> str:
    return (
        f"{path}: expected a file and folder this user may write, found them read-only; "
        "change their permissions, or name another place with --catalogue"
    )


def _no_folder(path: Path) -> str:
    return (
        f"{path}: expected its folder to exist, found none; "
        "make the folder, or name another place with --catalogue"
    )


def _line(error: BaseException) -> str:
    return " ".join(str(error).split())
