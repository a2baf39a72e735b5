"""A profile: all the matcher keeps of one capture, small enough to hold thousands in memory."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from matching.conditioning import Signal, condition
from matching.events import cut
from matching.fitness_figures import figures
from matching.grid import Grid, on_grid, pick_events, rebin
from matching.measurements import Cut, measure
from matching.recording import Recording, recording_of
from matching.views.generic import generic_numbers
from refdb.cards import SystemCard
from refdb.errors import CatalogueError
from refdb.records import Capture

EVENT_POINTS = 128
_HEAD = struct.Struct("<I")
_TABLES = ("numbers", "measured", "scout", "hint", "fit")


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """What one capture looks like to the matcher.

    numbers: generic numbers by `group:channel:what`.  measured: the card's measurements by name,
    NaN where not shown.  usual: float32 (channels, points), the typical event; spread: the same
    shape, robust event-to-event spread; zoom: as usual, over the card's close window, or empty.
    axis: (lo, hi) of the event axis.  scout: what the rule found, for the context's hint.
    fit: figures the fitness check compares with the references (see `matching.fitness`).
    """

    numbers: Mapping[str, float]
    measured: Mapping[str, float]
    usual: Grid
    spread: Grid
    zoom: Grid
    axis: tuple[float, float]
    n_events: int
    scout: Mapping[str, float]
    hint: Mapping[str, float]
    fit: Mapping[str, float]
    roles: tuple[str, ...]
    units: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """One capture to be judged, reduced to what judging needs (it travels between processes).

    event_start_s: (events,) seconds on the recording's own axis; event_grid: float32 (events,
    channels, EVENT_POINTS), the picked events; picked: their indices among all events.
    recording: the whole recording as a strip, only when it was asked for.
    """

    profile: Profile
    source: str
    sha256: str
    rate_hz: float
    duration_s: float
    coupling: str | None
    attenuation: float
    remarks: tuple[str, ...]
    event_start_s: np.ndarray
    event_grid: Grid
    picked: np.ndarray
    recording: Recording | None = None


def cut_signal(card: SystemCard, signal: Signal, hint: Mapping[str, float]) -> Cut:
    """A signal cut into events and put on the card's grid."""
    events = cut(signal, card.events.rule, card.events.params, hint)
    picked = pick_events(events)
    grid = on_grid(signal, events.start[picked], events.stop[picked], card.events.points)
    return Cut(card, signal, events, grid, picked)


def profile_cut(part: Cut, scout: Mapping[str, float], hint: Mapping[str, float]) -> Profile:
    """The profile of a cut capture."""
    card, grid = part.card, part.grid
    channels, points = part.signal.data.shape[0], card.events.points
    if grid.shape[0]:
        usual = np.median(grid, axis=0)
        spread = 1.4826 * np.median(np.abs(grid - usual), axis=0)
    else:
        usual = np.full((channels, points), np.nan, np.float32)
        spread = usual.copy()
    return Profile(
        numbers=generic_numbers(part),
        measured={m.name: measure(part, m) for m in card.measurements},
        usual=usual.astype(np.float32),
        spread=spread.astype(np.float32),
        zoom=_zoomed(part, points // 2),
        axis=part.events.axis,
        n_events=part.events.n,
        scout=dict(scout),
        hint=dict(hint),
        fit=figures(part),
        roles=part.signal.roles,
        units=part.signal.units,
    )


def inspect(
    card: SystemCard, capture: Capture, hint: Mapping[str, float], *, keep: bool = False
) -> Inspection:
    """Condition, cut and describe one capture. Raises CaptureError for wrong channels.

    keep: carry the whole recording as a strip too, for a report.
    """
    signal = condition(card, capture)
    scout = cut(signal, card.events.rule, card.events.params, {}).scout
    part = cut_signal(card, signal, hint)
    small = rebin(part.grid, EVENT_POINTS)
    return Inspection(
        profile=profile_cut(part, scout, hint),
        source=capture.source,
        sha256=capture.sha256,
        rate_hz=capture.rate_hz,
        duration_s=capture.duration_s,
        coupling=capture.coupling,
        attenuation=capture.attenuation,
        remarks=capture.remarks,
        event_start_s=capture.start_s + part.events.anchor / capture.rate_hz,
        event_grid=small.astype(np.float32),
        picked=part.picked,
        recording=_kept(capture, part, small) if keep else None,
    )


def _kept(capture: Capture, part: Cut, small: np.ndarray) -> Recording:
    events, picked = part.events, part.picked
    return recording_of(
        capture, part.signal, events.start[picked], events.stop[picked], small, events.n
    )


def scout(card: SystemCard, capture: Capture) -> dict[str, float]:
    """What the event rule finds in a capture without any hint."""
    return dict(cut(condition(card, capture), card.events.rule, card.events.params, {}).scout)


def _zoomed(part: Cut, points: int) -> Grid:
    """The typical event over the card's close window: float32 (channels, points), or empty."""
    card, events = part.card, part.events
    lo, hi = events.axis
    if card.events.zoom is None or part.grid.shape[0] == 0 or hi <= lo:
        return np.zeros((0, 0), np.float32)
    start, stop = events.start[part.picked], events.stop[part.picked]
    per_unit = (stop - start) / (hi - lo)
    a = start + (card.events.zoom[0] - lo) * per_unit
    b = start + (card.events.zoom[1] - lo) * per_unit
    return np.median(on_grid(part.signal, a, b, points), axis=0).astype(np.float32)


def pack(profile: Profile) -> bytes:
    """A profile as bytes: a JSON head (names, shapes), then the numbers, deflated; no pickles.

    An .npz would do, but opening its two dozen members takes 8 ms, and a check opens hundreds.
    """
    arrays = [profile.usual, profile.spread, profile.zoom]
    values = np.concatenate(
        [np.array(list(getattr(profile, name).values()), dtype="<f8") for name in _TABLES]
    )
    head = {
        "shapes": [a.shape for a in arrays],
        "axis": profile.axis,
        "n_events": profile.n_events,
        "roles": profile.roles,
        "units": profile.units,
        "names": [list(getattr(profile, name)) for name in _TABLES],
    }
    text = json.dumps(head).encode()
    body = b"".join(np.ascontiguousarray(a, dtype="<f4").tobytes() for a in arrays)
    return zlib.compress(_HEAD.pack(len(text)) + text + values.tobytes() + body, 1)


def unpack(payload: bytes) -> Profile:
    """The profile in bytes made by `pack`. Raises CatalogueError if they are damaged."""
    try:
        return _unpacked(zlib.decompress(payload))
    except (zlib.error, struct.error, ValueError, LookupError, TypeError) as problem:
        raise CatalogueError(
            f"derived profile: damaged ({problem}); it will be made anew"
        ) from None


def _unpacked(raw: bytes) -> Profile:
    if len(raw) < _HEAD.size:
        raise ValueError(f"{len(raw)} bytes are too few")
    (length,) = _HEAD.unpack_from(raw)
    at = _HEAD.size + length
    head = json.loads(raw[_HEAD.size : at])
    tables = {}
    for name, keys in zip(_TABLES, head["names"], strict=True):
        numbers = np.frombuffer(raw, "<f8", len(keys), at)
        tables[name] = dict(zip(keys, numbers.tolist(), strict=True))
        at += numbers.nbytes
    arrays = []
    for shape in head["shapes"]:
        count = int(np.prod(shape))
        arrays.append(np.frombuffer(raw, "<f4", count, at).reshape(shape).astype(np.float32))
        at += 4 * count
    if at != len(raw):
        raise ValueError(f"{len(raw) - at} bytes too many")
    lo, hi = head["axis"]
    return Profile(
        usual=arrays[0], spread=arrays[1], zoom=arrays[2], axis=(float(lo), float(hi)),
        n_events=int(head["n_events"]), roles=tuple(head["roles"]), units=tuple(head["units"]),
        **tables,
    )  # fmt: skip
