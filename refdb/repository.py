"""The unit of work: what is written together, or not at all."""

from __future__ import annotations

import json
import secrets
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, delete, insert, select, update
from sqlalchemy.dialects.sqlite import insert as sqlite_insert

from refdb import repository_bench as bench
from refdb import repository_read as read
from refdb import samples
from refdb.bench_records import BenchReading, Family, Instrument, ShopCardText
from refdb.catalogue_errors import told
from refdb.errors import CatalogueError, DuplicateReference
from refdb.identifiers import veiled
from refdb.records import Capture, Derived, Label, NewReference, Reference, State
from refdb.repository_history import Chain, seal, stored_seal
from refdb.repository_new import check_said, checked, storable, to_reference, without_vins
from refdb.tables import EngineFamily, Vehicle, table


class UnitOfWork:
    """Writes to one catalogue. Nothing is kept unless `commit` is called.

    The write lock is taken at the first write and given back by `commit`, after which further
    writes begin anew: one unit can keep file after file, or all files at once.
    Not for use by several threads at a time.
    """

    def __init__(self, begin: Callable[[], Connection], place: Path, *, who: str, at: str) -> None:
        """begin: gives a connection inside an immediate transaction.  at: ISO 8601, UTC."""
        self._begin = begin
        self._place = place
        self._who = storable(who)
        self._at = at
        self._connection: Connection | None = None
        self._chain = Chain(0, "")
        self._ids: dict[tuple[str, str], int] = {}
        self._failed = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.rollback()

    # --- writing ---------------------------------------------------------------------------

    def add(
        self,
        capture: Capture,
        new: NewReference,
        derived: Derived | None = None,
        *,
        why: str = "",
    ) -> Reference:
        """Stores a capture and what is said of it; gives the reference it has become.

        derived: what was computed of it already; its reference_id is ignored.
        why: for the history.

        Raises DuplicateReference if the same samples are there already, CatalogueError if what
        is said makes no sense. The unit can go on after both.
        """
        capture, new = checked(capture, new)
        body = samples.encode(
            capture.samples, capture.overload, scale=capture.scale, attenuation=capture.attenuation
        )
        with self._writing() as connection:
            self._refuse_copy(connection, capture)
            capture, new = without_vins(capture, new, self.salt)
            reference = self._insert(connection, capture, new, body)
            if derived is not None:
                self._put(connection, replace(derived, reference_id=reference.id))
            digest = samples.check(body)
            sealed = seal(reference, capture.start_s, capture.remarks, digest)
            self._note(connection, "add", reference.id, why, {"seal": sealed, "trace": digest})
        return reference

    def remove(self, id: int, why: str) -> None:
        """Takes a reference out, samples and all; the history keeps that it was there.

        Raises CatalogueError for an unknown id.
        """
        with self._writing() as connection:
            gone = self._known(connection, id)
            connection.execute(delete(read.reference).where(read.reference.c.id == id))
            detail = {"sha256": gone.sha256, "label": gone.label, "fault": gone.fault}
            self._note(connection, "remove", id, why, detail)

    def set_state(self, id: int, state: State, why: str) -> Reference:
        """Moves a reference to 'proposed', 'accepted' or 'retired'.

        Raises CatalogueError for an unknown id or state.
        """
        return self._change(id, "state", why, {"state": state})

    def relabel(self, id: int, label: Label, fault: str, why: str) -> Reference:
        """Says anew what a reference is: 'good' with no fault, or 'fault' with the fault's name.

        Raises CatalogueError for an unknown id, or a label and fault that do not go together.
        """
        return self._change(id, "relabel", why, {"label": label, "fault": fault})

    def put_derived(self, payloads: Iterable[Derived]) -> int:
        """Keeps computed payloads, replacing those of the same recipe; gives how many were kept.

        One whose reference has been removed meanwhile is passed over.
        """
        kept = 0
        with self._writing() as connection:
            for payload in payloads:
                kept += self._put(connection, payload)
        return kept

    def drop_derived(self, system: str, keep: Iterable[str]) -> int:
        """Forgets payloads of a system made by other recipes than `keep`; gives how many."""
        ids = select(read.reference.c.id).where(read.reference.c.system == system)
        query = delete(read.derived).where(
            read.derived.c.reference_id.in_(ids), read.derived.c.recipe.not_in(sorted(keep))
        )
        with self._writing() as connection:
            return connection.execute(query).rowcount

    def note(self, action: str, why: str, detail: Mapping[str, Any]) -> None:
        """Writes a history row that concerns the whole catalogue."""
        with self._writing() as connection:
            self._note(connection, action, None, why, detail)

    def put_family(self, one: Family, why: str = "") -> None:
        """Writes all that is known of an engine family, in the place of what was."""
        with self._writing() as connection:
            bench.put_family(connection, one)
            self._note(connection, "family", None, why, {"family": one.name})

    def put_instrument(self, one: Instrument, why: str = "") -> None:
        """Writes an instrument, in the place of one of that name; its readings stay."""
        with self._writing() as connection:
            bench.put_instrument(connection, one, self._at)
            self._note(connection, "instrument", None, why, {"instrument": one.name})

    def add_reading(self, one: BenchReading) -> BenchReading:
        """Writes what was measured of an instrument; gives it dated."""
        with self._writing() as connection:
            bench.add_reading(connection, one, self._at)
            detail = {"instrument": one.instrument, "kind": one.kind}
            self._note(connection, "instrument reading", None, "", detail)
        return replace(one, at=self._at)

    def put_card(self, one: ShopCardText, why: str = "") -> None:
        """Writes a shop's own system card, in the place of one of that name."""
        with self._writing() as connection:
            bench.put_card(connection, one)
            self._note(connection, "card", None, why, {"card": one.name, "toml": one.toml})

    def remove_card(self, name: str, why: str = "") -> int:
        """Takes a card out unless references need it; gives how many do."""
        with self._writing() as connection:
            held = bench.remove_card(connection, name)
            if not held:
                self._note(connection, "card removed", None, why, {"card": name})
        return held

    def commit(self) -> None:
        """Keeps all that was written since the last commit. Once it returns, it is on the disk.

        Raises CatalogueError if a write failed before, or this one does: nothing is kept then.
        """
        if self._failed:
            raise CatalogueError(
                f"{self._place}: expected every write to succeed before keeping them, found one "
                "that failed; nothing was kept, start again"
            )
        if self._connection is None:
            return
        with self._writing() as connection:
            connection.execute(
                update(read.catalogue).values(
                    revision=read.catalogue.c.revision + 1,
                    stamp=secrets.token_hex(4),
                    history_rows=self._chain.rows,
                    history_head=self._chain.head,
                )
            )
            connection.commit()
        self._end()

    def rollback(self) -> None:
        """Forgets all that was written since the last commit."""
        if self._connection is not None:
            self._end()

    @property
    def salt(self) -> bytes:
        """The catalogue's own secret, for hashing VINs."""
        with self._writing() as connection:
            return bytes(connection.execute(select(read.catalogue.c.salt)).scalar_one())

    # --- the transaction -------------------------------------------------------------------

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        """The connection inside the transaction, begun if need be; a failed write ends it."""
        with told(self._place):
            if self._connection is None:
                self._connection = self._begin()
                end = self._connection.execute(
                    select(read.catalogue.c.history_rows, read.catalogue.c.history_head)
                ).one()
                self._chain = Chain(*end)
                self._ids.clear()
            try:
                yield self._connection
            except BaseException as error:
                # our own refusals come before anything is written; all else may be half-done
                if not isinstance(error, CatalogueError):
                    self._failed = True
                    self._end()
                raise

    def _end(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()  # rolls back what was not committed

    # --- rows ------------------------------------------------------------------------------

    def _refuse_copy(self, connection: Connection, capture: Capture) -> None:
        same = select(read.reference.c.id).where(read.reference.c.sha256 == capture.sha256)
        id_ = connection.execute(same).scalar()
        if id_ is None:
            return
        known = self._known(connection, id_)
        said = known.fault if known.label == "fault" else "good"
        raise DuplicateReference(
            f"{capture.source}: expected new samples, found that the same samples are reference "
            f"{id_} already ({known.context.system}, {said}, vehicle {known.vehicle}); "
            f"leave the file out, or remove reference {id_} first",
            id_,
        )

    def _insert(
        self, connection: Connection, capture: Capture, new: NewReference, body: bytes
    ) -> Reference:
        row = {
            "system": new.context.system,
            "engine_family_id": self._id_of(connection, EngineFamily, new.context.engine_family),
            "condition": new.context.condition,
            "label": new.label,
            "fault": new.fault,
            "vehicle_id": self._id_of(connection, Vehicle, new.vehicle),
            "origin": new.origin,
            "state": new.state,
            "confirmed_fix": new.confirmed_fix,
            "note": new.note,
            "source": capture.source,
            "sha256": capture.sha256,
            "rate_hz": capture.rate_hz,
            "n_samples": capture.n_samples,
            "start_s": capture.start_s,
            "coupling": capture.coupling,
            "attenuation": capture.attenuation,
            "scale": capture.scale,
            "remarks": json.dumps(capture.remarks),
            "added_at": self._at,
        }
        (id_,) = connection.execute(insert(read.reference), row).inserted_primary_key or (0,)
        channels = [
            {"reference_id": id_, "position": position, "name": one.name, "unit": one.unit}
            for position, one in enumerate(capture.channels)
        ]
        connection.execute(insert(read.channel), channels)
        if new.tags:
            tags = [{"reference_id": id_, "name": k, "value": v} for k, v in new.tags.items()]
            connection.execute(insert(read.tag), tags)
        connection.execute(insert(read.trace), {"reference_id": id_, "body": body})
        return to_reference(id_, capture, new, self._at)

    def _id_of(
        self, connection: Connection, row: type[Vehicle] | type[EngineFamily], name: str
    ) -> int | None:
        """The id of a vehicle or family by name, made if new; None for an unknown (empty) one."""
        if not name:
            return None
        key = (row.__tablename__, name)
        if key not in self._ids:
            where = table(row)
            made = sqlite_insert(where).values(name=name).on_conflict_do_nothing()
            connection.execute(made)
            found = connection.execute(select(where.c.id).where(where.c.name == name))
            self._ids[key] = found.scalar_one()
        return self._ids[key]

    def _put(self, connection: Connection, payload: Derived) -> int:
        known = select(read.reference.c.id).where(read.reference.c.id == payload.reference_id)
        if connection.execute(known).scalar() is None:
            return 0
        row = sqlite_insert(read.derived).values(
            reference_id=payload.reference_id,
            recipe=payload.recipe,
            checksum=zlib.crc32(payload.payload),
            payload=payload.payload,
        )
        connection.execute(
            row.on_conflict_do_update(
                index_elements=["reference_id", "recipe"],
                set_={"checksum": row.excluded.checksum, "payload": row.excluded.payload},
            )
        )
        return 1

    def _known(self, connection: Connection, id_: int) -> Reference:
        found = read.one_reference(connection, id_)
        if found is None:
            raise read.unknown_reference(id_, str(self._place))
        return found

    def _change(self, id_: int, action: str, why: str, values: dict[str, str]) -> Reference:
        with self._writing() as connection:
            before = self._known(connection, id_)
            values = {name: storable(value) for name, value in values.items()}
            after = replace(before, **values)  # type: ignore[arg-type]
            check_said(f"{self._place}: reference {id_}", after)
            where = read.reference.c.id == id_
            connection.execute(update(read.reference).where(where).values(**values))
            detail = {
                "from": {name: getattr(before, name) for name in values},
                "to": values,
                "seal": stored_seal(connection, self._known(connection, id_)),
            }
            self._note(connection, action, id_, why, detail)
        return after

    def _note(
        self,
        connection: Connection,
        action: str,
        reference_id: int | None,
        why: str,
        detail: Mapping[str, Any],
    ) -> None:
        self._chain.append(
            connection,
            at=self._at,
            who=self._who,
            action=action,
            reference_id=reference_id,
            why=veiled(storable(why), self.salt),
            detail=detail,
        )
