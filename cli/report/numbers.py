"""The numbers of a report's pictures, packed small for the page's script.

A packed array is {lo, step, d}: value = lo + step x code, codes are little-endian 16-bit, 65535
stands for a missing value; d is their base64. So 16 bits a number, 1/65534 of the array's range.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

from cli.words import number, printable
from matching.answer import Answer, Overlay
from matching.shift import Shift, shift_of
from matching.strip import Strip
from refdb.cards import SystemCard

MISSING = 65535
MINUS = "\N{MINUS SIGN}"
MOST_NEAR = 3


def numbers_of(answer: Answer, card: SystemCard) -> dict[str, Any]:
    """Everything the script draws, as plain JSON values."""
    overlay = answer.overlay
    out: dict[str, Any] = {"unitName": card.events.unit_name, "overlay": None, "strip": None}
    out["events"] = None
    if overlay is not None:
        out["overlay"] = _overlay(answer, overlay)
        out["shift"] = _shift(shift_of(overlay, card.events.warp), overlay)
        if answer.events:
            out["events"] = _events(answer, overlay)
    if answer.recording is not None:
        out["strip"] = _strip(answer.recording.strip)
    return out


def packed(values: np.ndarray) -> dict[str, Any]:
    """An array of any shape as 16-bit codes, in C order; NaN and infinity become missing."""
    flat = np.asarray(values, dtype=np.float64).ravel()
    good = np.isfinite(flat)
    lo = float(flat[good].min()) if good.any() else 0.0
    span = float(flat[good].max()) - lo if good.any() else 0.0
    step = span / (MISSING - 1) or 1.0
    codes = np.full(flat.size, MISSING, dtype="<u2")
    codes[good] = np.round((flat[good] - lo) / step).astype("<u2")
    return {"lo": lo, "step": step, "d": base64.b64encode(codes.tobytes()).decode("ascii")}


def signed(size: float) -> str:
    """A size with its sign, for a label."""
    return ("+" if size > 0 else MINUS) + number(abs(size), 3)


def _each(rows: np.ndarray) -> list[dict[str, Any]]:
    return [packed(row) for row in rows]


def _overlay(answer: Answer, overlay: Overlay) -> dict[str, Any]:
    near = [
        {
            "reference": one.reference,
            "fault": printable(one.fault),
            "curves": _each(one.curve),
        }
        for one in _nearest(answer, overlay)
    ]
    places = [
        {
            "number": i + 1,
            "channel": overlay.roles.index(place.channel),
            "from": place.start,
            "to": place.stop,
            "label": f"{signed(place.size)} {printable(place.unit)}",
        }
        for i, place in enumerate(answer.deviations)
        if place.channel in overlay.roles
    ]
    return {
        "roles": [printable(role) for role in overlay.roles],
        "units": [printable(unit) for unit in overlay.units],
        "axisUnit": printable(overlay.axis_unit),
        "axis": packed(overlay.axis),
        "usual": _each(overlay.usual),
        "low": _each(overlay.low),
        "middle": _each(overlay.middle),
        "high": _each(overlay.high),
        "near": near,
        "named": printable(answer.fault.name) if answer.fault else "",
        "places": places,
    }


def _nearest(answer: Answer, overlay: Overlay) -> list[Any]:
    """The nearest good ones, then the nearest faults; the named fault's own come first."""
    good = [one for one in overlay.near if not one.fault][:MOST_NEAR]
    named = answer.fault.name if answer.fault else ""
    bad = sorted((o for o in overlay.near if o.fault), key=lambda one: one.fault != named)
    return good + bad[:MOST_NEAR]


def _shift(shift: Shift | None, overlay: Overlay) -> dict[str, Any] | None:
    if shift is None:
        return None
    steep = np.where(shift.steep, shift.later, np.nan)
    said = "No timing shift against the good median."
    if shift.worst >= 0 and shift.later[shift.worst] != 0.0:
        size = float(shift.later[shift.worst])
        limit = abs(size) > 0.99 * shift.reach
        said = (
            f"Largest timing shift: {number(abs(size), 2)} {printable(overlay.axis_unit)} "
            f"{'later' if size > 0 else 'earlier'} than the good median, at "
            f"{number(float(shift.axis[shift.worst]), 3)} {printable(overlay.axis_unit)}."
        )
        if limit:
            said += (
                " That is as far as the warping may go: it may be more, or a difference of shape "
                "rather than of time."
            )
    return {
        "axis": packed(shift.axis),
        "later": packed(shift.later),
        "steep": packed(steep),
        "reach": shift.reach,
        "said": said,
    }


def _events(answer: Answer, overlay: Overlay) -> dict[str, Any]:
    grid = overlay.events
    windows = answer.recording.windows.tolist() if answer.recording is not None else []
    return {
        "points": int(grid.shape[2]),
        "curves": [packed(grid[:, c]) for c in range(grid.shape[1])],
        "windows": windows,
        "list": [
            {"number": e.index + 1, "start": e.start_s, "stray": number(e.stray, 3),
             "odd": e.stray > 1}
            for e in answer.events
        ],
    }  # fmt: skip


def _strip(strip: Strip) -> dict[str, Any]:
    finest = strip.levels[0]
    same = finest.low is finest.high
    return {
        "start": strip.start_s,
        "rate": strip.rate_hz,
        "n": strip.n,
        "width": finest.width,
        "roles": [printable(role) for role in strip.roles],
        "units": [printable(unit) for unit in strip.units],
        "low": _each(finest.low),
        "high": None if same else _each(finest.high),
        "close": [
            {"first": c.first, "why": printable(c.why), "samples": _each(c.samples)}
            for c in strip.close_ups
        ],
    }
