"""The tables of the catalogue, as SQLAlchemy sees them.

Every constraint has a name: SQLite can only change a table by rebuilding it, and a rebuild drops
what it cannot name. The same shape is written by hand in migrations/versions; a test compares.
"""

from __future__ import annotations

from sqlalchemy import (
    DDL,
    CheckConstraint,
    ForeignKey,
    Index,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    event,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

NAMES = {
    "pk": "pk_%(table_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
}

# SQLite says what a history row may never suffer; see HISTORY_TRIGGERS in 0001 for the same text.
HISTORY_TRIGGERS = tuple(
    f"CREATE TRIGGER history_no_{verb.lower()} BEFORE {verb} ON history "
    "BEGIN SELECT RAISE(ABORT, 'history is append-only'); END"
    for verb in ("UPDATE", "DELETE")
)


class Base(DeclarativeBase):
    metadata = MetaData(naming_convention=NAMES)
    type_annotation_map = {str: Text, bytes: LargeBinary}  # noqa: RUF012  (SQLAlchemy's own form)


class CatalogueRow(Base):
    """One row: what the catalogue is and how often it was written."""

    __tablename__ = "catalogue"
    __table_args__ = (
        CheckConstraint("id = 1", name="one_row"),
        CheckConstraint("revision >= 0", name="revision"),
        CheckConstraint("length(salt) = 32", name="salt"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    identity: Mapped[str]  # random, told apart from every other catalogue
    revision: Mapped[int]  # writes so far
    stamp: Mapped[str]  # random per write: a restored backup never repeats a revision's name
    created_with: Mapped[str]
    created_at: Mapped[str]
    salt: Mapped[bytes]  # secret, for hashing VINs
    history_rows: Mapped[int]
    history_head: Mapped[str]  # hash of the newest history row, so that a cut tail is noticed


class Vehicle(Base):
    __tablename__ = "vehicle"
    __table_args__ = (
        UniqueConstraint("name"),
        CheckConstraint("name <> ''", name="name"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]


class EngineFamily(Base):
    """A family is a record; what is not known of it is NULL and then not computed with."""

    __tablename__ = "engine_family"
    __table_args__ = (
        UniqueConstraint("name"),
        CheckConstraint("name <> ''", name="name"),
        CheckConstraint("cylinders BETWEEN 1 AND 24", name="cylinders"),
        CheckConstraint("alternator_poles > 0", name="alternator_poles"),
        CheckConstraint("pulley_ratio > 0", name="pulley_ratio"),
        CheckConstraint("pump_segments > 0", name="pump_segments"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    cylinders: Mapped[int | None]
    firing_order: Mapped[str | None]  # '1-3-4-2'
    firing_intervals: Mapped[str | None]  # crank degrees, '180-180-180-180'
    ignition_type: Mapped[str | None]
    crank_wheel: Mapped[str | None]  # '60-2'
    cam_pattern: Mapped[str | None]
    alternator_poles: Mapped[int | None]
    pulley_ratio: Mapped[float | None]
    pump_segments: Mapped[int | None]
    injector_type: Mapped[str | None]
    fuel: Mapped[str | None]
    induction: Mapped[str | None]
    epa_family: Mapped[str | None]  # 12 characters
    vin_part: Mapped[str | None]  # places 1-8, 10 and 11; never the serial number
    vin_hash: Mapped[str | None]  # salted and slow, see refdb/vin.py


class ReferenceRow(Base):
    """One capture and what a person says of it. Its samples are in `trace`."""

    __tablename__ = "reference"
    __table_args__ = (
        UniqueConstraint("sha256"),
        CheckConstraint("system <> ''", name="system"),
        CheckConstraint(
            "(label = 'good' AND fault = '') OR (label = 'fault' AND fault <> '')", name="label"
        ),
        CheckConstraint("origin IN ('simulated', 'captured', 'confirmed')", name="origin"),
        CheckConstraint("state IN ('proposed', 'accepted', 'retired')", name="state"),
        CheckConstraint("coupling IN ('ac', 'dc')", name="coupling"),
        CheckConstraint("rate_hz > 0", name="rate_hz"),
        CheckConstraint("n_samples >= 0", name="n_samples"),
        Index(None, "system", "state"),
        Index(None, "vehicle_id"),
        Index(None, "engine_family_id"),
        {"sqlite_autoincrement": True},  # an id in the history is never given away again
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    system: Mapped[str]
    engine_family_id: Mapped[int | None] = mapped_column(ForeignKey("engine_family.id"))
    condition: Mapped[str]
    label: Mapped[str]
    fault: Mapped[str]
    vehicle_id: Mapped[int] = mapped_column(ForeignKey("vehicle.id"))
    origin: Mapped[str]
    state: Mapped[str]
    confirmed_fix: Mapped[str]
    note: Mapped[str]
    source: Mapped[str]
    sha256: Mapped[str]
    rate_hz: Mapped[float]
    n_samples: Mapped[int]
    start_s: Mapped[float]
    coupling: Mapped[str | None]
    attenuation: Mapped[float]
    scale: Mapped[float]
    remarks: Mapped[str]  # JSON list of sentences
    added_at: Mapped[str]  # ISO 8601, UTC


class ChannelRow(Base):
    __tablename__ = "channel"
    __table_args__ = {"sqlite_with_rowid": False}  # noqa: RUF012  (rows lie beside each other)
    reference_id: Mapped[int] = mapped_column(
        ForeignKey("reference.id", ondelete="CASCADE"), primary_key=True
    )
    position: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    unit: Mapped[str]


class TagRow(Base):
    __tablename__ = "tag"
    __table_args__ = {"sqlite_with_rowid": False}  # noqa: RUF012
    reference_id: Mapped[int] = mapped_column(
        ForeignKey("reference.id", ondelete="CASCADE"), primary_key=True
    )
    name: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[str]


class TraceRow(Base):
    """Samples as `refdb.samples` packs them, apart so that scanning references stays fast."""

    __tablename__ = "trace"
    reference_id: Mapped[int] = mapped_column(
        ForeignKey("reference.id", ondelete="CASCADE"), primary_key=True
    )
    body: Mapped[bytes]


class DerivedRow(Base):
    __tablename__ = "derived"
    reference_id: Mapped[int] = mapped_column(
        ForeignKey("reference.id", ondelete="CASCADE"), primary_key=True
    )
    recipe: Mapped[str] = mapped_column(primary_key=True)
    checksum: Mapped[int]  # CRC-32 of the payload
    payload: Mapped[bytes]


class HistoryRow(Base):
    """Who did what, when and why. Append-only; each row's hash covers the one before."""

    __tablename__ = "history"
    __table_args__ = (
        UniqueConstraint("hash"),
        CheckConstraint("action <> ''", name="action"),
        Index(None, "reference_id"),
        {"sqlite_autoincrement": True},
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[str]
    who: Mapped[str]
    action: Mapped[str]
    reference_id: Mapped[int | None]  # no foreign key: it outlives the reference
    why: Mapped[str]
    detail: Mapped[str]  # JSON object
    previous: Mapped[str]
    hash: Mapped[str]


class ShopCard(Base):
    """A system card a shop wrote itself."""

    __tablename__ = "shop_card"
    __table_args__ = (CheckConstraint("name <> ''", name="name"),)
    name: Mapped[str] = mapped_column(primary_key=True)
    toml: Mapped[str]


class InstrumentRow(Base):
    """A measuring instrument as its owner describes it."""

    __tablename__ = "instrument"
    __table_args__ = (
        CheckConstraint("name <> ''", name="name"),
        CheckConstraint("range_v > 0", name="range_v"),
        CheckConstraint("bits BETWEEN 4 AND 32", name="bits"),
        CheckConstraint("input_ohm > 0", name="input_ohm"),
        CheckConstraint("ac_corner_hz > 0", name="ac_corner_hz"),
    )
    name: Mapped[str] = mapped_column(primary_key=True)
    range_v: Mapped[float]  # full scale of the bare input, +/- V
    bits: Mapped[int]
    max_rate_hz: Mapped[str]  # JSON object: channels in use -> samples per second
    input_ohm: Mapped[float | None]
    ac_corner_hz: Mapped[float | None]
    attenuators: Mapped[str]  # JSON list of factors
    note: Mapped[str]
    added_at: Mapped[str]


class InstrumentReadingRow(Base):
    """What a capture with a quiet input, or of a sine, told of an instrument; never changed."""

    __tablename__ = "instrument_reading"
    __table_args__ = (
        CheckConstraint("kind IN ('quiet', 'sine')", name="kind"),
        CheckConstraint("attenuation > 0", name="attenuation"),
        CheckConstraint("rate_hz > 0", name="rate_hz"),
        CheckConstraint("noise_rms_v >= 0", name="noise_rms_v"),
        Index(None, "instrument"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    instrument: Mapped[str] = mapped_column(ForeignKey("instrument.name", ondelete="CASCADE"))
    at: Mapped[str]  # ISO 8601, UTC
    kind: Mapped[str]
    channel: Mapped[str]
    attenuation: Mapped[float]
    rate_hz: Mapped[float]
    n_samples: Mapped[int]
    noise_rms_v: Mapped[float]
    offset_v: Mapped[float]
    drift_v_per_min: Mapped[float]
    step_v: Mapped[float]
    effective_bits: Mapped[float]
    sine_hz: Mapped[float | None]
    sine_v: Mapped[float | None]
    sinad_db: Mapped[float | None]
    source: Mapped[str]


def table(row: type[Base]) -> Table:
    """The core table of a row class, for statements that never build row objects."""
    found = row.__table__
    assert isinstance(found, Table)
    return found


for _trigger in HISTORY_TRIGGERS:
    event.listen(table(HistoryRow), "after_create", DDL(_trigger))
