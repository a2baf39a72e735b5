"""Whole jobs through `main`: add, list, show, check, many at once, take out, keep safe."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.builders_shop import bare_catalogue, ripple_csv, straygauge
from tests.test_cli_usage import run

CONTEXT = ("--system", "alternator-ripple", "--engine-family", "brisk-4", "--condition", "idle")
HEADER = "path,system,engine_family,condition,label,fault,vehicle,coupling,note,bay\n"


@pytest.fixture
def shop(tmp_path, monkeypatch) -> Path:
    """A folder with an empty catalogue of its own; the working folder."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(bare_catalogue(tmp_path / "shop.sqlite")))
    return tmp_path


def add(capsys, name: str, *more: str) -> tuple[int, str, str]:
    told = ("--label", "good", "--vehicle", f"car of {name}")
    return run(capsys, "add", name, *CONTEXT, *(more or told))


def manifest(shop: Path, *lines: str) -> Path:
    place = shop / "m.csv"
    place.write_text(HEADER + "".join(f"{line}\n" for line in lines), "utf-8")
    return place


def test_one_reference_from_adding_to_removing(capsys, shop):
    ripple_csv(shop / "a.csv")
    said = ("--label", "fault", "--fault", "diode-open", "--vehicle", "v1", "--tag", "bay=2",
            "--fix", "rectifier replaced", "--note", "noisy")  # fmt: skip
    added = "added #1: a.csv, diode-open, alternator-ripple / brisk-4 / idle\n"
    assert add(capsys, "a.csv", *said) == (0, added, "")

    code, out, _ = run(capsys, "list", "--system", "alternator", "--label", "fault")
    assert code == 0
    where = "alternator-ripple / brisk-4 / idle"
    assert out.splitlines()[1:] == [
        f"#1      diode-open  v1       {where}  captured  0.1 s at 50000 Hz",
        "1 reference",
    ]
    assert run(capsys, "list", "--label", "good")[1] == "0 references\n"

    code, out, _ = run(capsys, "show", "1", "--json")
    shown = json.loads(out)
    assert shown["tags"] == {"bay": "2"} and shown["confirmed_fix"] == "rectifier replaced"
    assert shown["channels"] == [{"name": "ripple", "unit": "V"}]
    assert [entry["action"] for entry in shown["history"]] == ["add"]
    out = run(capsys, "show", "1")[1]
    assert "fixed" not in out and "  confirmed fix  rectifier replaced\n" in out

    assert run(capsys, "contexts")[1].splitlines() == [
        "context                             good  simulated  vehicles per fault",
        "alternator-ripple / brisk-4 / idle     0     0 of 1  diode-open 1",
        "1 context",
    ]
    assert run(capsys, "remove", "1", "--why", "wrong car") == (
        0, "removed #1: a.csv, diode-open, alternator-ripple / brisk-4 / idle\n", ""
    )  # fmt: skip
    code, out, err = run(capsys, "show", "1")
    assert (code, out) == (2, "")
    assert err == (
        f"straygauge: {shop / 'shop.sqlite'}: expected a reference 1, found none with that "
        "number; see the numbers with `straygauge list`\n"
    )


def test_the_same_samples_twice(capsys, shop):
    ripple_csv(shop / "a.csv")
    ripple_csv(shop / "b.csv")
    assert add(capsys, "a.csv")[0] == 0
    assert add(capsys, "b.csv") == (
        2,
        "",
        "straygauge: b.csv: expected new samples, found that the same samples are reference 1 "
        "already (alternator-ripple, good, vehicle car of a.csv); "
        "leave the file out, or remove reference 1 first\n",
    )


def test_add_many_with_a_bad_one(capsys, shop):
    ripple_csv(shop / "a.csv", 1)
    ripple_csv(shop / "b.csv", 2, missing=True)
    lines = (
        "a.csv,alternator-ripple,brisk-4,idle,good,,v1,,,3",
        "none.csv,alternator-ripple,brisk-4,idle,good,,v2,,,3",
        "b.csv,alternator-ripple,brisk-4,idle,fault,diode-open,v3,,,4",
    )
    place = manifest(shop, *lines)
    refused = [
        "refused 1 line:",
        "  line 3  none.csv  none.csv: expected a capture file, found no such file; check the path",
    ]
    code, out, err = run(capsys, "add", "--manifest", "m.csv", "--all-or-nothing")
    assert (code, err) == (1, "")
    assert out.splitlines() == ["added 0 references from m.csv", *refused]
    assert run(capsys, "list")[1] == "0 references\n"

    absolute = [line.replace(" none.csv:", f" {shop}/none.csv:") for line in refused]
    code, out, err = run(capsys, "add", "--manifest", str(place))
    assert (code, err) == (1, "")
    assert out.splitlines() == [f"added 2 references from {place}", *absolute]
    found = json.loads(run(capsys, "list", "--json")[1])
    assert [(one["vehicle"], one["tags"]) for one in found] == [
        ("v1", {"bay": "3"}),
        ("v3", {"bay": "4"}),
    ]

    manifest(shop)
    assert run(capsys, "add", "--manifest", "m.csv", "--json") == (
        0, '{\n  "added": [],\n  "refused": []\n}\n', ""
    )  # fmt: skip


def test_check_without_references_cannot_tell(capsys, shop):
    ripple_csv(shop / "a.csv")
    code, out, err = run(capsys, "check", "a.csv", *CONTEXT, "--json")
    answer = json.loads(out)
    assert (code, err) == (3, "")
    assert (answer["schema"], answer["verdict"]) == ("straygauge.check/1", "undecided")
    assert answer["path"] == "a.csv" and answer["basis"]["level"] == "none"
    assert list(answer) == [
        "schema", "path", "sha256", "context", "basis", "fitness", "verdict", "stray", "p_value",
        "alpha", "terms", "nearest_good", "nearest_fault", "fault", "measurements", "events",
        "deviations", "cautions", "summary",
    ]  # fmt: skip
    code, out, _ = run(capsys, "check", "a.csv", *CONTEXT)
    assert code == 3 and out.startswith("UNDECIDED: ")


def test_check_many(shop):
    ripple_csv(shop / "a.csv", 1)
    ripple_csv(shop / "b.csv", 2, missing=True)
    manifest(
        shop,
        "b.csv,alternator-ripple,brisk-4,idle,,,,,,",
        "none.csv,alternator-ripple,brisk-4,idle,,,,,,",
        "a.csv,alternator-ripple,brisk-4,idle,,,,,,",
    )
    many = ("check", "--manifest", "m.csv")
    code, out, err = straygauge(shop, *many, "--json-lines", "out.jsonl")
    assert (code, out, err) == (1, "", "")
    text = (shop / "out.jsonl").read_text("ascii")
    answers = [json.loads(line) for line in text.splitlines()]
    assert [one["path"] for one in answers] == ["b.csv", "none.csv", "a.csv"]
    assert [one["verdict"] for one in answers] == ["undecided", "unreadable", "undecided"]
    assert answers[1]["error"] == (
        "none.csv: expected a capture file, found no such file; check the path"
    )
    assert straygauge(shop, *many, "--json-lines", "-") == (1, text, "")
    assert straygauge(shop, *many, "--json") == (1, text, "")

    code, out, _ = straygauge(shop, *many)
    assert code == 1
    assert [line.split()[0] for line in out.splitlines()] == [
        "undecided",
        "unreadable",
        "undecided",
    ]


def test_check_never_reads_what_tells_the_answer(shop):
    """The same lines with and without label, fault and vehicle give the same answers."""
    ripple_csv(shop / "a.csv", 1)
    manifest(shop, "a.csv,alternator-ripple,brisk-4,idle,,,,,,")
    blank = straygauge(shop, "check", "--manifest", "m.csv", "--json")
    manifest(shop, "a.csv,alternator-ripple,brisk-4,idle,nonsense,diode-open,v7,,,")
    assert straygauge(shop, "check", "--manifest", "m.csv", "--json") == blank


def test_backup_damage_and_restore(capsys, shop):
    ripple_csv(shop / "a.csv")
    add(capsys, "a.csv")
    place = shop / "shop.sqlite"
    assert run(capsys, "verify") == (0, f"{place}: all is well\n", "")
    assert run(capsys, "verify", "--json") == (0, "[]\n", "")
    assert run(capsys, "backup", "b.sqlite") == (0, "b.sqlite: written and verified\n", "")
    run(capsys, "remove", "1")
    code, out, _ = run(capsys, "restore", "b.sqlite")
    kept = shop / "shop.sqlite.before-restore.backup"
    assert (code, out) == (
        0, f"{place}: restored from b.sqlite; the one before is kept as {kept}\n"
    )  # fmt: skip
    assert run(capsys, "list")[1].endswith("1 reference\n")

    import sqlite3

    with sqlite3.connect(place) as link:
        link.execute("UPDATE trace SET body = zeroblob(length(body))")
    link.close()
    code, out, err = run(capsys, "verify")
    assert (code, err) == (1, "") and out.startswith("damage was found:\n  trace  ")
