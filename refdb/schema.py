"""The catalogue's shape on disk: made, recognised, and upgraded when it is opened.

The version is read by plain sqlite3 first. Alembic, slow to import, is only touched when there is
something to make or to upgrade; then all of it happens in one immediate transaction, so that a
kill leaves the catalogue as it was and a second program finds the work done.
"""

from __future__ import annotations

import os
import secrets
import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from refdb.catalogue_errors import not_ours, told
from refdb.catalogue_link import PATIENCE_S, connect, patiently
from refdb.catalogue_place import default_place
from refdb.errors import CatalogueError
from refdb.safe_copy import online_copy

if TYPE_CHECKING:
    from alembic.config import Config
    from sqlalchemy import Connection

HEAD = "0002"
SCRIPTS = Path(__file__).resolve().parent.parent / "migrations"
APPLICATION_ID = 0x53744761  # "StGa", in the header of every catalogue
PAGE_SIZE = 8192  # reads 10 kB payloads five times as fast as the default 4096

_ONE_UPGRADE = threading.Lock()  # Alembic's context is global to the process
_MAGIC = b"SQLite format 3\0"
_WRITE_VERSION, _WAL = 18, 2  # where the header says how the file is written, and what


def prepare(
    path: Path, *, create: bool, patience_s: float = PATIENCE_S, keep_backup: bool = True
) -> None:
    """Makes sure that `path` is a catalogue of this version's shape.

    create: make the file where there is none.
    keep_backup: copy a filled catalogue to NAME.schema-OLD.backup before upgrading it.

    Raises CatalogueError for a missing file without `create`, a file that is no database or
    another program's, a newer catalogue, and whatever the disk or the permissions refuse.
    """
    with told(path):
        _make_file(path, create)
        start = _first_bytes(path)
        if not start or stored_version(path, patience_s) != HEAD:
            _upgrade(path, patience_s, keep_backup)
        elif start[_WRITE_VERSION] != _WAL:
            patiently(path, lambda: _to_wal(path), patience_s)


def stored_version(path: Path, patience_s: float = PATIENCE_S) -> str | None:
    """The schema revision in the file, for instance '0001'; None while it holds nothing yet.

    Raises CatalogueError if it is not a catalogue or one from a newer version.
    """

    def read() -> str | None:
        with closing(connect(path)) as link:
            return _version(path, link)

    with told(path):
        return patiently(path, read, patience_s)


def refuse_others(path: Path) -> None:
    """Raises CatalogueError unless the file's header is a catalogue's, however damaged the rest."""
    with told(path), open(path, "rb") as file:
        header = file.read(100)
    if header[: len(_MAGIC)] != _MAGIC or header[68:72] != APPLICATION_ID.to_bytes(4, "big"):
        raise not_ours(path, "another file")


def alembic_config(connection: Connection | None = None) -> Config:
    """Alembic's settings, from code: the scripts beside this package, wherever it is installed."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def _make_file(path: Path, create: bool) -> None:
    if os.path.lexists(path):
        return
    if not create:
        raise CatalogueError(
            f"{path}: expected a catalogue, found no file; "
            "make one with `straygauge add`, or name the right one with --catalogue"
        )
    if path == default_place():
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    except FileExistsError:
        return  # another program was faster


def _first_bytes(path: Path) -> bytes:
    """The start of the header, empty for an empty file; raises for what is no database at all."""
    with open(path, "rb") as file:
        start = file.read(_WRITE_VERSION + 1)
    if start and (start[: len(_MAGIC)] != _MAGIC or len(start) <= _WRITE_VERSION):
        raise not_ours(path, "a file that is no database")
    return start


def _to_wal(path: Path) -> None:
    """A restored or copied backup is a single file until it is worked on."""
    with closing(connect(path)) as link:
        link.execute("PRAGMA journal_mode = WAL")


def _version(path: Path, link: sqlite3.Connection) -> str | None:
    (application,) = link.execute("PRAGMA application_id").fetchone()
    if application != APPLICATION_ID:
        if link.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,):
            return None
        raise not_ours(path, "another program's database")
    (version,) = link.execute("SELECT version_num FROM alembic_version").fetchone() or (None,)
    if version is None or version > HEAD:
        raise CatalogueError(
            f"{path}: expected a catalogue of schema {HEAD} or older, found schema {version}; "
            "use the newer straygauge that wrote it, or name another file with --catalogue"
        )
    return str(version)


def _upgrade(path: Path, patience_s: float, keep_backup: bool) -> None:
    with _ONE_UPGRADE, closing(connect(path)) as link:
        connection = _for_alembic(link)
        patiently(path, lambda: _begin_upgrade(link), patience_s)
        try:
            version = _version(path, link)
            if version == HEAD:
                return
            _upgrade_locked(path, link, connection, version, keep_backup)
        finally:
            if link.in_transaction:
                link.rollback()


def _for_alembic(link: sqlite3.Connection) -> Connection:
    """`link` as SQLAlchemy sees it, neither to be committed nor closed: `link` stays in charge.

    Made before the transaction begins, because SQLAlchemy rolls back on its first connection.
    """
    from sqlalchemy import create_engine
    from sqlalchemy.pool import StaticPool

    engine = create_engine(
        "sqlite://", creator=lambda: link, poolclass=StaticPool, pool_reset_on_return=None
    )
    connection = engine.connect()
    connection.begin()  # in name only; Alembic then leaves the transaction to whoever began it
    return connection


def _begin_upgrade(link: sqlite3.Connection) -> None:
    link.execute(f"PRAGMA page_size = {PAGE_SIZE}")
    link.execute("PRAGMA journal_mode = WAL")
    link.execute("PRAGMA foreign_keys = OFF")  # a batch rebuild drops and renames tables
    link.execute("BEGIN IMMEDIATE")


def _upgrade_locked(
    path: Path,
    link: sqlite3.Connection,
    connection: Connection,
    version: str | None,
    keep_backup: bool,
) -> None:
    backup = None
    if version is not None and keep_backup:
        backup = _free_name(path, version)
        online_copy(path, backup)
    try:
        _run_revisions(connection, link)
        if version is None:
            _first_row(link)
        broken = link.execute("PRAGMA foreign_key_check").fetchone()
        if broken is not None:
            raise CatalogueError(
                f"{path}: expected an upgrade to schema {HEAD} that keeps every link, found "
                f"a row of '{broken[0]}' without its '{broken[2]}'; nothing was changed, "
                "run `straygauge verify` with the older version"
            )
        link.commit()
    except BaseException:
        if backup is not None:
            backup.unlink(missing_ok=True)  # the catalogue is as it was
        raise


def _run_revisions(connection: Connection, link: sqlite3.Connection) -> None:
    from alembic import command

    command.upgrade(alembic_config(connection), HEAD)
    if not link.in_transaction:
        raise RuntimeError("a revision ended the transaction that all of them share")


def _first_row(link: sqlite3.Connection) -> None:
    link.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    link.execute(
        "INSERT INTO catalogue (id, identity, revision, stamp, created_with, created_at, salt,"
        " history_rows, history_head) VALUES (1, ?, 0, ?, ?, ?, ?, 0, '')",
        (
            secrets.token_hex(8),
            secrets.token_hex(4),
            _program_version(),
            datetime.now(UTC).isoformat(timespec="seconds"),
            secrets.token_bytes(32),
        ),
    )


def _program_version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("straygauge")
    except PackageNotFoundError:
        return "source tree"


def _free_name(path: Path, version: str) -> Path:
    number = 1
    while True:
        again = "" if number == 1 else f"-{number}"
        candidate = path.with_name(f"{path.name}.schema-{version}{again}.backup")
        if not os.path.lexists(candidate):
            return candidate
        number += 1
