"""Command line: make the library, the queries and the truth."""

from __future__ import annotations

import argparse
import csv
import time
from functools import partial
from multiprocessing import Pool
from pathlib import Path

from .plan import SYSTEMS, Job, jobs, run
from .writers import Row

MANIFEST = (
    "path",
    "system",
    "engine_family",
    "condition",
    "sample_rate_hz",
    "channels",
    "scale",
    "attenuation",
    "coupling",
    "note",
)
LIBRARY = (
    "path",
    "system",
    "engine_family",
    "condition",
    "label",
    "fault",
    "vehicle",
    *MANIFEST[4:],
)
TRUTH = ("path", "kind", "fault", "severity", "intermittent", "vehicle", "why")


def main() -> None:
    args = _arguments()
    names = args.systems.split(",") if args.systems else list(SYSTEMS)
    started = time.monotonic()
    todo = jobs(args.seed, args.scale, names)
    args.out.mkdir(parents=True, exist_ok=True)
    with Pool(args.processes) as pool:
        done = list(pool.imap(partial(run, out=args.out), todo, chunksize=8))
    _save(args.out, todo, done)
    used = sum(f.stat().st_size for f in args.out.rglob("*") if f.is_file())
    print(f"{len(todo)} captures, {used / 1e6:.0f} MB, {time.monotonic() - started:.0f} s")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="tests.benchmarks.yard_a", description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scale", type=float, default=1.0, help="shrinks the number of vehicles")
    parser.add_argument("--systems", default="", help="comma-separated system names")
    parser.add_argument("--processes", type=int, default=2)
    args = parser.parse_args()
    unknown = set(filter(None, args.systems.split(","))) - set(SYSTEMS)
    if unknown:
        parser.error(f"unknown systems {sorted(unknown)}; known: {', '.join(SYSTEMS)}")
    return args


def _save(out: Path, todo: list[Job], done: list[tuple[Row, Row]]) -> None:
    pairs = list(zip(todo, done, strict=True))
    _table(out / "library.csv", LIBRARY, [rows[0] for job, rows in pairs if job.part == "library"])
    queries = [rows for job, rows in pairs if job.part == "queries"]
    _table(out / "queries.csv", MANIFEST, [row for row, _ in queries])
    _table(out / "truth.csv", TRUTH, [truth for _, truth in queries])


def _table(path: Path, columns: tuple[str, ...], rows: list[Row]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main()
