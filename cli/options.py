"""Options that several commands share, each described once.

A group is a frozen dataclass whose fields are annotated as typer options. `@taking` gives a
command one parameter per group and typer one option per field.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

from cli.words import UsageProblem

if TYPE_CHECKING:
    from matching.consult.requests import Request
    from refdb.captures import ReadOptions

VARIABLE = "STRAYGAUGE_CATALOGUE"

Catalogue = Annotated[
    str | None,
    typer.Option(
        "--catalogue",
        metavar="PATH",
        help="Catalogue file, or sqlite:///PATH. Without it: STRAYGAUGE_CATALOGUE, else a file "
        "in your user-data folder.",
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")]
Id = Annotated[int, typer.Argument(metavar="ID", help="A reference's number, from `list`.")]
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="Reason, kept in the history.")]


class Coupling(StrEnum):
    """How the instrument's input was coupled."""

    ac = "ac"
    dc = "dc"


class Label(StrEnum):
    """What a person knows of a capture."""

    good = "good"
    fault = "fault"


@dataclass(frozen=True, slots=True)
class Probed:
    """What was probed, on what, doing what."""

    system: Annotated[
        str | None,
        typer.Option(
            "--system", "-s", metavar="NAME", help="What was probed; `straygauge systems` lists."
        ),
    ] = None
    engine_family: Annotated[
        str | None,
        typer.Option("--engine-family", "-f", metavar="NAME", help="Engine family, if known."),
    ] = None
    condition: Annotated[
        str | None,
        typer.Option(
            "--condition", "-c", metavar="NAME", help="Operating condition, for instance idle."
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Recorded:
    """How the file was recorded, where it does not say so itself."""

    channels: Annotated[
        str | None,
        typer.Option(
            metavar="LIST", help="Names and units in the file's order: 'can_h=V,can_l=V'."
        ),
    ] = None
    rate: Annotated[
        float | None,
        typer.Option(metavar="HZ", help="Sample rate, for a file without a time column."),
    ] = None
    scale: Annotated[float, typer.Option(metavar="X", help="Physical units per stored unit.")] = 1.0
    attenuation: Annotated[
        float, typer.Option(metavar="X", help="Probe or attenuator factor, for instance 10.")
    ] = 1.0
    coupling: Annotated[
        Coupling | None, typer.Option(metavar="ac|dc", help="Input coupling of the instrument.")
    ] = None
    invert: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Turn this channel upside down; may be repeated."),
    ] = None
    time_unit: Annotated[
        str | None,
        typer.Option(metavar="s|ms|us|ns", help="Unit of the time column, if it does not say."),
    ] = None
    max_samples: Annotated[
        int,
        typer.Option(
            metavar="N",
            show_default=False,
            help="Refuse files with more samples than this; 200 million when not given.",
        ),
    ] = 200_000_000


def taking(**groups: type) -> Callable[[Callable[..., int]], Callable[..., int]]:
    """A decorator: the command's parameters named in `groups` become options, a field each."""

    def decorate(command: Callable[..., int]) -> Callable[..., int]:
        own = inspect.signature(command, eval_str=True).parameters
        parameters = []
        for name, parameter in own.items():
            if name in groups:
                parameters += _parameters(groups[name])
            else:
                parameters.append(parameter.replace(kind=inspect.Parameter.KEYWORD_ONLY))

        def called(**given: Any) -> int:
            for name, kind in groups.items():
                given[name] = kind(**{field.name: given.pop(field.name) for field in fields(kind)})
            return command(**given)

        called.__name__, called.__doc__ = command.__name__, command.__doc__
        called.__module__ = command.__module__
        called.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
        called.__annotations__ = {}
        return called

    return decorate


def _parameters(kind: type) -> list[inspect.Parameter]:
    hints = get_type_hints(kind, include_extras=True)
    return [
        inspect.Parameter(
            field.name,
            inspect.Parameter.KEYWORD_ONLY,
            default=inspect.Parameter.empty if field.default is MISSING else field.default,
            annotation=hints[field.name],
        )
        for field in fields(kind)
    ]


def as_request(
    file: Path, probed: Probed, recorded: Recorded, catalogue: str | None = None
) -> Request:
    """The request that the options and the file's name stand for.

    catalogue: where the shop's own cards are; None: the usual place.
    """
    from matching.consult.requests import Request
    from refdb.cards import find_card
    from refdb.records import Context
    from refdb.shop_cards import cards_in_force

    if not probed.system:
        raise UsageProblem(
            f"{file}: expected --system, found none; name what was probed, "
            "`straygauge systems` lists them"
        )
    context = Context(
        find_card(probed.system, cards_in_force(catalogue)).name,
        (probed.engine_family or "").strip(),
        (probed.condition or "").strip().lower(),
    )
    return Request(file, str(file), context, read_options(recorded))


def read_options(recorded: Recorded) -> ReadOptions:
    """How the reader is to take the file."""
    from refdb.captures import ReadOptions

    return ReadOptions(
        channels=recorded.channels,
        sample_rate_hz=recorded.rate,
        scale=recorded.scale,
        attenuation=recorded.attenuation,
        coupling=recorded.coupling.value if recorded.coupling else None,
        time_unit=recorded.time_unit,
        invert=tuple(recorded.invert or ()),
        max_samples=recorded.max_samples,
    )


def refuse_beside_manifest(manifest: Path, *groups: Probed | Recorded) -> None:
    """Options about one file make no sense where a manifest speaks for each.

    Raises UsageProblem naming the first that was given.
    """
    for group in groups:
        neutral = type(group)()
        for field in fields(group):
            if getattr(group, field.name) != getattr(replace(neutral), field.name):
                raise UsageProblem(
                    f"{manifest}: expected a manifest alone, found --"
                    f"{field.name.replace('_', '-')} beside it; write it in the manifest's lines"
                )
