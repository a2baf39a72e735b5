"""Safe keeping: damage is found and named, backups hold everything, restoring loses nothing."""

from __future__ import annotations

import random
import shutil
import sqlite3

import numpy as np
import pytest

from refdb.catalogue import Catalogue
from refdb.catalogue_link import connect
from refdb.errors import CatalogueError
from refdb.records import Derived
from tests.builders_catalogue import capture, said


def fill(path, seeds=range(1, 7)):
    with Catalogue.open(path) as catalogue, catalogue.write() as unit:
        for seed in seeds:
            unit.add(capture(seed), said(f"v{seed}", tags={"odo": "1"}), Derived(0, "r", b"p" * 99))
        unit.commit()
    return path


@pytest.fixture
def path(tmp_path):
    return fill(tmp_path / "shop.sqlite")


def tamper(path, *statements):
    """Changes rows behind the catalogue's back."""
    link = connect(path)
    link.execute("PRAGMA ignore_check_constraints = ON")
    link.execute("PRAGMA foreign_keys = OFF")
    for statement in statements:
        link.execute(statement)
    link.close()


def damages(path):
    with Catalogue.open(path) as catalogue:
        return [(found.code, found.message, found.reference_id) for found in catalogue.verify()]


CHANGED = (
    "what is said of it is not what the history says was stored; "
    "compare it with the repair, then remove it or restore a backup"
)


@pytest.mark.parametrize(
    ("statement", "expected"),
    [
        (
            "UPDATE trace SET body = CAST(substr(body, 1, 200) || x'00' || substr(body, 202) "
            "AS BLOB) WHERE reference_id = 3",
            [
                (
                    "trace",
                    "reference 3: expected the samples as they were stored, found others; "
                    "remove it and add the capture again, or restore a backup",
                    3,
                )
            ],
        ),
        (
            "UPDATE reference SET rate_hz = 1.0 WHERE id = 2",
            [("reference", f"reference 2: {CHANGED}", 2)],
        ),
        (
            "UPDATE tag SET value = '2' WHERE reference_id = 2",
            [("reference", f"reference 2: {CHANGED}", 2)],
        ),
        (
            "UPDATE derived SET payload = x'01' WHERE reference_id = 5",
            [("derived", "reference 5: its derived data will be made again", 5)],
        ),
        (
            "UPDATE catalogue SET history_rows = 7",
            [("history", "the history ends at row 6, the catalogue says at row 7", None)],
        ),
        (
            "UPDATE reference SET vehicle_id = 77 WHERE id = 4",
            [("link", "row 4 of 'reference' belongs to a missing row of 'vehicle'", None)],
        ),
    ],
)
def test_damage_is_named(path, statement, expected):
    assert damages(path) == []
    tamper(path, statement)
    assert damages(path) == expected


def test_a_missing_trace_is_named(path):
    tamper(path, "DELETE FROM trace WHERE reference_id = 1")
    assert damages(path)[0] == (
        "trace",
        "reference 1: expected the samples as they were stored, found none; "
        "remove it and add the capture again, or restore a backup",
        1,
    )


def test_history_tampering_is_found_even_without_triggers(path):
    tamper(
        path,
        "DROP TRIGGER history_no_update",
        "DROP TRIGGER history_no_delete",
        "UPDATE history SET who = 'eve' WHERE id = 2",
        "DELETE FROM history WHERE id = 4",
    )
    messages = [message for code, message, _ in damages(path) if code == "history"]
    assert messages == [
        "history row 2 was changed after it was written",
        "history row 4 is missing",
        "history row 5 does not follow the row before it",
    ]


def test_damaged_samples_never_leave_and_the_rest_still_does(path):
    tamper(path, "UPDATE trace SET body = zeroblob(length(body)) WHERE reference_id = 3")
    tamper(path, "UPDATE derived SET payload = x'00' WHERE reference_id = 3")
    with Catalogue.open(path) as catalogue:
        with pytest.raises(CatalogueError) as caught:
            catalogue.capture(3)
        assert str(caught.value) == (
            f"{path}: reference 3: expected the samples as they were stored, found bytes that "
            "are no trace; remove it and add the capture again, or restore a backup"
        )
        assert np.array_equal(catalogue.capture(4).samples, capture(4).samples)
        assert 3 not in catalogue.reference_set("alternator-ripple", "r").derived


def test_random_bits_never_give_wrong_samples(path, tmp_path):
    # one flipped bit anywhere: a line, or exactly what was stored; never anything else
    clean = path.read_bytes()
    draw = random.Random(5)
    place = tmp_path / "flipped.sqlite"
    unseen = 0
    for _ in range(120):
        damaged = bytearray(clean)
        at = draw.randrange(len(clean))
        damaged[at] ^= 1 << draw.randrange(8)
        place.write_bytes(damaged)
        for leftover in ("-wal", "-shm"):
            place.with_name(place.name + leftover).unlink(missing_ok=True)
        try:
            with Catalogue.open(place) as catalogue:
                found = catalogue.verify()
                good = set(range(1, 7)) - {one.reference_id for one in found}
                if any(one.code in ("database", "link") for one in found):
                    continue
                for id_ in good:
                    assert np.array_equal(catalogue.capture(id_).samples, capture(id_).samples)
                    assert catalogue.reference(id_).vehicle == f"v{id_}"
                unseen += not found
        except CatalogueError as error:
            assert "\n" not in str(error)
    assert unseen > 0  # free space exists; a test that always stops early would prove nothing


# --- backup and restore --------------------------------------------------------------------


def test_backup_holds_everything_in_one_file(path, tmp_path):
    target = tmp_path / "keep" / "shop.backup"
    target.parent.mkdir()
    with Catalogue.open(path) as catalogue:
        assert catalogue.backup(target) == []
        assert [file.name for file in target.parent.iterdir()] == ["shop.backup"]
        assert target.stat().st_mode & 0o777 == 0o600
        with Catalogue.open(target, create=False) as copy:
            assert copy.references() == catalogue.references()
            assert copy.history() == catalogue.history()
            assert copy.revision == catalogue.revision
        assert catalogue.backup(target) == []  # tomorrow's replaces today's


def test_backup_says_what_was_damaged_before(path, tmp_path):
    tamper(path, "UPDATE derived SET payload = x'00' WHERE reference_id = 3")
    with Catalogue.open(path) as catalogue:
        found = catalogue.backup(tmp_path / "b")
    assert [(one.code, one.reference_id) for one in found] == [("derived", 3)]


def test_backup_refuses_to_replace_another_file(path, tmp_path):
    other = tmp_path / "letter.txt"
    other.write_text("dear sir")
    link = tmp_path / "link"
    link.symlink_to(path)
    with Catalogue.open(path) as catalogue:
        with pytest.raises(CatalogueError) as caught:
            catalogue.backup(other)
        assert str(caught.value) == (
            f"{other}: expected a new file or an older backup, found another file; name another one"
        )
        for same in (path, link):
            with pytest.raises(CatalogueError) as caught:
                catalogue.backup(same)
            assert str(caught.value) == (
                f"{same}: expected another file than the catalogue itself to back it up to, "
                "found the same; name another one"
            )
        with pytest.raises(CatalogueError) as caught:
            catalogue.backup(tmp_path / "none" / "b")
        assert "expected its folder to exist, found none" in str(caught.value)
    assert other.read_text() == "dear sir"


def test_restore_brings_back_and_keeps_what_was_there(path, tmp_path):
    backup = tmp_path / "shop.backup"
    with Catalogue.open(path) as catalogue:
        catalogue.backup(backup)
        with catalogue.write() as unit:
            unit.remove(1, "by mistake")
            unit.commit()
        gone = catalogue.revision
        kept = Catalogue.restore(backup, path)
        # the opening from before goes on, with the restored contents
        assert [reference.id for reference in catalogue.references()] == [1, 2, 3, 4, 5, 6]
        assert catalogue.revision != gone and catalogue.verify() == []
        assert catalogue.history()[-1].action == "restore"
    with Catalogue.open(kept) as before:
        assert [reference.id for reference in before.references()] == [2, 3, 4, 5, 6]
    assert sorted(file.name for file in tmp_path.iterdir() if "-" not in file.name[-4:]) == [
        "shop.backup", "shop.sqlite", "shop.sqlite.before-restore.backup",
    ]  # fmt: skip


def test_restore_where_none_was(path, tmp_path):
    place = tmp_path / "new.sqlite"
    assert Catalogue.restore(path, place) is None
    with Catalogue.open(place, create=False) as catalogue:
        assert len(catalogue.references()) == 6


def test_restore_in_place_of_a_ruin(path, tmp_path):
    backup = tmp_path / "b"
    with Catalogue.open(path) as catalogue:
        catalogue.backup(backup)
    ruin = path.read_bytes()
    path.write_bytes(ruin[:8192] + b"\xa5" * (len(ruin) - 8192))
    with pytest.raises(CatalogueError):
        Catalogue.open(path).references()
    kept = Catalogue.restore(backup, path)
    assert damages(path) == [] and kept is not None and kept.stat().st_size == len(ruin)


def test_restore_refuses_what_is_no_sound_backup(path, tmp_path):
    damaged, text, none = tmp_path / "damaged", tmp_path / "text", tmp_path / "none"
    shutil.copy(path, damaged)
    tamper(damaged, "UPDATE trace SET body = x'00' WHERE reference_id = 3")
    text.write_text("dear sir")
    empty = tmp_path / "empty"
    sqlite3.connect(empty).execute("PRAGMA user_version = 1").close()
    expected = {
        damaged: "expected a backup without damage, found 2 damaged places (reference 3: "
        "expected the samples as they were stored, found bytes that are no trace; remove it and "
        "add the capture again, or restore a backup); nothing was changed, restore an older one",
        text: "expected a straygauge catalogue, found a file that is no database; name another "
        "file with --catalogue, a new one is made where there is none",
        empty: "expected a straygauge catalogue, found an empty database; name another "
        "file with --catalogue, a new one is made where there is none",
        none: "expected a backup, found no file; name the right one",
    }
    with Catalogue.open(path) as catalogue:
        before = catalogue.revision
        for backup, words in expected.items():
            with pytest.raises(CatalogueError) as caught:
                Catalogue.restore(backup, path)
            assert str(caught.value) == f"{backup}: {words}"
        assert catalogue.revision == before
    assert not list(tmp_path.glob(".*"))
