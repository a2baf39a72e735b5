"""Safe keeping: what is damaged and what is still good."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, select

from refdb import repository_read as read
from refdb.catalogue_errors import sqlite_error
from refdb.errors import CatalogueError
from refdb.records import Damage
from refdb.repository_history import broken_links, history, parsed, stored_seal


def damages(connection: Connection) -> list[Damage]:
    """Everything wrong with the catalogue, worst first; empty when all is well.

    Goes on after each finding as far as SQLite can still read.
    """
    found: list[Damage] = []
    with _any_text(connection):
        for look in (_database, _links, _references, _derived, _history):
            try:
                found.extend(look(connection))
            except Exception as error:
                inner = sqlite_error(error)
                if inner is None:
                    raise
                found.append(Damage("database", f"part of the file cannot be read ({inner})"))
    return found


@contextmanager
def _any_text(connection: Connection) -> Iterator[None]:
    """Text that is no UTF-8 any more is read all the same, so that its row can be named."""
    link = connection.connection.dbapi_connection
    assert isinstance(link, sqlite3.Connection)
    link.text_factory = lambda data: data.decode("utf-8", "backslashreplace")
    try:
        yield
    finally:
        link.text_factory = str


def _database(connection: Connection) -> Iterator[Damage]:
    for (line,) in connection.exec_driver_sql("PRAGMA integrity_check(100)"):
        if line != "ok":
            yield Damage("database", f"SQLite's integrity check says: {' '.join(line.split())}")


def _links(connection: Connection) -> Iterator[Damage]:
    for name, row, parent, _ in connection.exec_driver_sql("PRAGMA foreign_key_check"):
        yield Damage("link", f"row {row} of '{name}' belongs to a missing row of '{parent}'")


def _references(connection: Connection) -> Iterator[Damage]:
    """Traces that do not decode, and references that are not what the history says they are."""
    seals = _last_seals(connection)
    for known in read.references(connection):
        try:
            body = connection.execute(
                select(read.trace.c.body).where(read.trace.c.reference_id == known.id)
            ).scalar()
            read.build_capture(known, body, 0.0, "[]", "verify")
        except CatalogueError as error:
            message = str(error).partition(": ")[2]
            yield Damage("trace", message, known.id)
        if seals.get(known.id) != stored_seal(connection, known):
            yield Damage(
                "reference",
                f"reference {known.id}: what is said of it is not what the history says was "
                "stored; compare it with the repair, then remove it or restore a backup",
                known.id,
            )


def _last_seals(connection: Connection) -> dict[int, str]:
    query = select(history.c.reference_id, history.c.detail).order_by(history.c.id)
    seals = {}
    for id_, detail in connection.execute(query.where(history.c.reference_id.is_not(None))):
        seals[id_] = parsed(detail, dict).get("seal", "")
    return seals


def _derived(connection: Connection) -> Iterator[Damage]:
    columns = (read.derived.c.reference_id, read.derived.c.checksum, read.derived.c.payload)
    for id_, checksum, payload in connection.execute(select(*columns)):
        if not read.sound(payload, checksum):
            yield Damage("derived", f"reference {id_}: its derived data will be made again", id_)


def _history(connection: Connection) -> Iterator[Damage]:
    end = connection.execute(
        select(read.catalogue.c.history_rows, read.catalogue.c.history_head)
    ).one()
    rows = connection.execute(select(history).order_by(history.c.id)).mappings()
    for sentence in broken_links(rows, *end):
        yield Damage("history", sentence)
