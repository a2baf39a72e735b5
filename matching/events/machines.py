"""Rules for machines: `electrical` (generator ripple) and `turns` (commutator ripple)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events, make, none_found, rule
from matching.events.lines import (
    Lines,
    autocorrelation,
    block_mean,
    centroid,
    clarity,
    deepest,
    demodulate,
    folded,
    instants,
    is_flat,
    lines,
    strongest,
)
from matching.events.steady import steady_run
from matching.tools import Floats, Ints, smooth

TURN = 2.0 * np.pi
HUMPS = 6  # of one electrical period of a three-phase bridge
COMB = np.array([1.0, 2.0, 3.0, 4.0, 6.0, 12.0])  # the multiples a bridge makes, sound or faulty
FULL_PERIOD = 24  # samples of a reduced recording in one hump at the highest frequency


@rule("electrical")
def electrical(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One electrical period of a three-phase machine with its bridge: six humps when healthy.

    A diode open leaves the period and raises its first and second line, a phase open its second
    (six-pulse rectifier theory), so the period is sought as a comb, not as the strongest line.
    params: role; low_hz, high_hz of the electrical frequency. hint: electric_hz.
    Every event starts at the deepest trough of the recording's mean period.
    """
    x = signal.channel(params.get("role", ""))
    top = float(params.get("high_hz", 2000.0)) * HUMPS
    width = max(1, int(signal.rate_hz / (4.0 * top)))
    rate = signal.rate_hz / width
    y = block_mean(x, width)
    if y.size < 64 or is_flat(y):
        return none_found()
    low = float(params.get("low_hz", 80.0))
    spectrum = lines(y, rate)
    expected = float(hint.get("electric_hz", 0.0))
    f = (
        near_electrical(spectrum, expected)
        if expected > 0.0
        else electrical_frequency(spectrum, low, top / HUMPS)
    )
    if f <= 0.0 or y.size < 1.5 * rate / f:
        return none_found()
    phase = electrical_phase(y, rate, f, spectrum)
    calm = y - smooth(y, int(1.5 * rate / f))
    start = deepest(folded(calm, phase, TURN, 24 * HUMPS), HUMPS)
    edges = (instants(phase, TURN * start, TURN) + 0.5) * width - 0.5
    clear = clarity(spectrum, f, COMB)
    if edges.size < 2:
        return none_found({"electric_hz": f, "clarity": clear})
    mean_hz = signal.rate_hz * (edges.size - 1) / float(edges[-1] - edges[0])
    scout = {"electric_hz": mean_hz, "clarity": clear}
    return make(signal, edges[:-1], edges[1:], edges[:-1], (0.0, 100.0), None, scout)


def electrical_frequency(spectrum: Lines, low: float, high: float) -> float:
    """Electrical frequency (Hz) from the spectrum alone; 0 when no line stands out."""
    top = strongest(spectrum, 1.5 * low, high * HUMPS, (1400.0, 1.2))
    if top <= 0.0 or float(spectrum.line(top)) <= 0.0:
        return 0.0
    return top / top_multiple(spectrum, top, low)


def top_multiple(spectrum: Lines, top: float, low: float) -> float:
    """Which multiple of the electrical frequency the strongest line is: 6, 12, 2 or 1.

    A healthy bridge has 6, and more of 12 the more the battery clips its humps; unequal phases
    add 2 and 4, an open phase makes 2 the strongest, an open diode 1. Six-pulse and two-pulse
    waves have nearly the same harmonics (0.245, 0.108 and 0.200, 0.086 of the first), so health is
    preferred unless the third harmonic, lines between or the speed of an engine speak against it.
    """
    of_top = np.array([1 / 6, 1 / 3, 1 / 2, 2 / 3, 2.0, 3.0])
    share = spectrum.line(top * of_top) / float(spectrum.line(top))
    between, half = max(share[0], share[1], share[3]), share[2]
    plain = share[4] < 0.4 and share[5] < 0.25
    if top >= HUMPS * low and (plain or (between > 0.04 and top > 900.0)):
        return 12.0 if half > 0.2 and top >= 2 * HUMPS * low else 6.0
    # electrical frequencies of engines lie near 130 to 310 Hz (idle) and 480 to 900 Hz (fast)
    as_first = top < 310.0 or 480.0 < top < 900.0
    return 1.0 if as_first and half < 0.2 and share[5] < 0.5 else 2.0


def near_electrical(spectrum: Lines, expected: float) -> float:
    """Electrical frequency (Hz) whose comb holds most, within 0.72 to 1.38 of what is expected.

    Powers rather than amplitudes are added here, so that the strongest line places the comb.
    """
    f = expected * np.exp(np.arange(np.log(0.72), np.log(1.38), 0.0015))
    score = np.zeros(f.size)
    for multiple, weight in ((1, 1.0), (2, 1.0), (3, 0.5), (4, 0.5), (6, 1.0), (12, 0.5)):
        score += weight * spectrum.line(f * multiple, 0.008) ** 2
    score *= np.exp(-0.5 * (np.log(f / expected) / 0.2) ** 2)
    k = int(np.argmax(score))
    return float(f[k]) if score[k] > 0.0 else expected


def electrical_phase(y: Floats, rate: float, f: float, spectrum: Lines) -> Floats:
    """Phase (rad, 2 pi per electrical period) of y (n,), from the line that carries it best.

    The sixth line runs through healthy and faulty stretches alike, so it is preferred as long as
    it never fades; else the strongest of the first and second.
    """
    if 6.6 * f < 0.5 * rate:
        phase, size = demodulate(y, rate, 6.0 * f, 0.75 * f)
        weak = float(np.quantile(size, 0.05))
        sizes = spectrum.line(f * np.array([1.0, 2.0, 6.0]))
        if weak > 0.3 * float(np.median(size)) or sizes[2] > 2.0 * sizes[:2].max():
            return phase / 6.0
    else:
        sizes = spectrum.line(f * np.array([1.0, 2.0]))
    multiple = 1.0 + float(np.argmax(sizes[:2]))
    phase, _ = demodulate(y, rate, multiple * f, 0.4 * f)
    return phase / multiple


@rule("turns")
def turns(signal: Signal, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """One revolution of a commutator motor: as many ripples as its bars (or twice an odd number).

    The ripple is the strongest line, its count per turn what makes the ripples repeat.
    params: role; low_hz, high_hz of the ripple; least, most ripples per turn; fallback count.
    hint: ripple_hz, per_turn. Events start at the deepest trough of the mean turn.
    """
    x = signal.channel(params.get("role", ""))
    begin, end = steady_run(x, signal.rate_hz, float(params.get("settle_s", 0.25)))
    top = float(params.get("high_hz", 4000.0))
    width = max(1, int(signal.rate_hz / (FULL_PERIOD * 0.5 * top)))
    rate = signal.rate_hz / width
    y = block_mean(x[begin:end], width)
    if y.size < 64 or is_flat(y):
        return none_found()
    f = ripple_frequency(y, rate, float(params.get("low_hz", 150.0)), top, hint)
    if f <= 0.0:
        return none_found()
    # one odd bar makes lines a turn's frequency away: a band without them loses no ripple at it
    known = float(hint.get("per_turn", 0.0))
    phase, _ = demodulate(y, rate, f, (0.4 / known if known > 1.0 else 0.35) * f)
    hump = instants(phase, np.pi, TURN)
    scout = {"ripple_hz": f}
    if hump.size < 4:
        return none_found(scout)
    most = int(params.get("most", 20))
    count, sure = per_turn(y, hump, int(params.get("least", 5)), most, hint.get("per_turn", 0.0))
    if sure:
        scout["per_turn"] = float(count)
    count = count or int(params.get("fallback", 8))
    scout["clarity"] = clarity(lines(y, rate), f, np.arange(1.0, count + 1.0) / count)
    calm = y - smooth(y, int(1.5 * count * rate / f))
    start = deepest(folded(calm, phase, TURN * count, 24 * count), count)
    edges = (instants(phase, TURN * count * start, TURN * count) + 0.5) * width - 0.5 + begin
    marks = {
        "ripple": (hump + 0.5) * width - 0.5 + begin,
        "steady": np.array([begin, end], dtype=np.float64),
        "per_turn": np.array([float(count) if sure or "per_turn" in hint else 0.0]),
    }
    if edges.size < 2:
        return none_found(scout)
    return make(signal, edges[:-1], edges[1:], edges[:-1], (0.0, 100.0), marks, scout)


def ripple_frequency(
    y: Floats, rate: float, low: float, high: float, hint: Mapping[str, float]
) -> float:
    """Ripple frequency (Hz) of a commutator: the strongest line, unless it is only the turn.

    An open bar makes a comb of the turn's multiples; the ripple is then the multiple that stands
    out of its neighbours.
    """
    spectrum = lines(y, rate)
    expected = float(hint.get("ripple_hz", 0.0))
    count = round(hint.get("per_turn", 0.0))
    if expected > 0.0 and count > 1:
        return near_ripple(spectrum, low, high, expected, count)
    prior = (expected, 0.35) if expected > 0.0 else (750.0, 0.9)
    top = strongest(spectrum, low, high, prior)
    if top <= 0.0 or expected > 0.0:
        return top
    multiples: Floats = np.arange(1.0, 20.0, dtype=np.float64)
    comb = spectrum.line(strongest(spectrum, 40.0, top, None) * multiples)
    if comb[0] < 0.7 * float(spectrum.line(top)) or min(comb[1], comb[2]) < 0.4 * comb[0]:
        return top
    turn = strongest(spectrum, 40.0, top, None)
    beside = 0.5 * (comb[4:16] + comb[6:18]) + 1e-12
    return turn * (6.0 + float(np.argmax(comb[5:17] / beside)))


def near_ripple(spectrum: Lines, low: float, high: float, expected: float, count: int) -> float:
    """Ripple frequency (Hz) near the expected one, also where an odd bar raises the turn's lines.

    The line itself counts in full, the turn's multiples below it a little, so that neither a
    sound motor is read one multiple off nor a comb of equal lines is taken for any of them.
    """
    f = expected * np.exp(np.arange(-1.0, 1.0, 0.0025))
    f = f[(f >= low) & (f <= min(high, 0.97 * spectrum.top_hz))]
    if f.size == 0:
        return 0.0
    score = spectrum.line(f) ** 2
    for multiple in range(1, count):
        score += 0.08 * spectrum.line(f * (multiple / count)) ** 2
    score = score * np.exp(-((np.log(f / expected) / 0.45) ** 2))
    k = int(np.argmax(score))
    return centroid(spectrum, float(f[k])) if score[k] > 0.0 else 0.0


def per_turn(y: Floats, hump: Floats, least: int, most: int, expected: float) -> tuple[int, bool]:
    """Ripples per turn and whether the recording shows it: the lag at which ripples repeat.

    Each ripple (between two instants of `hump`) is 12 numbers; the score of a count is the mean
    autocorrelation at its first whole multiples. A multiple of the true count scores as well, so
    the least good count wins; the score must stand out of what chance gives.
    """
    shapes = _shapes(y, hump)
    n_ripples: int = shapes.shape[0]
    most = min(most, n_ripples // 3)
    if most < least:
        return int(expected), False
    repeat = autocorrelation(shapes)
    counts: Ints = np.arange(least, most + 1, dtype=np.int64)
    score, chance = np.zeros(counts.size), np.zeros(counts.size)
    for i, count in enumerate(counts):
        lags = count * np.arange(1, min(12, repeat.size // count) + 1)
        lags = lags[lags < repeat.size]
        score[i] = repeat[lags].mean()
        chance[i] = 1.0 / np.sqrt(3.0 * shapes.shape[0] * lags.size)
    best = float(score.max())
    clear = bool(best > max(0.05, 4.0 * float(chance[np.argmax(score)])))
    if least <= expected <= most:
        k = round(expected) - least
        # what the peers agree on stands unless the recording plainly denies it
        if not clear or best < 0.5 or score[k] > 0.1 * best:
            return round(expected), clear
    if not clear:
        return int(expected), False
    good: Ints = counts[score > 0.75 * best]
    return int(good[0]), True


def _shapes(y: Floats, hump: Floats) -> Floats:
    """Ripples on 12 points, without what all have in common and without slow drift."""
    part = hump[:-1, None] + np.diff(hump)[:, None] * ((np.arange(12) + 0.5) / 12.0)
    part = np.interp(part, np.arange(y.size, dtype=np.float64), y)
    slow = smooth(part.mean(axis=1), min(31, part.shape[0]))
    part = part - slow[:, None]
    common = np.median(part, axis=0)
    part = part - common
    part[np.abs(part) < 1e-3 * float(np.ptp(common))] = 0.0  # rounding is no pattern
    limit = 6.0 * float(np.median(np.abs(part))) + 1e-30
    return np.clip(part, -limit, limit)
