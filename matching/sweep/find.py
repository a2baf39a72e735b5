"""The list: which events stray, by how much, why, and what was set aside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from matching.cautions import text_of
from matching.sweep.cut import POINTS, Cutter
from matching.sweep.odd import Oddness
from matching.sweep.records import Against, Aside, Odd, Rhythm, Sweep, SweepPicture
from matching.sweep.rhythm import rhythms
from matching.sweep.tail import LEAST, corrected, joint_p, tail_p
from matching.sweep.tail import SECOND as TAIL_SPAN
from matching.sweep.turn import Train, gap_score, train_of
from matching.tools import Bools, Floats
from refdb.records import Context

# The line beside an event is as disturbed as the event when it is off by half as much, and by
# several times what it usually is.
SAME_OUTSIDE, DISTURBED = 0.5, 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Swept:
    """What came out of reading: the recording, all events, and the grids that were kept."""

    path: str
    context: Context
    cutter: Cutter
    n_samples: int
    start_s: float
    events: Oddness
    grids: dict[int, np.ndarray]
    some: np.ndarray
    remarks: tuple[str, ...]
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Verdicts:
    """Per event (n,): raw and corrected p, which view said so; per gap after it the same."""

    p: Floats
    q: Floats
    timing: Bools
    gap_p: Floats
    gap_q: Floats


def verdicts_of(events: Oddness, train: Train, alpha: float) -> Verdicts:
    """The odds of every event and of every gap, corrected together."""
    late = np.abs(train.late) / train.interval
    late = np.where(train.in_turn, late, np.nan)
    views = [events.shape, events.place] + ([late] if train.regular else [])
    p = joint_p(views, alpha)
    keep = p > alpha / max(events.n, 1)
    by_time = np.zeros(events.n, bool)
    if train.regular:
        by_time = len(views) * tail_p(late, TAIL_SPAN, keep) <= p * 1.0001
    gap = gap_score(events.anchor, train)
    gone = np.zeros(events.n, bool)
    gone[train.missing] = True
    gap_p = np.where(gone, tail_p(gap, TAIL_SPAN, ~gone), 1.0)
    both = corrected(np.concatenate((p, gap_p)))
    return Verdicts(p, both[: events.n], by_time, gap_p, both[events.n :])


def find(swept: Swept, against: Against, alpha: float, drawn: bool = False) -> Sweep:
    """The result of a sweep. drawn: with curves for a picture."""
    events, cutter = swept.events, swept.cutter
    train = train_of(events.anchor)
    interval = float(np.median(train.interval)) / cutter.rate_hz if events.n > 2 else float("nan")
    verdicts = verdicts_of(events, train, alpha) if events.n >= LEAST else None
    found, aside = _lists(swept, train, verdicts, alpha) if verdicts else ([], [])
    rhythm = _rhythm(swept, train, found)
    name = cutter.card.events.unit_name
    too_few = verdicts is None
    return Sweep(
        swept.path, swept.context, cutter.rate_hz, swept.n_samples, swept.start_s, events.n,
        interval, alpha, too_few, tuple(found), tuple(aside), rhythm, against,
        _summary(name, events.n, too_few, found, rhythm), _remarks(swept, train),
        tuple(text_of(key) for key in cutter.card.cautions), swept.options,
        _picture(swept, verdicts, found) if drawn and events.n else None,
    )  # fmt: skip


def _lists(
    swept: Swept, train: Train, verdicts: Verdicts, alpha: float
) -> tuple[list[Odd], list[Aside]]:
    events, rate = swept.events, swept.cutter.rate_hz
    found, aside = [], []
    beside = _disturbed(events)
    for k in np.flatnonzero((verdicts.q <= alpha) | ~train.in_turn):
        time = swept.start_s + float(events.anchor[k]) / rate
        if not train.in_turn[k]:
            aside.append(Aside(int(k) + 1, time, _out_of_turn(swept, train, int(k))))
        elif beside[k]:
            size = f"{events.outside[k]:.3g} {swept.cutter.units[int(events.channel[k])]}"
            reason = (
                f"the line beside the event is off as well, by {size}: a disturbance from outside"
            )
            aside.append(Aside(int(k) + 1, time, reason))
        else:
            found.append(_odd(swept, train, verdicts, int(k)))
    for k in np.flatnonzero(verdicts.gap_q <= alpha):
        found += _missing(swept, train, verdicts, int(k))
    return sorted(found, key=lambda one: one.time_s), aside


def _disturbed(events: Oddness) -> Bools:
    """Events whose surroundings stray as they do: the cause is outside the event."""
    known = np.isfinite(events.outside)
    if not known.any():
        return np.zeros(events.n, bool)
    usual = float(np.median(events.outside[known]))
    outside = np.where(known, events.outside, 0.0)
    return (outside >= SAME_OUTSIDE * events.inside) & (outside > DISTURBED * usual)


def _odd(swept: Swept, train: Train, verdicts: Verdicts, k: int) -> Odd:
    events, cutter = swept.events, swept.cutter
    rate, card = cutter.rate_hz, cutter.card
    c = int(events.channel[k])
    lo, hi = cutter.axis
    per_point = (hi - lo) / POINTS
    start, stop = lo + events.first[k] * per_point, lo + (events.last[k] + 1) * per_point
    size, unit = float(events.size[k]), cutter.units[c]
    by_time = bool(verdicts.timing[k])
    if by_time:
        size, unit = float(train.late[k]) / rate * 1e3, "ms"
        way = "late" if size > 0 else "early"
        usual = float(train.interval[k]) / rate * 1e3
        sentence = f"comes {abs(size):.3g} ms {way}, where one is due every {usual:.4g} ms"
    else:
        way = "above" if size > 0 else "below"
        sentence = (
            f"{cutter.roles[c]} is {abs(size):.3g} {unit} {way} the recording's usual "
            f"{card.events.unit_name} from {start:.3g} to {stop:.3g} {card.events.axis_unit}"
        )
    good = float(events.good[k])
    return Odd(
        k + 1, swept.start_s + float(events.anchor[k]) / rate,
        (swept.start_s + float(events.start[k]) / rate,
         swept.start_s + float(events.stop[k]) / rate),
        "timing" if by_time else "shape",
        float(events.shape[k]) / max(float(np.median(events.shape)), 1e-9),
        float(verdicts.p[k]), float(verdicts.q[k]), good if np.isfinite(good) else None,
        cutter.roles[c], float(start), float(stop), card.events.axis_unit, size, unit, sentence,
    )  # fmt: skip


def _missing(swept: Swept, train: Train, verdicts: Verdicts, k: int) -> list[Odd]:
    """One entry for each event that should have come between event k and the next."""
    events, cutter = swept.events, swept.cutter
    rate = cutter.rate_hz
    later = np.flatnonzero(train.in_turn[k + 1 :])
    n = int(train.step[k])
    wait = float(events.anchor[k + 1 + later[0]] - events.anchor[k])
    unit = cutter.card.events.unit_name
    out = []
    for i in range(1, n):
        due = float(events.anchor[k]) + wait * i / n
        out.append(Odd(
            k + 1, swept.start_s + due / rate,
            (swept.start_s + (due + events.start[k] - events.anchor[k]) / rate,
             swept.start_s + (due + events.stop[k] - events.anchor[k]) / rate),
            "missing", n * 1.0, float(verdicts.gap_p[k]), float(verdicts.gap_q[k]), None, "",
            0.0, 0.0, "ms", wait / rate * 1e3, "ms",
            f"no {unit} where one was due: {wait / rate * 1e3:.4g} ms from the one before to the "
            f"one after, usually {float(train.interval[k]) / rate * 1e3:.4g} ms",
        ))  # fmt: skip
    return out


def _out_of_turn(swept: Swept, train: Train, k: int) -> str:
    since = float(swept.events.anchor[k] - swept.events.anchor[k - 1]) / swept.cutter.rate_hz * 1e3
    unit = swept.cutter.card.events.unit_name
    return (
        f"out of turn: {since:.3g} ms after the one before, while the next {unit} comes when it is "
        "due: radio, a neighbour's line, or an extra one"
    )


def _rhythm(swept: Swept, train: Train, found: list[Odd]) -> tuple[Rhythm, ...]:
    """Rhythms of the found events; a missing one's slot follows that of the event before it."""
    if not found or not swept.events.n:
        return ()
    rate = swept.cutter.rate_hz
    anchors = swept.events.anchor
    slots = []
    for one in found:
        k = one.event - 1
        slot = int(train.slot[k])
        if one.kind == "missing":
            since = (one.time_s - swept.start_s) * rate - anchors[k]
            slot += round(since / float(train.interval[k]))
        slots.append(slot)
    speed = rate / train.interval
    rows = np.array([one.event - 1 for one in found])
    return rhythms(
        np.array(slots), train.due, speed[rows], speed, swept.cutter.card.events.unit_name
    )


def _remarks(swept: Swept, train: Train) -> tuple[str, ...]:
    out = list(swept.remarks)
    rate, unit = swept.cutter.rate_hz, swept.cutter.card.events.unit_name
    if swept.cutter.edge:
        out.append(f"{swept.cutter.edge} {unit}(s) cut off by the ends of the recording left out")
    for a, b in train.pauses:
        times = [swept.start_s + float(swept.events.anchor[i]) / rate for i in (a, b)]
        out.append(f"no {unit} between {times[0]:.2f} and {times[1]:.2f} s: a pause, not counted")
    if not train.regular and swept.events.n > 2:
        out.append(f"{unit}s come too unevenly to say whether one is early, late or missing")
    return tuple(out)


def _summary(unit: str, n: int, too_few: bool, found: list[Odd], rhythm: tuple[Rhythm, ...]) -> str:
    if too_few:
        return (
            f"Cannot say: {n} {unit}(s) found, at least {LEAST} are needed to tell an odd one; "
            "record longer, or use `straygauge check`."
        )
    if not found:
        return f"None of {n} {unit}s strays from the recording's own usual one."
    how = f"; {rhythm[0].sentence}" if rhythm else ""
    return f"{len(found)} of {n} {unit}s stray from the recording's own usual one{how}."


def _picture(swept: Swept, verdicts: Verdicts | None, found: list[Odd]) -> SweepPicture:
    events, cutter = swept.events, swept.cutter
    low, usual, high = np.quantile(swept.some, [0.05, 0.5, 0.95], axis=0)
    lo, hi = cutter.axis
    likely = sorted((o for o in found if o.kind == "shape"), key=lambda one: one.p_value)
    shown = {o.event: swept.grids[o.event - 1] for o in likely if o.event - 1 in swept.grids}
    ratio = events.shape / max(float(np.median(events.shape)), 1e-9)
    return SweepPicture(
        swept.start_s + events.anchor / cutter.rate_hz, ratio,
        lo + (np.arange(POINTS) + 0.5) * (hi - lo) / POINTS, cutter.card.events.axis_unit,
        cutter.roles, cutter.units, usual, low, high, shown,
    )  # fmt: skip
