"""Slow twins: each fast function of ours again, as loops anyone can check by eye.

This file imports nothing of ours, no numba and no library that does the work for it. Tests call
the twin ``ref`` and the real one ``comp``. One section per subject; add new sections at the end.
"""

from __future__ import annotations

import itertools
import math

INF = math.inf


def _channels(x):
    """(L,) or (C, L) as a list of channels, each a list of floats."""
    x = x.tolist() if hasattr(x, "tolist") else list(x)
    return [list(row) for row in x] if isinstance(x[0], list | tuple) else [x]


# --- dynamic time warping -----------------------------------------------------------------------


def dtw_squared(a, b, radius):
    """Smallest summed squared difference over all warping paths in the band."""
    a, b = _channels(a), _channels(b)
    length = len(a[0])
    table = [[INF] * (length + 1) for _ in range(length + 1)]
    table[0][0] = 0.0
    for i in range(length):
        for j in range(length):
            if abs(i - j) > radius:
                continue
            cost = 0.0
            for ca, cb in zip(a, b, strict=True):
                cost += (ca[i] - cb[j]) * (ca[i] - cb[j])
            table[i + 1][j + 1] = cost + min(table[i][j], table[i][j + 1], table[i + 1][j])
    return table[length][length]


def dtw(a, b, radius):
    """Banded DTW distance: root of the summed cost."""
    return math.sqrt(dtw_squared(a, b, radius))


def path_cost(a, b, path):
    """Summed squared difference along a given path of (i, j) pairs."""
    a, b = _channels(a), _channels(b)
    total = 0.0
    for i, j in path:
        for ca, cb in zip(a, b, strict=True):
            total += (ca[int(i)] - cb[int(j)]) ** 2
    return total


def is_path(path, length, radius):
    """Does it run from corner to corner by single steps inside the band?"""
    steps = [(int(i), int(j)) for i, j in path]
    if steps[0] != (0, 0) or steps[-1] != (length - 1, length - 1):
        return False
    for (i, j), (k, m) in itertools.pairwise(steps):
        if (k - i, m - j) not in ((0, 1), (1, 0), (1, 1)):
            return False
    return all(abs(i - j) <= radius for i, j in steps)


def dtw_matrix(a, b, radius):
    """Table of distances, as lists."""
    return [[dtw(x, y, radius) for y in b] for x in a]


def medoid(a, radius):
    """Index of the least summed distance; of equal sums (to 1e-12 relative) the first."""
    sums = [math.fsum(row) for row in dtw_matrix(a, a, radius)]
    for index, total in enumerate(sums):
        if total <= min(sums) * (1 + 1e-12):
            return index
    return None


# --- lower bounds -------------------------------------------------------------------------------


def envelope(x, radius):
    """(lower, upper) of one channel: extremes within radius samples of each sample."""
    x = list(x)
    lower, upper = [], []
    for i in range(len(x)):
        near = x[max(0, i - radius) : i + radius + 1]
        lower.append(min(near))
        upper.append(max(near))
    return lower, upper


def lb_keogh_squared(q, c, radius):
    """Summed squared excess of c over the envelope of q, over all channels."""
    total = 0.0
    for one, other in zip(_channels(q), _channels(c), strict=True):
        lower, upper = envelope(one, radius)
        for value, low, high in zip(other, lower, upper, strict=True):
            total += max(value - high, low - value, 0.0) ** 2
    return total


def segment_edges(length, segments):
    """Edges of at most `segments` parts of almost equal size."""
    parts = min(segments, length)
    return [k * length // parts for k in range(parts + 1)]


def segment_bound_squared(q, c, radius, segments):
    """LB_Keogh weakened to segment means: what the first sieve may use, for one direction."""
    total = 0.0
    for one, other in zip(_channels(q), _channels(c), strict=True):
        lower, upper = envelope(one, radius)
        edges = segment_edges(len(one), segments)
        for start, stop in itertools.pairwise(edges):
            n = stop - start
            value = sum(other[start:stop]) / n
            low, high = sum(lower[start:stop]) / n, sum(upper[start:stop]) / n
            total += n * max(value - high, low - value, 0.0) ** 2
    return total


# --- search -------------------------------------------------------------------------------------


def top_k(refs, query, k, radius):
    """The k nearest as [(distance, index)], nearest first, equal distances by index."""
    return sorted((dtw(query, ref, radius), index) for index, ref in enumerate(refs))[:k]


# --- normalising --------------------------------------------------------------------------------


def znormalise(x, flat=1e-9):
    """Each channel to mean 0, population deviation 1; a constant one becomes zeros."""
    out = []
    for row in _channels(x):
        mean = math.fsum(row) / len(row)
        spread = math.sqrt(math.fsum((v - mean) ** 2 for v in row) / len(row))
        constant = spread <= flat * max(abs(v) for v in row)
        out.append([0.0 if constant else (v - mean) / spread for v in row])
    return out


# --- small array tools --------------------------------------------------------------------------


def smooth(x, width):
    """Centred moving average, (width - 1) // 2 samples before and the rest after; short at ends."""
    width = min(width, len(x))
    left = (width - 1) // 2
    out = []
    for i in range(len(x)):
        near = x[max(0, i - left) : i + width - left]
        out.append(math.fsum(near) / len(near))
    return out


def median3(x):
    """Middle one of three neighbours; the ends stay."""
    x = list(x)
    inner = [sorted(x[i - 1 : i + 2])[1] for i in range(1, len(x) - 1)]
    return [x[0], *inner, x[-1]] if len(x) > 2 else x


def schmitt(x, low, high):
    """Trigger states; what comes before the first decision takes that decision's state."""
    states, state = [], None
    for value in x:
        if value > high:
            state = True
        elif value < low:
            state = False
        states.append(state)
    first = next((s for s in states if s is not None), False)
    return [first if s is None else s for s in states]


def crossings(x, level, hysteresis):
    """(up, down): for each change of the trigger the last passage of the level before it."""
    states = schmitt(x, level - hysteresis / 2, level + hysteresis / 2)
    up, down = [], []
    for i in range(1, len(x)):
        if states[i] == states[i - 1]:
            continue
        k = i - 1
        while x[k] >= level if states[i] else x[k] <= level:
            k -= 1
        (up if states[i] else down).append(k + (level - x[k]) / (x[k + 1] - x[k]))
    return up, down


# --- grids --------------------------------------------------------------------------------------


def rebin(x, points):
    """Mean of the staircase of samples over `points` equal parts, sample by sample."""
    width = len(x) / points
    out = []
    for p in range(points):
        start, stop = p * width, (p + 1) * width
        parts = []
        for i, value in enumerate(x):
            shared = min(stop, i + 1.0) - max(start, float(i))
            if shared > 0:
                parts.append(shared * value)
        out.append(math.fsum(parts) / width)
    return out


def reduce_to_points(x, start, per_point, points, noise):
    """Each point: the mean of its samples, or the one of them that stands 6 noises off it."""
    out = []
    for p in range(points):
        first, last = round(start + p * per_point), round(start + (p + 1) * per_point)
        part = list(x[first:last])
        mean = math.fsum(part) / len(part)
        up, down = max(part) - mean, mean - min(part)
        value = mean
        if max(up, down) > 6.0 * noise + 1e-12:
            value = max(part) if up >= down else min(part)
        out.append(value)
    return out


# --- ranks --------------------------------------------------------------------------------------


def auroc(low, high):
    """Share of pairs in which the one of `high` is larger; a tie counts half."""
    won = 0.0
    for b in high:
        for a in low:
            won += 1.0 if b > a else 0.5 if b == a else 0.0
    return won / (len(low) * len(high))


def conformal_p(known, value):
    """(1 + how many known ones are at least as large) / (n + 1)."""
    return (1 + sum(1 for k in known if k >= value)) / (len(known) + 1)
