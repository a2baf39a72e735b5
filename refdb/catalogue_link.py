"""Connections to a catalogue's file: their settings, and patience while others write."""

from __future__ import annotations

import os
import random
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar
from urllib.parse import quote

from refdb.catalogue_errors import busy, is_busy

PATIENCE_S = 30.0
_SLICE_S = 0.03  # SQLite's own wait is unfair and deaf to Ctrl-C: short, and repeated here

_Result = TypeVar("_Result")


def connect(path: Path, *, timeout_s: float = _SLICE_S) -> sqlite3.Connection:
    """A plain connection that never makes a file, keeps foreign keys, and fsyncs each commit.

    Transactions are begun by hand. Usable from any thread, by one at a time.
    """
    name = quote(os.fsencode(os.path.abspath(path)))
    link = sqlite3.connect(
        f"file:{name}?mode=rw",
        uri=True,
        timeout=timeout_s,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        link.execute("PRAGMA foreign_keys = ON")
        link.execute("PRAGMA synchronous = FULL")
        link.execute("PRAGMA trusted_schema = OFF")
        link.execute("PRAGMA cell_size_check = ON")
        link.execute("PRAGMA journal_size_limit = 67108864")
    except BaseException:
        link.close()
        raise
    return link


def patiently(path: Path, action: Callable[[], _Result], patience_s: float = PATIENCE_S) -> _Result:
    """What `action` returns, tried again while another program holds the lock it needs.

    action must be safe to repeat after it failed for a lock.

    Raises CatalogueError after `patience_s` seconds in vain.
    """
    end = time.monotonic() + patience_s
    pause = 0.002
    while True:
        try:
            return action()
        except Exception as error:
            if not is_busy(error):
                raise
            if time.monotonic() >= end:
                raise busy(path, patience_s) from error
        time.sleep(random.uniform(0.0, pause))
        pause = min(0.02, pause * 2.0)
