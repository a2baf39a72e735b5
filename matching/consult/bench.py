"""The bench beside the car: the plan for a system, engine families, instruments."""

from __future__ import annotations

import difflib
import os
from collections.abc import Sequence
from dataclasses import replace

from matching.consult.derive import all_cards
from matching.families import checked_family
from matching.instrument_figures import measure_channel
from matching.instruments_compared import Comparison, compared
from matching.plan import Plan, make_plan
from refdb import captures
from refdb.bench_records import Bench, BenchReading, Family, Instrument, checked_instrument
from refdb.captures import ReadOptions
from refdb.cards import find_card
from refdb.catalogue import Catalogue
from refdb.catalogue_place import catalogue_place
from refdb.errors import CatalogueError
from refdb.identifiers import checked_vin, vin_hash, vin_part

Place = str | os.PathLike[str] | None


def plan(
    system: str,
    *,
    engine_family: str | None = None,
    instrument: str | None = None,
    catalogue: Place = None,
) -> Plan:
    """How to capture a system, before the probe touches anything. Never makes a catalogue.

    Raises StraygaugeError for an unknown system or instrument; an unknown family is told of.
    """
    card = find_card(system, all_cards(catalogue))
    asked = (engine_family or "").strip()
    known = next((f for f in families(catalogue=catalogue) if f.name == asked), None)
    bench = find_bench(instrument, catalogue=catalogue) if instrument else None
    return make_plan(
        card,
        engine_family=asked,
        family=known,
        instrument=bench.instrument if bench else None,
        reading=bench.latest_quiet if bench else None,
    )


# --- families ------------------------------------------------------------------------------


def families(*, catalogue: Place = None) -> tuple[Family, ...]:
    """Every engine family by name; none where there is no catalogue yet."""
    if not catalogue_place(catalogue).exists():
        return ()
    with Catalogue.open(catalogue, create=False) as opened:
        return opened.families()


def find_family(name: str, *, catalogue: Place = None) -> Family:
    """The family of that name. Raises CatalogueError naming the nearest."""
    known = {one.name: one for one in families(catalogue=catalogue)}
    if name not in known:
        raise _unknown("family", name, known, "families add")
    return known[name]


def add_family(given: Family, *, vin: str | None = None, catalogue: Place = None) -> Family:
    """Keeps what is known of a family: what `given` leaves open stays as it was.

    vin: of any vehicle of the family; only its salted hash and descriptive part are kept.

    Raises CatalogueError for a record that contradicts itself, an EPA name or VIN that is none.
    """
    number = None if vin is None else checked_vin(vin)
    with Catalogue.open(catalogue) as opened, opened.write() as unit:
        before = next((f for f in opened.families() if f.name == given.name), Family(given.name))
        told = {
            name: getattr(given, name)
            for name in Family.__dataclass_fields__
            if getattr(given, name) not in (None, "", ())
        }
        one = checked_family(replace(before, **told))
        if number is not None:
            one = replace(one, vin_part=vin_part(number), vin_hash=vin_hash(number, unit.salt))
        unit.put_family(one)
        unit.commit()
    return one


# --- instruments ---------------------------------------------------------------------------


def benches(*, catalogue: Place = None) -> tuple[Bench, ...]:
    """Every instrument with its readings, newest first; none where there is no catalogue yet."""
    if not catalogue_place(catalogue).exists():
        return ()
    with Catalogue.open(catalogue, create=False) as opened:
        return opened.benches()


def find_bench(name: str, *, catalogue: Place = None) -> Bench:
    """The instrument of that name. Raises CatalogueError naming the nearest."""
    known = {one.instrument.name: one for one in benches(catalogue=catalogue)}
    if name not in known:
        raise _unknown("instrument", name, known, "instrument add")
    return known[name]


def add_instrument(one: Instrument, *, catalogue: Place = None) -> Instrument:
    """Keeps an instrument, in the place of one of its name; its readings stay.

    Raises CatalogueError for a record that makes no sense.
    """
    one = checked_instrument(one)
    with Catalogue.open(catalogue) as opened, opened.write() as unit:
        unit.put_instrument(one)
        unit.commit()
    return one


def measure_instrument(
    name: str,
    file: str | os.PathLike[str],
    options: ReadOptions,
    *,
    catalogue: Place = None,
) -> tuple[BenchReading, ...]:
    """Works out noise, offset, drift, step and effective bits of each channel and keeps them dated.

    The file: inputs open or shorted, or a sine. Values are referred to the bare input.

    Raises StraygaugeError for an unknown instrument, an unreadable file, channels not in volts.
    """
    bench = find_bench(name, catalogue=catalogue)
    capture = captures.read(os.fspath(file), options)
    found = [
        measure_channel(bench.instrument, capture, row, os.path.basename(os.fspath(file)))
        for row in range(len(capture.channels))
    ]
    with Catalogue.open(catalogue) as opened, opened.write() as unit:
        dated = tuple(unit.add_reading(one) for one in found)
        unit.commit()
    return dated


def compare_instruments(a: str, b: str, *, catalogue: Place = None) -> tuple[Comparison, ...]:
    """Two instruments side by side for every system in force, by its name.

    Raises CatalogueError for an unknown instrument.
    """
    one, other = find_bench(a, catalogue=catalogue), find_bench(b, catalogue=catalogue)
    cards = all_cards(catalogue)
    return tuple(compared(cards[name], one, other) for name in sorted(cards))


def _unknown(what: str, name: str, known: dict, add: str) -> CatalogueError:
    near: Sequence[str] = difflib.get_close_matches(name, known, 3, 0.4) or sorted(known)[:6]
    hint = f"nearest: {', '.join(near)}" if near else "there is none yet"
    return CatalogueError(
        f"{what} '{name}': expected one on record, found none of that name; {hint}; "
        f"`straygauge {add}` makes one"
    )
