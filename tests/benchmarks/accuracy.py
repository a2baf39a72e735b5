"""`python -m tests.benchmarks accuracy FOLDER...`: how right are answers on strangers' captures?

Each FOLDER holds library.csv, queries.csv and truth.csv as tests/benchmarks/yard_a and yard_b write
them (python -m tests.benchmarks.yard_a FOLDER): captures simulated by people who did not see the
matcher. The library is added to a fresh catalogue, the queries are checked, the answers are held
against the truth, which the check never sees. The figures are those of issue 4's table.
"""

from __future__ import annotations

import argparse
import csv
import json
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from matching.answer import to_json
from matching.consult.check import check_manifest
from matching.consult.enrol import add_manifest
from matching.model.known import auroc

# A context with fewer good vehicles than this is counted apart, as thin.
THIN = 10
FIGURES = (
    "auroc", "good not normal", "known named right", "known wrong name", "known flagged",
    "unknown not normal", "unknown strays", "unfit found",
)  # fmt: skip


def answers(folder: Path, catalogue: Path) -> list[tuple[str, dict[str, str], dict]]:
    """(system, truth row, answer) of every query of a yard, in order."""
    report = add_manifest(folder / "library.csv", catalogue=catalogue)
    for refused in report.refused:
        print(f"not added: {refused.path}: {refused.reason}")
    truth = {row["path"]: row for row in _rows(folder / "truth.csv")}
    queries = _rows(folder / "queries.csv")
    found = check_manifest(folder / "queries.csv", catalogue=catalogue)
    return [
        (query["system"], truth[query["path"]], to_json(answer))
        for query, answer in zip(queries, found, strict=True)
    ]


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def figures(rows: Sequence[tuple[dict[str, str], dict]]) -> dict[str, float]:
    """One system's figures from (truth, answer) pairs; shares from 0 to 1."""

    def of(kind: str) -> list[tuple[dict[str, str], dict]]:
        return [(t, a) for t, a in rows if t["kind"] == kind]

    def share(pairs: Sequence[tuple[dict[str, str], dict]], holds) -> float:
        return float(np.mean([holds(t, a) for t, a in pairs])) if pairs else float("nan")

    def stray(*kinds: str) -> np.ndarray:
        values = [a.get("stray") for t, a in rows if t["kind"] in kinds]
        return np.array([v for v in values if v is not None], dtype=float)

    def named(a: dict) -> str:
        return (a.get("fault") or {}).get("name", "") if a["verdict"] == "known-fault" else ""

    return dict(
        zip(
            FIGURES,
            (
                auroc(stray("good"), stray("known", "unknown")),
                share(of("good"), lambda t, a: a["verdict"] != "normal"),
                share(of("known"), lambda t, a: named(a) == t["fault"]),
                share(of("known"), lambda t, a: named(a) not in ("", t["fault"])),
                share(of("known"), lambda t, a: a["verdict"] != "normal"),
                share(of("unknown"), lambda t, a: a["verdict"] != "normal"),
                share(of("unknown"), lambda t, a: a["verdict"] == "strays"),
                share(of("unfit"), lambda t, a: a["verdict"] == "unfit"),
            ),
            strict=True,
        )
    )


def score(found: Sequence[tuple[str, dict[str, str], dict]]) -> dict[str, dict[str, float]]:
    """Figures per system, and their mean and worst over systems that are not thin."""
    table: dict[str, dict[str, float]] = {}
    thick = []
    for system in dict.fromkeys(s for s, _, _ in found):
        rows = [(t, a) for s, t, a in found if s == system]
        least = min(a["basis"]["n_good"] for t, a in rows if t["kind"] == "good")
        name = system if least >= THIN else f"{system} (thin)"
        table[name] = figures(rows)
        if least >= THIN:
            thick.append(table[name])
    best = {"auroc": np.min, "known named right": np.min, "known flagged": np.min}
    table["mean, thin ones apart"] = {f: float(np.mean([r[f] for r in thick])) for f in FIGURES}
    worst = {
        f: float((best.get(f) or (np.max if "wrong" in f or "good" in f else np.min))(
            [r[f] for r in thick]
        ))
        for f in FIGURES
    }  # fmt: skip
    return table | {"worst": worst}


def main(argv: Sequence[str]) -> int:
    """Print the table of every folder named."""
    parser = argparse.ArgumentParser("python -m tests.benchmarks accuracy", description=__doc__)
    parser.add_argument("folder", nargs="+", type=Path)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args(argv)
    out = {}
    for folder in asked.folder:
        with tempfile.TemporaryDirectory(prefix="straygauge-") as place:
            out[folder.name] = score(answers(folder, Path(place) / "catalogue.sqlite"))
    if asked.json:
        print(json.dumps(out, indent=1))
        return 0
    for name, table in out.items():
        print(f"\n| {name} | {' | '.join(FIGURES)} |\n|---|{'--:|' * len(FIGURES)}")
        for system, row in table.items():
            print(f"| {system} | {' | '.join(f'{row[f]:.2f}' for f in FIGURES)} |")
    return 0
