"""A shop's own system cards: tried, kept in the catalogue, taken out."""

from __future__ import annotations

import os
from pathlib import Path

from matching.cards_check import checked_card
from refdb.bench_records import ShopCardText
from refdb.cards import CARD_FOLDER, SystemCard, find_card, shipped_cards
from refdb.catalogue import Catalogue
from refdb.errors import CardError
from refdb.shop_cards import cards_in_force, read_card_file, shop_card_texts

Place = str | os.PathLike[str] | None


def check_card_file(file: str | os.PathLike[str], *, catalogue: Place = None) -> SystemCard:
    """The card in a file if it can be used beside those in force.

    Raises CardError, one line, for what is wrong with it. Writes nothing.
    """
    return _checked(read_card_file(file), str(file), catalogue)


def add_card(
    file: str | os.PathLike[str], *, replace: bool = False, catalogue: Place = None
) -> tuple[SystemCard, bool]:
    """Keeps a shop's card; gives it, and whether it took the place of an older one of its name.

    Raises CardError for a card that cannot be used, one that ships with the tool, and one that is
    there already unless `replace`.
    """
    text = read_card_file(file)
    card = _checked(text, str(file), catalogue)
    held = {one.name for one in shop_card_texts(catalogue)}
    if card.name in held and not replace:
        raise CardError(
            f"{file}: expected a new card, found that the catalogue has one named '{card.name}'; "
            "say --replace to put this one in its place"
        )
    with Catalogue.open(catalogue) as opened, opened.write() as unit:
        unit.put_card(ShopCardText(card.name, text), f"from {Path(file).name}")
        unit.commit()
    return card, card.name in held


def remove_card(name: str, *, catalogue: Place = None) -> str:
    """Takes a shop's card out; gives its name.

    Raises CardError for a shipped card, an unknown one, and one that references were added with.
    """
    texts = {one.name for one in shop_card_texts(catalogue)}
    if name not in texts:
        name = find_card(name, cards_in_force(catalogue)).name
    if name not in texts:
        raise CardError(
            f"system '{name}': expected a card of the shop's own, found one that ships with the "
            "tool; it cannot be taken out"
        )
    with Catalogue.open(catalogue, create=False) as opened, opened.write() as unit:
        held = unit.remove_card(name)
        unit.commit()
    if held:
        raise CardError(
            f"system '{name}': expected no references that need the card, found {held}; "
            "remove them first, `straygauge list --system` shows them"
        )
    return name


def card_text(name: str, *, catalogue: Place = None) -> str:
    """The TOML text of a card in force, to start a card of one's own from.

    Raises CardError for an unknown name.
    """
    card = find_card(name, cards_in_force(catalogue))
    for one in shop_card_texts(catalogue):
        if one.name == card.name:
            return one.toml
    return (CARD_FOLDER / f"{card.name}.toml").read_text("utf-8")


def _checked(text: str, where: str, catalogue: Place) -> SystemCard:
    card = checked_card(text, where, cards_in_force(catalogue))
    if card.name in shipped_cards():
        raise CardError(
            f"{where}: expected a name of the shop's own, found '{card.name}', which ships with "
            "the tool; choose another"
        )
    return card
