"""The catalogue: opened here, read in frozen records, written in units of work."""

from __future__ import annotations

import getpass
import os
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from sqlalchemy import Connection, Engine, create_engine, select
from sqlalchemy.pool import QueuePool

from refdb import repository_bench as bench
from refdb import repository_read as read
from refdb import safe
from refdb.bench_records import Bench, Family
from refdb.catalogue_errors import told
from refdb.catalogue_link import PATIENCE_S, connect, patiently
from refdb.catalogue_place import catalogue_place
from refdb.errors import CatalogueError
from refdb.records import (
    Capture,
    ContextCount,
    Damage,
    HistoryEntry,
    Reference,
    ReferenceSet,
    State,
)
from refdb.repository import UnitOfWork
from refdb.repository_history import entry, history
from refdb.safe_copy import online_copy
from refdb.safe_restore import check_backup, restore
from refdb.schema import prepare

ACCEPTED: tuple[State, ...] = ("accepted",)

_Result = TypeVar("_Result")


class Catalogue:
    """One catalogue file. Safe for several threads, processes and forks at once.

    Every method raises CatalogueError, one line, for what the file, the disk, permissions or
    other programs refuse; only what else it raises is said with it.
    """

    def __init__(self, path: Path, patience_s: float = PATIENCE_S) -> None:
        """Use `Catalogue.open`: this neither makes nor checks the file."""
        self.path = path
        self._patience_s = patience_s
        self._engine, self._pid = self._make_engine(), os.getpid()

    @classmethod
    def open(
        cls,
        place: str | os.PathLike[str] | None = None,
        *,
        create: bool = True,
        patience_s: float = PATIENCE_S,
    ) -> Self:
        """Opens a catalogue, upgrading it to this version's schema if it is older.

        place: path or sqlite:///PATH; None: STRAYGAUGE_CATALOGUE, else the user's data folder.
        create: make a new one where there is none.
        patience_s: how long to wait for other programs that write.

        Raises CatalogueError for a file that is no catalogue or one from a newer version.
        """
        path = catalogue_place(place)
        prepare(path, create=create, patience_s=patience_s)
        return cls(path, patience_s)

    def close(self) -> None:
        """Gives the file's connections back. Reading or writing again opens new ones."""
        self._engine.dispose(close=self._pid == os.getpid())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # --- writing ---------------------------------------------------------------------------

    def write(self, *, who: str | None = None, now: datetime | None = None) -> UnitOfWork:
        """A unit of work: `with catalogue.write() as unit: ...; unit.commit()`.

        who: whose doing the history says it is; the system's user name when None.
        now: the time it is dated; the clock's when None.
        """
        at = (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
        return UnitOfWork(self._begin_write, self.path, who=who or _user(), at=at)

    # --- reading ---------------------------------------------------------------------------

    @property
    def revision(self) -> str:
        """A name for the present contents: another one after every write, never used again."""
        return self._read(read.revision)

    def references(
        self,
        *,
        system: str | None = None,
        engine_family: str | None = None,
        condition: str | None = None,
        label: str | None = None,
        states: Iterable[State] | None = ACCEPTED,
    ) -> tuple[Reference, ...]:
        """The references that fit, in order of id. None: whichever; "": those without one."""
        wanted = read.filters(system, engine_family, condition, label, states)
        return self._read(lambda connection: read.references(connection, wanted))

    def reference(self, id: int) -> Reference:
        """One reference, whatever its state. Raises CatalogueError for an unknown id."""
        found = self._read(lambda connection: read.one_reference(connection, id))
        if found is None:
            raise read.unknown_reference(id, str(self.path))
        return found

    def capture(self, id: int) -> Capture:
        """The capture of a reference, its samples verified by their checksum.

        Raises CatalogueError for an unknown id, and for samples that were damaged.
        """
        return self._read(lambda connection: read.capture(connection, id, str(self.path)))

    def captures(self, ids: Iterable[int]) -> Iterator[tuple[int, Capture]]:
        """(id, capture) one by one, in the order asked for; raises as `capture` does."""
        for id_ in ids:
            yield id_, self.capture(id_)

    def reference_set(
        self, system: str, recipe: str, *, states: Iterable[State] = ACCEPTED
    ) -> ReferenceSet:
        """The references of a system with what `recipe` derived of them, at one revision.

        A payload that was damaged on the disk is left out, as if not derived yet.
        """
        wanted = read.filters(system=system, states=states)
        return self._read(
            lambda connection: ReferenceSet(
                system=system,
                revision=read.revision(connection),
                references=read.references(connection, wanted),
                recipe=recipe,
                derived=read.derived_payloads(connection, recipe, wanted),
            )
        )

    def contexts(
        self, *, system: str | None = None, states: Iterable[State] | None = ACCEPTED
    ) -> tuple[ContextCount, ...]:
        """How many vehicles, good and per fault, each context has."""
        wanted = read.filters(system=system, states=states)
        return self._read(lambda connection: read.context_counts(connection, wanted))

    def history(
        self, reference_id: int | None = None, *, action: str | None = None
    ) -> tuple[HistoryEntry, ...]:
        """All that was done, or all that was done to one reference or by one action, oldest
        first."""
        query = select(history).order_by(history.c.id)
        if reference_id is not None:
            query = query.where(history.c.reference_id == reference_id)
        if action is not None:
            query = query.where(history.c.action == action)
        return self._read(
            lambda connection: tuple(entry(row) for row in connection.execute(query).mappings())
        )

    def families(self) -> tuple[Family, ...]:
        """Every engine family, by name."""
        return self._read(bench.families)

    def benches(self) -> tuple[Bench, ...]:
        """Every instrument by name, with what was measured of it, newest first."""
        return self._read(bench.benches)

    # --- safe keeping ----------------------------------------------------------------------

    def verify(self) -> list[Damage]:
        """Everything that is wrong with the file; empty when all is well."""
        return self._read(safe.damages)

    def backup(self, target: str | os.PathLike[str]) -> list[Damage]:
        """Writes a copy as of now to `target`, one file, while others may go on writing.

        The copy is verified before it gets its name; what is wrong with it (because it is wrong
        with this catalogue) is given back. An older backup of that name is replaced.

        Raises CatalogueError if `target` is another file than a backup, or cannot be written.
        """
        place = Path(target)
        if os.path.lexists(place):
            self._refuse_target(place)
        found: list[Damage] = []
        online_copy(self.path, place, lambda part: found.extend(_damages(part)))
        return found

    @classmethod
    def restore(
        cls, backup: str | os.PathLike[str], place: str | os.PathLike[str] | None = None
    ) -> Path | None:
        """Puts a backup in the place of a catalogue; gives where the one that was there is kept.

        Raises CatalogueError, and changes nothing, for a backup that is damaged, newer or none.
        """
        path = catalogue_place(place)
        kept = restore(Path(backup), path, _damages)
        with cls.open(path, create=False) as catalogue, catalogue.write() as unit:
            unit.note("restore", f"from {os.fspath(backup)}", {})
            unit.commit()
        return kept

    def _refuse_target(self, place: Path) -> None:
        if os.path.exists(place) and os.path.samefile(place, self.path):
            raise CatalogueError(
                f"{place}: expected another file than the catalogue itself to back it up to, "
                "found the same; name another one"
            )
        try:
            check_backup(place)
        except CatalogueError as error:
            raise CatalogueError(
                f"{place}: expected a new file or an older backup, found another file; "
                "name another one"
            ) from error

    # --- connections -----------------------------------------------------------------------

    def _make_engine(self) -> Engine:
        return create_engine(
            "sqlite://", creator=lambda: connect(self.path), poolclass=QueuePool, max_overflow=60
        )

    def _connect(self) -> Connection:
        if self._pid != os.getpid():  # SQLite's connections must not be used across a fork
            self._engine.dispose(close=False)
            self._engine, self._pid = self._make_engine(), os.getpid()
        return self._engine.connect()

    def _read(self, action: Callable[[Connection], _Result]) -> _Result:
        """What `action` gives on a connection that sees one moment of the catalogue."""

        def once() -> _Result:
            with self._connect() as connection:
                connection.exec_driver_sql("BEGIN")
                return action(connection)

        with told(self.path):
            return patiently(self.path, once, self._patience_s)

    def _begin_write(self) -> Connection:
        def once() -> Connection:
            connection = self._connect()
            try:
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            except BaseException:
                connection.close()
                raise
            return connection

        return patiently(self.path, once, self._patience_s)


def _damages(path: Path) -> list[Damage]:
    with Catalogue(path) as catalogue:
        return catalogue.verify()


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"
