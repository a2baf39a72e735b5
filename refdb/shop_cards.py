"""The cards in force: those that ship with the tool and those a shop keeps in its catalogue.

Read by plain sqlite3, so that listing or finding a card never costs the import of SQLAlchemy, and
never makes or upgrades a catalogue.
"""

from __future__ import annotations

import os
from contextlib import closing
from pathlib import Path

from refdb.bench_records import ShopCardText
from refdb.cards import SystemCard, parse_card, shipped_cards
from refdb.catalogue_errors import told
from refdb.catalogue_link import connect, patiently
from refdb.catalogue_place import catalogue_place
from refdb.errors import CardError
from refdb.schema import stored_version

Place = str | os.PathLike[str] | None


def shop_card_texts(place: Place = None) -> tuple[ShopCardText, ...]:
    """The shop's own cards in that catalogue; none where there is no catalogue yet.

    Raises CatalogueError for a file that is no catalogue, or a newer one.
    """
    path = catalogue_place(place)
    if not path.exists() or path.stat().st_size == 0 or stored_version(path) is None:
        return ()

    def read() -> tuple[ShopCardText, ...]:
        with closing(connect(path)) as link:
            rows = link.execute("SELECT name, toml FROM shop_card ORDER BY name").fetchall()
        return tuple(ShopCardText(name, toml) for name, toml in rows)

    with told(path):
        return patiently(path, read)


def cards_in_force(place: Place = None) -> dict[str, SystemCard]:
    """Every card by name: the shipped ones and the shop's own.

    A shop card that this version cannot read any more is left out here and told by
    `broken_cards`: it must not stop the check of another system.

    Raises CatalogueError as `shop_card_texts` does.
    """
    known = shipped_cards()
    for one in shop_card_texts(place):
        try:
            known.setdefault(one.name, parse_card(one.toml, f"card '{one.name}'"))
        except CardError:
            continue
    return known


def broken_cards(place: Place = None) -> dict[str, str]:
    """Shop cards that cannot be used, by name, and why."""
    broken: dict[str, str] = {}
    for one in shop_card_texts(place):
        try:
            parse_card(one.toml, f"card '{one.name}'")
        except CardError as problem:
            broken[one.name] = str(problem)
    return broken


def read_card_file(file: str | os.PathLike[str]) -> str:
    """The text of a card file. Raises CardError, one line, when it cannot be read."""
    path = Path(file)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise CardError(f"{path}: expected a card, found no such file; check the path") from None
    except IsADirectoryError:
        raise CardError(f"{path}: expected a card file, found a folder; name the file") from None
    if len(data) > MOST_BYTES:
        raise CardError(
            f"{path}: expected a card of at most {MOST_BYTES} bytes, found {len(data)}; "
            "a card holds names and numbers only"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise CardError(
            f"{path}: expected UTF-8 text, found another byte at offset {problem.start}; "
            "save it as UTF-8"
        ) from None


MOST_BYTES = 1_000_000  # the longest shipped card has 30 kB
