"""`families`: engine families as records."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from cli import exits
from cli.options import Catalogue, Json
from cli.words import UsageProblem


class Verb(StrEnum):
    """What to do with families."""

    add = "add"
    list = "list"
    show = "show"


What = Annotated[Verb, typer.Argument(metavar="add|list|show", help="What to do.")]
Name = Annotated[str | None, typer.Argument(metavar="NAME", help="The family.", show_default=False)]
Cylinders = Annotated[int | None, typer.Option(metavar="N", help="Number of cylinders.")]
Order = Annotated[str, typer.Option(metavar="1-3-4-2", help="Cylinders in order of firing.")]
Intervals = Annotated[
    str, typer.Option(metavar="D-D-...", help="Crank degrees from each firing to the next.")
]
Ignition = Annotated[str, typer.Option(metavar="TEXT", help="For instance coil-on-plug.")]
Wheel = Annotated[str, typer.Option(metavar="N-M", help="Crank wheel: places and missing teeth.")]
Cam = Annotated[str, typer.Option(metavar="TEXT", help="Cam pattern.")]
Poles = Annotated[int | None, typer.Option(metavar="N", help="Generator poles (even).")]
Pulley = Annotated[
    float | None, typer.Option(metavar="X", help="Generator turns per crankshaft turn.")
]
Segments = Annotated[int | None, typer.Option(metavar="N", help="Fuel pump ripples per turn.")]
Injector = Annotated[str, typer.Option(metavar="TEXT", help="For instance port, 12 ohm.")]
Fuel = Annotated[str, typer.Option(metavar="TEXT", help="For instance petrol.")]
Induction = Annotated[str, typer.Option(metavar="TEXT", help="For instance turbo.")]
Epa = Annotated[str, typer.Option(metavar="NAME", help="EPA engine family, 12 characters.")]
Vin = Annotated[
    str | None,
    typer.Option(metavar="VIN", help="Of one such car; only a hash and its describing part stay."),
]


def families(
    what: What,
    name: Name = None,
    cylinders: Cylinders = None,
    firing_order: Order = "",
    firing_intervals: Intervals = "",
    ignition: Ignition = "",
    crank_wheel: Wheel = "",
    cam_pattern: Cam = "",
    alternator_poles: Poles = None,
    pulley_ratio: Pulley = None,
    pump_segments: Segments = None,
    injector: Injector = "",
    fuel: Fuel = "",
    induction: Induction = "",
    epa_family: Epa = "",
    vin: Vin = None,
    catalogue: Catalogue = None,
    json: Json = False,
) -> int:
    """Keep what is known of an engine family, so that speeds and cylinders can be worked out."""
    from cli.bench import print_families, print_family
    from matching.consult import bench

    if what is Verb.list:
        print_families(bench.families(catalogue=catalogue), json)
        return exits.FINE
    if name is None:
        raise UsageProblem(f"families {what}: expected NAME, found none; for instance brisk-4")
    if what is Verb.show:
        print_family(bench.find_family(name, catalogue=catalogue), json)
        return exits.FINE
    from refdb.bench_records import Family

    given = Family(
        name=name.strip(),
        cylinders=cylinders,
        firing_order=tuple(int(part) for part in _parts("--firing-order", firing_order)),
        firing_intervals=tuple(
            float(part) for part in _parts("--firing-intervals", firing_intervals)
        ),
        ignition_type=ignition.strip(),
        crank_wheel=crank_wheel.strip(),
        cam_pattern=cam_pattern.strip(),
        alternator_poles=alternator_poles,
        pulley_ratio=pulley_ratio,
        pump_segments=pump_segments,
        injector_type=injector.strip(),
        fuel=fuel.strip(),
        induction=induction.strip(),
        epa_family=epa_family.strip().upper(),
    )
    print_family(bench.add_family(given, vin=vin, catalogue=catalogue), json)
    return exits.FINE


def _parts(option: str, text: str) -> list[str]:
    parts = [part.strip() for part in text.split("-")] if text.strip() else []
    for part in parts:
        whole, _, rest = part.partition(".")
        numeric = whole.isascii() and whole.isdigit() and (not rest or rest.isdigit())
        if not numeric or (rest and option == "--firing-order"):
            raise UsageProblem(
                f"families: expected {option} as numbers joined by hyphens, found '{text}'; "
                "write for instance 1-3-4-2"
            )
    return parts
