"""The JSON of an answer: the same keys and kinds whatever the verdict, digits worth having."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from matching.answer import SCHEMA, standing, to_json
from matching.judge import judge, unreadable
from matching.profile import inspect
from tests import builders_shop
from tests.builders_hum import IDLE, hum_capture, hum_card, hum_shelf, members

NUMBER, TEXT = (int, float), str
# Every key of schema straygauge.check/1 with the kinds it may hold. A test that fails here means
# a new schema number, or a mistake.
KEYS = {
    "schema": TEXT, "path": TEXT, "sha256": TEXT, "context": dict, "basis": dict, "fitness": list,
    "verdict": TEXT, "stray": (*NUMBER, type(None)), "p_value": (*NUMBER, type(None)),
    "alpha": NUMBER, "terms": list, "nearest_good": list, "nearest_fault": list,
    "fault": (dict, type(None)), "measurements": list, "events": list, "deviations": list,
    "cautions": list, "summary": TEXT,
}  # fmt: skip
OPTIONAL = (*NUMBER, type(None))
PARTS = {
    "context": {"system": TEXT, "engine_family": TEXT, "condition": TEXT},
    "basis": {"level": TEXT, "n_good": int, "n_fault": int, "simulated": bool, "borrowed": bool,
              "pool": int, "note": TEXT},
    "fitness": {"code": TEXT, "severity": TEXT, "message": TEXT},
    "terms": {"name": TEXT, "stray": NUMBER, "share": NUMBER, "text": TEXT},
    "nearest_good": {"reference": int, "distance": NUMBER, "stray": NUMBER},
    "nearest_fault": {"reference": int, "fault": TEXT, "distance": NUMBER, "p_value": NUMBER,
                      "confirmed_fix": TEXT},
    "fault": {"name": TEXT, "p_value": NUMBER, "margin": NUMBER},
    "measurements": {"name": TEXT, "value": OPTIONAL, "unit": TEXT, "low": OPTIONAL,
                     "high": OPTIONAL, "state": TEXT, "source": TEXT, "text": TEXT},
    "events": {"index": int, "start_s": NUMBER, "stray": NUMBER},
    "deviations": {"channel": TEXT, "from": NUMBER, "to": NUMBER, "axis_unit": TEXT,
                   "size": NUMBER, "unit": TEXT, "sentence": TEXT},
}  # fmt: skip


def ask(seed, fault="", library=None, **changes):
    shelf = hum_shelf(members(good=20, per_fault=6) if library is None else library)
    seen = inspect(hum_card(), hum_capture(seed, fault, **changes), {})
    return judge(hum_card(), "q.csv", IDLE, seen, shelf, 0.05)


def check_form(found: dict) -> None:
    assert list(found) == list(KEYS)
    for key, kind in KEYS.items():
        assert isinstance(found[key], kind) and not isinstance(found[key], bool), key
    for key, wanted in PARTS.items():
        items = found[key] if isinstance(found[key], list) else [found[key]]
        for item in items:
            if item is None:
                continue
            assert list(item) == list(wanted), key
            for name, kind in wanted.items():
                assert isinstance(item[name], kind), (key, name)


ASKED = {
    "normal": lambda: ask(201),
    "known-fault": lambda: ask(210, "third"),
    "strays": lambda: ask(210, "third", members(good=20, faults=())),
    "undecided": lambda: ask(210, "third", members(good=4, per_fault=2)),
    "undecided, none": lambda: ask(201, library=[]),
    "unfit": lambda: ask(201, samples=np.zeros((1, 1200))),
}


@pytest.mark.parametrize("name", ASKED)
def test_every_verdict_has_the_same_form(name):
    answer = ASKED[name]()
    assert answer.verdict == name.split(",")[0]
    found = to_json(answer)
    check_form(found)
    assert found["schema"] == SCHEMA == "straygauge.check/1"
    assert json.loads(json.dumps(found, allow_nan=False)) == found


def test_the_workshop_answer_has_that_form_too():
    found = to_json(builders_shop.answer())
    check_form(found)
    assert found["deviations"] == [{
        "channel": "ripple", "from": 140.0, "to": 183.0, "axis_unit": "deg", "size": -0.25,
        "unit": "V", "sentence": "ripple is 0.25 V too low",
    }]  # fmt: skip


def test_an_unreadable_file_says_so_and_no_more():
    found = to_json(unreadable("a.csv", "a.csv: no table", 0.05))
    assert found == {
        "schema": SCHEMA, "path": "a.csv", "sha256": "", "verdict": "unreadable",
        "error": "a.csv: no table", "summary": "not read: a.csv: no table",
    }  # fmt: skip


def test_lists_are_ordered_and_short():
    found = to_json(ask(210, "third"))
    shares = [t["share"] for t in found["terms"]]
    assert shares == sorted(shares, reverse=True) and sum(shares) == pytest.approx(1.0, abs=1e-5)
    for near in ("nearest_good", "nearest_fault"):
        distances = [n["distance"] for n in found[near]]
        assert len(distances) == 5 and distances == sorted(distances)
    assert [e["index"] for e in found["events"]] == sorted(e["index"] for e in found["events"])


def test_numbers_are_rounded_and_what_json_lacks_is_null():
    answer = builders_shop.answer(stray=1.23456789, p_value=float("nan"), alpha=float("inf"))
    found = to_json(answer)
    assert (found["stray"], found["p_value"], found["alpha"]) == (1.23457, None, None)
    answer = replace(answer, stray=np.float64(0.1), p_value=1.23456789e-9)
    assert (to_json(answer)["stray"], to_json(answer)["p_value"]) == (0.1, 1.23457e-9)


@pytest.mark.parametrize(
    ("verdict", "stray", "p_value", "where"),
    [
        ("normal", 0.9, 0.2, "inside"), ("normal", 1.0, 0.1, "inside"),
        ("normal", 1.1, 0.06, "edge"), ("strays", 0.9, 0.05, "outside"),
        ("known-fault", 3.0, 0.01, "outside"), ("undecided", 1.1, 0.2, "outside"),
        ("undecided", 1.0, 0.2, "inside"), ("undecided", None, None, None),
        ("unfit", None, None, None),
    ],
)  # fmt: skip
def test_standing(verdict, stray, p_value, where):
    answer = builders_shop.answer(verdict=verdict, stray=stray, p_value=p_value)
    assert standing(answer) == where
