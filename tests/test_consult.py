"""Add and check, end to end, on a small made-up shop: a card of its own, files, a catalogue."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from matching.answer import to_json
from matching.consult import derive
from matching.consult.check import check_file, check_manifest
from matching.consult.enrol import add_file, add_manifest
from matching.consult.requests import Request
from matching.consult.shelves import Library
from matching.consult.shop_cards import add_card
from refdb.captures import ReadOptions
from refdb.catalogue import Catalogue
from refdb.errors import CardError, DuplicateReference, ManifestError
from refdb.manifest import COLUMNS
from refdb.records import Context, NewReference
from tests.builders_hum import HUM_TOML, IDLE, hum_card, hum_csv, offset_of
from tests.builders_shop import bare_catalogue

LOAD = Context("hum", "tarn-8", "load")
OTHER = Context("hum", "lark-3", "idle")


def line(path, context=IDLE, fault="", vehicle="", coupling="dc", **more) -> dict[str, str]:
    return {
        "path": path, "system": context.system, "engine_family": context.engine_family,
        "condition": context.condition, "label": "fault" if fault else "good", "fault": fault,
        "vehicle": vehicle or f"car of {path}", "coupling": coupling,
    } | more  # fmt: skip


def manifest(place: Path, lines, columns=COLUMNS) -> Path:
    with place.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, columns, restval="", extrasaction="ignore")
        writer.writeheader()
        writer.writerows(lines)
    return place


def shop(folder: Path) -> Path:
    """An empty catalogue whose only card of its own is the hum; gives its path."""
    folder.mkdir(parents=True, exist_ok=True)
    catalogue = bare_catalogue(folder / "shop.sqlite")
    (folder / "hum.toml").write_text(HUM_TOML, "utf-8")
    add_card(folder / "hum.toml", catalogue=catalogue)
    return catalogue


def captured(folder: Path, seed: int, context=IDLE, fault="", **more) -> dict[str, str]:
    """A capture file and its manifest line."""
    name = f"{seed}{fault}.csv"
    hum_csv(folder / name, seed, fault, offset_of(context))
    return line(name, context, fault, f"car {seed}", **more)


def library(folder: Path) -> list[dict[str, str]]:
    lines = [captured(folder, seed) for seed in range(22)]
    lines += [captured(folder, seed, fault="third") for seed in range(50, 56)]
    lines += [captured(folder, seed, fault="weak") for seed in range(60, 66)]
    lines += [captured(folder, seed, LOAD) for seed in range(100, 104)]
    return lines


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    """(folder, catalogue): 22 good, 6 and 6 faulty cars idling, 4 good ones loaded."""
    folder = tmp_path_factory.mktemp("shop")
    catalogue = shop(folder)
    report = add_manifest(manifest(folder / "lib.csv", library(folder)), catalogue=catalogue)
    assert (len(report.added), report.refused) == (38, ())
    return folder, catalogue


def checked(folder: Path, catalogue: Path, lines, columns=COLUMNS):
    return list(check_manifest(manifest(folder / "q.csv", lines, columns), catalogue=catalogue))


def request(file: Path, context=IDLE, coupling="dc") -> Request:
    return Request(file, file.name, context, ReadOptions(coupling=coupling))


# --- add ------------------------------------------------------------------------------------------


def bad_lines(folder: Path) -> list[dict[str, str]]:
    hum_csv(folder / "extra.csv", 900)
    (folder / "empty.csv").write_text("")
    return [
        line("gone.csv"),
        line("empty.csv"),
        line("extra.csv", Context("humm", "tarn-8", "idle")),
    ]


def test_three_bad_lines_of_ten_add_seven_and_say_why(tmp_path):
    catalogue = shop(tmp_path)
    good = [captured(tmp_path, seed) for seed in range(7)]
    bad = bad_lines(tmp_path)
    lines = [bad[0], *good[:3], bad[1], *good[3:], bad[2]]
    report = add_manifest(manifest(tmp_path / "m.csv", lines), catalogue=catalogue)
    assert [r.vehicle for r in report.added] == [f"car {seed}" for seed in range(7)]
    assert [(r.line, r.path) for r in report.refused] == [
        (2, "gone.csv"), (6, "empty.csv"), (11, "extra.csv")
    ]  # fmt: skip
    assert [r.reason for r in report.refused] == [
        f"{tmp_path / 'gone.csv'}: expected a capture file, found no such file; check the path",
        f"{tmp_path / 'empty.csv'}: expected a recording, found an empty file; save the "
        "recording again",
        "system 'humm': no card of that name; nearest: hum, fuel-pump-current; "
        "`straygauge systems` lists them all",
    ]
    with Catalogue.open(catalogue) as opened:
        assert len(opened.references()) == 7 and opened.verify() == []


def test_all_or_nothing(tmp_path):
    catalogue = shop(tmp_path)
    lines = [captured(tmp_path, seed) for seed in range(4)]
    place = manifest(tmp_path / "m.csv", [*lines, line("gone.csv")])
    report = add_manifest(place, catalogue=catalogue, all_or_nothing=True)
    assert report.added == () and [r.path for r in report.refused] == ["gone.csv"]
    with Catalogue.open(catalogue) as opened:
        assert opened.references() == ()
    whole = manifest(tmp_path / "m.csv", lines)
    report = add_manifest(whole, catalogue=catalogue, all_or_nothing=True)
    assert (len(report.added), report.refused) == (4, ())


def test_the_same_samples_are_refused_by_name(tmp_path):
    catalogue = shop(tmp_path)
    first = captured(tmp_path, 1)
    hum_csv(tmp_path / "copy.csv", 1)
    lines = [first, line("copy.csv", vehicle="another")]
    report = add_manifest(manifest(tmp_path / "m.csv", lines), catalogue=catalogue)
    (added,), (refused,) = report.added, report.refused
    assert refused.path == "copy.csv" and refused.line == 3
    assert refused.reason == (
        f"{tmp_path / 'copy.csv'}: expected new samples, found that the same samples are reference "
        f"{added.id} already (hum, good, vehicle car 1); leave the file out, or remove reference "
        f"{added.id} first"
    )
    with pytest.raises(DuplicateReference) as caught:
        add_file(request(tmp_path / "copy.csv"), NewReference(IDLE, "good", "x"),
                 catalogue=catalogue)  # fmt: skip
    assert caught.value.reference_id == added.id


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"label": "fine"}, "line 2: label 'fine': expected good or fault; correct it"),
        ({"label": ""}, "line 2: label '': expected good or fault; correct it"),
        ({"label": "fault"}, "line 2: label fault without a fault's name; name it"),
        ({"fault": "weak"}, "line 2: label good with the fault 'weak'; drop one"),
        ({"vehicle": ""}, "line 2: no vehicle; any word that tells this car from others will do"),
        ({"system": ""}, "line 2: no system; `straygauge systems` lists them"),
        ({"coupling": "gnd"}, "line 2: coupling 'gnd': expected ac, dc or blank; correct it"),
        ({"scale": "x"}, "line 2: scale 'x': expected a number; correct the manifest"),
    ],
)  # fmt: skip
def test_lines_that_make_no_reference_word_for_word(tmp_path, changes, reason):
    catalogue = shop(tmp_path)
    lines = [captured(tmp_path, 1) | changes]
    report = add_manifest(manifest(tmp_path / "m.csv", lines), catalogue=catalogue)
    assert report.added == () and [r.reason for r in report.refused] == [reason]


def test_a_reference_carries_what_its_line_says(tmp_path):
    catalogue = shop(tmp_path)
    said = captured(tmp_path, 1, fault="weak", note="after rain", attenuation="1", paint="blue")
    said |= {"system": "BUZZ", "condition": "Idle", "label": "Fault"}
    place = manifest(tmp_path / "m.csv", [said], (*COLUMNS, "paint"))
    (added,) = add_manifest(place, catalogue=catalogue).added
    assert (added.context, added.label, added.fault, added.vehicle) == (
        IDLE, "fault", "weak", "car 1"
    )  # fmt: skip
    assert (added.note, added.tags, added.coupling) == ("after rain", {"paint": "blue"}, "dc")
    assert (added.origin, added.state) == ("captured", "accepted")


def test_one_file_at_a_time(tmp_path):
    catalogue = shop(tmp_path)
    said = NewReference(Context("buzz", "tarn-8", "idle"), "good", "car 1", note="first")
    got = add_file(request(hum_csv(tmp_path / "a.csv", 1), Context("buzz", "tarn-8", "idle")), said,
                   catalogue=catalogue)  # fmt: skip
    assert (got.context, got.vehicle, got.note) == (IDLE, "car 1", "first")
    with Catalogue.open(catalogue) as opened:
        known = opened.reference_set("hum", derive.recipe_of(hum_card()))
        assert set(known.derived) == {got.id}, "described at once"


# --- check ----------------------------------------------------------------------------------------


def test_many_are_answered_in_order_and_bad_ones_say_so(full):
    folder, catalogue = full
    queries = [
        captured(folder, 201), line("nowhere.csv"), captured(folder, 202, fault="third"),
        captured(folder, 203, fault="weak"), line("x.csv", Context("humm")),
        captured(folder, 204), line("", IDLE),
    ]  # fmt: skip
    found = checked(folder, catalogue, queries)
    assert [a.path for a in found] == [q["path"] for q in queries]
    assert [a.verdict for a in found] == [
        "normal", "unreadable", "known-fault", "known-fault", "unreadable", "normal", "unreadable"
    ]  # fmt: skip
    assert [a.fault.name for a in found if a.fault] == ["third", "weak"]
    assert found[1].error == (
        f"{folder / 'nowhere.csv'}: expected a capture file, found no such file; check the path"
    )
    assert found[4].error == (
        "system 'humm': no card of that name; nearest: hum, fuel-pump-current; "
        "`straygauge systems` lists them all"
    )
    assert found[6].error == "line 8: no path; every line needs one"


def test_many_at_once_say_what_one_alone_says(full):
    folder, catalogue = full
    queries = [captured(folder, 211), captured(folder, 212, fault="weak")]
    together = checked(folder, catalogue, queries)
    for query, answer in zip(queries, together, strict=True):
        alone = check_file(request(folder / query["path"]), catalogue=catalogue)
        assert to_json(alone) == to_json(answer)


@pytest.mark.parametrize("lied", ["good", "fault", ""])
def test_the_answer_does_not_depend_on_what_the_manifest_says_of_it(full, lied):
    folder, catalogue = full
    query = captured(folder, 221, fault="third")
    blind = [c for c in COLUMNS if c not in ("label", "fault", "vehicle")]
    (honest,) = checked(folder, catalogue, [query], blind)
    told = query | {"label": lied, "fault": "weak", "vehicle": "car 0", "severity": "9"}
    (answer,) = checked(folder, catalogue, [told], (*COLUMNS, "severity"))
    assert to_json(answer) == to_json(honest)


@pytest.mark.parametrize(
    ("context", "level", "n_good"),
    [
        (IDLE, "exact", 22), (LOAD, "exact", 4),
        (Context("hum", "tarn-8", "snap"), "condition", 26),
        (OTHER, "family", 22), (Context("hum", "lark-3", "snap"), "system", 26),
        (Context("hum"), "system", 26),
    ],
)  # fmt: skip
def test_what_an_answer_rests_on(full, context, level, n_good):
    folder, catalogue = full
    (answer,) = checked(folder, catalogue, [captured(folder, 231) | {
        "engine_family": context.engine_family, "condition": context.condition}])  # fmt: skip
    assert (answer.basis.level, answer.basis.n_good) == (level, n_good)
    assert bool(answer.basis.note) is (level != "exact")


def test_an_empty_shelf_is_said(tmp_path):
    catalogue = shop(tmp_path)
    (answer,) = checked(tmp_path, catalogue, [captured(tmp_path, 1)])
    assert (answer.verdict, answer.basis.level) == ("undecided", "none")
    assert answer.summary == (
        "Cannot say: no good vehicles of hum to compare with, at least 3 are needed."
    )


def test_a_thin_context_borrows_and_says_so(full):
    folder, catalogue = full
    (answer,) = checked(folder, catalogue, [captured(folder, 241, LOAD)])
    basis = answer.basis
    assert (basis.level, basis.n_good, basis.pool, basis.borrowed) == ("exact", 4, 26, True)
    assert "4 good vehicles" in answer.summary


def test_coupling_is_never_mixed(tmp_path):
    """Twelve DC and four AC captures: each is compared with its own kind, whoever asks."""
    catalogue = shop(tmp_path)
    lines = [captured(tmp_path, seed) for seed in range(12)]
    lines += [captured(tmp_path, seed, coupling="ac") for seed in range(30, 34)]
    add_manifest(manifest(tmp_path / "m.csv", lines), catalogue=catalogue)
    query = captured(tmp_path, 201)
    found = [
        check_file(request(tmp_path / query["path"], coupling=c), catalogue=catalogue)
        for c in ("dc", "ac", None)
    ]
    assert [a.basis.n_good for a in found] == [12, 4, 12]
    ids = [{n.reference for n in a.nearest_good} for a in found]
    assert not ids[0] & ids[1] and ids[0] == ids[2]


def test_errors_of_the_whole_are_raised(full, tmp_path):
    _, catalogue = full
    with pytest.raises(ManifestError, match="no such manifest; check the path"):
        list(check_manifest(tmp_path / "no.csv", catalogue=catalogue))
    with pytest.raises(ManifestError, match="no such manifest; check the path"):
        add_manifest(tmp_path / "no.csv", catalogue=catalogue)
    with pytest.raises(CardError, match="no card of that name"):
        check_file(request(tmp_path / "a.csv", Context("humm")), catalogue=catalogue)


# --- what is derived ------------------------------------------------------------------------------


@pytest.fixture
def small(tmp_path):
    """(folder, catalogue): six good cars, described."""
    catalogue = shop(tmp_path)
    lines = [captured(tmp_path, seed) for seed in range(6)]
    add_manifest(manifest(tmp_path / "m.csv", lines), catalogue=catalogue)
    return tmp_path, catalogue


def described(catalogue, monkeypatch) -> int:
    """How many references a shelf had to describe anew."""
    made = []
    real = derive.inspect
    monkeypatch.setattr(derive, "inspect", lambda *a, **k: made.append(1) or real(*a, **k))
    with Catalogue.open(catalogue) as opened:
        shelf = Library(opened).shelf(hum_card())
    monkeypatch.setattr(derive, "inspect", real)
    assert len(shelf.profiles) == len(shelf.references)
    return len(made)


def test_profiles_are_made_once(small, monkeypatch):
    _, catalogue = small
    assert described(catalogue, monkeypatch) == 0


def test_profiles_of_other_code_are_made_again(small, monkeypatch):
    _, catalogue = small
    monkeypatch.setattr(derive, "_code_digest", lambda: "another")
    assert described(catalogue, monkeypatch) == 6
    assert described(catalogue, monkeypatch) == 0


def test_only_what_is_new_is_described(small, monkeypatch):
    folder, catalogue = small
    real = derive.inspect
    made = []
    monkeypatch.setattr(derive, "inspect", lambda *a, **k: made.append(1) or real(*a, **k))
    lines = [captured(folder, seed) for seed in (20, 21)]
    add_manifest(manifest(folder / "m.csv", lines), catalogue=catalogue)
    assert len(made) == 2


def test_a_profile_is_stale_when_its_context_found_another_rhythm():
    assert not derive.stale({"cycle_hz": 50.0}, {"cycle_hz": 50.0 * (1 + derive.HINT_SLACK)})
    assert derive.stale({"cycle_hz": 50.0}, {"cycle_hz": 55.0})
    assert derive.stale({}, {"cycle_hz": 50.0}) and derive.stale({"cycle_hz": 50.0}, {})
    assert not derive.stale({}, {})


def test_profiles_are_made_again_when_the_hint_moves(small, monkeypatch):
    """Six cars hum at 50 Hz; six at 65 Hz join: the median moves by more than the slack."""
    folder, catalogue = small
    lines = []
    for seed in range(70, 76):
        place = folder / f"{seed}.csv"
        hum_csv(place, seed)
        head, *rows = place.read_text().splitlines()
        quick = [f"{float(t) / 1.3:.6f},{v}" for t, v in (row.split(",") for row in rows)]
        place.write_text("\n".join([head, *quick]) + "\n")
        lines.append(line(place.name, vehicle=f"car {seed}"))
    add_manifest(manifest(folder / "m.csv", lines), catalogue=catalogue)
    with Catalogue.open(catalogue) as opened:
        shelf = Library(opened).shelf(hum_card())
    hint = shelf.hints[IDLE]["cycle_hz"]
    assert 54 < hint < 61
    assert {round(p.hint["cycle_hz"], 6) for p in shelf.profiles.values()} == {round(hint, 6)}
    assert described(catalogue, monkeypatch) == 0


def test_the_first_and_every_later_check_say_the_same(full):
    """The hint stands on the same references whether or not they are described already."""
    folder, catalogue = full
    query = captured(folder, 251, fault="weak")
    recipe = derive.recipe_of(hum_card())
    with Catalogue.open(catalogue) as opened:
        known = opened.reference_set("hum", recipe)
        scouts = {i: derive.unpack(body).scout for i, body in known.derived.items()}
        told = derive.telling(known.references)
        some = {r.id: scouts[r.id] for r in told}
    assert len([r for r in told if r.context == IDLE]) == derive.HINT_FROM
    assert derive.hints_of(known.references, some) == derive.hints_of(known.references, scouts)
    answers = [check_file(request(folder / query["path"]), catalogue=catalogue) for _ in range(2)]
    assert to_json(answers[0]) == to_json(answers[1])
