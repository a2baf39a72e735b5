"""Exact top-k search under banded DTW against the fastest libraries, side by side in one run.

Every query is put to both sides in turn, so that a busy machine slows both; ids must be the same
and distances within 1e-9 relative. Times are medians and 90th percentiles over the queries;
the ratio is of the medians. ``--wildboar-python`` names a Python that has wildboar; without it
the rows against it are left out.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from matching.dtw import PackedIndex, znormalise

from .search_data import pulses, walks
from .search_rivals import Answer, Wildboar, exhaustive, touch

LENGTH, NEAREST = 512, 5
BANDS = {5: 26, 10: 51}
"""Band in percent of the length, and the radius in samples that it rounds to."""

STAGES = ("sieved", "both_ways", "keogh", "warped", "rows_warped", "exact", "seconds")

Ask = Callable[[NDArray[np.float64]], Answer]


@dataclass(frozen=True)
class Row:
    """One line of the table; times in ms, ratio = theirs / ours (touching data: ours / theirs)."""

    work: str
    rival: str
    ours: float
    ours_p90: float
    theirs: float
    theirs_p90: float
    ratio: float
    bar: float
    aim: float
    same: bool
    note: str = ""

    def met(self) -> str:
        """How the ratio stands against bar and aim."""
        # Against touching the data the ratio is a cost, against a library a gain.
        sign = -1 if self.rival == "touching" else 1
        for name, wanted in (("aim", self.aim), ("bar", self.bar)):
            if sign * self.ratio >= sign * wanted:
                return name
        return "short"


def main(argv: list[str]) -> int:
    """Run the rows asked for and print them; 1 when any result differed."""
    options = _options(argv)
    rows: list[Row] = []
    for name in options.rows:
        for row in ROWS[name](options):
            rows.append(row)
            print(json.dumps(asdict(row)) if options.json else _line(row), flush=True)
    return 0 if all(row.same for row in rows) else 1


def _options(argv: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks search")
    parser.add_argument("--json", action="store_true", help="one JSON object per row")
    parser.add_argument("--wildboar-python", metavar="PATH", help="a Python that has wildboar")
    parser.add_argument("--queries", type=int, default=12, help="queries per row")
    parser.add_argument("--scale", type=float, default=1.0, help="factor on every N")
    parser.add_argument("--rows", nargs="+", choices=ROWS, default=list(ROWS))
    return parser.parse_args(argv)


def _line(row: Row) -> str:
    same = "same results" if row.same else "RESULTS DIFFER"
    return (
        f"{row.work:52} {row.rival:13} ours {row.ours:8.2f} (p90 {row.ours_p90:8.2f}) ms  "
        f"theirs {row.theirs:9.1f} (p90 {row.theirs_p90:9.1f}) ms  ratio {row.ratio:7.2f}  "
        f"bar {row.bar:g} aim {row.aim:g}: {row.met()}  {same}  {row.note}"
    )


def _duel(work: str, index: PackedIndex, queries: NDArray, rival: str, ask: Ask,
          bar: float, aim: float, threads: int = 1, times: float = 1.0) -> Row:  # fmt: skip
    """Both sides on every query in turn; `times` extrapolates the rival from a smaller N."""
    index.search(queries[0], NEAREST, threads)  # compiled, and pages in memory, on both sides
    ask(queries[0])
    ours, theirs, fractions, same = [], [], [], True
    for query in queries:
        began = time.perf_counter()
        found = index.search(query, NEAREST, threads)
        ours.append(1e3 * (time.perf_counter() - began))
        seconds, ids, distances = ask(query)
        theirs.append(1e3 * seconds * times)
        fractions.append(found.stats.warped)
        if times == 1.0:
            same &= bool((found.ids == ids).all())
            same &= bool(np.allclose(found.distances, distances, rtol=1e-9, atol=0.0))
    mid, high = np.median(ours), np.percentile(ours, 90)
    ratio = float(np.median(theirs) / mid)
    note = f"warped {100 * np.median(fractions):.2g} %"
    note += " (theirs extrapolated)" if times != 1.0 else ""
    return Row(work, rival, float(mid), float(high), float(np.median(theirs)),
               float(np.percentile(theirs, 90)), ratio, bar, aim, same, note)  # fmt: skip


def _z_pulses(count: int, channels: int = 1, seed: int = 1) -> NDArray[np.float64]:
    return znormalise(pulses(count, LENGTH, channels, seed))


def _raw_pulses(count: int, seed: int = 1) -> NDArray[np.float64]:
    return pulses(count, LENGTH, 1, seed)


def _z_walks(count: int, seed: int = 1) -> NDArray[np.float64]:
    return znormalise(walks(count, LENGTH, 1, seed))


def _wildboar(options: argparse.Namespace) -> list[Row]:
    """z pulses at N = 100 000 and 10 000, other data beside, one thread each."""
    if not options.wildboar_python:
        print("rows against wildboar left out: no --wildboar-python", file=sys.stderr)
        return []
    plan: list[tuple[str, Callable[..., NDArray[np.float64]], int, dict]] = [
        ("z pulses", _z_pulses, 100_000, {5: (40, 60), 10: (15, 25)}),
        ("z pulses", _z_pulses, 10_000, {5: (20, 30)}),
        ("raw pulses", _raw_pulses, 10_000, {5: (20, 30)}),
        ("z walks", _z_walks, 10_000, {5: (20, 30)}),
    ]
    rows = []
    for name, make, full, bands in plan:
        count = int(full * options.scale)
        refs, queries = make(count), make(options.queries, seed=2)
        rival = Wildboar(options.wildboar_python, refs)
        for band, (bar, aim) in bands.items():
            index = PackedIndex.build(refs, BANDS[band])
            ask = partial(rival.search, k=NEAREST, radius=BANDS[band])
            work = f"{name}, N={count}, band {band} %, one thread"
            rows.append(_duel(work, index, queries, "wildboar", ask, bar, aim))
        rival.close()
    return rows


def _exhaustive(options: argparse.Namespace) -> list[Row]:
    """N = 10 000, band 10 %, against the fastest that computes everything, two threads each."""
    count = int(10_000 * options.scale)
    refs, queries = _z_pulses(count), _z_pulses(options.queries, seed=2)
    rivals = exhaustive(refs, threads=2)
    for rival in rivals.values():
        rival(queries[0], NEAREST, BANDS[10])  # compiles
    first = {name: rival(queries[0], NEAREST, BANDS[10])[0] for name, rival in rivals.items()}
    fastest = min(first, key=lambda name: first[name])
    index = PackedIndex.build(refs, BANDS[10])
    ask = partial(rivals[fastest], k=NEAREST, radius=BANDS[10])
    work = f"z pulses, N={count}, band 10 %, two threads"
    return [_duel(work, index, queries, fastest, ask, 60, 150, threads=2)]


def _channels(options: argparse.Namespace) -> list[Row]:
    """Two dependent channels at N = 100 000, the rival extrapolated from 2 000."""
    count, few = int(100_000 * options.scale), 2_000
    refs, queries = _z_pulses(count, channels=2), _z_pulses(options.queries, channels=2, seed=2)
    rivals = exhaustive(refs[:few], threads=1)
    index = PackedIndex.build(refs, BANDS[5])
    ask = partial(rivals["dtaidistance"], k=NEAREST, radius=BANDS[5])
    work = f"z pulses, 2 channels, N={count}, band 5 %, one thread"
    return [_duel(work, index, queries, "dtaidistance", ask, 300, 500, times=count / few)]


def _touching(options: argparse.Namespace) -> list[Row]:
    """Two threads against two threads that only add up the same data as float32."""
    count = int(100_000 * options.scale)
    refs, queries = _z_pulses(count), _z_pulses(options.queries, seed=2)
    data = refs.astype(np.float32)
    rows = []
    for band, bar, aim in ((5, 2.0, 1.3), (10, 5.0, 3.0)):
        index = PackedIndex.build(refs, BANDS[band])
        index.search(queries[0], NEAREST, 2)
        touch(data)
        ours, theirs = [], []
        for query in np.repeat(queries, 3, axis=0):
            began = time.perf_counter()
            index.search(query, NEAREST, 2)
            ours.append(1e3 * (time.perf_counter() - began))
            theirs.append(1e3 * touch(data))
        mid, base = float(np.median(ours)), float(np.median(theirs))
        work = f"z pulses, N={count}, band {band} %, two threads"
        rows.append(Row(work, "touching", mid, float(np.percentile(ours, 90)), base,
                        float(np.percentile(theirs, 90)), mid / base, bar, aim, True))  # fmt: skip
    return rows


def _growth(options: argparse.Namespace) -> list[Row]:
    """Cost and fraction per stage as N grows tenfold twice; needs 13 GB at full size."""
    sizes = [int(n * options.scale) for n in (10_000, 100_000, 1_000_000)]
    queries = _z_pulses(options.queries, seed=2)
    refs = _z_pulses(sizes[-1])
    for count in sizes:
        index = PackedIndex.build(refs[:count], BANDS[5])
        index.search(queries[0], NEAREST, 2)
        stats = [index.search(query, NEAREST, 2).stats for query in queries]
        stage = {name: float(np.median([getattr(s, name) for s in stats])) for name in STAGES}
        calls = round(count * stage["exact"])
        print(json.dumps({"growth": count, "float64_distances": calls, **stage}), flush=True)
    return []


ROWS: dict[str, Callable[[argparse.Namespace], list[Row]]] = {
    "wildboar": _wildboar,
    "exhaustive": _exhaustive,
    "channels": _channels,
    "touching": _touching,
    "growth": _growth,
}
