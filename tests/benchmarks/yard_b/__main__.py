"""Command line: ``python -m tests.benchmarks.yard_b OUT_DIR [--seed N] [--scale X] [--systems
a,b]``.
"""

from __future__ import annotations

import argparse
import csv
import multiprocessing
import os
import time
from pathlib import Path

import numpy as np

from .plan import Job, make_plan
from .produce import Row, produce
from .registry import CONTEXTS

COMMON = ["sample_rate_hz", "channels", "scale", "attenuation", "coupling", "note"]
LIBRARY_COLUMNS = [
    "path",
    "system",
    "engine_family",
    "condition",
    "label",
    "fault",
    "vehicle",
    *COMMON,
]
QUERY_COLUMNS = ["path", "system", "engine_family", "condition", *COMMON]
TRUTH_COLUMNS = ["path", "kind", "fault", "severity", "intermittent", "vehicle", "why"]


def parse() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="yard_b", description="Generate the yard_b benchmark captures."
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scale", type=float, default=1.0, help="shrinks the number of vehicles")
    parser.add_argument("--systems", default="", help="comma-separated; default all")
    return parser.parse_args()


def write_table(path: Path, columns: list[str], rows: list[Row]) -> None:
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.DictWriter(handle, columns, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def run(jobs: list[Job], seed: int, out: Path) -> list[tuple[Row, Row]]:
    tasks = [(job, seed, str(out)) for job in jobs]
    with multiprocessing.Pool(os.cpu_count()) as pool:
        return pool.map(produce, tasks, chunksize=4)


def main() -> None:
    args = parse()
    known = {context.system for context in CONTEXTS}
    systems = {s.strip() for s in args.systems.split(",") if s.strip()} or None
    if systems and systems - known:
        raise SystemExit(
            f"yard_b: unknown systems {sorted(systems - known)}; there are {sorted(known)}"
        )
    began = time.perf_counter()
    jobs = make_plan(CONTEXTS, systems, args.seed, args.scale)
    for system in {CONTEXTS[job.context].system for job in jobs}:
        (args.out / "files" / system).mkdir(parents=True, exist_ok=True)
    rows = run(jobs, args.seed, args.out)
    library = [m for job, (m, _) in zip(jobs, rows, strict=True) if job.library]
    queries = [pair for job, pair in zip(jobs, rows, strict=True) if not job.library]
    # Query order must tell nothing: shuffle once, manifest and truth alike.
    order = np.random.default_rng([args.seed, 5]).permutation(len(queries))
    queries = [queries[i] for i in order]
    write_table(args.out / "library.csv", LIBRARY_COLUMNS, library)
    write_table(args.out / "queries.csv", QUERY_COLUMNS, [m for m, _ in queries])
    write_table(args.out / "truth.csv", TRUTH_COLUMNS, [t for _, t in queries])
    size = sum(p.stat().st_size for p in (args.out / "files").rglob("*") if p.is_file()) / 1e6
    seconds = time.perf_counter() - began
    print(f"{len(library)} library, {len(queries)} queries, {size:.0f} MB, {seconds:.0f} s")


if __name__ == "__main__":
    main()
