"""Held-back simulated vehicles, which no catalogue holds, judged as files would be."""

from __future__ import annotations

import re
from collections import Counter

import pytest

from matching.audit import report
from matching.audit_json import to_json
from matching.consult import held_back
from refdb.errors import StraygaugeError
from seed_references import build
from seed_references.pack import packed_systems
from tests.benchmarks import held_back as table
from tests.builders_audit import starter_shelf

SMALL = "vref-5v"
OTHER = "parasitic-draw"


@pytest.fixture(scope="module")
def shelf():
    return starter_shelf(SMALL)


@pytest.fixture(scope="module")
def held(shelf):
    """Rows of the held-back vehicles, and what `check` would have said of each."""
    said = []

    def noted(*arguments):
        answer = real(*arguments)
        said.append(answer.fault.name if answer.fault else answer.verdict)
        return answer

    real = held_back.judge
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(held_back, "judge", noted)
        return held_back.judge_held_back(shelf, 0.05), said


def test_held_back_vehicles_are_all_judged_and_none_is_known(shelf, held):
    rows, _ = held
    wanted = build.jobs(build.discover()[SMALL], "held-back", 15, 4)
    assert [r.source for r in rows] == [job.source for job in wanted]
    assert {r.source for r in rows}.isdisjoint(r.source for r in shelf.references)
    assert Counter(r.fault for r in rows) == Counter(job.fault for job in wanted)
    assert all((r.severity is None) == (not r.fault) for r in rows)
    found = report("held-back", {SMALL: (rows, ())}, 0.05).systems[0]
    faults, flagged, _, _ = found.all_faults
    assert flagged > faults / 2 and found.good.flagged < found.good.vehicles / 3


def test_what_check_says_of_a_capture_is_what_its_row_is_called(held):
    rows, said = held
    assert [r.called(0.05) for r in rows] == said


def test_held_back_wants_a_simulation(monkeypatch):
    monkeypatch.setattr(held_back, "packed_systems", lambda: (OTHER,))
    with pytest.raises(StraygaugeError) as told:
        held_back.audit_held_back(system=SMALL)
    assert str(told.value) == (
        f"audit --held-back: expected a system with a simulation, found {SMALL}; known: {OTHER}"
    )


# --- the table for developers -----------------------------------------------------------------


def test_the_table_counts_what_the_report_says(held):
    told = to_json(report("held-back", {SMALL: (held[0], ())}, 0.05))
    *_, line, total = table.table_of(told).splitlines()
    cells = [cell.strip() for cell in line.strip("|").split("|")]
    rows = held[0]
    called = [(r.fault, r.called(0.05)) for r in rows]
    odd = [(fault, word) for fault, word in called if word not in ("normal", "undecided", "unfit")]
    mild = [r for r in rows if r.severity is not None and r.severity < 0.5]
    assert cells[0].startswith(f"`{SMALL}`")
    assert [int(cell) for cell in cells[1:9]] == [
        sum(not fault for fault, _ in called), sum(not fault for fault, _ in odd),
        sum(not fault and word in ("undecided", "unfit") for fault, word in called),
        sum(bool(fault) for fault, _ in called), sum(bool(fault) for fault, _ in odd),
        sum(bool(fault) and word in ("undecided", "unfit") for fault, word in called),
        sum(fault == word for fault, word in odd if fault),
        sum(word not in (fault, "strays") for fault, word in odd if fault),
    ]  # fmt: skip
    assert cells[9].endswith(f" of {len(mild)}")
    assert total.split("|")[2:11] == line.split("|")[2:11], "one system: the total is its row"


def test_developers_table_has_every_simulated_system():
    page = table.PAGE.read_text("utf-8")
    part = page.split(f"<!-- {table.NAME} -->")[1].split(f"<!-- end {table.NAME} -->")[0]
    assert set(re.findall(r"^\| `([a-z0-9-]+)`", part, re.M)) == set(packed_systems()), (
        "run python -m tests.benchmarks held_back --write"
    )
