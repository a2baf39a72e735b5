"""What is timed on a toothed wheel: pitch, gap, lost and extra teeth, speed and its ripple."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.events.wheel_track import running_median, steady_part
from matching.measurements import Cut
from matching.measurements.sheet import register_sheet
from matching.tools import Bools, Floats, Ints, mad_sigma
from refdb.cards import CardMeasurement

TIMING = {
    "turn": "Pitches per turn (60 for 60-2), from gap to gap.",
    "teeth": "Tooth edges per turn (58 for 60-2).",
    "gap-ratio": "Interval across the reference gap in local pitches (3.0 for 60-2, 2.0 for 36-1).",
    "lean": "Pitches by which the low state outlasts the high one at the gap: its sign is the"
    " polarity of the leads.",
    "rpm": "Speed in rpm from the turns; NaN where the pitches per turn are unknown.",
    "tooth-hz": "Tooth frequency in Hz, median.",
    "duty": "Share of a pitch in the high state, %, median.",
    "duty-spread": "Robust spread of that share over the teeth, %.",
    "duty-worst": "Largest deviation of that share from its usual value, gap left out, %.",
}
REGULARITY = {
    "jitter": "Robust spread of the pitch against its neighbours, gaps left out, %.",
    "pitch-worst": "Largest deviation of one pitch from its neighbours, reference gaps left out, %:"
    " 100 or more for a lost tooth.",
    "pitch-folded": "Largest pitch error that stays at its place turn after turn, %.",
    "lost": "Teeth missing per turn besides the reference gap.",
    "extra": "Edges per turn that fit no tooth.",
    "gap-spread": "Robust spread of the gap ratio over the turns.",
    "turn-spread": "Robust spread of the time for one turn against its neighbours, %.",
    "ripple": "Peak to peak of the speed inside a turn, smoothed over three pitches, %.",
    "trend": "Change of speed from the first to the last fifth of the recording, %.",
    "half-order": "Speed ripple at half the turn rate (one odd cylinder), %, amplitude.",
    "first-order": "Speed ripple at the turn rate, %, amplitude.",
    "uneven": "Half and first order over the strongest of the orders 1.5 to 4, 1.",
}
ORDERS = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)


@dataclass(frozen=True, slots=True, eq=False)
class Wheel:
    """The track of the events' marks, ready to measure.

    Arrays as in `matching.events.wheel_track.Track`; gap: (n - 1,) intervals that are reference
    gaps; plain: (n - 1,) single pitches that touch no gap; steady: without the run-up from
    standstill; turns: turns that the track spans.
    """

    edge: Floats
    opposite: Floats
    pitch: Floats
    place: Floats
    ratio: Floats
    extra: Floats
    reference: Ints
    turn: float
    lean: float
    gap: Bools
    plain: Bools
    steady: Bools
    turns: float


def wheel_of(cut: Cut) -> Wheel | None:
    """The wheel of a cut capture, worked out once; None without teeth."""
    result: Wheel | None = cut.shared("wheel:track", lambda: _build(cut))
    return result


def _build(cut: Cut) -> Wheel | None:
    marks = cut.events.marks
    if "ratio" not in marks or marks["edge"].size < 6:
        return None
    reference = marks["reference"].astype(np.int64)
    ratio = marks["ratio"]
    gap = np.zeros(ratio.size, bool)
    gap[reference[reference > 0] - 1] = True
    beside = gap | np.roll(gap, 1) | np.roll(gap, -1)
    plain = ~beside & (ratio < 1.5)
    steady = running(marks["pitch"][:-1])
    if np.count_nonzero(plain & steady) >= 12:
        plain &= steady
    else:
        steady = np.ones(ratio.size, bool)
    turn = float(marks["turn"][0])
    turns = float(marks["place"][-1]) / turn if turn else float("nan")
    return Wheel(
        marks["edge"], marks["opposite"], marks["pitch"], marks["place"], ratio, marks["extra"],
        reference, turn, float(marks["lean"][0]), gap, plain, steady, turns,
    )  # fmt: skip


def running(pitch: Floats) -> Bools:
    """Where the wheel runs: pitch (n,) steady, without what stands before a start and after a stop.

    Before a start the teeth pass slowly, or noise crosses zero at standstill; either is off by
    a factor of 1.9 from the usual pitch.
    """
    steady = steady_part(pitch)
    off = np.abs(np.log(pitch / float(np.median(pitch)))) > np.log(1.9)
    half = pitch.size // 2
    if off[: half + 1].any():
        steady[: int(np.flatnonzero(off[: half + 1])[-1]) + 5] = False
    if off[half + 1 :].any():
        steady[max(half + 1 + int(np.argmax(off[half + 1 :])) - 5, 0) :] = False
    return steady


def _sheet(cut: Cut, wanted: CardMeasurement) -> dict[str, float]:
    wheel = wheel_of(cut)
    if wheel is None:
        return {"lost": float("nan")}
    return _pattern(wheel, cut.rate_hz) | _pitches(wheel) | _duty(wheel) | _speed(wheel)


def _pattern(wheel: Wheel, rate: float) -> dict[str, float]:
    period = np.diff(wheel.edge)
    per = wheel.turns if np.isfinite(wheel.turns) and wheel.turns > 0.5 else period.size / 60.0
    step = np.maximum(np.round(wheel.ratio), 1.0)
    out = {
        "lean": wheel.lean,
        "tooth-hz": rate / _usual_pitch(wheel),
        "extra": wheel.extra.size / per,
        "lost": float(np.sum((step - 1.0)[~wheel.gap & wheel.steady])) / per,
        "gap-ratio": float(np.median(wheel.ratio[wheel.gap])) if wheel.gap.any() else 1.0,
    }
    if wheel.gap.sum() >= 3:
        out["gap-spread"] = mad_sigma(wheel.ratio[wheel.gap])
    if not wheel.turn:
        return out
    out["turn"] = wheel.turn
    out["rpm"] = 60.0 * rate / (wheel.turn * _usual_pitch(wheel))
    if wheel.reference.size >= 2:
        out["teeth"] = float(np.median(np.diff(wheel.reference)))
        out["rpm"] = 60.0 * rate / float(np.median(_turn_times(wheel)))
    return out


def _usual_pitch(wheel: Wheel) -> float:
    """Mean of the middle half of the plain pitches, samples: finer than the sampling step."""
    period = np.sort(np.diff(wheel.edge)[wheel.plain])
    if period.size < 4:
        return float(np.median(wheel.pitch))
    cut = period.size // 4
    return float(period[cut : period.size - cut].mean())


def _turn_times(wheel: Wheel) -> Floats:
    """Samples per turn between seen references, several turns apart ones divided."""
    count = np.diff(wheel.place[wheel.reference]) / wheel.turn
    return np.diff(wheel.edge[wheel.reference]) / np.maximum(np.round(count), 1.0)


def _pitches(wheel: Wheel) -> dict[str, float]:
    """Deviation of each plain pitch from its neighbours, single and folded over the turns."""
    period = np.diff(wheel.edge)
    off = 100.0 * (period / neighbours(period) - 1.0)
    plain = off[wheel.plain]
    if plain.size < 6:
        return {}
    lost = 100.0 * (wheel.ratio - 1.0)[~wheel.gap & wheel.steady & (wheel.ratio > 1.5)]
    worst = max(float(np.abs(plain).max()), float(lost.max(initial=0.0)))
    out = {"jitter": mad_sigma(plain), "pitch-worst": worst}
    folded = fold(wheel, off, wheel.plain)
    if folded.size:
        out["pitch-folded"] = float(np.abs(folded).max())
    if wheel.turn and wheel.reference.size >= 4:
        times = _turn_times(wheel)
        near = running_median(times, 5)
        out["turn-spread"] = 100.0 * mad_sigma(times / near - 1.0)
    return out


def neighbours(values: Floats) -> Floats:
    """What the teeth beside each lead one to expect of it: median of three symmetric pair means.

    A linear trend of speed or run-out leaves it exact, one odd neighbour does not move it.
    """
    if values.size < 3:
        return values
    reach = min(3, (values.size - 1) // 2)
    padded = np.pad(values, reach, mode="reflect", reflect_type="odd")
    n = values.size
    pairs = [
        0.5 * (padded[reach - j : reach - j + n] + padded[reach + j : reach + j + n])
        for j in range(1, reach + 1)
    ]
    return np.maximum(np.median(pairs, axis=0), 1e-12)


def fold(wheel: Wheel, values: Floats, chosen: Bools) -> Floats:
    """Median at each place on the wheel of the chosen per-interval values (n - 1,).

    Empty where the turn is unknown; with less than two turns each place stands for itself.
    """
    if not wheel.turn or wheel.reference.size < 1 or not chosen.any():
        return np.zeros(0)
    least = 2 if wheel.turns >= 2.5 else 1
    start = wheel.place[wheel.reference[0]]
    at = np.mod(wheel.place[:-1] - start, wheel.turn).astype(np.int64)[chosen]
    return medians_by(at, values[chosen], least)


def medians_by(owner: Ints, values: Floats, least: int) -> Floats:
    """Median of the values (n,) of each owner with at least `least` of them, owner ascending."""
    order = np.lexsort((values, owner))
    ordered = values[order]
    first = np.flatnonzero(np.diff(owner[order], prepend=-1))
    count = np.diff(np.append(first, ordered.size))
    low, high = first + (count - 1) // 2, first + count // 2
    return (0.5 * (ordered[low] + ordered[high]))[count >= least]


def _duty(wheel: Wheel) -> dict[str, float]:
    """High share of each plain pitch: from the opposite edge inside it."""
    k = np.searchsorted(wheel.opposite, wheel.edge[:-1])
    inside = wheel.opposite[np.minimum(k, wheel.opposite.size - 1)]
    ok = wheel.plain & (inside > wheel.edge[:-1]) & (inside < wheel.edge[1:])
    if ok.sum() < 4:
        return {}
    share = (inside - wheel.edge[:-1])[ok] / np.diff(wheel.edge)[ok]
    # With the leads the right way round the edge falls, so what follows it is the low state.
    share = 100.0 * (share if wheel.lean < -0.5 else 1.0 - share)
    usual = float(np.median(share))
    return {
        "duty": usual,
        "duty-spread": mad_sigma(share),
        "duty-worst": float(np.abs(share - usual).max()),
    }


def _speed(wheel: Wheel) -> dict[str, float]:
    """Speed over the angle: its ripple in a turn, its trend, its slow orders."""
    begin = int(wheel.place[np.argmax(wheel.steady)])
    last = int(np.flatnonzero(wheel.steady)[-1]) + 1 if wheel.steady.any() else -1
    pitches = int(wheel.place[last]) - begin
    if pitches < 20:
        return {}
    times = np.interp(begin + np.arange(pitches + 1), wheel.place, wheel.edge)
    width = 3
    speed = width / (times[width:] - times[:-width])
    fifth = max(speed.size // 5, 1)
    first, last = speed[:fifth].mean(), speed[-fifth:].mean()
    out = {"trend": 100.0 * float(2.0 * (last - first) / (last + first))}
    turn = int(wheel.turn) or 60
    count = speed.size // turn
    if count >= 1:
        turns = speed[: count * turn].reshape(count, turn)
        size = np.ptp(turns, axis=1) / turns.mean(axis=1)
        out["ripple"] = 100.0 * float(np.median(size))
    if wheel.turn and count >= 2:
        out |= _orders(speed[: count // 2 * 2 * turn], turn)
    return out


def _orders(speed: Floats, turn: int) -> dict[str, float]:
    """Amplitudes of the speed's ripple by order of the turn, over whole 720 degree cycles."""
    angle = np.arange(speed.size) / turn
    calm = speed / np.polyval(np.polyfit(angle, speed, 2), angle) - 1.0
    window = np.hanning(calm.size) if calm.size > 4 * turn else np.ones(calm.size)
    scale = 200.0 / window.sum()
    turns = np.exp(-2j * np.pi * np.outer(ORDERS, angle))
    size = scale * np.abs(turns @ (calm * window))
    by_order = dict(zip(ORDERS, size.tolist(), strict=True))
    strongest = max(by_order[o] for o in ORDERS if o >= 1.5)
    slow = float(np.hypot(by_order[0.5], by_order[1.0]))
    return {
        "half-order": by_order[0.5],
        "first-order": by_order[1.0],
        "uneven": slow / max(strongest, 0.02),
    }


register_sheet("wheel", TIMING | REGULARITY, _sheet)
