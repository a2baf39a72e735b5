"""`add`: captures become references."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer

from cli import exits
from cli.options import (
    Catalogue,
    Json,
    Label,
    Probed,
    Recorded,
    as_request,
    refuse_beside_manifest,
    taking,
)
from cli.words import UsageProblem, counted, where

File = Annotated[
    Path | None, typer.Argument(metavar="FILE", help="The capture to add.", show_default=False)
]
Manifest = Annotated[
    Path | None, typer.Option(metavar="FILE.csv", help="Add many: a CSV with a line per capture.")
]
AllOrNothing = Annotated[
    bool, typer.Option("--all-or-nothing", help="With --manifest: one bad line and none is added.")
]
LabelOption = Annotated[
    Label | None,
    typer.Option("--label", metavar="good|fault", help="What the car turned out to be."),
]
Fault = Annotated[str, typer.Option(metavar="NAME", help="With --label fault: which one.")]
Vehicle = Annotated[
    str, typer.Option(metavar="ID", help="Any word that tells this car from others; no VIN needed.")
]
Fix = Annotated[str, typer.Option(metavar="TEXT", help="What was confirmed to mend it.")]
Note = Annotated[str, typer.Option(metavar="TEXT", help="Anything worth keeping.")]
Tag = Annotated[
    list[str] | None, typer.Option(metavar="NAME=VALUE", help="A tag; may be repeated.")
]

FromSweep = Annotated[
    Path | None,
    typer.Option(
        metavar="OUT.jsonl", help="Add events that `sweep --json-lines` listed; with --events."
    ),
]
Events = Annotated[
    str, typer.Option(metavar="N,N,...", help="With --from-sweep: the numbers of the events.")
]


@taking(probed=Probed, recorded=Recorded)
def add(
    probed: Probed,
    recorded: Recorded,
    file: File = None,
    manifest: Manifest = None,
    all_or_nothing: AllOrNothing = False,
    label: LabelOption = None,
    fault: Fault = "",
    vehicle: Vehicle = "",
    fix: Fix = "",
    note: Note = "",
    tag: Tag = None,
    from_sweep: FromSweep = None,
    events: Events = "",
    catalogue: Catalogue = None,
    json: Json = False,
) -> int:
    """Add a capture, or many by manifest, to the catalogue as good or as a known fault."""
    if from_sweep is not None:
        from cli.commands.add_swept import add_swept

        if file is not None or manifest is not None or all_or_nothing:
            raise UsageProblem(
                f"{from_sweep}: expected --from-sweep alone, found FILE or --manifest beside it; "
                "leave that out"
            )
        refuse_beside_manifest(from_sweep, probed, recorded)
        tags = _tags(from_sweep, tag or ())
        return add_swept(
            from_sweep, events, label, fault, vehicle, fix, note, tags, catalogue, json
        )
    if (file is None) == (manifest is None):
        found = "neither" if file is None else "both"
        raise UsageProblem(f"add: expected FILE or --manifest, found {found}; name one of them")
    if manifest is not None:
        refuse_beside_manifest(manifest, probed, recorded)
        told = (("--label", label), ("--fault", fault), ("--vehicle", vehicle), ("--fix", fix),
                ("--note", note), ("--tag", tag))  # fmt: skip
        for option, value in told:
            if value:
                raise UsageProblem(
                    f"{manifest}: expected a manifest alone, found {option} beside it; "
                    "write it in the manifest's lines"
                )
        return _many(manifest, all_or_nothing, catalogue, json)
    assert file is not None
    if all_or_nothing:
        raise UsageProblem(
            f"{file}: expected --all-or-nothing beside --manifest only, found FILE; leave it out"
        )
    request = as_request(file, probed, recorded, catalogue)
    if label is None:
        raise UsageProblem(f"{file}: expected --label good or fault, found none; say which it is")
    if not vehicle.strip():
        raise UsageProblem(
            f"{file}: expected --vehicle, found none; "
            "any word that tells this car from others will do"
        )
    from cli.output import print_json
    from cli.progress import shown_progress
    from matching.consult.enrol import add_file
    from refdb.records import NewReference

    said = NewReference(
        request.context, label.value, vehicle.strip(), fault.strip(),
        confirmed_fix=fix, note=note, tags=_tags(file, tag or ()),
    )  # fmt: skip
    with shown_progress() as progress:
        reference = add_file(request, said, catalogue=catalogue, progress=progress)
    if json:
        from cli.records import reference_json

        print_json(reference_json(reference))
    else:
        from cli.sheet import Sheet

        what = reference.fault or reference.label
        Sheet().say(f"added #{reference.id}: {file}, {what}, {where(reference.context)}")
    return exits.FINE


def _tags(file: Path, given: Iterable[str]) -> dict[str, str]:
    tags = {}
    for text in given:
        name, mark, value = text.partition("=")
        if not mark or not name.strip() or not value.strip():
            raise UsageProblem(
                f"{file}: expected --tag NAME=VALUE, found '{text}'; write for instance shop=north"
            )
        tags[name.strip()] = value.strip()
    return tags


def _many(manifest: Path, all_or_nothing: bool, catalogue: str | None, json: bool) -> int:
    from cli.output import print_json
    from cli.progress import shown_progress
    from cli.sheet import Sheet
    from matching.consult.enrol import add_manifest

    with shown_progress() as progress:
        report = add_manifest(
            manifest, catalogue=catalogue, all_or_nothing=all_or_nothing, progress=progress
        )
    if json:
        print_json(
            {
                "added": [reference.id for reference in report.added],
                "refused": [
                    {"line": one.line, "path": one.path, "reason": one.reason}
                    for one in report.refused
                ],
            }
        )
    else:
        sheet = Sheet()
        sheet.say(f"added {counted(len(report.added), 'reference')} from {manifest}")
        if report.refused:
            sheet.say(f"refused {counted(len(report.refused), 'line')}:")
            sheet.columns(
                [(f"line {one.line}", one.path, one.reason) for one in report.refused], "lll"
            )
    return exits.STRAYS if report.refused else exits.FINE
