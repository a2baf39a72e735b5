"""`plan`: how to capture a system, before the probe touches anything."""

from __future__ import annotations

from typing import Annotated

import typer

from cli import exits
from cli.options import Catalogue, Json

System = Annotated[str, typer.Argument(metavar="SYSTEM", help="What is to be probed.")]
Family = Annotated[
    str | None, typer.Option("--engine-family", "-f", metavar="NAME", help="Engine family.")
]
Instrument = Annotated[
    str | None,
    typer.Option(metavar="NAME", help="The instrument at hand; `straygauge instrument list`."),
]


def plan(
    system: System,
    engine_family: Family = None,
    instrument: Instrument = None,
    catalogue: Catalogue = None,
    json: Json = False,
) -> int:
    """Say where to connect and how to set the instrument, and what it will not show."""
    from cli.bench import print_plan
    from matching.consult import bench

    made = bench.plan(
        system, engine_family=engine_family, instrument=instrument, catalogue=catalogue
    )
    print_plan(made, json)
    return exits.FINE
