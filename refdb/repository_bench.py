"""Families, instruments and shop cards: rows into frozen records and back.

Every function works on a connection that is already inside a read or write transaction.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, RowMapping, delete, func, insert, select
from sqlalchemy.dialects.sqlite import insert as sqlite_insert

from refdb.bench_records import Bench, BenchReading, Family, Instrument, ShopCardText
from refdb.tables import (
    EngineFamily,
    InstrumentReadingRow,
    InstrumentRow,
    ReferenceRow,
    ShopCard,
    table,
)

family, instrument = table(EngineFamily), table(InstrumentRow)
reading, shop_card, reference = table(InstrumentReadingRow), table(ShopCard), table(ReferenceRow)


# --- families ------------------------------------------------------------------------------


def families(connection: Connection) -> tuple[Family, ...]:
    """Every family, by name; one that only references named knows nothing but its name."""
    rows = connection.execute(select(family).order_by(family.c.name)).mappings()
    return tuple(_family(row) for row in rows)


def _family(row: RowMapping) -> Family:
    facts: dict[str, Any] = {name: row[name] for name in Family.__dataclass_fields__}
    facts["firing_order"] = tuple(int(part) for part in _parts(row["firing_order"]))
    facts["firing_intervals"] = tuple(float(part) for part in _parts(row["firing_intervals"]))
    numbers = ("cylinders", "alternator_poles", "pulley_ratio", "pump_segments")
    for name, value in facts.items():
        facts[name] = "" if value is None and name not in numbers else value
    return Family(**facts)


def _parts(text: str | None) -> list[str]:
    return text.split("-") if text else []


def put_family(connection: Connection, one: Family) -> None:
    """Writes a family whole, in the place of one of that name."""
    facts: dict[str, Any] = asdict(one)
    facts["firing_order"] = "-".join(str(n) for n in one.firing_order)
    facts["firing_intervals"] = "-".join(f"{degrees:g}" for degrees in one.firing_intervals)
    facts = {name: None if value == "" else value for name, value in facts.items()}
    row = sqlite_insert(family).values(**facts)
    changed = {name: row.excluded[name] for name in facts if name != "name"}
    connection.execute(row.on_conflict_do_update(index_elements=["name"], set_=changed))


# --- instruments ---------------------------------------------------------------------------


def benches(connection: Connection) -> tuple[Bench, ...]:
    """Every instrument by name, with its readings, newest first."""
    readings: dict[str, list[BenchReading]] = {}
    query = select(reading).order_by(reading.c.at.desc(), reading.c.id.desc())
    for row in connection.execute(query).mappings():
        facts = {name: row[name] for name in BenchReading.__dataclass_fields__}
        readings.setdefault(row["instrument"], []).append(BenchReading(**facts))
    rows = connection.execute(select(instrument).order_by(instrument.c.name)).mappings()
    return tuple(Bench(_instrument(row), tuple(readings.get(row["name"], ()))) for row in rows)


def _instrument(row: RowMapping) -> Instrument:
    facts: dict[str, Any] = {name: row[name] for name in Instrument.__dataclass_fields__}
    rates: Mapping[str, float] = json.loads(row["max_rate_hz"])
    facts["max_rate_hz"] = {int(n): float(rate) for n, rate in rates.items()}
    facts["attenuators"] = tuple(float(factor) for factor in json.loads(row["attenuators"]))
    return Instrument(**facts)


def put_instrument(connection: Connection, one: Instrument, at: str) -> None:
    """Writes an instrument, in the place of one of that name; its readings stay."""
    facts: dict[str, Any] = asdict(one) | {"added_at": at}
    facts["max_rate_hz"] = json.dumps({str(n): rate for n, rate in one.max_rate_hz.items()})
    facts["attenuators"] = json.dumps(list(one.attenuators))
    row = sqlite_insert(instrument).values(**facts)
    changed = {name: row.excluded[name] for name in facts if name != "name"}
    connection.execute(row.on_conflict_do_update(index_elements=["name"], set_=changed))


def add_reading(connection: Connection, one: BenchReading, at: str) -> None:
    """Writes a reading, dated `at`. The instrument must be there (a foreign key says so)."""
    connection.execute(insert(reading), asdict(one) | {"at": at})


# --- cards ---------------------------------------------------------------------------------


def shop_cards(connection: Connection) -> tuple[ShopCardText, ...]:
    """The texts of the shop's own cards, by name."""
    rows = connection.execute(select(shop_card.c.name, shop_card.c.toml).order_by(shop_card.c.name))
    return tuple(ShopCardText(row.name, row.toml) for row in rows)


def put_card(connection: Connection, one: ShopCardText) -> None:
    """Writes a card, in the place of one of that name."""
    row = sqlite_insert(shop_card).values(name=one.name, toml=one.toml)
    connection.execute(
        row.on_conflict_do_update(index_elements=["name"], set_={"toml": row.excluded.toml})
    )


def remove_card(connection: Connection, name: str) -> int:
    """Takes a card out; gives how many references its system has, and takes nothing out then."""
    query = select(func.count()).select_from(reference).where(reference.c.system == name)
    held = int(connection.execute(query).scalar_one())
    if not held:
        connection.execute(delete(shop_card).where(shop_card.c.name == name))
    return held
