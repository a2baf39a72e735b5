"""System cards: every error word for word, the cards that ship, and finding one by any name."""

from __future__ import annotations

import re
from collections import Counter

import pytest

from refdb.cards import GROUPS, CardEvents, find_card, parse_card, shipped_cards
from refdb.errors import CardError
from refdb.units import UNITS
from tests.builders_hum import HUM_TOML

SMALL = """
name = "hum"
title = "Hum"
coupling = "any"
[[channels]]
role = "hum"
unit = "V"
[events]
rule = "whole"
unit_name = "part"
"""
MEASURE = '[[measurements]]\nname = "rms"\nfunction = "ac-rms"\nunit = "V"\n'


def error(text: str) -> str:
    with pytest.raises(CardError) as caught:
        parse_card(text, "hum.toml")
    said = str(caught.value)
    assert said.startswith("hum.toml: ") and "\n" not in said
    return said.removeprefix("hum.toml: ")


def test_the_least_a_card_must_say():
    card = parse_card(SMALL, "hum.toml")
    assert (card.name, card.title, card.coupling, card.polarity) == ("hum", "Hum", "any", "as-is")
    assert card.events == CardEvents("whole", "part")
    assert card.measurements == card.aliases == card.cautions == ()
    assert card.required_channels == card.channels and card.channels[0].required


def test_everything_a_card_may_say():
    card = parse_card(HUM_TOML.replace("points = 128", "points = 128\nzoom = [10.0, 20.0]"), "x")
    assert card.aliases == ("buzz",) and card.cautions == ("rotating-parts",)
    assert card.events.zoom == (10.0, 20.0) and card.events.params["high_hz"] == 200.0
    assert [(m.name, m.group, m.log) for m in card.measurements] == [
        ("rms", "level", True), ("rate", "timing", True)
    ]  # fmt: skip
    assert card.fitness.min_rate_hz == 1000.0 and set(card.conditions) == {"idle", "load"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        *((re.sub(rf"(?m)^{key} = .*\n", "", SMALL, count=1),
           f"missing '{key}'; add it to the card") for key in ("name", "title", "coupling")),
        (SMALL.split("[[channels]]")[0], "missing 'channels'; add it to the card"),
        (SMALL.split("[events]")[0], "missing 'events'; add it to the card"),
        (SMALL + "x =",
         "expected TOML, found Invalid value (at end of document); correct the file"),
        ("colour = 1\n" + SMALL, "unknown key 'colour'; known: aliases, cautions, channels, "
         "conditions, coupling, events, faults, fitness, measurements, name, plan, polarity, "
         "summary, title"),
        ("sumary = ''\n" + SMALL, "unknown key 'sumary'; did you mean 'summary'?"),
        (SMALL.replace('role = "hum"\n', ""), "channel 1: missing 'role'; add it to the card"),
        (SMALL.replace('role = "hum"', 'rol = "hum"'),
         "channel 1: unknown key 'rol'; did you mean 'role'?"),
        (SMALL.replace('rule = "whole"\n', ""), "events: missing 'rule'; add it to the card"),
        (SMALL + "point = 5\n", "events: unknown key 'point'; did you mean 'points'?"),
        (SMALL + "[fitness]\nmin_rate = 5\n",
         "fitness: unknown key 'min_rate'; did you mean 'min_rate_hz'?"),
        (SMALL + "[plan]\nconect = ''\n", "plan: unknown key 'conect'; did you mean 'connect'?"),
        (SMALL + MEASURE.replace('unit = "V"', 'units = "V"'),
         "measurement rms: unknown key 'units'; did you mean 'unit'?"),
        (SMALL + MEASURE.replace('function = "ac-rms"\n', ""),
         "measurement rms: missing 'function'; add it to the card"),
        (SMALL + MEASURE.replace('name = "rms"\n', ""),
         "measurement 1: missing 'name'; add it to the card"),
        (SMALL.replace('"any"', '"gnd"'), "coupling 'gnd': expected ac, dc or any"),
        ('polarity = "down"\n' + SMALL, "polarity 'down': expected as-is, any or mean"),
        (SMALL.replace('[[channels]]\nrole = "hum"\nunit = "V"\n', "").replace(
            "[events]", "channels = []\n[events]"),
         "no channels; a card needs at least one [[channels]]"),
        (SMALL.replace('unit = "V"', 'unit = "parsec"'),
         "channel 'hum': unit 'parsec' is not known; expected one of " + ", ".join(UNITS)),
        (SMALL + MEASURE + MEASURE, "measurement 'rms' stands twice; rename one"),
        (SMALL + MEASURE + 'role = "buzz"\n',
         "measurement 'rms': role 'buzz' is not a channel; expected one of hum"),
        (SMALL + MEASURE + 'group = "colour"\n',
         "measurement 'rms': group 'colour'; expected one of " + ", ".join(GROUPS)),
        (SMALL + MEASURE + "low = 1.0\n",
         "measurement 'rms': a range without a source; add one, or write source = \"common "
         'practice, no source"'),
    ],
)  # fmt: skip
def test_errors_word_for_word(text, said):
    assert error(text) == said


# --- finding --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["hum", " HUM ", "mains-hum", "Mains Hum", "mains_hum", "b_plus"])
def test_a_card_by_any_of_its_names(name):
    text = SMALL.replace('title = "Hum"', 'title = "Hum"\naliases = ["Mains hum", "b_plus"]')
    card = parse_card(text, "hum.toml")
    assert find_card(name, {"hum": card}) is card


def test_a_name_comes_before_another_cards_alias():
    hum = parse_card(SMALL, "a")
    other = parse_card('aliases = ["hum"]\n' + SMALL.replace('"hum"\ntitle', '"buzz"\ntitle'), "b")
    assert find_card("hum", {"buzz": other, "hum": hum}) is hum


def test_no_such_card_word_for_word():
    with pytest.raises(CardError) as caught:
        find_card("alternater")
    assert str(caught.value) == (
        "system 'alternater': no card of that name; nearest: alternator-ripple; "
        "`straygauge systems` lists them all"
    )
    cards = {"hum": parse_card(SMALL, "a"), "lin": find_card("lin")}
    with pytest.raises(CardError) as caught:
        find_card("zzzz", cards)
    assert str(caught.value) == (
        "system 'zzzz': no card of that name; nearest: hum, lin; "
        "`straygauge systems` lists them all"
    )


# --- the cards that ship --------------------------------------------------------------------------


def test_no_name_means_two_systems():
    names = Counter(
        word.lower().replace("_", "-").replace(" ", "-")
        for card in shipped_cards().values()
        for word in {card.name, *card.aliases}
    )
    assert [name for name, n in names.items() if n > 1] == []


@pytest.mark.parametrize("name", sorted(shipped_cards()))
def test_every_shipped_card_is_found_by_every_alias(name):
    card = shipped_cards()[name]
    assert {find_card(alias).name for alias in (name, *card.aliases)} == {name}
    assert card.title and card.summary and card.cautions is not None
    for m in card.measurements:
        assert (m.low is None and m.high is None) or m.source, m.name
    roles = [c.role for c in card.channels]
    claimed = Counter(a for c in card.channels for a in {c.role, *c.aliases})
    assert len(set(roles)) == len(roles)
    assert [a for a, n in claimed.items() if n > 1] == []


def test_shipped_cards_are_the_callers_own_dictionary():
    shipped_cards().clear()
    assert len(shipped_cards()) >= 30
