"""What an engine family's record lets one compute, and what its absence leaves unsaid."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Literal

from matching.answer import Reading
from refdb.bench_records import Family
from refdb.cards import SystemCard
from refdb.errors import CatalogueError
from refdb.identifiers import parse_epa_family

CYCLE_DEG = 720.0
# Fewer commutator ripples than this say too little of a pump's speed (checks.md row 30).
LEAST_RIPPLES = 20
_WHEEL = re.compile(r"([1-9][0-9]{0,2})-([0-9]{1,2})")
SOURCE = "family record"


def checked_family(one: Family) -> Family:
    """The record itself. Raises CatalogueError, one line, where it contradicts itself."""
    name = f"family '{one.name}'"
    if not one.name.strip():
        raise CatalogueError("family: expected a name, found none; for instance brisk-4")
    if one.cylinders is not None and not 1 <= one.cylinders <= 24:
        raise CatalogueError(f"{name}: expected 1 to 24 cylinders, found {one.cylinders}; correct")
    _check_order(name, one)
    for what, value in (
        ("--alternator-poles", one.alternator_poles),
        ("--pulley-ratio", one.pulley_ratio),
        ("--pump-segments", one.pump_segments),
    ):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise CatalogueError(f"{name}: expected {what} above 0, found {value:g}; correct it")
    if one.alternator_poles is not None and one.alternator_poles % 2:
        raise CatalogueError(
            f"{name}: expected an even number of --alternator-poles, found "
            f"{one.alternator_poles}; poles come in pairs"
        )
    if one.crank_wheel and tooth_count(one.crank_wheel) is None:
        raise CatalogueError(
            f"{name}: expected --crank-wheel N-M, found '{one.crank_wheel}'; write for instance "
            "60-2 for 60 places of which 2 are missing"
        )
    if one.epa_family:
        parse_epa_family(one.epa_family)
    return one


def _check_order(name: str, one: Family) -> None:
    order, angles = one.firing_order, one.firing_intervals
    if order and sorted(order) != list(range(1, len(order) + 1)):
        raise CatalogueError(
            f"{name}: expected each cylinder once in --firing-order, found "
            f"{'-'.join(map(str, order))}; write for instance 1-3-4-2"
        )
    if order and one.cylinders is not None and len(order) != one.cylinders:
        raise CatalogueError(
            f"{name}: expected {one.cylinders} cylinders in --firing-order, found {len(order)}; "
            "correct one of the two"
        )
    count = one.cylinders or len(order)
    if angles and count and len(angles) != count:
        raise CatalogueError(
            f"{name}: expected {count} firing intervals, found {len(angles)}; one for each firing"
        )
    if angles and (min(angles) <= 0 or abs(sum(angles) - CYCLE_DEG) > 1.0):
        raise CatalogueError(
            f"{name}: expected firing intervals above 0 that add up to 720 crank degrees, found "
            f"a sum of {sum(angles):g}; correct them"
        )


def firing_intervals(one: Family) -> tuple[float, ...]:
    """Crank degrees from each firing to the next; even (720/n) where none are recorded; empty
    where the cylinders are not known either."""
    if one.firing_intervals:
        return one.firing_intervals
    count = one.cylinders or len(one.firing_order)
    return (CYCLE_DEG / count,) * count if count else ()


def firing_rate_hz(cylinders: int, rpm: float) -> float:
    """Firings per second of a four-stroke: n rpm / 120."""
    return cylinders * rpm / 120.0


def tooth_count(wheel: str) -> tuple[int, int] | None:
    """(places, missing) of a wheel written 'N-M'; None for anything else."""
    found = _WHEEL.fullmatch(wheel.strip())
    if not found or int(found[2]) >= int(found[1]):
        return None
    return int(found[1]), int(found[2])


def ripples_per_turn(one: Family) -> float | None:
    """Generator ripples per crank turn: 6 x pole pairs x pulley ratio; None if not known."""
    if one.alternator_poles is None or one.pulley_ratio is None:
        return None
    return 6.0 * (one.alternator_poles / 2.0) * one.pulley_ratio


def crank_rpm(ripple_hz: float, one: Family) -> float | None:
    """Crank speed from the generator's ripple frequency, rpm; None if the record lacks it."""
    per_turn = ripples_per_turn(one)
    return None if per_turn is None else 60.0 * ripple_hz / per_turn


def pump_rpm(ripple_hz: float, segments: int, ripples: float) -> float | None:
    """Pump speed from its commutator ripple, rpm: 60 f / segments. None: fewer than 20 ripples."""
    return None if ripples < LEAST_RIPPLES else 60.0 * ripple_hz / segments


def companion(cylinder: int, order: Sequence[int]) -> int | None:
    """The cylinder half an engine cycle away, whose piston moves alike; None for an odd count."""
    if len(order) % 2 or cylinder not in order:
        return None
    return order[(list(order).index(cylinder) + len(order) // 2) % len(order)]


def cylinder_name(k: int, one: Family, reference: Literal["720", "360", "none"]) -> str:
    """Which cylinder the k-th event after the reference belongs to, no surer than is known.

    k: from 1.  reference: '720' the first event is cylinder firing_order[0] of the cycle (a cam or
    ignition reference); '360' a once-a-turn mark, which cannot tell a cylinder from its
    companion; 'none': the recording's own start.
    """
    order = one.firing_order
    ordinal = f"{k}{'th' if 10 <= k % 100 <= 20 else {1: 'st', 2: 'nd', 3: 'rd'}.get(k % 10, 'th')}"
    if reference == "none" or not order:
        after = "start of the recording" if reference == "none" else "trigger"
        return f"{ordinal} after the {after}"
    cylinder = order[(k - 1) % len(order)]
    if reference == "720":
        return f"cylinder {cylinder}"
    other = companion(cylinder, order)
    return f"cylinder {cylinder} or its companion" + (f" {other}" if other is not None else "")


# --- beside a check ------------------------------------------------------------------------


def family_readings(
    card: SystemCard, measured: Mapping[str, float], duration_s: float, one: Family
) -> tuple[Reading, ...]:
    """What the record lets one work out of a capture's measurements; shown, never judged.

    measured: by the card's names, NaN where not shown.  A reading without a value says in its text
    what the record lacks.
    """
    found = []
    for m in card.measurements:
        value = measured.get(m.name, math.nan)
        if m.function in _DERIVED and math.isfinite(value):
            name, what = _DERIVED[m.function]
            rpm, text = _derived(what, value, duration_s, one)
            found.append(Reading(name, rpm, "rpm", None, None, "not-judged", SOURCE, text))
    return tuple({reading.name: reading for reading in found}.values())


# function of a measurement -> (name of what follows from it, how)
_DERIVED = {
    "ripple-frequency": ("crank-speed", "alternator"),
    "commutator-frequency": ("pump-speed", "pump"),
    "hump-rate": ("crank-speed", "compressions"),
}


def _derived(what: str, hz: float, duration_s: float, one: Family) -> tuple[float | None, str]:
    if what == "alternator":
        rpm, per_turn = crank_rpm(hz, one), ripples_per_turn(one)
        if rpm is None:
            return None, f"{one.name} has no alternator poles and pulley ratio on record"
        return rpm, f"from {per_turn:g} ripples a crank turn"
    if what == "pump":
        if one.pump_segments is None:
            return None, f"{one.name} has no pump segments on record"
        rpm = pump_rpm(hz, one.pump_segments, hz * duration_s)
        few = f"fewer than {LEAST_RIPPLES} ripples: insufficient"
        return rpm, few if rpm is None else f"from {one.pump_segments} ripples a pump turn"
    count = one.cylinders or len(one.firing_order)
    if not count:
        return None, f"{one.name} has no cylinder count on record"
    return 120.0 * hz / count, f"from {count} compressions an engine cycle"


# --- beside a plan -------------------------------------------------------------------------


def family_notes(card: SystemCard, one: Family | None, asked: str) -> tuple[str, ...]:
    """What a family's record says of a system before it is probed; empty if none was asked for."""
    if not asked:
        return ()
    if one is None:
        return (
            f"{asked} is not on record: what needs its cylinders, wheel, generator or pump is not "
            f"worked out; `straygauge families add {asked}`",
        )
    return tuple(_notes(card, one)) or (f"nothing on record of {one.name} matters here",)


def _notes(card: SystemCard, one: Family) -> Iterator[str]:
    functions = {m.function for m in card.measurements}
    per_turn = ripples_per_turn(one)
    if "ripple-frequency" in functions and per_turn is not None:
        yield f"{per_turn:g} ripples a crank turn: {per_turn * 800 / 60:.4g} Hz at 800 rpm"
    if "commutator-frequency" in functions and one.pump_segments is not None:
        yield (
            f"{one.pump_segments} ripples a pump turn: {one.pump_segments * 100:g} Hz at 6000 rpm"
        )
    if card.events.rule in ("revolution", "cam-cycles") and one.crank_wheel:
        yield f"crank wheel {one.crank_wheel}" + _wheel_note(one.crank_wheel)
    if card.events.rule in ("pattern", "cam-cycles") and one.cam_pattern:
        yield f"cam pattern {one.cam_pattern}"
    if card.events.rule in ("humps", "spikes", "pulses", "compressions", "cam-cycles"):
        yield from _firing_notes(one)


def _wheel_note(wheel: str) -> str:
    found = tooth_count(wheel)
    if found is None:
        return ""
    places, missing = found
    return (
        f": {places - missing} teeth, {360 / places:g} degrees apart, gap {missing + 1} times as "
        "long as a tooth"
    )


def _firing_notes(one: Family) -> Iterator[str]:
    angles = firing_intervals(one)
    if angles:
        degrees = f"{angles[0]:g}" if len(set(angles)) == 1 else "-".join(f"{a:g}" for a in angles)
        rate = firing_rate_hz(len(angles), 800.0)
        yield f"a firing every {degrees} crank degrees: {rate:.4g} a second at 800 rpm"
    if one.firing_order:
        yield (
            f"firing order {'-'.join(map(str, one.firing_order))}; which event is which cylinder "
            "needs a once-a-cycle (720 degree) reference, else it is one of two"
        )
