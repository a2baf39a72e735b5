"""A consistent copy of a catalogue's file while others go on writing, whole or not at all."""

from __future__ import annotations

import os
import secrets
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from refdb.catalogue_errors import told
from refdb.catalogue_link import PATIENCE_S, connect, patiently
from refdb.errors import CatalogueError


def online_copy(source: Path, target: Path, checked: Callable[[Path], None] | None = None) -> None:
    """Copies `source` as of now to `target`, one file, mode 0600, replaced atomically.

    checked: called with the finished copy before it gets its name; raises to prevent that.

    Raises CatalogueError if the copy does not pass SQLite's integrity check or cannot be written;
    `target` is then as it was.
    """
    part = target.with_name(f".{target.name[:200]}.{secrets.token_hex(4)}.part")
    try:
        with told(target):
            os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        patiently(source, lambda: _copy(source, part, target), PATIENCE_S)
        if checked is not None:
            checked(part)
        with told(target):
            _single_file(part)
            _sync(part)
            os.replace(part, target)
            _sync(target.parent)
    finally:
        discard(part)


def discard(part: Path) -> None:
    """Removes an unfinished file and what SQLite put beside it."""
    for name in (f"{part}", f"{part}-wal", f"{part}-shm", f"{part}-journal"):
        Path(name).unlink(missing_ok=True)


def copy_into(source: Path, target: Path) -> None:
    """Replaces the contents of the catalogue `target` by those of `source` in one transaction.

    Programs that have `target` open go on with the new contents.
    """

    def copy() -> None:
        with closing(connect(source)) as old, closing(connect(target)) as new:
            old.backup(new)

    with told(target):
        patiently(target, copy, PATIENCE_S)


def _copy(source: Path, part: Path, target: Path) -> None:
    with told(source), closing(connect(source)) as old, closing(sqlite3.connect(part)) as new:
        with told(target):
            old.backup(new)
        (finding,) = new.execute("PRAGMA integrity_check(1)").fetchone()
        if finding != "ok":
            raise CatalogueError(
                f"{source}: expected a copy without damage, found '{finding}'; "
                "see what is still good with `straygauge verify`"
            )


def _single_file(part: Path) -> None:
    """Out of WAL mode, so that the one file is all there is to it."""
    with closing(connect(part)) as link:
        link.execute("PRAGMA journal_mode = DELETE")


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
