"""A profile: all the matcher keeps of one capture, small enough to hold thousands in memory."""

from __future__ import annotations

import io
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from matching.conditioning import Signal, condition
from matching.events import Events, cut
from matching.grid import Grid, on_grid, pick_events
from matching.measurements import Cut, measure
from matching.views.generic import generic_numbers
from refdb.cards import SystemCard
from refdb.errors import CatalogueError
from refdb.records import Capture


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
    fit: Mapping[str, float] = field(default_factory=dict)


def cut_signal(card: SystemCard, signal: Signal, hint: Mapping[str, float]) -> Cut:
    """A signal cut into events and put on the card's grid."""
    events = cut(signal, card.events.rule, card.events.params, hint)
    picked = pick_events(events)
    grid = on_grid(signal, events.start[picked], events.stop[picked], card.events.points)
    return Cut(card, signal, events, grid, picked)


def profile_cut(part: Cut, fit: Mapping[str, float]) -> Profile:
    """The profile of a cut capture."""
    card, grid = part.card, part.grid
    channels, points = part.signal.data.shape[0], card.events.points
    if grid.shape[0]:
        usual = np.median(grid, axis=0)
        spread = 1.4826 * np.median(np.abs(grid - usual), axis=0)
    else:
        usual = np.full((channels, points), np.nan, np.float32)
        spread = usual.copy()
    measured = {m.name: measure(part, m) for m in card.measurements}
    return Profile(
        numbers=generic_numbers(part),
        measured=measured,
        usual=usual.astype(np.float32),
        spread=spread.astype(np.float32),
        zoom=_zoomed(part, points // 2),
        axis=part.events.axis,
        n_events=part.events.n,
        scout=dict(part.events.scout),
        fit=dict(fit),
    )


def profile(card: SystemCard, capture: Capture, hint: Mapping[str, float]) -> Profile:
    """Condition, cut and describe one capture. Raises CaptureError for wrong channels."""
    from matching.fitness import figures

    part = cut_signal(card, condition(card, capture), hint)
    return profile_cut(part, figures(part, capture))


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
    """A profile as bytes (an .npz of plain arrays, deflated; no pickles)."""
    buffer = io.BytesIO()
    parts = {
        "usual": profile.usual,
        "spread": profile.spread,
        "zoom": profile.zoom,
        "axis": np.array(profile.axis),
        "n_events": np.array(profile.n_events),
    }
    for name in ("numbers", "measured", "scout", "fit"):
        table: Mapping[str, float] = getattr(profile, name)
        parts[f"{name}_keys"] = np.array(list(table), dtype=np.str_)
        parts[f"{name}_values"] = np.array(list(table.values()), dtype=np.float64)
    np.savez(buffer, allow_pickle=False, **parts)
    return zlib.compress(buffer.getvalue(), 1)


def unpack(payload: bytes) -> Profile:
    """The profile in bytes made by `pack`. Raises CatalogueError if they are damaged."""
    try:
        with np.load(io.BytesIO(zlib.decompress(payload)), allow_pickle=False) as parts:
            tables = {
                name: dict(
                    zip(
                        parts[f"{name}_keys"].tolist(),
                        parts[f"{name}_values"].tolist(),
                        strict=True,
                    )
                )
                for name in ("numbers", "measured", "scout", "fit")
            }
            axis = parts["axis"]
            return Profile(
                usual=parts["usual"], spread=parts["spread"], zoom=parts["zoom"],
                axis=(float(axis[0]), float(axis[1])), n_events=int(parts["n_events"]), **tables,
            )  # fmt: skip
    except (zlib.error, ValueError, KeyError, OSError, EOFError) as problem:
        raise CatalogueError(
            f"derived profile: damaged ({problem}); it will be made anew"
        ) from None


def events_of(part: Cut) -> Events:
    """The events of a cut capture (named for readers of consult)."""
    return part.events
