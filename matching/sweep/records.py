"""What a sweep found: frozen records, and their JSON lines (schema straygauge.sweep/1)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

import numpy as np

from matching.answer import rounded
from matching.tools import Floats
from refdb.records import Context

SCHEMA = "straygauge.sweep/1"
METHOD = (
    "An event's oddness is measured against the recording's own running median event. Its p-value "
    "comes from a power law fitted to the recording's own events between two quantiles, so that "
    "neither the bulk nor the odd ones set it, with the uncertainty of that fit counted in; it is "
    "multiplied by the number of ways an event was looked at and corrected for the number of "
    "events by Benjamini and Hochberg (1995). Assumed: healthy events can be swapped among each "
    "other once slow drift is followed, their oddness falls off at least as fast as that power "
    "law, and fewer than a quarter of the events stray."
)
Kind = Literal["shape", "timing", "missing"]


@dataclass(frozen=True, slots=True)
class Odd:
    """One event that strays.

    event: its number in the recording, from 1; of a missing one, that of the event before.
    time_s: of its anchor, on the recording's own axis, exact to a sample.
    window_s: (from, to) of the window compared.  ratio: its oddness over the usual.
    p_value: raw; p_corrected: for all events looked at.  good_stray: 1 is the edge of the good
    references' events, None without references.  start, stop: where it differs, in axis_unit.
    """

    event: int
    time_s: float
    window_s: tuple[float, float]
    kind: Kind
    ratio: float
    p_value: float
    p_corrected: float
    good_stray: float | None
    channel: str
    start: float
    stop: float
    axis_unit: str
    size: float
    unit: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Aside:
    """An event that looks odd for a reason outside itself; not counted among those that stray."""

    event: int
    time_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How the events that stray follow each other. kind: every-nth, clusters or speed."""

    kind: str
    p_value: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Against:
    """The good references the events were compared with. stray: of the usual event; 1 = edge.

    outside: how many single events lie beyond the edge.  note: why there is nothing to compare.
    """

    n_good: int
    simulated: bool
    stray: float | None
    outside: int
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class SweepPicture:
    """Curves for a picture; not part of the JSON. time_s, ratio: (n,) of every event.

    usual, low, high: (channels, points), the recording's middle event and its 5 and 95 percent;
    shown: event number -> (channels, points) of the most improbable ones.
    """

    time_s: Floats
    ratio: Floats
    axis: Floats
    axis_unit: str
    roles: tuple[str, ...]
    units: tuple[str, ...]
    usual: Floats
    low: Floats
    high: Floats
    shown: Mapping[int, np.ndarray]


@dataclass(frozen=True, slots=True)
class Sweep:
    """Everything one sweep found. Printed, written and drawn from, never recomputed.

    n_events: how many were looked at.  interval_s: usual time from event to event.
    too_few: there are not enough events to say that one of them is odd.  options: how the file
    was read, as `refdb.captures.ReadOptions` takes it, so that an event can be found again.
    """

    path: str
    context: Context
    rate_hz: float
    n_samples: int
    start_s: float
    n_events: int
    interval_s: float
    alpha: float
    too_few: bool
    found: tuple[Odd, ...]
    aside: tuple[Aside, ...]
    rhythm: tuple[Rhythm, ...]
    against: Against
    summary: str
    remarks: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    options: Mapping[str, Any] = field(default_factory=dict)
    picture: SweepPicture | None = field(default=None, compare=False, repr=False)


def head_json(sweep: Sweep) -> dict[str, Any]:
    """The first JSON line: the recording, and what holds for all events."""
    return {
        "schema": SCHEMA, "kind": "recording", "path": sweep.path,
        "context": asdict(sweep.context), "rate_hz": sweep.rate_hz,
        "options": dict(sweep.options), "n_samples": sweep.n_samples,
        "start_s": sweep.start_s, "n_events": sweep.n_events,
        "interval_s": rounded(sweep.interval_s), "alpha": sweep.alpha,
        "too_few": sweep.too_few, "n_found": len(sweep.found), "n_aside": len(sweep.aside),
        "rhythm": [_flat(asdict(one)) for one in sweep.rhythm],
        "against": _flat(asdict(sweep.against)), "method": METHOD,
        "remarks": list(sweep.remarks), "summary": sweep.summary,
    }  # fmt: skip


def lines_json(sweep: Sweep) -> list[dict[str, Any]]:
    """All JSON lines: the recording, each event that strays, each one set aside."""
    out = [head_json(sweep)]
    for odd in sweep.found:
        line = _flat(asdict(odd))
        # a sample must be found again: times keep every digit
        line |= {"time_s": odd.time_s, "window_s": list(odd.window_s)}
        line |= {"from": line.pop("start"), "to": line.pop("stop"), "what": line.pop("kind")}
        out.append({"schema": SCHEMA, "kind": "event"} | line)
    for one in sweep.aside:
        out.append({"schema": SCHEMA, "kind": "aside"} | asdict(one))
    return out


def _flat(table: dict[str, Any]) -> dict[str, Any]:
    return {k: rounded(v) if isinstance(v, float) else v for k, v in table.items()}
