"""A shop's own card: every way it can be wrong in one line, and a whole life in the catalogue."""

from __future__ import annotations

import numpy as np
import pytest

from matching.cards_check import check_card, checked_card
from matching.consult.derive import all_cards
from refdb.cards import shipped_cards
from refdb.catalogue import Catalogue
from refdb.errors import CardError
from tests.builders_bench import CARD
from tests.builders_shop import bare_catalogue, straygauge
from tests.test_cli_usage import run


@pytest.mark.parametrize("name", sorted(shipped_cards()))
def test_every_shipped_card_passes(name):
    cards = shipped_cards()
    assert check_card(cards[name], name, cards) == []


def test_the_shop_card_passes():
    assert checked_card(CARD, "a.toml", shipped_cards()).name == "wash-pump"


WRONG = {
    "not TOML": ("name =", "", "expected TOML, found "),
    "unknown key": ('coupling = "dc"', 'coupling = "dc"\nfuse = 3', "unknown key 'fuse'"),
    "rule": (
        'rule = "whole"', 'rule = "hole"',
        "events: rule 'hole': nothing of that name is registered; nearest: whole",
    ),
    "function": (
        'function = "mean"', 'function = "meen"',
        "measurement 'mean-current': function 'meen': nothing of that name is registered; "
        "nearest: mean",
    ),
    "param of a function": (
        "{ q = 0.1 }", "{ p = 0.1 }",
        "measurement 'tenth': function 'quantile' needs 'q'; add it to params, or the channel it "
        "reads",
    ),
    "param of another kind": (
        "{ q = 0.1 }", '{ q = "low" }',
        "measurement 'tenth': function 'quantile' cannot work with these params (",
    ),
    "value of another kind": (
        "min_events = 1", 'min_events = "one"',
        "expected text, numbers and lists where a card has them, found a value of another kind (",
    ),
    "name of a shipped card": (
        'aliases = ["washer"', 'aliases = ["tps"',
        "name 'tps': means system tp-sweep already; choose another",
    ),
    "name with blanks": (
        'name = "wash-pump"', 'name = "Wash pump"',
        "name 'Wash pump': expected lower-case words joined by hyphens; write for instance "
        "boost-solenoid",
    ),
    "reserved name": (
        'name = "wash-pump"', 'name = "check"',
        "name 'check': is a word of `straygauge systems` itself; choose another",
    ),
    "condition": (
        "key-on =", '"Key on" =',
        "condition 'Key on': expected lower-case words joined by hyphens; write for instance "
        "'key-on'",
    ),
    "no condition": (
        'key-on = "key on, engine off, pump running"', "",
        "conditions: expected at least one, found none; write for instance idle = 'warm idle'",
    ),
    "caution": (
        '"rotating-parts"', '"rotting-parts"',
        "caution 'rotting-parts': nothing of that name is registered; nearest: rotating-parts",
    ),
    "axis": ('axis = "time"', 'axis = "miles"', "events: axis 'miles': expected time, phase or "
             "angle; correct it"),
    "range without source": (
        'high = 6.0\nsource = "common practice, no source"', "high = 6.0",
        "measurement 'mean-current': a range without a source; add one, or write "
        'source = "common practice, no source"',
    ),
    "range upside down": (
        "low = 2.0", "low = 20.0", "measurement 'mean-current': low 20 is above high 6; swap them",
    ),
    "peak": ("expected_peak = 10.0", "expected_peak = 0.0",
             "plan: expected_peak: expected more than 0, found 0; `straygauge plan` needs it"),
    "times": ("slowest_cycle_s = 0.5", "slowest_cycle_s = 0.0005",
              "plan: shortest_feature_s 0.001 is longer than slowest_cycle_s 0.0005; swap or "
              "correct them"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_is_one_line(case):
    good, bad, said = WRONG[case]
    text = bad if case == "not TOML" else CARD.replace(good, bad, 1)
    text = "name =" if case == "not TOML" else text
    with pytest.raises(CardError) as caught:
        checked_card(text, "a.toml", shipped_cards())
    line = str(caught.value)
    assert line.startswith("a.toml: ") and "\n" not in line
    assert line.removeprefix("a.toml: ").startswith(said), line


def test_two_faults_are_counted():
    text = CARD.replace('"mean"', '"meen"').replace('"quantile"', '"quartile"')
    with pytest.raises(CardError, match=r"\(1 more after this one\)$"):
        checked_card(text, "a.toml", shipped_cards())


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(tmp_path / "shop.sqlite"))
    (tmp_path / "card.toml").write_text(CARD, "utf-8")
    return tmp_path


def capture(place, amps: float, seed: int) -> None:
    noise = 0.1 * np.random.default_rng(seed).standard_normal(400)
    rows = "".join(f"{i / 1000:.3f},{amps + n:.3f}\n" for i, n in enumerate(noise))
    place.write_text("time (s),current (A)\n" + rows, "utf-8")


def test_the_life_of_a_card(capsys, here):
    assert run(capsys, "systems", "check", "card.toml") == (
        0, "card.toml: wash-pump can be used, 2 measurements\n", "",
    )  # fmt: skip
    assert not (here / "shop.sqlite").exists(), "checking writes nothing"
    bare_catalogue(here / "shop.sqlite")
    assert run(capsys, "systems", "add", "card.toml") == (
        0, "added the card wash-pump from card.toml\n", "",
    )  # fmt: skip
    assert run(capsys, "systems", "add", "card.toml") == (
        2, "",
        "straygauge: card.toml: expected a new card, found that the catalogue has one named "
        "'wash-pump'; say --replace to put this one in its place\n",
    )  # fmt: skip
    assert run(capsys, "systems", "add", "card.toml", "--replace")[1] == (
        "replaced the card wash-pump from card.toml\n"
    )
    assert "wash-pump" in run(capsys, "systems")[1]
    assert run(capsys, "systems", "washer")[1].startswith("wash-pump: Washer pump current\n")
    assert run(capsys, "systems", "washer", "--toml")[1] == CARD
    for seed in range(4):
        capture(here / "a.csv", 4.0 + 0.05 * seed, seed)
        added = run(capsys, "add", "a.csv", "-s", "screen-wash", "-c", "key-on", "--label", "good",
                    "--vehicle", f"v{seed}")  # fmt: skip
        assert added[0] == 0, added
    (here / "m.csv").write_text("path,system,condition\na.csv,washer,key-on\n", "utf-8")
    code, out, err = straygauge(here, "check", "--manifest", "m.csv")  # forks: in its own process
    assert (code, err) == (0, "") and "unreadable" not in out
    code, out, _ = run(capsys, "check", "a.csv", "-s", "washer", "-c", "key-on")
    assert code in (0, 3) and "wash-pump / any family / key-on" in out
    assert run(capsys, "systems", "remove", "washer") == (
        2, "",
        "straygauge: system 'wash-pump': expected no references that need the card, found 4; "
        "remove them first, `straygauge list --system` shows them\n",
    )  # fmt: skip
    for number in range(1, 5):
        assert run(capsys, "remove", str(number))[0] == 0
    assert run(capsys, "systems", "remove", "washer")[1] == "removed the card wash-pump\n"
    assert "wash-pump" not in all_cards(here / "shop.sqlite")
    with Catalogue.open(here / "shop.sqlite") as catalogue:
        assert catalogue.verify() == []


def test_a_shipped_card_stays(capsys, here):
    assert run(capsys, "systems", "remove", "can-hs")[2] == (
        "straygauge: system 'can-hs': expected a card of the shop's own, found one that ships "
        "with the tool; it cannot be taken out\n"
    )
    (here / "b.toml").write_text(CARD.replace('"wash-pump"', '"can-hs"'), "utf-8")
    assert run(capsys, "systems", "add", "b.toml")[2] == (
        "straygauge: b.toml: expected a name of the shop's own, found 'can-hs', which ships with "
        "the tool; choose another\n"
    )


def test_a_card_that_broke_since_stops_nothing_else(capsys, here):
    assert run(capsys, "systems", "add", "card.toml")[0] == 0
    from refdb.catalogue_link import connect

    with connect(here / "shop.sqlite") as link:
        link.execute("UPDATE shop_card SET toml = 'name ='")
    link.close()
    code, out, _ = run(capsys, "systems")
    assert code == 0 and "can-hs" in out
    assert "left out: card 'wash-pump': expected TOML, found " in out


def test_files_that_are_no_cards(capsys, here):
    (here / "latin.toml").write_bytes(b"title = 'Gl\xfch'\n")
    assert run(capsys, "systems", "check", "none.toml")[::2] == (
        2, "straygauge: none.toml: expected a card, found no such file; check the path\n",
    )  # fmt: skip
    assert run(capsys, "systems", "check", "latin.toml")[2] == (
        "straygauge: latin.toml: expected UTF-8 text, found another byte at offset 11; save it as "
        "UTF-8\n"
    )
    assert run(capsys, "systems", "check")[2] == (
        "straygauge: systems check: expected CARD.toml, found none; name it\n"
    )
