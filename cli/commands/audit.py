"""`audit`: are the catalogue's own answers right?"""

from __future__ import annotations

from typing import Annotated

import typer

from cli import exits
from cli.options import Catalogue, Json
from cli.words import UsageProblem

System = Annotated[
    str | None,
    typer.Option("--system", "-s", metavar="NAME", help="Only this system, in full."),
]
Alpha = Annotated[
    float,
    typer.Option(metavar="P", help="Share of good captures that may be called odd, over 0 to 0.5."),
]
HeldBack = Annotated[
    bool,
    typer.Option(
        "--held-back",
        help="Judge simulated vehicles that are in no catalogue by the starter references as "
        "shipped, instead of the catalogue's references by each other.",
    ),
]
Full = Annotated[
    bool, typer.Option("--full", help="Confusion table and calibration of every system.")
]


def audit(
    system: System = None,
    alpha: Alpha = 0.05,
    held_back: HeldBack = False,
    full: Full = False,
    catalogue: Catalogue = None,
    json: Json = False,
) -> int:
    """Judge every reference by the other vehicles: false alarms, missed faults, doubtful labels."""
    if not 0 < alpha <= 0.5:
        raise UsageProblem(
            f"audit: expected --alpha above 0 and at most 0.5, found {alpha:g}; 0.05 is usual"
        )
    if held_back and catalogue is not None:
        raise UsageProblem(
            "audit: expected --held-back without --catalogue, found both; held-back vehicles are "
            "judged by the starter references as shipped"
        )
    from cli.progress import shown_progress

    with shown_progress() as progress:
        if held_back:
            from matching.consult.held_back import audit_held_back

            report = audit_held_back(system=system, alpha=alpha, progress=progress)
        else:
            from matching.consult.audit import audit as audit_catalogue

            report = audit_catalogue(
                catalogue=catalogue, system=system, alpha=alpha, progress=progress
            )
    if json:
        from cli.output import print_json
        from matching.audit_json import to_json

        print_json(to_json(report))
    else:
        from cli.audits import print_report

        print_report(report, full=full or system is not None)
    return exits.FINE
