"""Bad input, told word for word through `main`: one line, exit 2, no traceback."""

from __future__ import annotations

import shutil
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from refdb.catalogue import Catalogue
from refdb.catalogue_link import connect
from refdb.schema import HEAD
from refdb.units import UNITS
from tests.builders_shop import bare_catalogue, ripple_csv, straygauge
from tests.test_cli_usage import run

TABLE = "time (s),ripple (V)\n0.0,1\n0.1,2\n0.2,1\n"
KNOWN = ", ".join(UNITS)
FILES: dict[str, tuple[str | None, str, tuple[str, ...], str]] = {
    "missing file": (
        None, "alternator-ripple", (),
        "expected a capture file, found no such file; check the path",
    ),
    "empty file": (
        "", "alternator-ripple", (),
        "expected a recording, found an empty file; save the recording again",
    ),
    "text that is no table": (
        "Dear customer,\nyour car is ready.\n", "alternator-ripple", (),
        "expected a table of numbers, found no line of numbers; it begins 'Dear customer,'; "
        "save the recording as CSV with one row per sample",
    ),
    "wrong channel count": (
        TABLE, "can-hs", (),
        "expected 2 channel(s) for can-hs (can_h, can_l), found 1 (ripple=V); "
        "record the missing one or name them with --channels 'can_h=V,can_l=V'",
    ),
    "unknown unit": (
        TABLE, "alternator-ripple", ("--channels", "ripple=furlong"),
        "expected a known unit for channel 'ripple', found 'furlong'; "
        f"write one of {KNOWN}",
    ),
    "negative rate": (
        TABLE, "alternator-ripple", ("--rate", "-5"),
        "expected a sample rate from 0.001 Hz to 1e+11 Hz, found -5 Hz asked for; "
        "give the true rate with --rate",
    ),
    "rate of zero": (
        TABLE, "alternator-ripple", ("--rate", "0"),
        "expected a sample rate from 0.001 Hz to 1e+11 Hz, found 0 Hz asked for; "
        "give the true rate with --rate",
    ),
    "too many samples": (
        TABLE, "alternator-ripple", ("--max-samples", "2"),
        "expected at most 2 samples, found 3 (1 channel x 3); "
        "cut the recording or raise --max-samples",
    ),
    "ragged rows": (
        "time (s),ripple (V)\n0.0,1\n0.1,2,3\n0.2,1\n", "alternator-ripple", (),
        "expected 2 cells in every row, found 3 in line 3; "
        "repair that row or save the recording again",
    ),
    "channel without numbers": (
        "time (s),ripple (V)\n0.0,nan\n0.1,nan\n0.2,nan\n", "alternator-ripple", (),
        "expected numbers in channel 'ripple', found none in 3 samples; "
        "check the probe and the range, or save the file without that channel",
    ),
}  # fmt: skip


@pytest.fixture
def here(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(bare_catalogue(tmp_path / "shop.sqlite")))
    return tmp_path


@pytest.mark.parametrize("case", FILES)
def test_capture_files(capsys, here, case):
    text, system, options, said = FILES[case]
    if text is not None:
        (here / "a.csv").write_text(text, "utf-8")
    for command in (("check",), ("add", "--label", "good", "--vehicle", "v")):
        code, out, err = run(capsys, *command, "a.csv", "--system", system, *options)
        assert (code, out, err) == (2, "", f"straygauge: a.csv: {said}\n")


def test_unknown_system(capsys, here):
    for command in ("check", "add"):
        assert run(capsys, command, "a.csv", "--system", "altenator") == (
            2,
            "",
            "straygauge: system 'altenator': no card of that name; nearest: alternator-ripple; "
            "`straygauge systems` lists them all\n",
        )


def test_catalogue_that_is_no_database(capsys, here):
    ripple_csv(here / "a.csv")
    for command in (
        ("list",), ("show", "1"), ("contexts",), ("verify",), ("backup", "b"),
        ("check", "a.csv", "--system", "alternator-ripple"),
    ):  # fmt: skip
        assert run(capsys, *command, "--catalogue", "a.csv") == (
            2,
            "",
            "straygauge: a.csv: expected a straygauge catalogue, found a file that is no "
            "database; name another file with --catalogue, a new one is made where there is "
            "none\n",
        )


def test_catalogue_from_a_newer_version(capsys, here):
    place = here / "shop.sqlite"
    with connect(place) as link:
        link.execute("UPDATE alembic_version SET version_num = '9001'")
    link.close()
    assert run(capsys, "list") == (
        2,
        "",
        f"straygauge: {place}: expected a catalogue of schema {HEAD} or older, found schema 9001; "
        "use the newer straygauge that wrote it, or name another file with --catalogue\n",
    )


def test_verify_makes_no_catalogue(capsys, here):
    assert run(capsys, "verify", "--catalogue", "none.sqlite") == (
        2,
        "",
        "straygauge: none.sqlite: expected a catalogue, found no file; "
        "make one with `straygauge add`, or name the right one with --catalogue\n",
    )
    assert not (here / "none.sqlite").exists()


# The superuser may write anywhere, and others may not be able to load what is not loaded yet.
NOBODY = """
import contextlib, io, os
with contextlib.suppress(SystemExit), contextlib.redirect_stderr(io.StringIO()):
    main(["remove", "1", "--catalogue", {0!r}])
if os.getuid() == 0:
    os.setuid(65534)
"""


def test_read_only_folder(here):
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "shop.sqlite"
        shutil.copy(here / "shop.sqlite", place)
        place.chmod(0o444)
        Path(name).chmod(0o555)
        try:
            code, out, err = straygauge(
                Path("/"), "remove", "1", "--catalogue", str(place),
                before=NOBODY.format(str(here / "shop.sqlite")),
            )  # fmt: skip
        finally:
            Path(name).chmod(0o755)
    assert (code, out) == (2, "")
    assert err == (
        f"straygauge: {place}: expected a file and folder this user may write, found them "
        "read-only; change their permissions, or name another place with --catalogue\n"
    )


ADD = ("add", "a.csv", "--system", "alternator-ripple", "--label", "good", "--vehicle", "v")
LIMIT = "import resource\nresource.setrlimit(resource.RLIMIT_FSIZE, ({0}, {0}))"


def test_full_disk(here):
    ripple_csv(here / "a.csv", seconds=0.5)
    place = here / "shop.sqlite"
    code, out, err = straygauge(here, *ADD, before=LIMIT.format(30_000))
    assert (code, out) == (2, "")
    assert err == (
        f"straygauge: {place}: expected room to write, found the disk full; "
        "free some space and try again, nothing was half-written\n"
    )
    with Catalogue.open(place) as catalogue:
        assert catalogue.references() == () and catalogue.verify() == []


def test_full_disk_under_the_answers(here):
    """No room for the JSON lines: one line, and no half of a file."""
    ripple_csv(here / "a.csv")
    rows = "a.csv,alternator-ripple\n" * 60
    size = max(path.stat().st_size for path in here.iterdir())
    (here / "m.csv").write_text("path,system\n" + rows, "utf-8")
    before = sorted(path.name for path in here.iterdir() if "shop" not in path.name)
    code, out, err = straygauge(
        here, "check", "--manifest", "m.csv", "--json-lines", "out.jsonl",
        before=LIMIT.format(size + 2_000),
    )  # fmt: skip
    assert (code, out) == (2, "")
    assert err == (
        "straygauge: out.jsonl: expected to write this file, found 'File too large'; "
        "name another place, or make room\n"
    )
    assert sorted(path.name for path in here.iterdir() if "shop" not in path.name) == before


def test_two_writers_at_once(here):
    """Both wait for their turn; nothing is lost and nobody is told of a lock."""
    names = ("a.csv", "b.csv")
    for seed, name in enumerate(names):
        ripple_csv(here / name, seed)
    with ThreadPoolExecutor(2) as both:
        done = both.map(lambda name: straygauge(here, "add", name, *ADD[2:]), names)
        assert [(code, err) for code, _, err in done] == [(0, ""), (0, "")]
    with Catalogue.open(here / "shop.sqlite") as catalogue:
        assert sorted(one.source for one in catalogue.references()) == ["a.csv", "b.csv"]


def test_a_writer_that_never_ends(capsys, here, monkeypatch):
    from refdb import catalogue

    ripple_csv(here / "a.csv")
    place = here / "shop.sqlite"
    monkeypatch.setattr(catalogue.Catalogue.open.__func__, "__kwdefaults__",
                        {"create": True, "patience_s": 0.2})  # fmt: skip
    other = connect(place)
    other.execute("BEGIN IMMEDIATE")
    try:
        code, out, err = run(capsys, *ADD)
    finally:
        other.close()
    assert (code, out) == (2, "")
    assert err == (
        f"straygauge: {place}: expected a turn to write within 0.2 s, found other programs "
        "writing all that time; wait for them to finish and try again\n"
    )


def test_picture_in_a_missing_folder(capsys, here):
    ripple_csv(here / "a.csv")
    assert run(
        capsys, "check", "a.csv", "--system", "alternator-ripple", "--picture", "no/a.png"
    ) == (
        2,
        "",
        "straygauge: no/a.png: expected to write this file, found 'No such file or directory'; "
        "name another place, or make room\n",
    )
