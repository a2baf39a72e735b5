"""Killed, crowded and interrupted: what was confirmed is there, nothing half-done is.

Run by hand for more: `python -m tests.test_catalogue_torture FOLDER KILLS SEED`.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from refdb.catalogue import Catalogue
from refdb.errors import CatalogueError
from refdb.records import Derived
from tests.builders_catalogue import ROOT, capture, said

KILLS = 25
BATCH = 20


# --- the victim: a child that works until it is killed ---------------------------------------


def keep_each(path: Path, confirm: int) -> None:
    """One transaction per capture, with a removal and a change of state now and then."""
    with Catalogue.open(path) as catalogue:
        for seed in range(10_000):
            with catalogue.write() as unit:
                made = unit.add(capture(seed), said(f"v{seed}"), Derived(0, "r", b"x" * 5000))
                if seed % 5 == 4:
                    unit.remove(made.id - 1, "now and then")
                    unit.set_state(made.id, "retired", "now and then")
                unit.commit()
            os.write(confirm, f"{made.id}\n".encode())


def keep_batches(path: Path, confirm: int) -> None:
    """One transaction per batch: all of it or nothing."""
    with Catalogue.open(path) as catalogue:
        for batch in range(10_000):
            with catalogue.write() as unit:
                for number in range(BATCH):
                    made = unit.add(capture(batch * BATCH + number), said(f"v{number}"))
                unit.commit()
            os.write(confirm, f"{made.id}\n".encode())


def back_up(path: Path, confirm: int) -> None:
    """Writes, backs up and restores in turn."""
    with Catalogue.open(path) as catalogue:
        for seed in range(10_000):
            with catalogue.write() as unit:
                made = unit.add(capture(seed), said(f"v{seed}"))
                unit.commit()
            os.write(confirm, f"{made.id}\n".encode())
            catalogue.backup(f"{path}.copy")
            Catalogue.restore(f"{path}.copy", path)


def check(path: Path, job, confirmed: list[int]) -> str:
    """What is wrong after a kill, or nothing."""
    with Catalogue.open(path) as catalogue:
        if found := catalogue.verify():
            return f"verify: {found[0].message}"
        added = [row.reference_id or 0 for row in catalogue.history() if row.action == "add"]
        removed = {row.reference_id for row in catalogue.history() if row.action == "remove"}
        there = {reference.id for reference in catalogue.references(states=None)}
        if there != set(added) - removed:
            return "the references are not those of the history"
        if confirmed and max(added, default=0) < confirmed[-1]:
            return f"reference {confirmed[-1]} was confirmed and is lost"
        step = BATCH if job is keep_batches else 1
        if len(added) - (confirmed[-1] if confirmed else 0) not in (0, step):
            return f"{len(added)} added, {confirmed[-1:]} confirmed: half a transaction"
        if job is back_up and Path(f"{path}.copy").exists():
            with Catalogue.open(f"{path}.copy") as copy:
                if copy.verify():
                    return "the backup is damaged"
        for _ in catalogue.captures(sorted(there)[-5:]):
            pass
    return ""


def kill_once(path: Path, job, delay_s: float) -> str:
    reader, confirm = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            job(path, confirm)
        finally:
            os._exit(1)
    os.close(confirm)
    time.sleep(delay_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    with open(reader) as lines:
        confirmed = [int(line) for line in lines if line.endswith("\n")]
    if os.waitstatus_to_exitcode(status) != -signal.SIGKILL:
        return f"died before it was killed: {os.waitstatus_to_exitcode(status)}"
    return check(path, job, confirmed)


def kill_many(folder: Path, kills: int, seed: int) -> list[str]:
    """Kills at random moments of creating, writing, backing up and restoring."""
    import alembic.command  # noqa: F401  (so that kills also fall into creation itself)

    draw = random.Random(seed)
    wrong = []
    for number in range(kills):
        job = (keep_each, keep_batches, back_up)[number % 3]
        delay_s = draw.uniform(0.0, 0.12) if number % 4 == 0 else draw.uniform(0.05, 0.6)
        outcome = kill_once(folder / f"{number}.sqlite", job, delay_s)
        if outcome:
            wrong.append(f"kill {number} ({job.__name__}, {delay_s:.4f} s): {outcome}")
    return wrong


def test_killed_at_random_moments(tmp_path):
    # in a process of its own: forking one that has threads is not safe
    done = subprocess.run(
        [sys.executable, __file__, str(tmp_path), str(KILLS), "11"],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, f"{KILLS} kills, 0 wrong\n"), done.stderr


# --- many at once ----------------------------------------------------------------------------

WRITER = """
import sys
from refdb.catalogue import Catalogue
from tests.builders_catalogue import capture, said
first = int(sys.argv[2])
with Catalogue.open(sys.argv[1]) as catalogue:
    for seed in range(first, first + 25):
        with catalogue.write() as unit:
            unit.add(capture(seed), said(f"v{seed}"))
            unit.commit()
        assert len(catalogue.references()) > 0
"""


def test_four_writers_and_four_readers_at_once(tmp_path):
    # all of them also find no catalogue and make it: one makes it, the others wait
    path = tmp_path / "shop.sqlite"
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), str(first)],
            env={**os.environ, "PYTHONPATH": str(ROOT)}, stderr=subprocess.PIPE, text=True,
        )
        for first in (0, 100, 200, 300)
    ]  # fmt: skip
    problems: list[BaseException] = []

    def read() -> None:
        try:
            with Catalogue.open(path) as catalogue:
                while any(writer.poll() is None for writer in writers):
                    found = catalogue.reference_set("alternator-ripple", "r")
                    assert len({one.sha256 for one in found.references}) == len(found.references)
        except BaseException as problem:
            problems.append(problem)

    readers = [threading.Thread(target=read) for _ in range(4)]
    for reader in readers:
        reader.start()
    errors = [writer.communicate(timeout=200)[1] for writer in writers]
    for reader in readers:
        reader.join()
    assert errors == [""] * 4 and problems == []
    with Catalogue.open(path) as catalogue:
        assert len(catalogue.references()) == 100
        assert catalogue.verify() == []


def test_backup_under_a_writer_is_consistent(tmp_path):
    path = tmp_path / "shop.sqlite"
    stop = threading.Event()

    def write() -> None:
        with Catalogue.open(path) as catalogue:
            for seed in range(1000):
                if stop.is_set():
                    return
                with catalogue.write() as unit:
                    unit.add(capture(2 * seed), said("a"))
                    unit.add(capture(2 * seed + 1), said("b"))
                    unit.commit()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        with Catalogue.open(path) as catalogue:
            for number in range(5):
                assert catalogue.backup(tmp_path / f"{number}.backup") == []
    finally:
        stop.set()
        writer.join()
    for number in range(5):
        with Catalogue.open(tmp_path / f"{number}.backup", create=False) as copy:
            assert len(copy.references()) % 2 == 0


def test_a_thousand_in_one_go_are_quick_enough(tmp_path):
    # at least 50 a second, encoding included; a tenth of them here, on a machine that is shared
    taken = [capture(seed, n=20_000) for seed in range(100)]
    with Catalogue.open(tmp_path / "shop.sqlite") as catalogue, catalogue.write() as unit:
        start = time.process_time()
        for one in taken:
            unit.add(one, said("v"))
        unit.commit()
        assert time.process_time() - start < 2.0
        with pytest.raises(CatalogueError):
            unit.add(taken[0], said("v"))


if __name__ == "__main__":
    found = kill_many(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
    for line in found:
        print(line, file=sys.stderr)
    print(f"{sys.argv[2]} kills, {len(found)} wrong")
    sys.exit(1 if found else 0)
