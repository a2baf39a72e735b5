"""The packed set: what is in it, that it comes back bit for bit, and that damage is told."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest

from refdb.cards import shipped_cards
from refdb.errors import CatalogueError
from refdb.units import UNITS
from seed_references import __main__ as command
from seed_references import build, pack
from seed_references.chain import clipped

SYSTEMS = pack.packed_systems()
CHEAP = next((name for name in ("vref-5v", "map-pulse", *SYSTEMS) if name in SYSTEMS), "")


@cache
def shipped(system: str) -> pack.PackedSystem:
    return pack.read_system(system)


# --- what is shipped -----------------------------------------------------------------------


def test_every_model_is_packed_and_every_packed_system_has_a_card():
    assert tuple(build.discover()) == SYSTEMS, "run python -m seed_references build"
    assert set(SYSTEMS) <= set(shipped_cards())


def test_the_set_is_small_and_says_that_it_is_simulated():
    told = pack.read_manifest()
    assert told["origin"] == "simulated"
    sizes = {path.stem: path.stat().st_size for path in pack.FOLDER.glob("*.sgr")}
    assert sizes == {name: one["bytes"] for name, one in told["systems"].items()}
    assert sum(sizes.values()) < 25e6
    assert told["captures"] == sum(one["captures"] for one in told["systems"].values())


@pytest.mark.parametrize("system", SYSTEMS)
def test_a_system_has_enough_vehicles_and_faults(system):
    packed = shipped(system)
    model = build.discover()[system]
    jobs = [one.job for one in packed.captures]
    assert jobs == build.jobs(model), f"run python -m seed_references build {system}"
    assert packed.channels == model.channels
    for context in model.contexts:
        here = [job for job in jobs if (job.engine_family, job.condition) == context]
        assert len({job.vehicle for job in here if not job.fault}) >= 25
        faults = {job.fault for job in here} - {""}
        assert len(faults) >= 3
        for fault in faults:
            severities = [job.severity for job in here if job.fault == fault]
            assert len(severities) >= 6
            assert (severities[0], severities[-1]) == (0.15, 1.0)
        assert len({job.vehicle for job in here}) == len(here)
    assert len({job.seed for job in jobs}) == len(jobs)


@pytest.mark.parametrize("system", SYSTEMS)
def test_a_system_fits_its_card_and_never_clips(system):
    packed = shipped(system)
    card = shipped_cards()[system]
    roles = {channel.role: channel.unit for channel in card.channels}
    for role, unit in packed.channels:
        assert UNITS[unit][0] == UNITS[roles[role]][0]
    assert {job.condition for job in build.jobs(build.discover()[system])} <= set(card.conditions)
    for one in packed.captures:
        assert not any(clipped(one.stored, one.instrument.bits)), one.job.source
        assert all(row.min() < row.max() for row in one.stored.codes), one.job.source
        assert one.job.vehicle.endswith("(simulated)")
        assert one.stored.rate_hz >= card.fitness.min_rate_hz
    assert {one.instrument.bits for one in packed.captures} <= {8, 12}


@pytest.mark.parametrize("system", SYSTEMS)
def test_what_is_shipped_is_what_the_models_make(system):
    """One vehicle of each kind; `python -m seed_references check` compares all of them."""
    for one in shipped(system).captures[5::31]:
        fresh = build.simulate(one.job)
        same = np.array_equal(fresh.stored.codes, one.stored.codes)
        assert same, f"run python -m seed_references build {system}"
        assert fresh.stored.steps == one.stored.steps


# --- seeds and determinism -----------------------------------------------------------------


def test_seeds_depend_on_the_name_alone():
    """Written down, so that no change of the rule goes unnoticed."""
    job = build.Job("packed", "alternator-ripple", "brisk-4", "idle", "", 6, 7, 0.0)
    assert job.seed == "a8f3a6509344712ece55a63d27bc5dfc"
    assert job.vehicle == "brisk-4 no. 07 (simulated)"
    assert job.source == "simulated/packed/alternator-ripple/brisk-4/idle/good-06"


def test_held_back_vehicles_share_no_seed_with_packed_ones():
    model = build.discover()[CHEAP]
    packed = {job.seed for job in build.jobs(model)}
    held = build.jobs(model, "held-back", 200, 50)
    assert not packed & {job.seed for job in held}
    assert all("held back" in job.vehicle for job in held)
    some = list(build.held_back(CHEAP, good=1, per_fault=1))
    assert len(some) == len(model.contexts) * (1 + len(model.faults))


def test_processes_and_order_do_not_matter():
    jobs = build.jobs(build.discover()[CHEAP])[:10]
    here = [one.stored.codes for one in build.build(jobs, 1)]
    backwards = [one.stored.codes for one in build.build(jobs[::-1], 1)][::-1]
    elsewhere = [one.stored.codes for one in build.build(jobs, 2)]
    for a, b, c in zip(here, backwards, elsewhere, strict=True):
        np.testing.assert_array_equal(a, b)
        np.testing.assert_array_equal(a, c)


# --- packing -------------------------------------------------------------------------------


@cache
def few() -> tuple:
    model = build.discover()[CHEAP]
    return model, list(build.build(build.jobs(model)[::9], 1))


def test_packing_gives_the_same_bytes_and_everything_back(tmp_path):
    model, captures = few()
    data, content = pack.packed(model, captures)
    assert pack.packed(model, captures) == (data, content)
    header, back = pack.unpacked(data, "x")
    assert header["origin"] == "simulated"
    assert header["relations"] == list(model.relations)
    for a, b in zip(captures, back, strict=True):
        assert a.job == b.job
        assert a.stored.steps == b.stored.steps
        np.testing.assert_array_equal(a.stored.codes, b.stored.codes)
        np.testing.assert_array_equal(a.stored.samples, b.stored.samples)
        assert b.parameters == pytest.approx(dict(a.parameters), rel=1e-6)


def test_extreme_codes_survive():
    rng = np.random.default_rng(1)
    model, captures = few()
    wild = captures[0]
    wild.stored.codes[:] = rng.choice([-2048, 2047], wild.stored.codes.shape)
    few.cache_clear()
    _, back = pack.unpacked(pack.packed(model, [wild])[0], "x")
    np.testing.assert_array_equal(back[0].stored.codes, wild.stored.codes)


def written(folder) -> str:
    model, captures = few()
    pack.write_manifest({model.system: pack.write_system(model, captures, folder)}, folder)
    return model.system


@pytest.mark.parametrize("spot", [0, 4, 20, 40, 300, -1])
def test_a_changed_byte_is_one_line(tmp_path, spot):
    system = written(tmp_path)
    path = tmp_path / f"{system}.sgr"
    data = bytearray(path.read_bytes())
    data[spot] ^= 1
    path.write_bytes(data)
    with pytest.raises(CatalogueError) as told:
        pack.read_system(system, tmp_path)
    assert str(told.value) == (
        f"{path}: expected the starter references as they were shipped, found others; "
        "install straygauge again"
    )
    with pytest.raises(CatalogueError) as told:
        pack.unpacked(bytes(data), "x")
    assert "\n" not in str(told.value)


def test_a_cut_missing_newer_or_unlisted_file_is_told(tmp_path):
    system = written(tmp_path)
    path = tmp_path / f"{system}.sgr"
    data = path.read_bytes()
    for cut in (b"", data[:30], data[:-1]):
        with pytest.raises(CatalogueError, match="as they were shipped"):
            pack.unpacked(cut, "x")
    newer = data[:4] + b"\x09" + data[5:]
    with pytest.raises(CatalogueError, match="in layout 1, found layout 9; install"):
        pack.unpacked(newer, "x")
    path.unlink()
    with pytest.raises(CatalogueError, match=r"found no readable file \(No such file"):
        pack.read_system(system, tmp_path)
    assert pack.read_system("ufo-drive", tmp_path).captures == []


def test_a_damaged_or_newer_manifest_is_told(tmp_path):
    written(tmp_path)
    path = tmp_path / pack.MANIFEST
    told = json.loads(path.read_text())
    path.write_text(json.dumps(told | {"schema": "straygauge.starter/7"}))
    with pytest.raises(CatalogueError, match=r"expected schema straygauge\.starter/1, found"):
        pack.read_manifest(tmp_path)
    for text in ("{", "[]", '{"systems": 3}'):
        path.write_text(text)
        with pytest.raises(CatalogueError, match="as they were shipped") as error:
            pack.read_manifest(tmp_path)
        assert "\n" not in str(error.value)


def test_what_no_model_makes_any_more_is_removed(tmp_path):
    system = written(tmp_path)
    (tmp_path / "old.sgr").write_bytes(b"")
    pack.prune([system], tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == [pack.MANIFEST, f"{system}.sgr"]


def test_the_command_names_models_it_does_not_know(capsys):
    assert command.main(["check", "ufo-drive"]) == 2
    assert capsys.readouterr().err.startswith("ufo-drive: no model of that system; known: ")


def test_the_command_checks_bit_for_bit(capsys, monkeypatch):
    assert command.main(["check", CHEAP, "--processes", "1"]) == 0
    assert capsys.readouterr().out == f"{CHEAP}: same bytes\n"
    known = json.loads(json.dumps(pack.read_manifest()))
    known["systems"][CHEAP]["content"] = "0"
    monkeypatch.setattr(pack, "read_manifest", lambda: known)
    monkeypatch.setattr(build, "build", lambda jobs, processes: shipped(CHEAP).captures)
    monkeypatch.setattr(command, "_difference", lambda system, fresh: "so and so")
    assert command.main(["check", CHEAP, "--processes", "1"]) == 1
    assert capsys.readouterr().out == f"{CHEAP}: DIFFERENT: so and so\n"
