"""`add --from-sweep`: events that a sweep listed become references."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from cli import exits
from cli.options import Label
from cli.words import UsageProblem, where


def add_swept(
    place: Path,
    events: str,
    label: Label | None,
    fault: str,
    vehicle: str,
    fix: str,
    note: str,
    tags: Mapping[str, str],
    catalogue: str | None,
    json: bool,
) -> int:
    """Adds the numbered events of a sweep's JSON lines; all of them or none."""
    try:
        numbers = list(dict.fromkeys(int(text) for text in events.split(",")))
    except ValueError:
        raise UsageProblem(
            f"{place}: expected --events with numbers the sweep lists, found '{events}'; "
            "write for instance --events 3,17"
        ) from None
    if label is None or not vehicle.strip():
        missing = "--label good or fault" if label is None else "--vehicle"
        raise UsageProblem(f"{place}: expected {missing}, found none; say what the events are")
    from cli.output import print_json
    from cli.progress import shown_progress
    from matching.consult.enrol_sweep import add_from_sweep
    from refdb.records import Context, NewReference

    said = NewReference(
        Context(""), label.value, vehicle.strip(), fault.strip(),
        confirmed_fix=fix, note=note, tags=tags,
    )  # fmt: skip
    with shown_progress() as progress:
        added = add_from_sweep(place, numbers, said, catalogue=catalogue, progress=progress)
    if json:
        from cli.records import reference_json

        print_json([reference_json(reference) for reference in added])
    else:
        from cli.sheet import Sheet

        for number, one in zip(numbers, added, strict=True):
            what = one.fault or one.label
            Sheet().say(f"added #{one.id}: event {number}, {what}, {where(one.context)}")
    return exits.FINE
