"""`systems`: what can be probed, and how; a shop's own cards."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli import exits
from cli.options import Catalogue, Json
from cli.words import UsageProblem

Name = Annotated[
    str | None,
    typer.Argument(
        metavar="NAME|add|check|remove",
        help="Show this system in full; or add, check or remove a card of your own.",
        show_default=False,
    ),
]
File = Annotated[
    str | None,
    typer.Argument(
        metavar="CARD.toml", help="The card to add or check; its name to remove.",
        show_default=False,
    ),
]  # fmt: skip
Replace = Annotated[
    bool, typer.Option("--replace", help="With add: put it in the place of the one of its name.")
]
Toml = Annotated[
    bool, typer.Option("--toml", help="Print the card itself, to start your own from.")
]


def systems(
    name: Name = None,
    file: File = None,
    replace: Replace = False,
    toml: Toml = False,
    catalogue: Catalogue = None,
    json: Json = False,
) -> int:
    """List the systems that can be checked, show one in full, or keep a card of your own."""
    if name in ("add", "check", "remove"):
        if file is None:
            what = "NAME" if name == "remove" else "CARD.toml"
            raise UsageProblem(f"systems {name}: expected {what}, found none; name it")
        return _own(name, file, replace, catalogue, json)
    if file is not None:
        raise UsageProblem(
            f"systems: expected NAME alone, found '{file}' after it; "
            "write add, check or remove before a card"
        )
    if toml:
        return _text(name, catalogue)
    from cli.records import print_card, print_cards
    from refdb.cards import find_card
    from refdb.shop_cards import broken_cards, cards_in_force

    known = cards_in_force(catalogue)
    if name is None:
        print_cards(known.values(), json)
        if not json:
            from cli.sheet import Sheet

            for problem in broken_cards(catalogue).values():
                Sheet().say(f"left out: {problem}")
    else:
        print_card(find_card(name, known), json)
    return exits.FINE


def _text(name: str | None, catalogue: str | None) -> int:
    from matching.consult.shop_cards import card_text

    if name is None:
        raise UsageProblem("systems --toml: expected NAME, found none; name one system")
    print(card_text(name, catalogue=catalogue), end="")
    return exits.FINE


def _own(verb: str, file: str, replace: bool, catalogue: str | None, json: bool) -> int:
    from cli.output import print_json
    from cli.sheet import Sheet
    from matching.consult import shop_cards

    if verb == "remove":
        name = shop_cards.remove_card(file, catalogue=catalogue)
        said, facts = f"removed the card {name}", {"removed": name}
    elif verb == "check":
        card = shop_cards.check_card_file(Path(file), catalogue=catalogue)
        said = f"{file}: {card.name} can be used, {len(card.measurements)} measurements"
        facts = {"usable": card.name}
    else:
        card, replaced = shop_cards.add_card(Path(file), replace=replace, catalogue=catalogue)
        word = "replaced" if replaced else "added"
        said, facts = f"{word} the card {card.name} from {file}", {word: card.name}
    if json:
        print_json(facts)
    else:
        Sheet().say(said)
    return exits.FINE
