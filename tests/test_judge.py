"""The verdict: every branch with its exact thresholds, what an answer rests on, what it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matching import judge as judging
from matching.answer import Reading, Term
from matching.judge import judge, unreadable, verdict_of
from matching.model.system import Placing
from matching.profile import inspect
from refdb.records import Context
from tests.builders_hum import (
    IDLE,
    LOAD,
    hum_capture,
    hum_card,
    hum_profile,
    hum_shelf,
    members,
    offset_of,
    reference,
)

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")


@pytest.fixture(scope="module")
def shelf():
    return hum_shelf(members(good=24, per_fault=6) + members(context=LOAD, first=100))


def ask(shelf, seed, fault="", context=IDLE, alpha=0.05, **changes):
    capture = hum_capture(seed, fault, offset_of(context), **changes)
    seen = inspect(hum_card(), capture, {})
    return judge(hum_card(), "q.csv", context, seen, shelf, alpha)


# --- verdict_of -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("p_value", "n_good", "alpha", "named", "verdict"),
    [
        # enough vehicles: alpha itself is outside, anything above is inside
        (0.05, 19, 0.05, False, "strays"),
        (0.05, 19, 0.05, True, "known-fault"),
        (np.nextafter(0.05, 1), 19, 0.05, True, "normal"),
        (np.nextafter(0.05, 0), 19, 0.05, False, "strays"),
        (1.0, 19, 0.05, True, "normal"),
        (1 / 31, 30, 0.05, False, "strays"),
        (2 / 31, 30, 0.05, False, "normal"),
        # 19 vehicles just reach 0.05; 18 do not
        (1 / 20, 19, 0.05, False, "strays"),
        (1 / 19, 18, 0.05, False, "undecided"),
        (1 / 19, 18, 0.05, True, "undecided"),
        (2 / 19, 18, 0.05, True, "normal"),
        # four vehicles: outside all of them proves nothing, inside is normal
        (1 / 5, 4, 0.05, True, "undecided"),
        (2 / 5, 4, 0.05, False, "normal"),
        (1 / 5, 4, 0.2, False, "strays"),
        (1 / 5, 4, 0.2, True, "known-fault"),
        (1 / 5, 4, 0.19999, False, "undecided"),
    ],
)  # fmt: skip
def test_verdict_of(p_value, n_good, alpha, named, verdict):
    assert verdict_of(p_value, n_good, alpha, named) == verdict


@given(st.integers(1, 400), st.integers(1, 400), st.floats(0.001, 0.5), st.booleans())
def test_a_fault_is_never_claimed_above_alpha(rank, n_good, alpha, named):
    p_value = min(rank, n_good + 1) / (n_good + 1)
    verdict = verdict_of(p_value, n_good, alpha, named)
    assert (verdict in ("strays", "known-fault")) == (p_value <= alpha)
    if verdict == "undecided":
        assert 1 / (n_good + 1) > alpha and rank == 1


# --- naming ---------------------------------------------------------------------------------------


def placed(**changes) -> Placing:
    facts: dict = {
        "total": 3.0, "stray": 2.0, "p_value": 0.02, "parts": np.zeros(1), "z": np.zeros(1),
        "size": 5.0, "far_units": 2.0, "along_units": 1.0, "best": 0, "sure": 0.9, "margin": 3.0,
        "typical": 0.5,
    }  # fmt: skip
    known = {f for f in Placing.__dataclass_fields__}
    facts |= {name: 0.0 for name in known - set(facts)}
    return Placing(**(facts | changes))


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({}, True),
        ({"best": -1}, False),
        ({"sure": judging.NAME_ABOVE}, True),
        ({"sure": np.nextafter(judging.NAME_ABOVE, 0)}, False),
        ({"typical": judging.TYPICAL_AT_LEAST}, True),
        ({"typical": np.nextafter(judging.TYPICAL_AT_LEAST, 0)}, False),
    ],
)  # fmt: skip
def test_a_fault_is_named_when_it_is_sure_and_typical(shelf, changes, named):
    model = shelf.footing(IDLE, (("hum",), ("V",)), "dc").model
    found = judging._named(model, placed(**changes))
    assert (found is not None) is named
    if found is not None:
        assert (found.name, found.margin) == ("third", 3.0)


# --- whole answers --------------------------------------------------------------------------------


def test_a_good_capture_is_normal(shelf):
    answer = ask(shelf, 201)
    assert (answer.verdict, answer.fault, answer.deviations) == ("normal", None, ())
    assert answer.p_value > 0.05 and 0 < answer.stray < 1.5
    assert answer.summary == (
        f"Mains hum looks normal against 24 good vehicles (stray {answer.stray:.2g})."
    )
    basis = answer.basis
    assert (basis.level, basis.n_good, basis.n_fault, basis.pool) == ("exact", 24, 12, 34)
    assert basis.borrowed and not basis.simulated and basis.note == ""


@pytest.mark.parametrize("fault", ["third", "weak"])
def test_a_known_fault_is_named(shelf, fault):
    answer = ask(shelf, 210, fault)
    assert answer.verdict == "known-fault" and answer.fault.name == fault
    assert answer.stray > 1.5 and answer.p_value == pytest.approx(1 / 35)
    text = hum_card().faults[fault].rstrip(".")
    assert answer.summary.startswith(
        f"Mains hum strays {answer.stray:.1f} times the good edge and resembles {fault} ({text})"
    )
    assert answer.nearest_fault[0].fault == fault
    assert [n.distance for n in answer.nearest_good] == sorted(
        n.distance for n in answer.nearest_good
    )


def test_an_unknown_fault_strays_without_a_name():
    """Only `weak` is known; the capture has a third harmonic."""
    shelf = hum_shelf(members(good=24, per_fault=6, faults=("weak",)))
    answer = ask(shelf, 210, "third")
    assert (answer.verdict, answer.fault) == ("strays", None)
    assert "24 good vehicles and resembles no known fault closely" in answer.summary


def test_without_any_fault_references_one_may_still_stray():
    shelf = hum_shelf(members(good=24, faults=()))
    answer = ask(shelf, 210, "third")
    assert (answer.verdict, answer.nearest_fault) == ("strays", ())
    assert ask(shelf, 201).verdict == "normal"


def test_a_thin_context_says_so_whatever_it_finds():
    shelf = hum_shelf(members(good=4, per_fault=2))
    outside = ask(shelf, 210, "third")
    assert outside.verdict == "undecided" and outside.p_value == 0.2
    assert outside.summary.startswith(
        f"Mains hum lies outside all 4 good vehicles (stray {outside.stray:.2g}), but so few "
        "cannot prove a fault at 0.05 (smallest p 0.2)"
    )
    inside = next(a for a in (ask(shelf, s) for s in range(201, 230)) if a.verdict == "normal")
    assert inside.summary == (
        f"Mains hum looks normal against 4 good vehicles (stray {inside.stray:.2g}); so few "
        "cannot prove a fault at 0.05."
    )
    assert (inside.basis.n_good, inside.basis.pool, inside.basis.borrowed) == (4, 4, False)


def test_a_thin_context_borrows_ranks_of_its_siblings_and_says_so():
    shelf = hum_shelf(members(good=4, per_fault=2) + members(context=LOAD, first=100, good=20))
    basis = ask(shelf, 210, "third").basis
    assert (basis.level, basis.n_good, basis.pool, basis.borrowed) == ("exact", 4, 24, True)


def test_a_capture_without_events_is_judged_by_the_rest(shelf):
    """Noise has no hum in it: no events, yet an answer, and no warning of numpy's."""
    noise = 0.5 * np.random.default_rng(9).standard_normal((1, 1200))
    answer = ask(shelf, 213, samples=noise)
    assert answer.verdict in ("strays", "known-fault") and answer.events == ()
    assert "few-events" in {f.code for f in answer.fitness}


def test_unfit_comes_before_everything(shelf):
    answer = ask(shelf, 201, samples=np.zeros((1, 1200)))
    assert (answer.verdict, answer.stray, answer.p_value) == ("unfit", None, None)
    assert answer.summary == f"Not fit to judge: {answer.fitness[0].message}."
    assert answer.fitness[0].severity == "blocking"
    assert answer.terms == answer.measurements == answer.events == ()


def test_nothing_to_compare_with_is_undecided():
    for library, found in (([], "no"), (members(good=2, faults=()), "2")):
        answer = ask(hum_shelf(library), 201)
        assert (answer.verdict, answer.basis.level, answer.stray) == ("undecided", "none", None)
        assert answer.summary == (
            f"Cannot say: {found} good vehicles of hum to compare with, at least 3 are needed."
        )
        assert [(r.name, r.state) for r in answer.measurements] == [
            ("rms", "not-judged"), ("rate", "not-judged")
        ]  # fmt: skip


def test_unreadable():
    answer = unreadable("x.csv", "x.csv: expected a table", 0.1)
    assert (answer.verdict, answer.error, answer.alpha) == (
        "unreadable", "x.csv: expected a table", 0.1
    )  # fmt: skip
    assert answer.summary == "not read: x.csv: expected a table"


def test_simulated_references_are_named_in_every_sentence():
    shelf = hum_shelf(members(good=24, per_fault=6), origin="simulated")
    good, bad = ask(shelf, 201), ask(shelf, 210, "third")
    assert good.basis.simulated and "24 simulated good vehicles" in good.summary
    assert bad.basis.simulated
    assert {r.source for r in good.measurements} == {"24 good vehicles (simulated)"}


# --- substitutes for a missing context ------------------------------------------------------------


def test_back_off_in_order():
    families = [Context("hum", f"f{i}", "idle") for i in range(3)]
    library = members(context=LOAD)
    for i, context in enumerate(families):
        library += members(context=context, first=200 * (i + 1))
    shelf = hum_shelf(library)
    signature = (("hum",), ("V",))
    exact = shelf.footing(LOAD, signature, "dc")
    assert (exact.level, exact.siblings, exact.note) == ("exact", 0, "")
    condition = shelf.footing(IDLE, signature, "dc")
    assert (condition.level, condition.n_good, condition.siblings) == ("condition", 10, 1)
    assert condition.note == (
        "too few good references for tarn-8 in idle: compared with other conditions (load) of "
        "tarn-8; levels and times were not judged"
    )
    family = shelf.footing(Context("hum", "lark-3", "idle"), signature, "dc")
    assert (family.level, family.n_good, family.siblings) == ("family", 30, 3)
    assert family.note == (
        "too few good references for lark-3 in idle: compared with other engine families (f0, f1, "
        "f2) in idle; levels and times were not judged"
    )
    system = shelf.footing(Context("hum"), signature, "dc")
    assert (system.level, system.n_good, system.siblings) == ("system", 40, 4)
    assert system.note == (
        "too few good references for an unknown family in an unknown condition: compared with any "
        "family (f0, f1, f2, tarn-8) in any condition (idle, load); levels and times were not "
        "judged"
    )
    other = shelf.footing(LOAD, (("hum",), ("A",)), "dc")
    assert (other.level, other.model) == ("none", None)


def test_one_sibling_alone_proves_nothing():
    """Ten good cars in one other condition do not show how much conditions differ."""
    shelf = hum_shelf(members(context=LOAD, good=30))
    answer = ask(shelf, 210, "third")
    assert (answer.basis.level, answer.verdict) == ("condition", "undecided")
    assert answer.summary == (
        f"Cannot say for mains hum: it differs from 30 good vehicles, but {answer.basis.note}."
    )


def test_levels_of_another_context_are_held_against_nobody():
    """The loaded condition sits 2 V higher: no term, place, reading, event nor coupling of it."""
    shelf = hum_shelf(members(context=LOAD, good=30))
    answer = ask(shelf, 210, "third")
    assert {t.name for t in answer.terms} <= {"shape", "regularity", "spectrum", "direction"}
    assert answer.deviations == answer.events == answer.fitness == ()
    assert {r.state for r in answer.measurements} == {"not-judged"}


# --- coupling -------------------------------------------------------------------------------------


def coupled_shelf(**coupling_of):
    """24 good vehicles, of which some have another coupling."""
    library = members(good=24, faults=())
    shelf = hum_shelf(library)
    references = tuple(
        reference(r.id, member, coupling=coupling_of.get("first" if i < 10 else "rest"))
        for i, (r, member) in enumerate(zip(shelf.references, library, strict=True))
    )
    return replace(shelf, references=references, _models={})


@pytest.mark.parametrize(
    ("first", "rest", "asked", "compared"),
    [
        ("ac", "dc", "ac", 10), ("ac", "dc", "dc", 14), ("ac", "dc", None, 14),
        ("dc", "ac", None, 14), (None, "dc", "dc", 24), (None, "dc", "ac", 10),
        (None, None, "ac", 24), ("dc", "dc", None, 24),
    ],
)  # fmt: skip
def test_coupling_is_never_mixed(first, rest, asked, compared):
    shelf = coupled_shelf(first=first, rest=rest)
    footing = shelf.footing(IDLE, (("hum",), ("V",)), asked)
    assert footing.n_good == compared
    assert len({r.coupling for r in footing.references} - {None}) <= 1


def test_the_other_coupling_is_refused_not_compared():
    answer = ask(hum_shelf(members(good=24)), 201, coupling="ac")
    assert (answer.verdict, answer.basis.level) == ("unfit", "none")
    assert [f.code for f in answer.fitness] == ["coupling"]


# --- scale honesty --------------------------------------------------------------------------------


def test_check_52_a_tenfold_ripple_of_the_same_shape_differs_in_level_and_not_in_shape():
    """Check 52 (DERIVED): z-normalised, 50 mV and 500 mV of the same shape are the same; the level
    must show what the shape cannot. Whole path: recording, events, views, terms."""
    shelf = hum_shelf(members(good=24, per_fault=6))
    small, large = ask(shelf, 201), ask(shelf, 201, amplitude=10.0)
    assert small.verdict == "normal" and large.verdict in ("strays", "known-fault")
    stray = [{t.name: t.stray for t in a.terms} for a in (small, large)]
    assert stray[1]["level"] > 10 * stray[0]["level"] and stray[1]["level"] > 3.0
    assert stray[1].get("shape", 0.0) <= max(stray[0].get("shape", 0.0) * 1.05, 1.0)
    assert max(large.terms, key=lambda t: t.share).name == "level"


def test_check_52_shape_axes_do_not_move_with_size():
    from matching.model.data import one_more

    shelf = hum_shelf(members(good=24, per_fault=6))
    model = shelf.footing(IDLE, (("hum",), ("V",)), "dc").model
    rows = [
        one_more(model.data, inspect(hum_card(), hum_capture(201, amplitude=a), {}).profile, 0)
        for a in (1.0, 10.0)
    ]
    z = [model.space.joint(row)[0] for row in rows]
    for axis, a, b in zip(model.space.axes, *z, strict=True):
        if axis.group in ("shape", "spectrum"):
            assert a == pytest.approx(b, abs=0.05), axis
    raw = {axis.name: b - a for axis, a, b in zip(model.space.axes, *z, strict=True)}
    assert min(raw[name] for name in ("level:hum:rms~", "level:hum:span~")) > 5.0


# --- words ----------------------------------------------------------------------------------------


def test_why_tells_the_reading_before_the_kinds():
    reading = Reading("rms", 5.0, "V", 1.0, 2.0, "outside", "x", "size of the hum: all of it")
    terms = [Term("direction", 9.0, 0.6, "third"), Term("shape", 2.0, 0.4, "shape of the event")]
    assert judging._why([reading], terms) == ": size of the hum is 5 V, usual 1 to 2 V"
    assert judging._why([], terms) == ": shape of the event differ most"
    assert judging._why([], [Term("shape", 0.9, 1.0, "shape")]) == ""


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, ": rms is 5 V, usual 1 to 2 V"),
        ({"low": None}, ": rms is 5 V, at most 2 V"),
        ({"high": None}, ": rms is 5 V, at least 1 V"),
        ({"unit": "1"}, ": rms is 5, usual 1 to 2"),
        ({"text": "CAN_H recessive level"}, ": CAN_H recessive level is 5 V, usual 1 to 2 V"),
        ({"text": "Rise of the line"}, ": rise of the line is 5 V, usual 1 to 2 V"),
    ],
)  # fmt: skip
def test_a_reading_in_words(changes, said):
    reading = replace(Reading("rms", 5.0, "V", 1.0, 2.0, "outside", "x"), **changes)
    assert judging._why([reading], []) == said


def test_the_same_question_gets_the_same_answer(shelf):
    from matching.answer import to_json

    assert to_json(ask(shelf, 210, "weak")) == to_json(ask(shelf, 210, "weak"))
    assert hum_profile(201) is hum_profile(201)
