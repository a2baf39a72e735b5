"""The audit: rows from left-out figures, the report made of them, what is kept, what is said."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from cli import exits
from cli.main import main
from matching import audit
from matching.audit import CURVE_AT, Judged, Thin, judged_rows, one_per_vehicle, report
from matching.audit_json import to_json
from matching.consult import audit as consult
from matching.consult.audit_kept import Kept
from matching.consult.shelves import Shelf
from refdb.catalogue import Catalogue
from refdb.records import Context
from tests.builders_audit import HERE, changed, row, starter_shelf
from tests.builders_shop import bare_catalogue

SMALL = "vref-5v"
OTHER = "parasitic-draw"


def only(rows, alpha=0.05, thin=()):
    """The one system of a report on rows."""
    return report("left-out", {"vref-5v": (rows, thin)}, alpha).systems[0]


# --- what a row is called ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "called"),
    [
        ({"p": 0.2}, "normal"),
        ({"p": 0.05}, "strays"),
        ({"p": 0.05, "name": "short"}, "short"),
        ({"p": 0.2, "name": "short"}, "normal"),
        ({"p": 0.1, "ranked": 9}, "undecided"),
        ({"p": 0.1, "ranked": 9, "name": "short"}, "undecided"),
        ({"p": 0.2, "ranked": 9}, "normal"),
        ({"p": None}, "unfit"),
    ],
)
def test_what_a_row_is_called(facts, called):
    assert row(**facts).called(0.05) == called


def test_alpha_reads_the_same_rows_otherwise():
    rows = [row(f"v{i}", p=p) for i, p in enumerate((0.04, 0.08, 0.5))]
    assert [only(rows, alpha).good.flagged for alpha in (0.01, 0.05, 0.1)] == [0, 1, 2]


# --- counting ----------------------------------------------------------------------------------


def test_a_vehicle_counts_once_and_by_its_oddest_capture():
    rows = [row("v1", p=0.5), row("v1", p=0.03), row("v1", p=None), row("v2", p=0.4)]
    assert sorted(r.p_value for r in one_per_vehicle(rows)) == [0.03, 0.4]
    found = only(rows)
    assert (found.good.vehicles, found.good.flagged) == (2, 1)
    assert found.curve.vehicles == 2


def test_one_vehicle_in_two_contexts_or_with_two_labels_is_two():
    there = Context("vref-5v", "harbour-6", "idle")
    rows = [row("v1"), row("v1", context=there), row("v1", fault="low")]
    found = only(rows)
    assert [one.good.vehicles for one in found.contexts] == [1, 1]
    assert [f.vehicles for f in found.faults] == [1]


def test_faults_are_flagged_named_right_and_named_wrong():
    rows = [
        row("f1", "low", 0.01, name="low"), row("f2", "low", 0.01, name="noisy"),
        row("f3", "low", 0.01), row("f4", "low", 0.3), row("f5", "low", None),
        row("f6", "noisy", 0.01, name="noisy"),
        row("g1", p=0.01, name="noisy"), row("g2", p=0.9),
    ]  # fmt: skip
    found = only(rows)
    low, noisy = found.faults
    assert low.called == {"low": 1, "noisy": 1, "strays": 1, "normal": 1, "unfit": 1}
    assert (low.vehicles, low.flagged, low.right, low.wrong, low.unanswered) == (5, 3, 1, 1, 1)
    assert (noisy.flagged, noisy.right, noisy.wrong) == (1, 1, 0)
    assert (found.good.flagged, found.good.wrong) == (1, 1)
    assert found.all_faults == found.contexts[0].all_faults == (6, 4, 2, 1)
    assert audit.words_of((found.good, *found.faults)) == (
        "normal", "strays", "unfit", "low", "noisy"
    )  # fmt: skip


def test_mild_and_severe_apart():
    rows = [row(f"f{i}", "low", p, severity=s) for i, (p, s) in enumerate(
        [(0.01, 0.9), (0.01, 0.5), (0.01, 0.2), (0.3, 0.1), (0.01, None)]
    )]  # fmt: skip
    assert (only(rows).mild, only(rows).severe) == ((1, 2), (2, 2))


@pytest.mark.parametrize(("odd", "of", "within"), [(2, 30, True), (3, 30, False), (0, 3, True)])
def test_at_most_one_good_vehicle_in_fifteen(odd, of, within):
    rows = [row(f"v{i}", p=0.01 if i < odd else 0.5) for i in range(of)]
    assert only(rows).within_wanted is within


def test_the_calibration_curve_is_the_share_of_good_vehicles_at_or_below():
    rows = [row(f"v{i}", p=p) for i, p in enumerate((0.05, 0.1, 0.3, 0.95))]
    rows += [row("f", "low", 0.01), row("v9", p=None)]
    points = dict(only(rows).curve.points)
    assert tuple(points) == CURVE_AT
    assert [points[a] for a in (0.02, 0.05, 0.1, 0.2, 0.3, 0.9)] == [0, 0.25, 0.5, 0.5, 0.75, 0.75]


def test_contexts_whose_p_values_cannot_reach_alpha_are_named_thin():
    rows = [row(f"v{i}", p=0.5, ranked=9) for i in range(10)]
    known = Thin(Context("vref-5v", "lark-3", "idle"), 1, "1 good vehicle")
    assert only(rows, 0.05, (known,)).thin == (
        known,
        Thin(HERE, 10, "9 other good vehicles stand behind a p-value, which then cannot be below "
             "0.1: nothing can be called odd at 0.05"),
    )  # fmt: skip
    assert only(rows, 0.1).thin == ()


# --- labels in doubt ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        ({"p": 0.03, "name": "low"}, "good-among-faults"),
        ({"p": 0.03}, ""),
        ({"p": 0.2, "name": "low"}, ""),
        ({"p": 0.1, "ranked": 9, "name": "low"}, "good-among-faults"),
        ({"p": 0.1, "ranked": 9, "far": True}, "good-far-out"),
        ({"fault": "low", "p": 0.5}, ""),
        ({"fault": "low", "p": 0.51}, "fault-inside-good"),
        ({"fault": "low", "p": 0.01, "far": True, "name": "noisy"}, ""),
        ({"p": None, "far": True}, ""),
    ],
)
def test_which_labels_are_doubted(facts, why):
    assert [one.why for one in only([row(**facts)]).suspects] == ([why] if why else [])


def test_far_out_is_three_quartile_distances_above_the_upper_quartile():
    others = np.array([0.0, 1.0, 2.0, 3.0, 4.0])  # quartiles 1 and 3
    assert not audit._far_out(others, 9.0)
    assert audit._far_out(others, 9.01)
    assert not audit._far_out(others[:3], 100.0), "three vehicles have no quartiles to speak of"


# --- from a model to rows ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def shelf():
    return starter_shelf(SMALL)


def model_of(shelf):
    first = shelf.references[0]
    profile = shelf.profiles[first.id]
    return shelf.footing(first.context, (profile.roles, profile.units), first.coupling)


def test_rows_rank_each_reference_among_the_other_good_vehicles(shelf):
    footing = model_of(shelf)
    model, names = footing.model, [r.vehicle for r in footing.references]
    rows = judged_rows(model, footing.references)
    assert [r.reference for r in rows] == [r.id for r in footing.references]
    for i, one in enumerate(rows):
        oddest: dict[str, float] = {}  # slowly, by the definition
        for j, vehicle in enumerate(names):
            if model.data.good[j] and vehicle != names[i]:
                oddest[vehicle] = max(oddest.get(vehicle, -np.inf), model.total[j])
        beyond = sum(value >= model.total[i] for value in oddest.values())
        assert one.ranked == len(oddest)
        assert one.p_value == (1 + beyond) / (len(oddest) + 1)


def test_good_vehicles_p_values_are_their_ranks(shelf):
    """n vehicles ranked among each other take every rank once: no more than alpha below alpha."""
    rows = judged_rows(model_of(shelf).model, shelf.references)
    p = sorted(r.p_value for r in rows if not r.fault)
    assert p == pytest.approx([(k + 1) / len(p) for k in range(len(p))])


def test_a_second_capture_of_a_vehicle_is_not_ranked_against_the_first(shelf):
    goods = [r for r in shelf.references if r.label == "good"]
    one, two = goods[0].id, goods[1].id
    same = changed(shelf, lambda r: replace(r, vehicle="the same") if r.id in (one, two) else r)
    rows = {r.reference: r for r in consult.audit_shelf(same)[0]}
    assert rows[one].ranked == rows[two].ranked == len(goods) - 2
    assert {r.ranked for r in rows.values() if not r.fault and r.reference not in (one, two)} == {
        len(goods) - 2
    }


def test_a_planted_wrong_label_is_doubted(shelf):
    goods = [r for r in shelf.references if r.label == "good"]
    worst = max(
        (r for r in shelf.references if r.label == "fault"), key=lambda r: float(r.tags["severity"])
    )
    before = {s.reference for s in only(consult.audit_shelf(shelf)[0]).suspects}
    inside = min(
        (r for r in judged_rows(model_of(shelf).model, shelf.references) if not r.fault),
        key=lambda r: -(r.p_value or 0.0),
    ).reference
    assert {worst.id, inside}.isdisjoint(before) and inside in {r.id for r in goods}

    def mislabelled(r):
        if r.id == worst.id:
            return replace(r, label="good", fault="")
        return replace(r, label="fault", fault=worst.fault) if r.id == inside else r

    rows, thin = consult.audit_shelf(changed(shelf, mislabelled))
    doubts = {s.reference: s.why for s in only(rows, thin=thin).suspects}
    assert doubts[worst.id] in ("good-among-faults", "good-far-out")
    assert doubts[inside] == "fault-inside-good"


def test_two_good_vehicles_are_too_thin_to_judge_by(shelf):
    keep = {r.id for r in shelf.references if r.label == "good"}
    keep = set(sorted(keep)[:2])
    few = changed(shelf, lambda r: r if r.id in keep or r.label == "fault" else None)
    rows, thin = consult.audit_shelf(few)
    assert rows == () and [(one.context, one.good) for one in thin] == [
        (shelf.references[0].context, 2)
    ]


def test_captures_of_either_coupling_are_never_judged_by_each_other(shelf):
    """The first good vehicles AC, the rest DC, one that does not say: each row is judged once."""
    goods = [r.id for r in shelf.references if r.label == "good"]
    kinds = dict.fromkeys(goods[:5], "ac") | {goods[5]: None}
    mixed = changed(shelf, lambda r: replace(r, coupling=kinds.get(r.id, "dc")))
    rows, thin = consult.audit_shelf(mixed)
    assert thin == () and sorted(r.reference for r in rows) == [r.id for r in shelf.references]
    ranked = {r.reference: r.ranked for r in rows}
    assert {ranked[i] for i in goods[:5]} == {5}, "four AC ones and the one that does not say"
    assert {ranked[i] for i in goods[6:]} == {len(goods) - 6}


# --- over a catalogue: kept, resumed, told -----------------------------------------------------


@pytest.fixture(scope="module")
def audited(tmp_path_factory):
    place = tmp_path_factory.mktemp("audit") / "c.sqlite"
    return place, consult.audit(catalogue=place, system="5V")


def no_judging(monkeypatch):
    """Makes any fitting an error."""

    def never(*_):
        raise AssertionError("judged again")

    monkeypatch.setattr(consult, "pool", never)


def test_what_is_finished_is_not_judged_again(audited, monkeypatch):
    place, first = audited
    assert first.systems[0].system == SMALL and first.systems[0].simulated
    no_judging(monkeypatch)
    assert consult.audit(catalogue=place, system=SMALL) == first
    whole = consult.audit(catalogue=place)
    assert whole.systems == first.systems and OTHER in whole.waiting
    strict = consult.audit(catalogue=place, system=SMALL, alpha=0.01).systems[0]
    assert strict.good.flagged == 0 and strict.thin, "another alpha reads the same rows"


def test_a_change_of_labels_is_noticed(audited, monkeypatch):
    place, _ = audited
    with Catalogue.open(place) as catalogue:
        known = catalogue.references(system=SMALL)
        card = starter_shelf(SMALL).card
        key = consult.key_of(card, known)
        assert Kept(place).get(SMALL, key) is not None
        for change in ({"vehicle": "another"}, {"label": "fault", "fault": "x"}, {"sha256": "0"}):
            other = (replace(known[0], **change), *known[1:])
            assert Kept(place).get(SMALL, consult.key_of(card, other)) is None


@pytest.mark.parametrize("damage", ["", "{", '{"schema": "other"}', "[1]", "flip"])
def test_a_damaged_kept_file_is_as_good_as_none(audited, tmp_path, damage):
    place, _ = audited
    kept = Kept(place)
    key = kept._systems[SMALL]["key"]
    text = kept.path.read_text()
    flipped = re.sub(r'"ranked": \d+', '"ranked": 7', text, count=1)
    assert flipped != text
    copy = Kept(tmp_path / "c.sqlite")
    copy.path.write_text(text)
    assert Kept(tmp_path / "c.sqlite").get(SMALL, key) == kept.get(SMALL, key) != None  # noqa: E711
    copy.path.write_text(flipped if damage == "flip" else damage)
    assert Kept(tmp_path / "c.sqlite").get(SMALL, key) is None


def test_a_stopped_audit_goes_on_where_it_was(tmp_path, monkeypatch):
    place = bare_catalogue(tmp_path / "c.sqlite")
    judged = []

    class Shelves:
        """Stands for the library: one shelf per system, nothing to describe."""

        def __init__(self, catalogue, progress):
            pass

        def shelf(self, card):
            return Shelf(card, "", (), {}, {})

    class Now:
        """Stands for the pool: does the work at once, here."""

        def submit(self, work, shelf):
            from concurrent.futures import Future

            judged.append(shelf.card.name)
            done: Future = Future()
            done.set_result(((row(context=Context(shelf.card.name)),), ()))
            return done

    monkeypatch.setattr(consult, "Library", Shelves)
    monkeypatch.setattr(consult, "pool", Now)
    cards = [consult.all_cards()[name] for name in (SMALL, OTHER)]

    def stop_after_one(what, done, total):
        if done == 1:
            raise KeyboardInterrupt

    with Catalogue.open(place) as catalogue:
        with pytest.raises(KeyboardInterrupt):
            consult._audited(catalogue, cards, stop_after_one)
        assert judged == [SMALL]
        found = consult._audited(catalogue, cards, lambda *_: None)
    assert judged == [SMALL, OTHER] and list(found) == [SMALL, OTHER]
    assert all(isinstance(one, Judged) for rows, _ in found.values() for one in rows)


def test_a_folder_that_cannot_be_written_to_is_no_failure(tmp_path, monkeypatch):
    kept = Kept(tmp_path / "gone" / "c.sqlite")
    kept.put(SMALL, "key", ((row(),), ()))
    assert kept.get(SMALL, "key") == ((row(),), ())
    assert list(tmp_path.iterdir()) == []


# --- at the terminal ---------------------------------------------------------------------------


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(list(arguments))
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


def test_the_report_as_text(audited, capsys):
    place, first = audited
    code, out, err = run(capsys, "audit", "-s", "5v", "--catalogue", str(place))
    assert (code, err) == (exits.FINE, "")
    system = first.systems[0]
    faults, flagged, right, wrong = system.all_faults
    line = next(line for line in out.splitlines() if line.startswith(f"{SMALL} / brisk-4"))
    assert [int(n) for n in re.findall(r" (\d+)(?= )", line)] == [
        system.good.vehicles, system.good.flagged, 0, faults, flagged, right, wrong
    ]  # fmt: skip
    assert "Each reference was judged by the other vehicles only." in out
    assert "Simulated references and vehicles are marked *." in out
    table = out.split(f"{SMALL}: what each was called\n")[1].split("\n\n")[0].splitlines()
    for tally, text in zip((system.good, *system.faults), table[1:], strict=True):
        cells = dict(zip(table[0].split(), text.split()[1:], strict=True))
        assert {w: int(n) for w, n in cells.items() if n != "."} == tally.called
    assert f"share of {system.good.vehicles} good vehicles with p <= a" in out


def test_the_report_as_json(audited, capsys):
    place, first = audited
    code, out, _ = run(capsys, "audit", "--json", "--catalogue", str(place))
    told = json.loads(out)
    assert code == exits.FINE and told["schema"] == "straygauge.audit/1"
    assert told | {"waiting": []} == to_json(first)
    assert OTHER in told["waiting"]
    system = told["systems"][0]
    assert system["good"]["vehicles"] == sum(c["good"]["vehicles"] for c in system["contexts"])
    assert "named_right" in system["faults"][0] and "named_right" not in system["good"]


def test_an_empty_catalogue_says_what_waits(tmp_path, capsys):
    code, out, _ = run(capsys, "audit", "--catalogue", str(tmp_path / "c.sqlite"))
    assert code == exits.FINE
    assert "more systems with simulated starter references that were never asked for" in out


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (
            ["--alpha", "0.7"],
            "audit: expected --alpha above 0 and at most 0.5, found 0.7; 0.05 is usual",
        ),
        (
            ["--held-back", "--catalogue", "c.sqlite"],
            "audit: expected --held-back without --catalogue, found both; held-back vehicles are "
            "judged by the starter references as shipped",
        ),
        (
            ["--system", "vref-5w"],
            "system 'vref-5w': no card of that name; nearest: vref-5v; "
            "`straygauge systems` lists them all",
        ),
    ],
)
def test_wrong_usage_is_one_line(capsys, tmp_path, monkeypatch, arguments, text):
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(tmp_path / "c.sqlite"))
    assert run(capsys, "audit", *arguments) == (
        exits.CANNOT_BE_USED, "", f"straygauge: {text}\n"
    )  # fmt: skip
