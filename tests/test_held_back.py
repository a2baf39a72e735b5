"""Held-back simulated vehicles, which no catalogue holds, judged as files would be."""

from __future__ import annotations

from collections import Counter

import pytest

from matching.audit import report
from matching.consult import held_back
from refdb.errors import StraygaugeError
from seed_references import build
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
