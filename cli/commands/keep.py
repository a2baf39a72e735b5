"""`verify`, `backup`, `restore`: nothing is lost."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import exits
from cli.options import Catalogue, Json

if TYPE_CHECKING:
    from refdb.records import Damage

Target = Annotated[Path, typer.Argument(metavar="FILE", help="Where the copy goes.")]
Source = Annotated[Path, typer.Argument(metavar="FILE", help="The backup to put back.")]


def verify(catalogue: Catalogue = None, json: Json = False) -> int:
    """Check every checksum, link and history row; say what is damaged, if anything."""
    from cli.output import print_json
    from matching.consult import shelf

    found = shelf.verify(catalogue=catalogue)
    if json:
        print_json(
            [
                {"code": one.code, "reference": one.reference_id, "message": one.message}
                for one in found
            ]
        )
    else:
        _say(f"{shelf.place(catalogue)}: all is well", found)
    return exits.STRAYS if found else exits.FINE


def backup(file: Target, catalogue: Catalogue = None) -> int:
    """Write a verified copy of the catalogue, while others may go on working."""
    from matching.consult import shelf

    found = shelf.backup(file, catalogue=catalogue)
    _say(f"{file}: written and verified", found)
    return exits.STRAYS if found else exits.FINE


def restore(file: Source, catalogue: Catalogue = None) -> int:
    """Put a backup in the catalogue's place; the one that was there is kept beside it."""
    from cli.sheet import Sheet
    from matching.consult import shelf

    kept = shelf.restore(file, catalogue=catalogue)
    before = f"; the one before is kept as {kept}" if kept else ""
    Sheet().say(f"{shelf.place(catalogue)}: restored from {file}{before}")
    return exits.FINE


def _say(when_well: str, found: Iterable[Damage]) -> None:
    from cli.sheet import Sheet

    sheet = Sheet()
    rows = [(one.code, one.message) for one in found]
    if not rows:
        sheet.say(when_well)
        return
    sheet.say("damage was found:")
    sheet.columns(rows, "ll")
