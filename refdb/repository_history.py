"""The append-only history: each row's hash covers the row before it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from hashlib import sha256
from typing import Any, TypeVar

from sqlalchemy import Connection, RowMapping, func, insert, select

from refdb import samples
from refdb.records import HistoryEntry, Reference
from refdb.tables import HistoryRow, ReferenceRow, TraceRow, table

_Parsed = TypeVar("_Parsed", list, dict)

history, reference, trace = table(HistoryRow), table(ReferenceRow), table(TraceRow)


def canonical(value: object) -> str:
    """JSON with one spelling per value, so that it can be hashed; damaged values included."""
    return json.dumps(
        value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), default=repr
    )


def parsed(text: object, kind: type[_Parsed]) -> _Parsed:
    """The list or object a stored JSON text stands for; an empty one if it was damaged."""
    try:
        value = json.loads(text)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return kind()
    return value if isinstance(value, kind) else kind()


def seal(reference: Reference, start_s: float, remarks: Iterable[str], trace_digest: str) -> str:
    """Fingerprint of all that the catalogue keeps of a reference, samples included.

    The history keeps it, so that `verify` notices a changed label or rate as well as a changed
    sample, while a removed note is not kept alive in the history.
    """
    facts = [
        reference.id,
        [reference.context.system, reference.context.engine_family, reference.context.condition],
        [reference.label, reference.fault, reference.vehicle, reference.origin, reference.state],
        [reference.confirmed_fix, reference.note, reference.source, reference.sha256],
        [reference.rate_hz, reference.n_samples, start_s, reference.attenuation, reference.scale],
        [[channel.name, channel.unit] for channel in reference.channels],
        [reference.coupling, dict(reference.tags), list(remarks), reference.added_at],
        trace_digest,
    ]
    return sha256(canonical(facts).encode()).hexdigest()


def stored_seal(connection: Connection, known: Reference) -> str:
    """The seal of a reference as its rows are now."""
    columns = (reference.c.start_s, reference.c.remarks, func.substr(trace.c.body, 1, 32))
    query = select(*columns).select_from(reference.outerjoin(trace))
    start_s, remarks, start = connection.execute(query.where(reference.c.id == known.id)).one()
    return seal(known, start_s, parsed(remarks, list), samples.digest(start or b""))


class Chain:
    """The end of the history inside one transaction. Not kept beyond it."""

    def __init__(self, rows: int, head: str) -> None:
        self.rows = rows
        self.head = head

    def append(
        self,
        connection: Connection,
        *,
        at: str,
        who: str,
        action: str,
        reference_id: int | None,
        why: str,
        detail: Mapping[str, Any],
    ) -> None:
        """Writes one row and moves the end on."""
        row = {
            "id": self.rows + 1,
            "at": at,
            "who": who,
            "action": action,
            "reference_id": reference_id,
            "why": why,
            "detail": canonical(detail),
            "previous": self.head,
        }
        row["hash"] = row_hash(row)
        connection.execute(insert(history), row)
        self.rows += 1
        self.head = str(row["hash"])


def row_hash(row: Mapping[str, Any] | RowMapping) -> str:
    """The hash of a history row, from all its other columns."""
    fields = ("id", "at", "who", "action", "reference_id", "why", "detail", "previous")
    return sha256(canonical([row[name] for name in fields]).encode()).hexdigest()


def broken_links(rows: Iterable[RowMapping], count: int, head: str) -> Iterator[str]:
    """One sentence for each place where the chain does not hold.

    rows: all history rows in order of id.  count, head: what the catalogue says the end is.
    """
    previous, number = "", 0
    for row in rows:
        number += 1
        if row["id"] != number:
            yield f"history row {number} is missing"
            number = row["id"]
        if row["previous"] != previous:
            yield f"history row {row['id']} does not follow the row before it"
        if row["hash"] != row_hash(row):
            yield f"history row {row['id']} was changed after it was written"
        previous = row["hash"]
    if number != count or previous != head:
        yield f"the history ends at row {number}, the catalogue says at row {count}"


def entry(row: RowMapping) -> HistoryEntry:
    """The record of one row."""
    return HistoryEntry(
        id=row["id"],
        at=row["at"],
        who=row["who"],
        action=row["action"],
        reference_id=row["reference_id"],
        why=row["why"],
        detail=parsed(row["detail"], dict),
    )
