"""The gatekeeper for what a person says of a capture, and for text that is to be stored."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import get_args

from refdb.errors import CatalogueError
from refdb.identifiers import veiled
from refdb.records import (
    Capture,
    Channel,
    Context,
    Coupling,
    Label,
    NewReference,
    Origin,
    Reference,
    State,
)


def storable(text: str) -> str:
    """The text itself; bytes of a file name that are not UTF-8 become visible escapes."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def checked(capture: Capture, new: NewReference) -> tuple[Capture, NewReference]:
    """Both as they can be stored.

    Raises CatalogueError, naming the capture's source, if what is said makes no sense.
    """
    capture = replace(
        capture,
        source=storable(capture.source),
        channels=tuple(Channel(storable(c.name), storable(c.unit)) for c in capture.channels),
        remarks=tuple(storable(remark) for remark in capture.remarks),
        rate_hz=float(capture.rate_hz),
        start_s=float(capture.start_s),
        attenuation=float(capture.attenuation),
        scale=float(capture.scale),
    )
    new = replace(
        new,
        context=Context(
            storable(new.context.system),
            storable(new.context.engine_family),
            storable(new.context.condition),
        ),
        vehicle=storable(new.vehicle),
        fault=storable(new.fault),
        confirmed_fix=storable(new.confirmed_fix),
        note=storable(new.note),
        tags={storable(name): storable(value) for name, value in new.tags.items()},
    )
    _check_capture(capture)
    check_said(capture.source, new)
    return capture, new


def without_vins(capture: Capture, new: NewReference, salt: bytes) -> tuple[Capture, NewReference]:
    """Both with whatever looks like a VIN veiled: a salted hash and the descriptive part stay."""
    new = replace(
        new,
        vehicle=veiled(new.vehicle, salt),
        confirmed_fix=veiled(new.confirmed_fix, salt),
        note=veiled(new.note, salt),
        tags={veiled(name, salt): veiled(value, salt) for name, value in new.tags.items()},
    )
    remarks = tuple(veiled(remark, salt) for remark in capture.remarks)
    return replace(capture, source=veiled(capture.source, salt), remarks=remarks), new


def check_said(name: str, said: NewReference | Reference) -> None:
    """Raises CatalogueError, naming `name`, for a label, fault, state, origin, system or vehicle
    that does not make sense."""
    _one_of(name, "label", said.label, get_args(Label))
    _one_of(name, "origin", said.origin, get_args(Origin))
    _one_of(name, "state", said.state, get_args(State))
    if said.label == "fault" and not said.fault:
        raise CatalogueError(
            f"{name}: expected the fault's name with label 'fault', found none; give --fault NAME"
        )
    if said.label == "good" and said.fault:
        raise CatalogueError(
            f"{name}: expected no fault with label 'good', found '{said.fault}'; "
            "leave the fault out, or label it 'fault'"
        )
    if not said.vehicle:
        raise CatalogueError(f"{name}: expected a vehicle, found none; give --vehicle ID")
    if not said.context.system:
        raise CatalogueError(f"{name}: expected a system, found none; give --system S")


def to_reference(id_: int, capture: Capture, new: NewReference, added_at: str) -> Reference:
    """The reference that a capture and what is said of it become."""
    return Reference(
        id=id_,
        context=new.context,
        label=new.label,
        vehicle=new.vehicle,
        fault=new.fault,
        origin=new.origin,
        state=new.state,
        confirmed_fix=new.confirmed_fix,
        note=new.note,
        tags=dict(new.tags),
        source=capture.source,
        sha256=capture.sha256,
        rate_hz=capture.rate_hz,
        n_samples=capture.n_samples,
        channels=capture.channels,
        coupling=capture.coupling,
        attenuation=capture.attenuation,
        scale=capture.scale,
        added_at=added_at,
    )


def _check_capture(capture: Capture) -> None:
    name = capture.source
    if len(capture.channels) != capture.samples.shape[0]:
        raise CatalogueError(
            f"{name}: expected a name for each of {capture.samples.shape[0]} channels, "
            f"found {len(capture.channels)}; read the capture again"
        )
    if not (math.isfinite(capture.rate_hz) and capture.rate_hz > 0.0):
        raise CatalogueError(
            f"{name}: expected a sample rate above 0 Hz, found {capture.rate_hz:g}; give --rate HZ"
        )
    for what in ("start_s", "attenuation", "scale"):
        if not math.isfinite(getattr(capture, what)):
            raise CatalogueError(
                f"{name}: expected a finite number for {what}, found {getattr(capture, what)}; "
                "read the capture again"
            )
    if not capture.sha256:
        raise CatalogueError(
            f"{name}: expected the checksum of its samples, found none; read the capture again"
        )
    if capture.coupling is not None:
        _one_of(name, "coupling", capture.coupling, get_args(Coupling))


def _one_of(name: str, what: str, found: str, known: tuple[str, ...]) -> None:
    if found not in known:
        raise CatalogueError(
            f"{name}: expected {what} {_listed(known)}, found '{found}'; correct it"
        )


def _listed(words: tuple[str, ...]) -> str:
    *most, last = (f"'{word}'" for word in words)
    return f"{', '.join(most)} or {last}"
