"""Events as a train: which come early or late, which are missing, which are out of turn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.sweep.odd import running_median
from matching.tools import Bools, Floats, Ints

# Intervals this even (robust spread over the interval) make a train in which an event has a place.
EVEN = 0.10
# A longer run of missing events is a pause: the machine stood still or the lead was off.
PAUSE = 8


@dataclass(frozen=True, slots=True, eq=False)
class Train:
    """n events. regular: whether they come evenly enough for an event to be due.

    interval: (n,) the usual one about each event, samples.  in_turn: bool (n,), False for an
    event between two that follow each other properly.  slot: (n,) the event's number counting
    missing ones too.  late: (n,) against the middle of its neighbours, samples; NaN if a neighbour
    is missing.  missing: (m,) index of the event before each gap.  step: (n,) slots from each
    event to the next in turn.  pauses: (p, 2) events before and after a pause.
    """

    regular: bool
    interval: Floats
    in_turn: Bools
    slot: Ints
    late: Floats
    missing: Ints
    step: Ints
    pauses: tuple[tuple[int, int], ...]

    @property
    def due(self) -> int:
        """How many events there would be with none missing or out of turn."""
        return int(self.slot[-1]) + 1 if self.slot.size else 0


def train_of(anchor: Floats) -> Train:
    """The train of events at anchors (n,), in samples, ascending."""
    n = anchor.size
    plain = np.ones(n, bool)
    if n < 3:
        return _irregular(anchor, np.full(n, np.nan))
    gaps = np.diff(anchor)
    usual = running_median(gaps)
    uneven = 1.4826 * float(np.median(np.abs(gaps / usual - 1.0)))
    interval = np.append(usual, usual[-1])
    if uneven > EVEN:
        return _irregular(anchor, interval)
    in_turn = _in_turn(anchor, interval, plain)
    index = np.flatnonzero(in_turn)
    usual = running_median(np.diff(anchor[index]))
    ratio = np.diff(anchor[index]) / usual
    step = np.maximum(np.round(ratio), 1).astype(np.int64)
    place = np.concatenate(([0], np.cumsum(np.minimum(step, PAUSE + 1))))
    late = np.full(n, np.nan)
    whole = (step[1:] == 1) & (step[:-1] == 1)
    middle = 0.5 * (anchor[index[2:]] + anchor[index[:-2]])
    late[index[1:-1][whole]] = (anchor[index[1:-1]] - middle)[whole]
    slot = place[np.maximum(np.cumsum(in_turn) - 1, 0)]
    near = np.append(usual, usual[-1])[np.maximum(np.cumsum(in_turn) - 1, 0)]
    steps = np.ones(n, np.int64)
    steps[index[:-1]] = step
    gone = index[:-1][(step > 1) & (step <= PAUSE)]
    pauses = tuple(
        (int(a), int(b)) for a, b, s in zip(index[:-1], index[1:], step, strict=True) if s > PAUSE
    )
    return Train(True, near, in_turn, slot, late, gone, steps, pauses)


def _irregular(anchor: Floats, interval: Floats) -> Train:
    n = anchor.size
    return Train(
        False, interval, np.ones(n, bool), np.arange(n), np.full(n, np.nan),
        np.zeros(0, np.int64), np.ones(n, np.int64), (),
    )  # fmt: skip


def _in_turn(anchor: Floats, interval: Floats, kept: Bools) -> Bools:
    """False for events that come too soon while a later one comes when it is due."""
    soon = np.flatnonzero(np.diff(anchor) < 0.7 * interval[:-1]) + 1
    done = -1
    for j in soon:
        if j <= done:
            continue
        before = int(j) - 1
        while before > 0 and not kept[before]:
            before -= 1
        wait = (anchor[j : j + 16] - anchor[before]) / interval[before]
        due = np.flatnonzero(np.abs(wait - np.round(wait)) < 0.2)
        due = due[np.round(wait[due]) >= 1]
        if due.size and due[0] > 0:
            kept[j : j + due[0]] = False
            done = int(j + due[0])
    return kept


def gap_score(anchor: Floats, train: Train) -> Floats:
    """How far the interval after each event (n,) is from the usual: |log ratio|; NaN for none."""
    out = np.full(anchor.size, np.nan)
    index = np.flatnonzero(train.in_turn)
    if train.regular and index.size > 1:
        out[index[:-1]] = np.abs(np.log(np.diff(anchor[index]) / train.interval[index[:-1]]))
    return out
