"""The unit of work keeps all or nothing; readers give frozen records of what was kept."""

from __future__ import annotations

import dataclasses
import os
import pickle
import stat
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from refdb.catalogue import Catalogue
from refdb.errors import CatalogueError, DuplicateReference
from refdb.records import Channel, Context, ContextCount, Derived
from tests.builders_catalogue import capture, run_python, said

NOON = datetime(2024, 3, 1, 12, 0, tzinfo=UTC)


@pytest.fixture
def catalogue(tmp_path):
    with Catalogue.open(tmp_path / "shop.sqlite") as opened:
        yield opened


def add(catalogue, seed=1, derived=None, **words):
    with catalogue.write(now=NOON, who="ann") as unit:
        reference = unit.add(capture(seed), said(**words), derived)
        unit.commit()
    return reference


# --- units of work -------------------------------------------------------------------------


def test_what_was_committed_is_read_back_by_another_opening(catalogue):
    taken = capture(1, start_s=-0.5, remarks=("jitter 3 %",), coupling=None)
    taken = dataclasses.replace(taken, overload=np.eye(2, 400, dtype=bool))
    new = said(fault="open diode", confirmed_fix="alternator", note="cold", tags={"odo": "12"})
    with catalogue.write(now=NOON) as unit:
        reference = unit.add(taken, new)
        unit.commit()
    with Catalogue.open(catalogue.path, create=False) as again:
        assert again.reference(reference.id) == reference
        back = again.capture(reference.id)
    for field in dataclasses.fields(taken):
        ours, theirs = getattr(taken, field.name), getattr(back, field.name)
        assert np.array_equal(ours, theirs) if isinstance(ours, np.ndarray) else ours == theirs
    assert reference.added_at == "2024-03-01T12:00:00+00:00"
    assert (reference.fault, reference.tags) == ("open diode", {"odo": "12"})
    assert reference.channels == (Channel("ch0", "V"), Channel("ch1", "V"))


def test_a_forgotten_commit_keeps_nothing(catalogue):
    before = catalogue.revision
    with catalogue.write() as unit:
        unit.add(capture(), said())
    assert catalogue.references() == () and catalogue.history() == ()
    assert catalogue.revision == before


def test_an_exception_keeps_nothing(catalogue):
    with pytest.raises(ZeroDivisionError), catalogue.write() as unit:
        unit.add(capture(), said())
        raise ZeroDivisionError
    assert catalogue.references() == ()
    assert add(catalogue).id == 1


def test_one_unit_can_keep_file_after_file(catalogue):
    with catalogue.write() as unit:
        for seed in (1, 2):
            unit.add(capture(seed), said())
            unit.commit()
        unit.add(capture(3), said())
    assert [reference.id for reference in catalogue.references()] == [1, 2]


def test_a_refused_capture_does_not_spoil_the_others(catalogue):
    with catalogue.write() as unit:
        unit.add(capture(1), said())
        with pytest.raises(DuplicateReference) as caught:
            unit.add(capture(1, source="copy.csv"), said(vehicle="v2"))
        with pytest.raises(CatalogueError):
            unit.add(capture(2), said(vehicle=""))
        unit.add(capture(3), said(fault="open diode"))
        unit.commit()
    assert caught.value.reference_id == 1
    assert str(caught.value) == (
        "copy.csv: expected new samples, found that the same samples are reference 1 already "
        "(alternator-ripple, good, vehicle v1); leave the file out, or remove reference 1 first"
    )
    assert [reference.id for reference in catalogue.references()] == [1, 2]
    assert catalogue.verify() == []


def test_every_write_has_a_revision_of_its_own(catalogue):
    seen = {catalogue.revision}
    reference = add(catalogue)
    seen.add(catalogue.revision)
    for change in (
        lambda unit: unit.set_state(reference.id, "retired", "worn clip"),
        lambda unit: unit.put_derived([Derived(reference.id, "r", b"1")]),
        lambda unit: unit.remove(reference.id, "wrong car"),
    ):
        with catalogue.write() as unit:
            change(unit)
            unit.commit()
        seen.add(catalogue.revision)
    assert len(seen) == 5
    with catalogue.write() as unit:
        unit.commit()
    assert catalogue.revision in seen  # nothing was written


def test_a_removed_reference_is_gone_and_its_number_never_given_again(catalogue):
    add(catalogue, 1, Derived(0, "r", b"1"), tags={"a": "b"})
    with catalogue.write() as unit:
        unit.remove(1, "wrong car")
        unit.commit()
    assert catalogue.references(states=None) == ()
    assert catalogue.reference_set("alternator-ripple", "r").derived == {}
    assert add(catalogue, 1).id == 2
    assert catalogue.verify() == []


def test_relabel_and_state_are_kept_and_told_in_the_history(catalogue):
    add(catalogue)
    with catalogue.write(now=NOON, who="bob") as unit:
        changed = unit.relabel(1, "fault", "open diode", "seen on the second look")
        unit.set_state(1, "retired", "clip was loose")
        unit.commit()
    assert (changed.label, changed.fault) == ("fault", "open diode")
    found = catalogue.reference(1)
    assert (found.label, found.fault, found.state) == ("fault", "open diode", "retired")
    told = [(row.who, row.action, row.why) for row in catalogue.history(1)]
    assert told == [
        ("ann", "add", ""),
        ("bob", "relabel", "seen on the second look"),
        ("bob", "state", "clip was loose"),
    ]
    assert catalogue.history(1)[1].detail["from"] == {"label": "good", "fault": ""}
    assert catalogue.verify() == []


def test_payloads_of_removed_references_are_passed_over(catalogue):
    add(catalogue)
    with catalogue.write() as unit:
        kept = unit.put_derived([Derived(1, "r", b"old"), Derived(9, "r", b"x")])
        unit.put_derived([Derived(1, "r", b"new"), Derived(1, "other", b"y")])
        unit.commit()
    assert kept == 1
    assert catalogue.reference_set("alternator-ripple", "r").derived == {1: b"new"}
    with catalogue.write() as unit:
        assert unit.drop_derived("alternator-ripple", keep=["r"]) == 1
        unit.commit()
    assert catalogue.reference_set("alternator-ripple", "other").derived == {}


# --- readers -------------------------------------------------------------------------------


def test_references_are_found_by_what_they_are(catalogue):
    add(catalogue, 1)
    add(catalogue, 2, family="", condition="cranking")
    add(catalogue, 3, fault="open diode", system="can-hs")
    add(catalogue, 4, state="proposed")

    def ids(**wanted):
        return [reference.id for reference in catalogue.references(**wanted)]

    assert ids() == [1, 2, 3]
    assert ids(states=("proposed",)) == [4] and ids(states=None) == [1, 2, 3, 4]
    assert ids(system="can-hs") == [3] and ids(system="lin") == []
    assert ids(engine_family="inline-4") == [1, 3] and ids(engine_family="") == [2]
    assert ids(engine_family="boxer") == []
    assert ids(condition="cranking", label="good") == [2] and ids(label="fault") == [3]


def test_reference_set_is_one_system_at_one_revision(catalogue):
    add(catalogue, 1, Derived(0, "r", b"one"))
    add(catalogue, 2)
    add(catalogue, 3, Derived(0, "r", b"three"), system="can-hs")
    found = catalogue.reference_set("alternator-ripple", "r")
    assert [reference.id for reference in found.references] == [1, 2]
    assert (found.derived, found.recipe) == ({1: b"one"}, "r")
    assert found.revision == catalogue.revision
    assert pickle.loads(pickle.dumps(found)) == found  # fit for worker processes


def test_contexts_count_vehicles_not_captures(catalogue):
    for seed, vehicle in enumerate(["a", "a", "b"]):
        add(catalogue, seed, vehicle=vehicle, origin="simulated" if seed else "captured")
    add(catalogue, 7, vehicle="c", fault="open diode")
    add(catalogue, 8, system="can-hs", family="")
    context = Context("alternator-ripple", "inline-4", "idle")
    assert catalogue.contexts() == (
        ContextCount(context, 4, 2, 2, {"open diode": 1}),
        ContextCount(Context("can-hs", "", "idle"), 1, 0, 1, {}),
    )


def test_captures_come_in_the_order_asked_for(catalogue):
    for seed in (1, 2, 3):
        add(catalogue, seed)
    found = list(catalogue.captures([3, 1]))
    assert [id_ for id_, _ in found] == [3, 1]
    assert np.array_equal(found[0][1].samples, capture(3).samples)


TEXTS = st.text(st.characters(codec=None), min_size=1, max_size=12)


@given(words=st.lists(TEXTS, min_size=6, max_size=6), tags=st.dictionaries(TEXTS, TEXTS))
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_alphabet_comes_back(catalogue, words, tags):
    # round trip: NUL, quotes, control characters, emoji; lone surrogates become escapes
    vehicle, fault, family, note, source, name = words
    taken = capture(1, channels=1, source=source)
    taken = dataclasses.replace(taken, channels=(Channel(name, "V"),))
    with catalogue.write() as unit:
        made = unit.add(taken, said(vehicle, fault, family=family, note=note, tags=tags))
        assert unit._known(unit._connection, made.id) == made
    plain = [word.encode("utf-8", "backslashreplace").decode() for word in words]
    assert [made.vehicle, made.fault, made.context.engine_family, made.note] == plain[:4]
    assert [made.source, made.channels[0].name] == plain[4:]


# --- the file ------------------------------------------------------------------------------


def test_only_the_owner_may_read_the_file(catalogue):
    add(catalogue)
    for path in catalogue.path.parent.iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path


def test_a_catalogue_survives_a_fork(catalogue):
    add(catalogue)
    child = os.fork()
    if child == 0:
        try:
            os._exit(0 if len(catalogue.references()) == 1 else 1)
        except BaseException:
            os._exit(2)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert add(catalogue, 2).id == 2


def test_records_need_no_database_and_opening_needs_no_alembic(catalogue):
    loaded = "import sys; print(sorted({'sqlalchemy', 'alembic'} & set(sys.modules)))"
    assert run_python(f"import refdb.records; {loaded}") == "[]\n"
    code = "import sys; from refdb.catalogue import Catalogue; Catalogue.open(sys.argv[1]); "
    assert run_python(code + loaded, str(catalogue.path)) == "['sqlalchemy']\n"


def test_the_history_cannot_be_changed(catalogue):
    from refdb.catalogue_link import connect

    add(catalogue)
    link = connect(catalogue.path)
    for statement in ("UPDATE history SET who = 'eve'", "DELETE FROM history"):
        with pytest.raises(Exception, match="history is append-only"):
            link.execute(statement)
    link.close()
