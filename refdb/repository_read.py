"""Rows into frozen records. Core selects only: building row objects would take ten times as long.

Every function works on a connection that is already inside a read or write transaction.
"""

from __future__ import annotations

import json
import zlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from sqlalchemy import ColumnElement, Connection, Row, Select, func, select

from refdb import samples
from refdb.errors import CatalogueError
from refdb.records import Capture, Channel, Context, ContextCount, Reference
from refdb.tables import (
    CatalogueRow,
    ChannelRow,
    DerivedRow,
    EngineFamily,
    ReferenceRow,
    TagRow,
    TraceRow,
    Vehicle,
    table,
)

catalogue, reference, channel = table(CatalogueRow), table(ReferenceRow), table(ChannelRow)
tag, trace, derived = table(TagRow), table(TraceRow), table(DerivedRow)
vehicle, family = table(Vehicle), table(EngineFamily)

Filter = Sequence[ColumnElement[bool]]

_CHANNELS = (
    select(
        func.json_group_array(func.json_array(channel.c.position, channel.c.name, channel.c.unit))
    )
    .where(channel.c.reference_id == reference.c.id)
    .scalar_subquery()
)
_TAGS = (
    select(func.json_group_object(tag.c.name, tag.c.value))
    .where(tag.c.reference_id == reference.c.id)
    .scalar_subquery()
)
_COLUMNS = (
    reference.c.id, reference.c.system, family.c.name, reference.c.condition, _CHANNELS, _TAGS,
    reference.c.label, vehicle.c.name, reference.c.fault, reference.c.origin, reference.c.state,
    reference.c.confirmed_fix, reference.c.note, reference.c.source, reference.c.sha256,
    reference.c.rate_hz, reference.c.n_samples, reference.c.coupling, reference.c.attenuation,
    reference.c.scale, reference.c.added_at,
)  # fmt: skip


def revision(connection: Connection) -> str:
    """The name of the present contents: writes so far, and a random stamp of the last one."""
    row = connection.execute(select(catalogue.c.revision, catalogue.c.stamp)).one()
    return f"{row.revision}-{row.stamp}"


def filters(
    system: str | None = None,
    engine_family: str | None = None,
    condition: str | None = None,
    label: str | None = None,
    states: Iterable[str] | None = None,
) -> list[ColumnElement[bool]]:
    """What to look for; None does not look. An empty family or condition is one that is unknown."""
    wanted: list[ColumnElement[bool]] = []
    if system is not None:
        wanted.append(reference.c.system == system)
    if engine_family is not None:
        ids = select(family.c.id).where(family.c.name == engine_family).scalar_subquery()
        unknown = reference.c.engine_family_id.is_(None)
        wanted.append(reference.c.engine_family_id == ids if engine_family else unknown)
    if condition is not None:
        wanted.append(reference.c.condition == condition)
    if label is not None:
        wanted.append(reference.c.label == label)
    if states is not None:
        wanted.append(reference.c.state.in_(sorted(states)))
    return wanted


def references(connection: Connection, wanted: Filter = ()) -> tuple[Reference, ...]:
    """The references that fit, in order of id: one query however many there are."""
    contexts: dict[tuple[str, str | None, str], Context] = {}
    channels: dict[str, tuple[Channel, ...]] = {}
    found = []
    for row in connection.execute(_scan(wanted)).all():
        id_, system, family_name, condition, channels_text, tags_text, *rest = row
        key = (system, family_name, condition)
        context = contexts.get(key)
        if context is None:
            context = contexts[key] = Context(system, family_name or "", condition)
        named = channels.get(channels_text)
        if named is None:
            named = channels[channels_text] = _channels(channels_text)
        found.append(_reference(id_, context, rest, named, tags_text))
    return tuple(found)


def one_reference(connection: Connection, id_: int) -> Reference | None:
    """The reference with this id, whatever its state."""
    found = references(connection, [reference.c.id == id_])
    return found[0] if found else None


def _scan(wanted: Filter) -> Select:
    joined = reference.join(vehicle).outerjoin(family)
    return select(*_COLUMNS).select_from(joined).where(*wanted).order_by(reference.c.id)


def _channels(text: str) -> tuple[Channel, ...]:
    """Most references share a few lists of channels, so that few texts are ever parsed."""
    return tuple(Channel(name, unit) for _, name, unit in sorted(json.loads(text)))


def _reference(
    id_: int, context: Context, rest: list, channels: tuple[Channel, ...], tags_text: str
) -> Reference:
    (label, vehicle_name, fault, origin, state, fix, note, source, sha256, rate_hz, n_samples,
     coupling, attenuation, scale, added_at) = rest  # fmt: skip
    tags = {} if tags_text == "{}" else json.loads(tags_text)
    return Reference(
        id_, context, label, vehicle_name, fault, origin, state, fix, note, tags, source, sha256,
        rate_hz, n_samples, channels, coupling, attenuation, scale, added_at,
    )  # fmt: skip


def _of(query: Select, wanted: Filter, column: ColumnElement[int]) -> Select:
    """`query` narrowed to rows that belong to the wanted references."""
    if not wanted:
        return query
    return query.join(reference, column == reference.c.id).where(*wanted)


def derived_payloads(connection: Connection, recipe: str, wanted: Filter) -> dict[int, bytes]:
    """Reference id -> payload of `recipe`. One that was damaged is left out: it is made again."""
    query = select(derived.c.reference_id, derived.c.checksum, derived.c.payload)
    rows = connection.execute(
        _of(query, [*wanted, derived.c.recipe == recipe], derived.c.reference_id)
    )
    return {id_: payload for id_, checksum, payload in rows.all() if sound(payload, checksum)}


def sound(payload: object, checksum: object) -> bool:
    """True when a derived payload is what was stored."""
    return isinstance(payload, bytes) and zlib.crc32(payload) == checksum


# --- samples -------------------------------------------------------------------------------


def capture(connection: Connection, id_: int, place: str) -> Capture:
    """The capture of a reference, decoded, its checksum verified.

    place: the catalogue, for the error texts.

    Raises CatalogueError for an unknown id and for samples that changed since they were stored.
    """
    found = connection.execute(_trace_of(id_)).one_or_none()
    if found is None:
        raise unknown_reference(id_, place)
    body, start_s, remarks = found
    known = one_reference(connection, id_)
    assert known is not None
    return build_capture(known, body, start_s, remarks, place)


def build_capture(
    known: Reference, body: object, start_s: float, remarks_text: str, place: str
) -> Capture:
    """A capture from a reference and its trace; raises as `capture` does."""
    name = f"{place}: reference {known.id}"
    if not isinstance(body, bytes):
        raise samples.damaged(name, "none")
    array, overload = samples.decode(body, name=name)
    if array.shape != (len(known.channels), known.n_samples):
        raise samples.damaged(name, f"another number of them {array.shape}")
    try:
        remarks = tuple(json.loads(remarks_text))
    except (TypeError, ValueError) as error:
        raise samples.damaged(name, "unreadable remarks") from error
    return Capture(
        samples=array,
        rate_hz=known.rate_hz,
        channels=known.channels,
        coupling=known.coupling,
        attenuation=known.attenuation,
        scale=known.scale,
        source=known.source,
        sha256=known.sha256,
        start_s=start_s,
        overload=overload,
        remarks=remarks,
    )


def _trace_of(id_: int) -> Select:
    joined = reference.outerjoin(trace)
    columns = (trace.c.body, reference.c.start_s, reference.c.remarks)
    return select(*columns).select_from(joined).where(reference.c.id == id_)


def unknown_reference(id_: int, place: str) -> CatalogueError:
    """The error for an id that nothing has."""
    return CatalogueError(
        f"{place}: expected a reference {id_}, found none with that number; "
        "see the numbers with `straygauge list`"
    )


# --- counts --------------------------------------------------------------------------------


def context_counts(connection: Connection, wanted: Filter = ()) -> tuple[ContextCount, ...]:
    """One count per context that has a wanted reference, sorted by name."""
    key = (reference.c.system, func.coalesce(family.c.name, ""), reference.c.condition)
    query = (
        select(
            *key,
            reference.c.fault,
            func.count().label("captures"),
            func.count(reference.c.vehicle_id.distinct()).label("vehicles"),
            func.count().filter(reference.c.origin == "simulated").label("simulated"),
        )
        .select_from(reference.outerjoin(family))
        .where(*wanted)
        .group_by(*key, reference.c.fault)
        .order_by(*key, reference.c.fault)
    )
    return tuple(_counts(connection.execute(query)))


def _counts(rows: Iterable[Row]) -> Iterator[ContextCount]:
    groups: defaultdict[Context, list[Row]] = defaultdict(list)
    for row in rows:
        groups[Context(row[0], row[1], row[2])].append(row)
    for context, members in groups.items():
        yield ContextCount(
            context=context,
            references=sum(row.captures for row in members),
            simulated=sum(row.simulated for row in members),
            vehicles_good=sum(row.vehicles for row in members if not row.fault),
            faults={row.fault: row.vehicles for row in members if row.fault},
        )
