"""What a person sees: the answer in text at any width, the plot, the picture, whole files."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread
from rich.console import Console

from cli.console import show_answer, show_line
from cli.output import OutputProblem, whole_file
from cli.picture import draw
from cli.plot import plot
from cli.sheet import Sheet
from cli.words import number
from matching.answer import Basis, Finding
from matching.cautions import CAUTIONS
from refdb.cards import shipped_cards
from tests.builders_shop import answer, overlay


def text_of(shown, width: int = 80, terminal: bool = False, **more: object) -> str:
    """What an answer looks like in a pipe, or on a terminal without colour."""
    stream = io.StringIO()
    console = Console(
        file=stream, width=width, force_terminal=terminal, no_color=True, color_system=None,
        highlight=False, markup=False,
    )  # fmt: skip
    show_answer(shown, Sheet(console), **more)
    return stream.getvalue()


def test_the_whole_answer_in_a_pipe():
    assert (
        text_of(answer())
        == """\
KNOWN FAULT: one hump in six is missing
cars/a.csv, as alternator-ripple / brisk-4 / idle
stray 2.31 (1 is the edge of the good spread), p = 0.0083, alpha 0.05
resembles open-diode: p = 0.44, ahead of the next fault by 3.2 good spreads

Why
  part    stray  share
  shape     3.1    62%  one hump is low
  timing    1.4    38%

Where it leaves the good spread
  ripple is 0.25 V too low

Events outside the good spread: 1 of 12
  number 5  at 0.08 s  stray 2.2

Measurements outside their range
  ripple-pp  0.61  V  usual 0.1 to 0.5  30 good vehicles
  inside their range: 1; --all lists them

Not judged
  rate-low  record at 1 MS/s to have edges judged
  measurements: edge

Nearest references
  number  what        distance
  #12     good            1.23  stray 0.9
  #40     open-diode       0.8  typical of that fault: p = 0.44; fixed by rectifier replaced

What this rests on
  Compared with 30 good vehicles and 18 vehicles with known faults, of the same condition in \
other engine families.
  Compared with other families.
  Spread was borrowed from sibling contexts: 120 good vehicles stand behind p.
  The references are simulated, not captured from vehicles.

Take care
  Belts turn.
  A verdict is an aid, not a proof: confirm before parts are replaced.
"""
    )


def test_all_lists_what_is_inside():
    text = text_of(answer(), everything=True)
    assert "Measurements inside their range\n  hum  1    usual from 0.9  30 good vehicles\n" in text


def test_unfit_says_first_what_to_do():
    finding = Finding("clipped", "blocking", "choose the next larger range")
    text = text_of(answer(verdict="unfit", fitness=(finding,), stray=None, fault=None, terms=()))
    assert text.splitlines()[2:5] == [
        "",
        "What keeps it from being judged",
        "  clipped  choose the next larger range",
    ]
    assert "stray" not in text.split("Nearest")[0].replace("strays", "").split("Events")[0]


def test_captured_references_are_not_called_simulated():
    text = text_of(answer(basis=Basis("exact", 30, 18, False)))
    assert "simulated" not in text and "of this very context" in text


@pytest.mark.parametrize("width", [20, 60, 61, 80, 100, 200])
def test_a_terminal_of_any_width(width):
    lines = text_of(answer(), width, terminal=True).splitlines()
    assert max(map(len, lines)) <= max(60, width)
    assert any("█" in line for line in lines)


def test_narrow_and_wide_say_the_same():
    def words(width):
        text = text_of(answer(overlay=None), width, terminal=True)
        return " ".join(text.split())

    assert words(60) == words(120)


def test_text_cannot_steer_the_terminal():
    nasty = "a\x1b[2J\n[red]b[/red]\u202e"
    text = text_of(answer(path=nasty, summary=nasty), terminal=True)
    assert r"a\x1b[2J\n[red]b[/red]\u202e" in text
    assert "\x1b[2J" not in text and "\u202e" not in text


def test_one_line_of_many():
    stream = io.StringIO()
    sheet = Sheet(Console(file=stream, width=80, highlight=False, markup=False))
    show_line(answer(), sheet)
    show_line(answer(verdict="unreadable", path="b.csv", error="b.csv: gone", stray=None), sheet)
    assert stream.getvalue() == (
        "known fault    2.31  cars/a.csv  one hump in six is missing\n"
        "unreadable           b.csv  gone\n"
    )


# --- plot ----------------------------------------------------------------------------------


def test_plot_marks_what_is_outside():
    """Outside is another character, not only another colour, and stands where it should."""
    lines = [line.plain for line in plot(overlay(), 100, "utf-8")]
    first, second = lines[2:12], lines[13:23]
    columns = {x for line in first for x, mark in enumerate(line) if mark == "▓"}
    left, width = 11, 87
    assert columns and min(columns) >= left + int(width * 140 / 360) - 1
    assert max(columns) <= left + int(width * 183 / 360) + 2
    assert not any("▓" in line for line in second) and any("█" in line for line in second)
    assert lines[1].strip() == "ripple, V" and lines[12].strip() == "sync, V"
    assert lines[-2].split() == ["0", "360", "deg"]


def test_no_plot_where_its_characters_cannot_be_shown():
    assert plot(overlay(), 100, "latin-1") == [] and plot(overlay(), 100, "nonsense") == []


# --- picture -------------------------------------------------------------------------------


def test_picture_shows_band_capture_fault_and_place(tmp_path):
    """By what is in it: a shaded place from 140 to 183 degrees, and the colours of its parts."""
    place = tmp_path / "a.png"
    draw(answer(), place)
    pixels = (imread(place)[:, :, :3] * 255).round().astype(int)
    for colour in ((0, 0, 0), (213, 94, 0), (0, 114, 178)):
        assert np.any(np.all(np.abs(pixels - colour) <= 2, axis=2)), colour
    shade = np.all(np.abs(pixels - (248, 228, 185)) <= 3, axis=2)
    columns = np.flatnonzero(shade.sum(axis=0) > 20)
    left, right = 0.09 * pixels.shape[1], 0.98 * pixels.shape[1]
    share = (columns[[0, -1]] - left) / (right - left) * 360
    assert share == pytest.approx([140, 183], abs=2)
    assert [path.name for path in tmp_path.iterdir()] == ["a.png"]


def test_picture_of_an_unfit_capture_and_odd_names(tmp_path):
    finding = Finding("clipped", "blocking", "it clips at $5: choose $6")
    draw(answer(overlay=None, fitness=(finding,), summary="$x^2$ \x1b"), tmp_path / "a.png")
    assert imread(tmp_path / "a.png").shape[1] == 1100


def test_picture_in_a_missing_folder(tmp_path):
    with pytest.raises(OutputProblem) as caught:
        draw(answer(), tmp_path / "no" / "a.png")
    assert str(caught.value) == (
        f"{tmp_path}/no/a.png: expected to write this file, found 'No such file or directory'; "
        "name another place, or make room"
    )


# --- files ---------------------------------------------------------------------------------


def test_a_file_is_whole_or_not_there(tmp_path):
    place = tmp_path / "out.jsonl"
    place.write_text("old")
    with pytest.raises(KeyboardInterrupt), whole_file(place) as stream:
        stream.write(b"half")
        assert place.read_text() == "old"
        raise KeyboardInterrupt
    assert place.read_text() == "old"
    with whole_file(place) as stream:
        stream.write(b"new")
    assert place.read_text() == "new" and list(tmp_path.iterdir()) == [place]


def test_a_device_is_written_to_directly():
    with whole_file(Path("/dev/null")) as stream:
        stream.write(b"gone")
    assert Path("/dev/null").is_char_device()


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"), (1.0, "1"), (-0.385, "-0.385"), (14.2449, "14.24"), (123456.0, "123456"),
        (0.00012345, "0.0001234"), (1.5e-9, "1.500e-09"), (2e9, "2.000e+09"), (None, "-"),
        (float("nan"), "-"), (9.9999, "10"), (100.0, "100"),
    ],
)  # fmt: skip
def test_numbers(value, text):
    assert number(value) == text


def test_every_caution_of_every_card_has_a_text():
    for card in shipped_cards().values():
        assert set(card.cautions) <= set(CAUTIONS), card.name
    assert "49 CFR 571.305 S3" in CAUTIONS["high-voltage"]
