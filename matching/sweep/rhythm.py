"""Whether the events that stray come at a rhythm: every n-th, in clusters, at some speed.

Three tests against chance, each corrected for how often it looked; none is told below five events.
"""

from __future__ import annotations

from math import comb

import numpy as np

from matching.sweep.records import Rhythm
from matching.tools import Floats, Ints

LEAST = 5
CHANCE = 0.01
LONGEST = 16
# Followers within so many events make a cluster: a few firings in a row, or within some seconds.
NEAR = (3, 30)


def rhythms(
    slot: Ints, due: int, speed: Floats, all_speed: Floats, what: str
) -> tuple[Rhythm, ...]:
    """What can be said of the odd ones. slot: (m,) their places among `due`; speed: (m,) events
    per second about each, all_speed: (n,) about every event; what: the event's name."""
    if slot.size < LEAST:
        return ()
    found = (every_nth(slot, what), clusters(slot, due, what), with_speed(speed, all_speed, what))
    return tuple(one for one in found if one is not None)


def at_least(k: int, m: int, p: float) -> float:
    """Probability of k or more of m, each with probability p (binomial)."""
    return float(sum(comb(m, i) * p**i * (1.0 - p) ** (m - i) for i in range(k, m + 1)))


def every_nth(slot: Ints, what: str) -> Rhythm | None:
    """Do they share a place in a cycle of n events? Tried: n = 2 to LONGEST, every place."""
    m = slot.size
    best = (1.0, 0, 0)
    for n in range(2, LONGEST + 1):
        most = int(np.bincount(slot % n).max())
        chance = min(1.0, n * (LONGEST - 1) * at_least(most, m, 1.0 / n))
        # a longer cycle must be clearly better: every 8th place of a 4-cycle is one as well
        if chance < best[0] * 0.1:
            best = (chance, n, most)
    chance, n, most = best
    if chance > CHANCE:
        return None
    return Rhythm(
        "every-nth", chance,
        f"{most} of {m} share one place in every {n}: each {_th(n)} {what}, which points to one "
        "and the same cylinder or segment",
    )  # fmt: skip


def _th(n: int) -> str:
    return {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth", 8: "eighth"}.get(
        n, f"{n}th"
    )


def clusters(slot: Ints, due: int, what: str) -> Rhythm | None:
    """Do they follow each other more closely than chance would have it?"""
    slot = np.sort(slot)
    m, gaps = slot.size, np.diff(np.sort(slot))
    best: tuple[float, int, int] | None = None
    for near in NEAR:
        alone = 1.0 - (1.0 - min(near / max(due, 1), 1.0)) ** (m - 1)
        close = int(np.sum(gaps <= near))
        chance = min(1.0, len(NEAR) * at_least(close, m - 1, alone))
        if best is None or chance < best[0]:
            best = (chance, near, close)
    assert best is not None
    chance, near, close = best
    if chance > CHANCE:
        return None
    return Rhythm(
        "clusters", chance,
        f"in clusters: {close} of {m} come within {near} {what}s after another one",
    )  # fmt: skip


def with_speed(speed: Floats, every: Floats, what: str) -> Rhythm | None:
    """Do they come at higher or lower speed? Rank sums (Mann, Whitney), normal approximation."""
    speed, every = speed[np.isfinite(speed)], np.sort(every[np.isfinite(every)])
    m, n = speed.size, every.size
    if m < LEAST or n < 4 * m or every[-1] < 1.05 * every[0]:
        return None
    rank = (np.searchsorted(every, speed, "left") + np.searchsorted(every, speed, "right")) / (
        2.0 * n
    )
    z = float((rank.mean() - 0.5) * np.sqrt(12.0 * m))
    chance = float(np.exp(-0.5 * z**2))  # bounds the two-sided Gaussian tail from above
    if chance > CHANCE:
        return None
    way = "faster" if z > 0 else "slower"
    middle = float(np.median(speed))
    return Rhythm(
        "speed", chance,
        f"when the engine turns {way}: half of them above {middle:.3g} {what}s a second, where "
        f"the whole recording's middle is {float(np.median(every)):.3g}",
    )  # fmt: skip
