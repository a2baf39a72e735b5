"""Starter references in a catalogue: marked, once, whole systems or none, and as examples."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from matching.consult import starter
from refdb import captures
from refdb.catalogue import Catalogue
from refdb.errors import CatalogueError
from seed_references import build, pack, showcase
from tests.builders_catalogue import ROOT, capture, said

SYSTEMS = pack.packed_systems()
ONE = next((name for name in ("vref-5v", "map-pulse", *SYSTEMS) if name in SYSTEMS), "")
TWO = next((name for name in ("coil-current", "maf", *SYSTEMS[::-1]) if name in SYSTEMS), "")
KILLS = 6


@pytest.fixture
def new(tmp_path):
    with starter.open_with_starters(tmp_path / "c.sqlite") as catalogue:
        yield catalogue


def test_a_system_is_added_when_first_asked_for(new):
    assert new.references() == ()
    packed = pack.read_system(ONE)
    told = []
    assert starter.ensure_system(new, ONE, lambda *step: told.append(step)) == len(packed.captures)
    assert told[-1][1:] == (len(packed.captures), len(packed.captures))
    assert {r.context.system for r in new.references()} == {ONE}
    assert new.verify() == []
    revision = new.revision
    assert starter.ensure_system(new, ONE) == 0
    assert starter.load_starter(new, systems=[ONE]) == 0
    assert new.revision == revision


def test_every_reference_says_that_it_is_simulated_and_from_which_seed(new):
    starter.ensure_system(new, ONE)
    packed = pack.read_system(ONE)
    for one, reference in zip(packed.captures, new.references(), strict=True):
        assert reference.simulated
        assert reference.vehicle.endswith("(simulated)")
        assert reference.label == ("fault" if one.job.fault else "good")
        assert reference.fault == one.job.fault
        assert reference.tags["seed"] == one.job.seed
        assert ("severity" in reference.tags) == bool(one.job.fault)
        assert reference.source == one.job.source
    counts = new.contexts()
    assert all(count.simulated == count.references for count in counts)
    assert all(count.vehicles_good >= 25 for count in counts)
    assert all(number == 6 for count in counts for number in count.faults.values())
    kept = new.capture(new.references()[3].id)
    np.testing.assert_array_equal(kept.samples, packed.captures[3].stored.samples)
    assert [channel.unit for channel in kept.channels] == [unit for _, unit in packed.channels]


def test_all_systems_at_once(tmp_path, monkeypatch):
    monkeypatch.setattr(pack, "packed_systems", lambda: (ONE, TWO))
    with starter.open_with_starters(tmp_path / "c.sqlite") as catalogue:
        assert starter.load_starter(catalogue) == len(catalogue.references())
        assert {r.context.system for r in catalogue.references()} == {ONE, TWO}
        assert starter.load_starter(catalogue) == 0
        assert starter.loaded_systems(catalogue) == {ONE, TWO}


def test_what_was_removed_stays_removed(new):
    starter.ensure_system(new, ONE)
    with new.write() as unit:
        for reference in new.references():
            unit.remove(reference.id, "not wanted")
        unit.commit()
    assert starter.ensure_system(new, ONE) == 0
    assert new.references() == ()


def test_a_catalogue_made_without_starters_gets_none(tmp_path):
    with Catalogue.open(tmp_path / "c.sqlite") as catalogue:
        with catalogue.write() as unit:
            unit.add(capture(), said())
            unit.commit()
        assert starter.ensure_system(catalogue, ONE) == 0
        assert len(catalogue.history()) == 1
    with Catalogue.open(tmp_path / "d.sqlite") as catalogue:
        assert starter.want_starters(catalogue, False) is False
        assert starter.want_starters(catalogue) is False
        assert starter.ensure_system(catalogue, ONE) == 0


def test_captures_of_ones_own_are_no_reason_to_leave_them_out(new):
    with new.write() as unit:
        unit.add(capture(), said(system=ONE))
        unit.commit()
    assert starter.ensure_system(new, ONE) == len(pack.read_system(ONE).captures)
    assert starter.ensure_system(new, "no-such-system") == 0


def test_samples_that_are_there_already_are_passed_over(new):
    packed = pack.read_system(ONE)
    with new.write() as unit:
        unit.add(starter.starter_capture(packed.captures[0], packed.channels), said())
        unit.commit()
    assert starter.ensure_system(new, ONE) == len(packed.captures) - 1


def test_a_damaged_file_is_one_line_and_nothing_is_added(new, monkeypatch):
    def damaged(system):
        return pack.unpacked(b"SGRF" + bytes(90), "packed/x.sgr")

    monkeypatch.setattr(pack, "read_system", damaged)
    with pytest.raises(CatalogueError) as told:
        starter.ensure_system(new, ONE)
    assert "\n" not in str(told.value)
    assert starter.loaded_systems(new) == frozenset()


def test_two_at_once_add_it_once(tmp_path):
    path = tmp_path / "c.sqlite"
    added = []

    def go():
        with starter.open_with_starters(path) as catalogue:
            added.append(starter.ensure_system(catalogue, ONE))

    threads = [threading.Thread(target=go) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(added) == [0, 0, len(pack.read_system(ONE).captures)]
    with Catalogue.open(path) as catalogue:
        actions = [(note.why, *note.detail) for note in catalogue.history(action=starter.ACTION)]
        assert len(actions) == 2


def test_killed_at_any_moment_a_system_is_there_whole_or_not_at_all(tmp_path):
    code = (
        "import sys, matching.consult.starter as s; c = s.open_with_starters(sys.argv[1]);"
        f"print('ready', flush=True); s.ensure_system(c, {ONE!r}); s.ensure_system(c, {TWO!r})"
    )
    whole = {name: len(pack.read_system(name).captures) for name in (ONE, TWO)}
    rng = random.Random(7)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    for attempt in range(KILLS):
        path = tmp_path / f"{attempt}.sqlite"
        child = subprocess.Popen(
            [sys.executable, "-c", code, str(path)], env=environment, stdout=subprocess.PIPE
        )
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(rng.uniform(0.02, 0.9))
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
        with starter.open_with_starters(path) as catalogue:
            assert catalogue.verify() == []
            found = {count.context.system: 0 for count in catalogue.contexts()}
            for count in catalogue.contexts():
                found[count.context.system] += count.references
            assert set(found) == starter.loaded_systems(catalogue)
            assert all(found[name] == whole[name] for name in found)
    with starter.open_with_starters(path) as catalogue:
        starter.load_starter(catalogue, systems=[ONE, TWO])
        assert len(catalogue.references()) == sum(whole.values())


# --- examples ------------------------------------------------------------------------------

EXAMPLES = [one for one in showcase.EXAMPLES if one.system in SYSTEMS]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda one: one.name)
def test_an_example_is_small_readable_and_from_a_held_back_vehicle(example):
    path = showcase.FOLDER / f"{example.name}.csv"
    text = path.read_text("utf-8")
    assert len(text) < 200_000
    assert text.startswith("# simulated capture, not from a real vehicle\n")
    read = captures.read(path, captures.ReadOptions())
    model = build.discover()[example.system]
    one = showcase.chosen(model, example)
    assert "held-back" in one.job.source
    assert one.job.seed in text
    assert text == showcase.csv_of(model, one), "run python -m seed_references examples"
    assert read.rate_hz == pytest.approx(one.stored.rate_hz, rel=1e-6)
    assert [(c.name, c.unit) for c in read.channels] == list(model.channels)
    expected = one.stored.samples[:, : read.n_samples]
    steps = np.array(one.stored.steps)[:, None]
    assert np.all(abs(read.samples - expected) < 0.5 * steps)


def test_writing_examples_again_gives_the_same_bytes(tmp_path):
    for path in showcase.write_examples(tmp_path):
        assert path.read_bytes() == (showcase.FOLDER / Path(path.name)).read_bytes()
