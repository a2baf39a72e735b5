"""Following a toothed wheel: tooth edges, local pitch, place on the wheel, reference gap.

Nothing is assumed of the wheel: pitch, missing teeth and pitches per turn come from the capture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.tools import Bools, Floats, Ints, crossings, schmitt, thin

_FEWEST_PITCHES, _MOST_PITCHES = 8, 140
_GAP = 1.5  # an interval of so many local pitches may be the reference gap or a lost tooth


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """The teeth of one capture.

    edge: (n,) instants of the tooth edge, fractional samples; opposite: the other edges.
    pitch: (n,) local tooth pitch in samples.  place: (n,) whole pitches since the first edge.
    ratio: (n - 1,) intervals in local pitches.  extra: edges that fit no tooth, left out.
    turn: pitches per turn, 0 if unknown.  reference: indices of the first edge after each gap.
    lean: pitches that the low state outlasts the high one at the gap: positive where the gap
    follows a negative lobe, negative with the leads reversed.
    """

    edge: Floats
    opposite: Floats
    pitch: Floats
    place: Ints
    ratio: Floats
    extra: Floats
    turn: int
    reference: Ints
    lean: float

    @property
    def gap_ratio(self) -> float:
        """Usual interval across the reference gap in local pitches; 1 without a gap."""
        before = self.reference[self.reference > 0] - 1
        return float(np.median(self.ratio[before])) if before.size else 1.0


def levelled(x: Floats, noise: float, square: bool) -> Floats:
    """x (n,) about its switching level over its local amplitude, so that teeth reach about 1.

    An inductive sensor's emf has no mean over whole turns (it is a flux rate), so its mean is the
    instrument's offset; its amplitude follows speed and air gap, so it is taken locally.
    """
    if square:
        low, high = two_modes(x)
        return (x - 0.5 * (low + high)) / max(0.5 * (high - low), 1e-30)
    centred = x - _emf_zero(x)
    size = float(np.quantile(np.abs(thin(centred)), 0.98))
    floor = max(10.0 * noise, 0.06 * size, 1e-30)
    up, down = crossings(centred, 0.0, 0.3 * size)
    if up.size < 4 and down.size < 4:
        up, down = crossings(centred, 0.0, 0.1 * size)
    if up.size < 4 or down.size < 4:
        return centred / max(size, floor)
    block = max(int(0.6 * _usual_pitch(up, down)), 1)
    starts = np.arange(0, x.size, block)
    top = np.maximum.reduceat(np.abs(centred), starts)
    wide = np.lib.stride_tricks.sliding_window_view(np.pad(top, 3, mode="edge"), 7)
    # The third largest of seven blocks: a spike of interference does not set the local amplitude.
    local = np.partition(wide, 4, axis=1)[:, 4]
    envelope = np.interp(np.arange(x.size), starts + 0.5 * block, np.maximum(local, floor))
    return centred / envelope


def two_modes(x: Floats, bins: int = 80) -> tuple[float, float]:
    """The two levels at which x (n,) spends most of its time, at least a fifth of its range apart.

    Unlike the ends of the range they stay where they are when a dropout or a spike goes beyond.
    """
    part = thin(x)
    low, high = (float(q) for q in np.quantile(part, [0.002, 0.998]))
    if high <= low:
        return low, high
    counts, edges = np.histogram(part, bins=bins, range=(low, high))
    wide = np.convolve(counts, np.ones(5), "same")
    centre = 0.5 * (edges[1:] + edges[:-1])
    first = int(np.argmax(wide))
    far = np.abs(np.arange(bins) - first) >= bins // 5
    second = int(np.argmax(np.where(far, wide, -1.0)))
    a, b = sorted((first, second))
    levels = []
    for k in (a, b):
        inside = part[np.abs(part - centre[k]) <= 2.5 * (edges[1] - edges[0])]
        levels.append(float(inside.mean()) if inside.size else float(centre[k]))
    return levels[0], levels[1]


def _emf_zero(x: Floats) -> float:
    """Zero of an emf: the mean over the part between the first and last passage of the middle."""
    middle = float(np.mean(x))
    above = x > middle
    passes = np.flatnonzero(above[1:] & ~above[:-1])
    if passes.size < 3:
        return middle
    return float(x[passes[0] : passes[-1]].mean())


def _usual_pitch(up: Floats, down: Floats) -> float:
    return float(np.median(np.concatenate((np.diff(up), np.diff(down)))))


def follow(x: Floats, noise: float, square: bool, expected: float = 0.0) -> Track | None:
    """The track of a wheel signal x (n,); None when it shows fewer than six teeth.

    expected: pitches per turn that the context's references agree on, 0 if unknown.
    """
    low, high = np.quantile(thin(x), [0.005, 0.995])
    if high - low < 6.0 * noise or high <= low:
        return None
    y = levelled(x, noise, square)
    up, down = crossings(y, 0.0, 0.6 if square else 0.5)
    if min(up.size, down.size) < 5:
        return None
    # When a flat gap ends is told by the trigger, not by the zero that its noise crosses first.
    state = schmitt(y, -0.3, 0.3) if square else schmitt(y, -0.25, 0.25)
    change = np.flatnonzero(state[1:] != state[:-1]) + 1
    on, off = change[state[change]].astype(float), change[~state[change]].astype(float)
    falling = _outlasts(off, on) >= _outlasts(on, off)
    both = {True: (down, up, on), False: (up, down, off)}
    track = _along(*both[falling], falling, expected)
    if track is not None and track.reference.size and (track.lean > 0) != falling:
        other = _along(*both[not falling], not falling, expected)
        if other is not None and other.reference.size >= track.reference.size:
            return other
    return track


def _along(
    edge: Floats, opposite: Floats, trigger: Floats, falling: bool, expected: float
) -> Track | None:
    """The track along the edges of one direction; trigger: when the opposite state begins."""
    edge, extra = _drop_extra(edge)
    if edge.size < 6:
        return None
    period = np.diff(edge)
    local = running_median(period, 9)
    ratio = period / local
    step = np.maximum(np.round(ratio), 1).astype(np.int64)
    place = np.concatenate(([0], np.cumsum(step)))
    steady = steady_part(local)
    turn, reference = find_turn(place, np.where(steady, ratio, 1.0), expected)
    lean = _lean(edge, trigger, local, reference) * (1.0 if falling else -1.0)
    pitch = np.concatenate((local, local[-1:]))
    return Track(edge, opposite, pitch, place, ratio, extra, turn, reference, lean)


def steady_part(local: Floats) -> Bools:
    """Where the local pitch (n,) changes by less than 65 % over eight teeth: not the run-up from
    standstill, where every interval looks like a gap. Compression while cranking stays below."""
    reach = 4
    padded = np.pad(np.log(np.maximum(local, 1e-12)), reach, mode="edge")
    change = np.abs(padded[2 * reach :] - padded[: -2 * reach])
    shaky = change > 0.5
    beside = np.pad(shaky, 1, mode="edge")
    return ~(beside[:-2] | beside[1:-1] | beside[2:])


def _states(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    """Length of the states from each edge in `first` to the next in `second`, and their starts."""
    after = np.searchsorted(second, first)
    ok = after < second.size
    return second[after[ok]] - first[ok], first[ok]


def _outlasts(first: Floats, second: Floats) -> float:
    """How many times its neighbours the longest states from `first` to `second` last."""
    length, _ = _states(first, second)
    if length.size < 4:
        return 0.0
    local = running_median(length, 9)
    ratio = (length / local)[steady_part(local)]
    if ratio.size == 0:
        return 0.0
    count = max(1, round(ratio.size / 80))
    return float(np.median(np.sort(ratio)[-count:]))


def _lean(edge: Floats, opposite: Floats, local: Floats, reference: Ints) -> float:
    """By how many pitches the state after `edge` outlasts the other one at the reference gap;
    0 without a gap."""
    if reference.size == 0:
        return 0.0
    gap = reference[reference > 0] - 1
    last, first = edge[gap], edge[gap + 1]
    k = np.searchsorted(opposite, last)
    ok = (k < opposite.size) & (k > 0)
    if not ok.any():
        return 0.0
    after = opposite[k[ok]] - last[ok]
    # The other state: from its edge inside the gap to the gap's end.
    other = first[ok] - opposite[k[ok]]
    return float(np.median((after - other) / local[gap[ok]]))


def running_median(values: Floats, width: int) -> Floats:
    """Centred running median of values (n,), the ends mirrored."""
    width = min(width, values.size - (values.size + 1) % 2)
    if width < 3:
        return np.full(values.size, float(np.median(values)))
    padded = np.pad(values, width // 2, mode="reflect")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)


def _drop_extra(edge: Floats) -> tuple[Floats, Floats]:
    """Edges without those that follow another closer than 0.55 local pitch; and the others.

    Where there are two, the one nearer to its expected place stays.
    """
    period = np.diff(edge)
    if period.size < 3:
        return edge, np.zeros(0)
    local = running_median(period, 15)
    if not np.any(period < 0.6 * local):
        return edge, np.zeros(0)
    kept, lost = [0], []
    for k in range(1, edge.size):
        near = float(local[min(k, local.size - 1)])
        gap = edge[k] - edge[kept[-1]]
        if gap >= 0.55 * near:
            kept.append(k)
            continue
        last = kept[-1]
        before = edge[kept[-2]] if len(kept) > 1 else edge[last] - near
        miss_old = _off_whole((edge[last] - before) / near)
        miss_new = _off_whole((edge[k] - before) / near)
        if miss_new < miss_old:
            kept[-1] = k
            lost.append(last)
        else:
            lost.append(k)
    return edge[kept], edge[np.sort(np.array(lost, dtype=np.int64))]


def _off_whole(value: float) -> float:
    return abs(value - round(value))


def find_turn(place: Ints, ratio: Floats, expected: float = 0.0) -> tuple[int, Ints]:
    """Pitches per turn (0 if unknown) and the index of the first edge after each reference gap.

    The turn is the distance in pitches at which gaps come most completely: a shorter one leaves
    due places empty, a longer one leaves gaps unexplained, and so does that of a lost tooth.
    """
    gap = np.flatnonzero(ratio > _GAP)
    if gap.size == 0:
        return int(expected), np.zeros(0, np.int64)
    where, weight = place[gap + 1], np.minimum(ratio[gap] - 1.0, 2.5)
    last = int(place[-1])
    scores = [(_coverage(where, weight, turn, last)[0], turn) for turn in _distances(where)]
    best_score, best = max(scores, key=lambda s: (round(s[0], 3), -s[1]), default=(0.0, 0))
    near = [s for s in scores if expected and abs(s[1] - expected) <= 1]
    if near and max(near)[0] >= 0.4 * best_score:
        best_score, best = max(near)
    elif expected and best_score < 0.8:
        best_score = 0.0  # a chance distance must not overrule what the references agree on
    if best_score < 0.45:
        return _single_gap(where, weight, gap, place, expected)
    _, phase = _coverage(where, weight, best, last)
    return best, _references(where, weight, gap, best, phase)


def _distances(where: Ints) -> list[int]:
    """Distances that occur between gaps, ascending, joined when one apart (rounding)."""
    part = where[:400]
    steps = [part[k:] - part[:-k] for k in range(1, min(8, part.size))]
    reach = np.concatenate(steps) if steps else part[:0]
    reach = reach[(reach >= _FEWEST_PITCHES) & (reach <= _MOST_PITCHES)]
    values, counts = np.unique(reach, return_counts=True)
    joined: list[int] = []
    for value, count in zip(values, counts, strict=True):
        beside = counts[(values >= value - 1) & (values <= value + 1)].max()
        if count == beside:
            joined.append(int(value))
    return joined


def _coverage(where: Ints, weight: Floats, turn: int, last: int) -> tuple[float, int]:
    """How well gaps `turn` pitches apart explain the recording (0..1), and their phase.

    Share of the due places that hold a gap, times a root of the share of all gap width that
    stands there, less for few hits. Places before the first gap are not due (standstill).
    """
    phases = where % turn
    total = np.bincount(phases, weights=weight, minlength=turn)
    wide = total + np.roll(total, 1) + np.roll(total, -1)
    phase = int(np.argmax(wide + 1e-3 * total))
    off = (phases - phase + turn // 2) % turn - turn // 2
    mine = np.abs(off) <= 1
    number = np.unique(np.round((where[mine] - off[mine] - phase) / turn))
    hits = number.size
    if hits < 2:
        return 0.0, phase
    due = (last - phase) // turn - int(number[0]) + 1
    explained = float(weight[mine].sum()) / float(weight.sum())
    return hits / max(due, hits) * explained**0.35 * (1.0 - 0.5 / hits), phase


def _references(where: Ints, weight: Floats, gap: Ints, turn: int, phase: int) -> Ints:
    """First edges after the gaps that keep step; where two vie for a place, the wider gap."""
    off = (where - phase + turn // 2) % turn - turn // 2
    good = np.flatnonzero(np.abs(off) <= 1)
    number = np.round((where[good] - off[good] - phase) / turn).astype(np.int64)
    order = np.lexsort((-weight[good], number))
    _, first = np.unique(number[order], return_index=True)
    return np.sort(gap[good[order[first]]] + 1)


def _single_gap(
    where: Ints, weight: Floats, gap: Ints, place: Ints, expected: float
) -> tuple[int, Ints]:
    """One gap seen: the usual wheel with a gap of that width (60-2 or 36-1), if it can be."""
    widest = int(np.argmax(weight))
    reference = gap[widest : widest + 1] + 1
    if expected:
        return int(expected), reference
    turn = 60 if weight[widest] > 1.4 else 36
    longest = max(int(where[widest]), int(place[-1] - where[widest]))
    return (turn if longest <= turn + 1 else 0), reference
