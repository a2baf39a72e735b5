"""`instrument`: what the shop measures with, and how well."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from cli import exits
from cli.options import Catalogue, Json, Recorded, read_options, taking
from cli.words import UsageProblem


class Verb(StrEnum):
    """What to do with instruments."""

    add = "add"
    list = "list"
    show = "show"
    measure = "measure"
    compare = "compare"


What = Annotated[Verb, typer.Argument(metavar="add|list|show|measure|compare", help="What to do.")]
Names = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="NAME...", help="The instrument; two to compare; the FILE to measure from.",
        show_default=False,
    ),
]  # fmt: skip
Range = Annotated[
    float | None, typer.Option("--range", metavar="V", help="Full scale of the bare input, +/- V.")
]
Bits = Annotated[int | None, typer.Option(metavar="N", help="Bits of a sample.")]
MaxRate = Annotated[
    list[str] | None,
    typer.Option(metavar="N=HZ", help="Samples a second with N channels in use; may be repeated."),
]
InputOhm = Annotated[float | None, typer.Option(metavar="OHM", help="Input resistance.")]
AcCorner = Annotated[
    float | None, typer.Option(metavar="HZ", help="Corner frequency of its AC coupling.")
]
Attenuator = Annotated[
    list[float] | None,
    typer.Option(metavar="X", help="An attenuator to hand, for instance 10; may be repeated."),
]
Note = Annotated[str, typer.Option(metavar="TEXT", help="Anything worth keeping.")]
Instrument = Annotated[
    str | None, typer.Option(metavar="NAME", help="With measure: which one recorded the FILE.")
]


@taking(recorded=Recorded)
def instrument(
    recorded: Recorded,
    what: What,
    names: Names = None,
    range_v: Range = None,
    bits: Bits = None,
    max_rate: MaxRate = None,
    input_ohm: InputOhm = None,
    ac_corner: AcCorner = None,
    attenuator: Attenuator = None,
    note: Note = "",
    instrument: Instrument = None,
    catalogue: Catalogue = None,
    json: Json = False,
) -> int:
    """Keep what is known of an instrument, measure its noise and bits, compare two of them."""
    from cli import bench as shown
    from matching.consult import bench

    given = list(names or ())
    if what is Verb.list:
        shown.print_benches(bench.benches(catalogue=catalogue), json)
    elif what is Verb.show:
        (name,) = _expect(what, given, ("NAME",))
        shown.print_bench(bench.find_bench(name, catalogue=catalogue), json)
    elif what is Verb.compare:
        a, b = _expect(what, given, ("NAME", "NAME"))
        shown.print_comparisons(bench.compare_instruments(a, b, catalogue=catalogue), json)
    elif what is Verb.measure:
        (file,) = _expect(what, given, ("FILE",))
        if instrument is None:
            raise UsageProblem(
                f"{file}: expected --instrument, found none; name the one that recorded it"
            )
        found = bench.measure_instrument(
            instrument, Path(file), read_options(recorded), catalogue=catalogue
        )
        shown.print_readings(found, json)
    else:
        from refdb.bench_records import Instrument as Record

        (name,) = _expect(what, given, ("NAME",))
        if range_v is None or bits is None:
            option = "--range V" if range_v is None else "--bits N"
            raise UsageProblem(
                f"instrument '{name}': expected {option}, found none; see its data sheet"
            )
        record = Record(
            name.strip(), range_v, bits, _rates(name, max_rate or ()), input_ohm, ac_corner,
            tuple(attenuator or ()), note,
        )  # fmt: skip
        bench.add_instrument(record, catalogue=catalogue)
        shown.print_bench(bench.find_bench(record.name, catalogue=catalogue), json)
    return exits.FINE


def _expect(what: Verb, given: list[str], wanted: tuple[str, ...]) -> list[str]:
    if len(given) != len(wanted):
        found = " ".join(given) or "none"
        raise UsageProblem(f"instrument {what}: expected {' '.join(wanted)}, found {found}")
    return given


def _rates(name: str, given: list[str] | tuple[str, ...]) -> dict[int, float]:
    rates = {}
    for text in given:
        channels, _, rate = text.partition("=")
        try:
            rates[int(channels)] = float(rate)
        except ValueError:
            raise UsageProblem(
                f"instrument '{name}': expected --max-rate N=HZ, found '{text}'; write for "
                "instance --max-rate 1=1e6"
            ) from None
    return rates
