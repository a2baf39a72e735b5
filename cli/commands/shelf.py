"""`list`, `show`, `remove`, `contexts`: what the catalogue holds."""

from __future__ import annotations

from typing import Annotated

import typer

from cli import exits
from cli.options import Catalogue, Id, Json, Label, Probed, Why, taking
from cli.words import where

Labelled = Annotated[
    Label | None, typer.Option("--label", metavar="good|fault", help="Only good, or only faults.")
]
System = Annotated[
    str | None, typer.Option("--system", "-s", metavar="NAME", help="Only this system.")
]


@taking(probed=Probed)
def list_(
    probed: Probed, label: Labelled = None, catalogue: Catalogue = None, json: Json = False
) -> int:
    """List the references in the catalogue, all or those that fit."""
    from cli.progress import shown_progress
    from cli.records import print_references
    from matching.consult import shelf

    with shown_progress() as progress:
        found = shelf.list_references(
            catalogue=catalogue,
            system=probed.system,
            engine_family=probed.engine_family,
            condition=probed.condition,
            label=label.value if label else None,
            progress=progress,
        )
    waiting = () if probed.system else shelf.waiting(catalogue=catalogue)
    print_references(found, waiting, json)
    return exits.FINE


def show(id: Id, catalogue: Catalogue = None, json: Json = False) -> int:
    """Show all that is known of one reference, and its history."""
    from cli.records import print_shown
    from matching.consult import shelf

    print_shown(shelf.show(id, catalogue=catalogue), json)
    return exits.FINE


def remove(id: Id, why: Why = "", catalogue: Catalogue = None) -> int:
    """Take a reference out for good; the history keeps that it was there."""
    from cli.sheet import Sheet
    from matching.consult import shelf

    gone = shelf.remove(id, why, catalogue=catalogue)
    what = gone.fault or gone.label
    Sheet().say(f"removed #{gone.id}: {gone.source}, {what}, {where(gone.context)}")
    return exits.FINE


def contexts(system: System = None, catalogue: Catalogue = None, json: Json = False) -> int:
    """Count the vehicles, good and per fault, that stand behind each context."""
    from cli.progress import shown_progress
    from cli.records import print_contexts
    from matching.consult import shelf

    with shown_progress() as progress:
        found = shelf.contexts(catalogue=catalogue, system=system, progress=progress)
    waiting = () if system else shelf.waiting(catalogue=catalogue)
    print_contexts(found, waiting, json)
    return exits.FINE
