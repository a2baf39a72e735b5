"""`systems`: what can be probed, and how."""

from __future__ import annotations

from typing import Annotated

import typer

from cli import exits
from cli.options import Json

Name = Annotated[
    str | None, typer.Argument(metavar="NAME", help="Show this one in full.", show_default=False)
]


def systems(name: Name = None, json: Json = False) -> int:
    """List the systems that can be checked, or show one in full."""
    from cli.records import print_card, print_cards
    from refdb.cards import find_card, shipped_cards

    if name is None:
        print_cards(shipped_cards().values(), json)
    else:
        print_card(find_card(name), json)
    return exits.FINE
