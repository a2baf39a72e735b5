"""`check`: does this capture look normal?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli import exits
from cli.options import (
    Catalogue,
    Json,
    Probed,
    Recorded,
    as_request,
    refuse_beside_manifest,
    taking,
)
from cli.words import UsageProblem

File = Annotated[
    Path | None, typer.Argument(metavar="FILE", help="The capture to look at.", show_default=False)
]
Manifest = Annotated[
    Path | None,
    typer.Option(metavar="FILE.csv", help="Check many: a CSV with a line per capture."),
]
JsonLines = Annotated[
    Path | None,
    typer.Option(
        metavar="OUT.jsonl",
        help="With --manifest: a JSON line per capture, in order; '-' is standard output.",
    ),
]
Alpha = Annotated[
    float,
    typer.Option(metavar="P", help="Share of good captures that may be called odd, over 0 to 0.5."),
]
Picture = Annotated[
    Path | None,
    typer.Option(metavar="FILE.png", help="Draw the typical event over the good spread."),
]
Report = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE.html|.pdf", help="Write a report: one page that stands alone, or a PDF."
    ),
]
Instrument = Annotated[
    str | None,
    typer.Option(metavar="NAME", help="What it was recorded with; `straygauge instrument list`."),
]
All = Annotated[bool, typer.Option("--all", help="List measurements inside their range too.")]


@taking(probed=Probed, recorded=Recorded)
def check(
    probed: Probed,
    recorded: Recorded,
    file: File = None,
    manifest: Manifest = None,
    json_lines: JsonLines = None,
    alpha: Alpha = 0.05,
    catalogue: Catalogue = None,
    json: Json = False,
    picture: Picture = None,
    report: Report = None,
    instrument: Instrument = None,
    all: All = False,
) -> int:
    """Say whether a capture looks normal, how far it strays and which known fault it resembles."""
    if (file is None) == (manifest is None):
        found = "neither" if file is None else "both"
        raise UsageProblem(f"check: expected FILE or --manifest, found {found}; name one of them")
    if not 0 < alpha <= 0.5:
        raise UsageProblem(
            f"check: expected --alpha above 0 and at most 0.5, found {alpha:g}; 0.05 is usual"
        )
    if manifest is not None:
        return _many(
            manifest, probed, recorded, json_lines, alpha, catalogue, json, picture, report,
            instrument,
        )  # fmt: skip
    assert file is not None
    if json_lines is not None:
        raise UsageProblem(
            f"{file}: expected --json-lines beside --manifest only, found FILE; "
            "use --json for one file"
        )
    return _one(file, probed, recorded, alpha, catalogue, json, picture, report, instrument, all)


def _one(
    file: Path,
    probed: Probed,
    recorded: Recorded,
    alpha: float,
    catalogue: str | None,
    json: bool,
    picture: Path | None,
    report: Path | None,
    instrument: str | None,
    everything: bool,
) -> int:
    from cli.progress import shown_progress

    request = as_request(file, probed, recorded, catalogue)
    if picture is not None:
        from cli.picture import check_place, draw

        check_place(picture)
    if report is not None:
        from cli import report as reports

        reports.check_place(report)
    from matching.answer import to_json
    from matching.consult.check import check_file

    with shown_progress() as progress:
        answer = check_file(
            request, catalogue=catalogue, alpha=alpha, progress=progress,
            keep_recording=report is not None, instrument=instrument,
        )  # fmt: skip
    if picture is not None:
        draw(answer, picture)
    if report is not None:
        from refdb.cards import find_card
        from refdb.shop_cards import cards_in_force

        card = find_card(answer.context.system, cards_in_force(catalogue))
        reports.write_report(answer, card, report)
    if json:
        from cli.output import print_json

        print_json(to_json(answer))
    else:
        from cli.console import show_answer
        from cli.sheet import Sheet

        show_answer(answer, Sheet(), everything=everything)
    return exits.of_verdict(answer.verdict)


def _many(
    manifest: Path,
    probed: Probed,
    recorded: Recorded,
    json_lines: Path | None,
    alpha: float,
    catalogue: str | None,
    json: bool,
    picture: Path | None,
    report: Path | None,
    instrument: str | None,
) -> int:
    refuse_beside_manifest(manifest, probed, recorded)
    if picture is not None:
        raise UsageProblem(
            f"{manifest}: expected --picture with one FILE, found --manifest; "
            "check the capture to be drawn by itself"
        )
    if report is not None:
        raise UsageProblem(
            f"{manifest}: expected --report with one FILE, found --manifest; "
            "check the capture to be reported on by itself"
        )
    from cli.output import json_lines as lines_to
    from cli.output import json_text
    from cli.progress import shown_progress
    from matching.answer import to_json
    from matching.consult.check import check_manifest

    verdicts: set[str] = set()
    with shown_progress() as progress:
        answers = check_manifest(
            manifest, catalogue=catalogue, alpha=alpha, progress=progress, instrument=instrument
        )
        if json or json_lines is not None:
            with lines_to(json_lines) as out:
                for answer in answers:
                    out.write(json_text(to_json(answer), indent=None) + "\n")
                    out.flush()
                    verdicts.add(answer.verdict)
        else:
            from cli.console import show_line
            from cli.sheet import Sheet

            sheet = Sheet()
            for answer in answers:
                show_line(answer, sheet)
                verdicts.add(answer.verdict)
    return exits.of_batch(verdicts)
