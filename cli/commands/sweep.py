"""`sweep`: which events of a long recording stray from its own usual one?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli import exits
from cli.options import Catalogue, Json, Probed, Recorded, as_request, taking
from cli.words import UsageProblem

File = Annotated[
    Path, typer.Argument(metavar="RECORDING", help="CSV, WAV, NPZ or NPY, of any length.")
]
JsonLines = Annotated[
    Path | None,
    typer.Option(
        metavar="OUT.jsonl",
        help="A JSON line for the recording, then one per event; '-' is standard output.",
    ),
]
Alpha = Annotated[
    float,
    typer.Option(metavar="P", help="Share of the listed events that may be false, over 0 to 0.5."),
]
Picture = Annotated[
    Path | None,
    typer.Option(metavar="FILE.png", help="Draw the events over time and the oddest ones."),
]
All = Annotated[bool, typer.Option("--all", help="List everything that was set aside, too.")]


@taking(probed=Probed, recorded=Recorded)
def sweep(
    probed: Probed,
    recorded: Recorded,
    file: File,
    json_lines: JsonLines = None,
    alpha: Alpha = 0.05,
    catalogue: Catalogue = None,
    json: Json = False,
    picture: Picture = None,
    all: All = False,
) -> int:
    """List the events of a long recording that stray, with time, size and rhythm."""
    if not 0 < alpha <= 0.5:
        raise UsageProblem(
            f"sweep: expected --alpha above 0 and at most 0.5, found {alpha:g}; 0.05 is usual"
        )
    request = as_request(file, probed, recorded, catalogue)
    if picture is not None:
        from cli.picture import check_place

        check_place(picture)
    from cli.progress import shown_progress
    from matching.consult.sweep import sweep_file

    with shown_progress() as progress:
        found = sweep_file(
            request, catalogue=catalogue, alpha=alpha, progress=progress,
            drawn=picture is not None,
        )  # fmt: skip
    if picture is not None:
        from cli.sweep_picture import draw

        draw(found, picture)
    from matching.sweep.records import lines_json

    if json_lines is not None:
        from cli.output import json_lines as lines_to
        from cli.output import json_text

        with lines_to(json_lines) as out:
            for line in lines_json(found):
                out.write(json_text(line, indent=None) + "\n")
    if json:
        from cli.output import print_json

        print_json(lines_json(found))
    elif str(json_lines) != "-":
        from cli.sheet import Sheet
        from cli.sweep_sheet import show_sweep

        show_sweep(found, Sheet(), everything=all)
    return exits.of_sweep(too_few=found.too_few, found=len(found.found))
