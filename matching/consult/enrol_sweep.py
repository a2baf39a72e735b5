"""`add --from-sweep`: events that a sweep listed become references, each a short capture."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from matching.consult.derive import all_cards
from matching.consult.progress import Progress, silent
from matching.consult.shelves import Library
from matching.sweep.records import SCHEMA
from refdb import captures
from refdb.captures import ReadOptions
from refdb.captures.gate import fingerprint
from refdb.cards import find_card
from refdb.catalogue import Catalogue
from refdb.errors import CaptureError
from refdb.records import Capture, Context, NewReference, Reference

# What is kept on either side of the window, as a share of it: the rule wants some calm line.
AROUND = 0.5


def add_from_sweep(
    place: Path,
    numbers: Sequence[int],
    said: NewReference,
    *,
    catalogue: str | os.PathLike[str] | None = None,
    progress: Progress = silent,
) -> list[Reference]:
    """The events `numbers` of a sweep's JSON lines as references, all or none.

    said: what is known of them; its context is replaced by the sweep's.
    Raises StraygaugeError: no sweep, an event it does not list, a recording that is gone or no
    longer fits, or DuplicateReference.
    """
    head, events = read_lines(place)
    unknown = [n for n in numbers if n not in events]
    if unknown:
        listed = ", ".join(str(n) for n in sorted(events)) or "none"
        raise CaptureError(
            f"{place}: expected events that the sweep lists ({listed}), found {unknown[0]}; "
            "name listed ones with --events"
        )
    recording, context = Path(head["path"]), Context(**head["context"])
    windows = [events[n]["window_s"] for n in numbers]
    cuts = _cut(recording, _options(head["options"]), windows)
    added = []
    with Catalogue.open(catalogue) as opened:
        with opened.write() as unit:
            for n, capture in zip(numbers, cuts, strict=True):
                tags = {**said.tags, "event": str(n), "from": "sweep"}
                new = NewReference(
                    context, said.label, said.vehicle, said.fault, said.origin, said.state,
                    said.confirmed_fix, said.note or events[n]["sentence"], tags,
                )  # fmt: skip
                added.append(unit.add(capture, new))
            unit.commit()
        Library(opened, progress).shelf(find_card(context.system, all_cards(opened.path)))
    return added


def read_lines(place: Path) -> tuple[dict[str, Any], dict[int, dict[str, Any]]]:
    """Head and events (missing ones left out) of a sweep's JSON lines. Raises CaptureError."""
    try:
        lines = [json.loads(line) for line in place.read_text("ascii").splitlines()]
        if not lines or any(line["schema"] != SCHEMA for line in lines):
            raise ValueError
        events = {
            int(line["event"]): line
            for line in lines
            if line["kind"] == "event" and line["what"] != "missing"
        }
        if lines[0]["kind"] != "recording":
            raise ValueError
    except (ValueError, KeyError, TypeError):
        raise CaptureError(
            f"{place}: expected the lines of `straygauge sweep --json-lines` ({SCHEMA}), found "
            "something else; sweep the recording again"
        ) from None
    return lines[0], events


def _options(said: dict[str, Any]) -> ReadOptions:
    known = {field.name for field in fields(ReadOptions)}
    kept: dict[str, Any] = {
        k: tuple(v) if isinstance(v, list) else v for k, v in said.items() if k in known
    }
    return ReadOptions(**kept)


def _cut(
    recording: Path, options: ReadOptions, windows: Sequence[Sequence[float]]
) -> list[Capture]:
    """Windows (from, to) in seconds, widened, as captures; one pass over the file."""
    blocks = captures.open_blocks(recording, options)
    rate = blocks.rate_hz
    spans = []
    for start, stop in windows:
        more = AROUND * (stop - start)
        first = max(round((start - more - blocks.start_s) * rate), 0)
        spans.append((first, round((stop + more - blocks.start_s) * rate)))
    parts: list[list[np.ndarray]] = [[] for _ in spans]
    last = max(stop for _, stop in spans)
    for at, samples in blocks:
        for part, (start, stop) in zip(parts, spans, strict=True):
            part.append(samples[:, max(start - at, 0) : max(stop - at, 0)].copy())
        if at + samples.shape[1] >= last:
            break
    out = []
    for part, (start, _) in zip(parts, spans, strict=True):
        whole = np.concatenate(part, axis=1)
        if whole.shape[1] < 2:
            raise CaptureError(
                f"{blocks.source}: expected the recording that was swept, found a shorter one; "
                "sweep it again"
            )
        out.append(Capture(
            whole, rate, blocks.channels, options.coupling, options.attenuation, options.scale,
            blocks.source, fingerprint(whole, rate), blocks.start_s + start / rate,
        ))  # fmt: skip
    return out
