"""python -m seed_references build|check [SYSTEM ...], or examples: for those who change models.

build: simulates anew and packs.  check: simulates anew and compares bit for bit; exit 1 if not
the same.  examples: writes the example captures.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence

from refdb.errors import StraygaugeError
from seed_references import build as making
from seed_references import pack
from seed_references.model import Model
from seed_references.vehicles import Simulated


def main(arguments: Sequence[str] | None = None) -> int:
    """Build, check or write examples, as the command line asks; gives the exit code."""
    parser = argparse.ArgumentParser("python -m seed_references", description=__doc__)
    parser.add_argument("action", choices=("build", "check", "examples"))
    parser.add_argument("systems", nargs="*", help="only these")
    parser.add_argument("--processes", type=int, default=None)
    asked = parser.parse_args(arguments)
    try:
        if asked.action == "examples":
            from seed_references.showcase import write_examples

            for path in write_examples():
                print(path.name)
            return 0
        models = _models(asked.systems)
        if asked.action == "build":
            return _build(models, bool(asked.systems), asked.processes)
        return _check(models, bool(asked.systems), asked.processes)
    except StraygaugeError as problem:
        print(problem, file=sys.stderr)
        return 2


def _models(systems: Sequence[str]) -> dict[str, Model]:
    found = making.discover()
    unknown = [name for name in systems if name not in found]
    if unknown:
        raise StraygaugeError(f"{unknown[0]}: no model of that system; known: {', '.join(found)}")
    return {name: found[name] for name in systems} if systems else found


def _build(models: dict[str, Model], some: bool, processes: int | None) -> int:
    entries = {}
    for system, model in models.items():
        start = time.monotonic()
        captures = list(making.build(making.jobs(model), processes))
        entries[system] = pack.write_system(model, captures)
        took = time.monotonic() - start
        size = entries[system]["bytes"] / 1e6
        print(f"{system}: {len(captures)} captures, {size:.2f} MB, {took:.1f} s", flush=True)
        wide = [one.job.source for one in captures if one.widened]
        if wide:
            print(f"  {len(wide)} beyond the model's full scale, first {wide[0]}")
    if some:  # read now: others may have built other systems meanwhile
        entries = pack.read_manifest()["systems"] | entries
    else:
        pack.prune(entries)
    pack.write_manifest(entries)
    total = sum(one["bytes"] for one in entries.values()) / 1e6
    print(f"{sum(one['captures'] for one in entries.values())} captures, {total:.2f} MB")
    return 0


def _check(models: dict[str, Model], some: bool, processes: int | None) -> int:
    known = pack.read_manifest()["systems"]
    wrong = 0 if some else sum(name not in models for name in known)
    for system, model in models.items():
        captures = list(making.build(making.jobs(model), processes))
        data, content = pack.packed(model, captures)
        told = pack.entry(data, content, captures)
        if known.get(system) == told:
            verdict = "same bytes"
        elif known.get(system, {}).get("content") == content:
            verdict = "same codes and header, packed otherwise by this LZMA"
        else:
            verdict = f"DIFFERENT: {_difference(system, captures)}"
            wrong += 1
        print(f"{system}: {verdict}", flush=True)
    return 1 if wrong else 0


def _difference(system: str, fresh: list[Simulated]) -> str:
    shipped = pack.read_system(system).captures
    if [one.job for one in shipped] != [one.job for one in fresh]:
        return f"{len(shipped)} captures shipped, {len(fresh)} made, or other vehicles"
    codes = captures = 0
    for a, b in zip(shipped, fresh, strict=True):
        same = a.stored.codes.shape == b.stored.codes.shape
        off = int((a.stored.codes != b.stored.codes).sum()) if same else b.stored.codes.size
        codes += off
        captures += off > 0
    return f"{codes} codes in {captures} captures, or what the header says"


if __name__ == "__main__":
    raise SystemExit(main())
