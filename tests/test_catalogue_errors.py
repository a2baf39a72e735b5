"""What a person is told, word for word, when the catalogue cannot be used."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from pathlib import Path

import pytest

from refdb.catalogue import Catalogue
from refdb.catalogue_link import connect
from refdb.catalogue_place import catalogue_place
from refdb.errors import CatalogueError
from tests.builders_catalogue import capture, run_python, said


def told(action) -> str:
    with pytest.raises(CatalogueError) as caught:
        action()
    text = str(caught.value)
    assert "\n" not in text
    return text


@pytest.fixture
def path(tmp_path) -> Path:
    place = tmp_path / "shop.sqlite"
    Catalogue.open(place).close()
    return place


def test_missing_file(tmp_path):
    path = tmp_path / "none.sqlite"
    assert told(lambda: Catalogue.open(path, create=False)) == (
        f"{path}: expected a catalogue, found no file; "
        "make one with `straygauge add`, or name the right one with --catalogue"
    )
    assert list(tmp_path.iterdir()) == []


def test_missing_folder(tmp_path):
    path = tmp_path / "no" / "shop.sqlite"
    assert told(lambda: Catalogue.open(path)) == (
        f"{path}: expected its folder to exist, found none; "
        "make the folder, or name another place with --catalogue"
    )


@pytest.mark.parametrize("content", [b"time;volt\n0;1\n", b"SQLite format 3\0", b"\0" * 4096])
def test_not_a_database(tmp_path, content):
    path = tmp_path / "capture.csv"
    path.write_bytes(content)
    assert told(lambda: Catalogue.open(path)) == (
        f"{path}: expected a straygauge catalogue, found a file that is no database; "
        "name another file with --catalogue, a new one is made where there is none"
    )
    assert path.read_bytes() == content and len(list(tmp_path.iterdir())) == 1


def test_another_programs_database(tmp_path):
    path = tmp_path / "mail.sqlite"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE letters (id INTEGER)")
    other.close()
    before = path.read_bytes()
    assert told(lambda: Catalogue.open(path)) == (
        f"{path}: expected a straygauge catalogue, found another program's database; "
        "name another file with --catalogue, a new one is made where there is none"
    )
    assert path.read_bytes() == before


def test_newer_version(path):
    with connect(path) as link:
        link.execute("UPDATE alembic_version SET version_num = '9001'")
    link.close()
    assert told(lambda: Catalogue.open(path)) == (
        f"{path}: expected a catalogue of schema 0002 or older, found schema 9001; "
        "use the newer straygauge that wrote it, or name another file with --catalogue"
    )


def test_unknown_reference(path):
    with Catalogue.open(path) as catalogue:
        expected = (
            f"{path}: expected a reference 5, found none with that number; "
            "see the numbers with `straygauge list`"
        )
        assert told(lambda: catalogue.reference(5)) == expected
        assert told(lambda: catalogue.capture(5)) == expected
        with catalogue.write() as unit:
            assert told(lambda: unit.remove(5, "")) == expected
            assert told(lambda: unit.set_state(5, "retired", "")) == expected


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ({"vehicle": ""}, "expected a vehicle, found none; give --vehicle ID"),
        ({"system": ""}, "expected a system, found none; give --system S"),
        (
            {"label": "fault"},
            "expected the fault's name with label 'fault', found none; give --fault NAME",
        ),
        (
            {"fault": "x", "label": "good"},
            "expected no fault with label 'good', found 'x'; "
            "leave the fault out, or label it 'fault'",
        ),
        (
            {"state": "new"},
            "expected state 'proposed', 'accepted' or 'retired', found 'new'; correct it",
        ),
    ],
)
def test_what_is_said_makes_no_sense(path, words, text):
    with Catalogue.open(path) as catalogue, catalogue.write() as unit:
        assert told(lambda: unit.add(capture(), said(**words))) == f"capture-1.csv: {text}"


def test_busy(path):
    other = connect(path)
    other.execute("BEGIN IMMEDIATE")
    with Catalogue.open(path, patience_s=0.2) as catalogue, catalogue.write() as unit:
        assert told(lambda: unit.add(capture(), said())) == (
            f"{path}: expected a turn to write within 0.2 s, found other programs writing all "
            "that time; wait for them to finish and try again"
        )
        assert catalogue.references() == ()  # readers do not wait
        other.rollback()
        unit.add(capture(), said())
        unit.commit()
    other.close()


def test_gone_while_open(path):
    with Catalogue.open(path) as catalogue:
        path.unlink()
        assert told(catalogue.references) == (
            f"{path}: expected a catalogue, found that the file has gone; "
            "restore a backup, or name the right one with --catalogue"
        )


READ_ONLY = """
import os, sys, alembic.command, platformdirs  # while the packages may still be read
from refdb.catalogue import Catalogue
from refdb.errors import CatalogueError
from tests.builders_catalogue import capture, said
if os.getuid() == 0:
    os.setuid(65534)  # the superuser may write anywhere
try:
    with Catalogue.open(sys.argv[1]) as catalogue, catalogue.write() as unit:
        unit.add(capture(), said())
        unit.commit()
except CatalogueError as error:
    print(error)
"""


@pytest.mark.parametrize("existing", [True, False])
@pytest.mark.parametrize("file_mode", [0o644, 0o444, 0o000])
def test_read_only_folder(path, existing, file_mode):
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "shop.sqlite"
        if existing:
            shutil.copy(path, place)
            place.chmod(file_mode)
            if os.getuid() == 0:
                os.chown(place, 65534, 65534)
        os.chmod(name, 0o555)
        try:
            printed = run_python(READ_ONLY, str(place))
        finally:
            os.chmod(name, 0o755)
        assert printed == (
            f"{place}: expected a file and folder this user may write, found them read-only; "
            "change their permissions, or name another place with --catalogue\n"
        )


FULL_DISK = """
import os, resource, sys
from refdb.catalogue import Catalogue
from refdb.errors import CatalogueError
from tests.builders_catalogue import capture, said
limit = int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
try:
    with Catalogue.open(sys.argv[1]) as catalogue:
        for seed in range(500):
            with catalogue.write() as unit:
                unit.add(capture(seed, n=4000), said())
                unit.commit()
            print(seed + 1)
except CatalogueError as error:
    print(error)
"""


@pytest.mark.parametrize("limit", [0, 20_000, 100_000, 400_000, 1_000_000])
@pytest.mark.parametrize("filled", [True, False])
def test_full_disk(tmp_path, limit, filled):
    path = tmp_path / "shop.sqlite"
    if filled:
        Catalogue.open(path).close()
    *confirmed, text = run_python(FULL_DISK, str(path), str(limit)).splitlines()
    assert text == (
        f"{path}: expected room to write, found the disk full; "
        "free some space and try again, nothing was half-written"
    )
    with Catalogue.open(path) as catalogue:  # there is room again
        assert [str(reference.id) for reference in catalogue.references()] == confirmed
        assert catalogue.verify() == []


def test_a_link_to_nothing(tmp_path):
    path = tmp_path / "link.sqlite"
    path.symlink_to(tmp_path / "gone")
    assert told(lambda: Catalogue.open(path)) == (
        f"{path}: expected a catalogue, found that the file has gone; "
        "restore a backup, or name the right one with --catalogue"
    )


# --- where it is ---------------------------------------------------------------------------


def test_place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert catalogue_place("a/b.sqlite") == Path("a/b.sqlite")
    assert catalogue_place("sqlite:///a.sqlite") == Path("a.sqlite")
    assert catalogue_place("sqlite:////tmp/a.sqlite") == Path("/tmp/a.sqlite")
    assert catalogue_place(None, {"STRAYGAUGE_CATALOGUE": "sqlite:///x"}) == Path("x")
    assert catalogue_place(Path("y"), {"STRAYGAUGE_CATALOGUE": "x"}) == Path("y")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert catalogue_place(None, {}).parts[-2:] == ("straygauge", "catalogue.sqlite")


def test_default_place_makes_its_own_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("STRAYGAUGE_CATALOGUE", raising=False)
    with Catalogue.open() as catalogue:
        assert catalogue.path.is_file() and catalogue.references() == ()


def test_place_error_texts(tmp_path):
    assert told(lambda: catalogue_place("postgresql://host/db")) == (
        "postgresql://host/db: expected a path or sqlite:///PATH, found a URL of 'postgresql'; "
        "a catalogue is one SQLite file, give its path"
    )
    assert told(lambda: catalogue_place("sqlite://")) == (
        "sqlite://: expected a path or sqlite:///PATH, found no usable path; "
        "give the catalogue's file"
    )
    assert told(lambda: catalogue_place(tmp_path)) == (
        f"{tmp_path}: expected a catalogue file, found a folder; "
        f"give a file in it, for instance {tmp_path / 'catalogue.sqlite'}"
    )


def test_odd_file_names(tmp_path):
    for name in (b"a?b#c%20.sqlite", b"\xff\xfe.sqlite", b"new\nline.sqlite", b"x" * 200):
        path = Path(os.fsdecode(os.path.join(os.fsencode(tmp_path), name)))
        with Catalogue.open(path) as catalogue:
            assert catalogue.references() == ()
        assert path.is_file()
