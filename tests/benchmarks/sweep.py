"""A five-minute ignition recording with twelve bad firings and ten harmless disturbances.

Made from the house's own model (simulated, see ``sweep_recording``), written as NPZ and WAV, and
swept by the command itself in a process of its own; seconds are wall and processor time of the
whole command with a warm catalogue, peak memory as the system counts it. A firing counts as found
when a listed event lies within one sample of its true time (a missing one: within a tenth of the
interval of when it was due). ``--seeds`` says how many recordings; ``--long`` adds one of so many
times the length, to show that memory stays; the joins of its copies count as false.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from tests.capture_files import wav_bytes

from .sweep_recording import HARD, Recording, make

ROOT = Path(__file__).resolve().parents[2]
FALSE_BAR, SECONDS_BAR, MEMORY_BAR_MB = 2, 15.0, 500.0


@dataclass(frozen=True)
class Row:
    """One recording swept once."""

    seed: int
    form: str
    samples: int
    firings: int
    bad: int
    found: int
    false: int
    aside: int
    worst_samples: float
    wall_s: float
    cpu_s: float
    peak_mb: float
    missed: str

    def met(self) -> bool:
        """Whether the row stands above the bar of issue 4."""
        return (
            self.found >= self.bad - 1
            and self.false <= FALSE_BAR
            and self.wall_s <= SECONDS_BAR
            and self.peak_mb <= MEMORY_BAR_MB
        )


def write(recording: Recording, place: Path) -> None:
    """The recording as NPZ or WAV, codes of 16 bits."""
    if place.suffix == ".npz":
        np.savez(place, secondary=recording.samples, fs=recording.rate_hz)
    else:
        place.write_bytes(wav_bytes(recording.samples[:, None], int(recording.rate_hz)))


def swept(
    place: Path, recording: Recording, folder: Path, *more: str
) -> tuple[list[dict], float, float, float]:
    """JSON lines of the command, wall and processor seconds, and peak memory in MB."""
    out = folder / "out.jsonl"
    command = [
        sys.executable, "-m", "cli.main", "sweep", str(place), "--system", "ignition-secondary",
        "--engine-family", "harbour-6", "--condition", "idle", "--channels", "secondary=kV",
        "--scale", repr(recording.step), "--json-lines", str(out),
        "--catalogue", str(folder / "catalogue.sqlite"), *more,
    ]  # fmt: skip
    began = time.perf_counter()
    with open(folder / "said.txt", "w+b") as said:
        child = subprocess.Popen(
            command, cwd=ROOT, stdout=said, stderr=said,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
        _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    wall = time.perf_counter() - began
    if child.returncode not in (0, 1):
        raise RuntimeError((folder / "said.txt").read_text("utf-8"))
    lines = [json.loads(line) for line in out.read_text("ascii").splitlines()]
    return lines, wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024.0


def judged(seed: int, form: str, recording: Recording, told: tuple) -> Row:
    """The row of one sweep: what was found of what is there."""
    lines, wall, cpu, peak = told
    events = [line for line in lines if line["kind"] == "event"]
    hits: dict[str, float] = {}
    false = 0
    for event in events:
        at = event["time_s"] * recording.rate_hz
        what, true = min(recording.bad, key=lambda one: abs(one[1] - at))
        interval = lines[0]["interval_s"] * recording.rate_hz
        near = 0.1 * interval if event["what"] == "missing" else 1.0
        if abs(at - true) <= near:
            hits[what] = 0.0 if event["what"] == "missing" else abs(at - true)
        else:
            false += 1
    missed = [what for what, _ in recording.bad if what not in hits]
    return Row(
        seed, form, recording.samples.size, recording.firings.size, len(recording.bad), len(hits),
        false, lines[0]["n_aside"], max(hits.values(), default=0.0), wall, cpu, peak,
        ", ".join(missed),
    )  # fmt: skip


def main(argv: list[str]) -> int:
    """Print the table, or JSON; exit code 1 when a recording falls below the bar."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks sweep", description=__doc__)
    parser.add_argument("--seeds", type=int, default=3, metavar="N")
    parser.add_argument("--hard", action="store_true", help="mild faults, and short disturbances")
    parser.add_argument("--long", type=int, default=0, metavar="TIMES")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args(argv)
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        warm = make(99, 20.0, bad=(), nuisances=())
        write(warm, folder / "warm.npz")
        swept(folder / "warm.npz", warm, folder)
        for seed in range(1, asked.seeds + 1):
            recording = make(seed, **(HARD if asked.hard else {}))
            for form in ("npz", "wav"):
                place = folder / f"r.{form}"
                write(recording, place)
                rows.append(judged(seed, form, recording, swept(place, recording, folder)))
        if asked.long:
            rows.append(_long(asked.long, folder))
    if asked.json:
        print(json.dumps([asdict(row) for row in rows], indent=2))
    else:
        _table(rows)
    return 0 if all(row.met() for row in rows if row.form in ("npz", "wav")) else 1


def _long(times: int, folder: Path) -> Row:
    """A recording repeated `times` over, as NPY: only its memory and time say anything."""
    recording = make(1)
    place = folder / "long.npy"
    n = recording.samples.size
    whole = np.lib.format.open_memmap(place, "w+", np.int16, (n * times,))
    for k in range(times):
        whole[k * n : (k + 1) * n] = recording.samples
    whole.flush()
    del whole
    told = swept(place, recording, folder, "--rate", repr(recording.rate_hz))
    bad = tuple((f"{w} #{k}", at + k * n) for k in range(times) for w, at in recording.bad)
    longer = Recording(
        np.broadcast_to(np.int16(0), n * times), recording.step, recording.rate_hz,
        np.concatenate([recording.firings + k * n for k in range(times)]), bad, (),
    )  # fmt: skip
    return judged(1, f"npy x{times}", longer, told)


def _table(rows: list[Row]) -> None:
    print("seed form       samples firings found false aside  off  wall s  cpu s   MB  bar")
    for r in rows:
        print(
            f"{r.seed:4} {r.form:9} {r.samples:9} {r.firings:7} {r.found:2}/{r.bad:<3}{r.false:5} "
            f"{r.aside:5} {r.worst_samples:5.2f} {r.wall_s:6.1f} {r.cpu_s:6.1f} {r.peak_mb:5.0f}  "
            f"{'met' if r.met() else 'short'}{'  missed: ' + r.missed if r.missed else ''}"
        )
