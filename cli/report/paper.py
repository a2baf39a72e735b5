"""The report as PDF for printing: the same words as the page, pictures drawn for grey paper."""

from __future__ import annotations

import io
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from cli.report import pictures
from cli.report.content import Content, Gauge, Measured, content_of
from matching.answer import Answer
from refdb.cards import SystemCard

if TYPE_CHECKING:
    from fpdf import FPDF
    from matplotlib.figure import Figure

FACE = "sans"
MARGIN_MM = 14.0
WIDTH_MM = 210.0 - 2 * MARGIN_MM
LINE_MM = 4.6
GREY, LIGHT = 90, 225


def pdf_of(answer: Answer, card: SystemCard) -> bytes:
    """The report on A4, its fonts inside, so that any text of the user's is shown as text."""
    c = content_of(answer, card)
    paper = _paper(c)
    _head(paper, c)
    if answer.overlay is not None:
        _heading(paper, "Typical event over the good spread")
        _picture(paper, pictures.overlay(answer))
        _list(paper, (f"{i + 1}. {text}" for i, text in enumerate(c.places)), style="B")
    if answer.recording is not None:
        _heading(paper, "The whole recording")
        _picture(paper, pictures.strip(answer))
    if answer.overlay is not None and answer.events:
        _heading(paper, "All events side by side")
        _say(paper, c.odd + ".")
        _picture(paper, pictures.events(answer))
    _measured(paper, c)
    _pairs(paper, "What was not judged, and why", c.not_judged)
    _rests_on(paper, c)
    _heading(paper, "Take care")
    _list(paper, c.cautions)
    _pairs(paper, "How the capture was made", c.made)
    return bytes(paper.output())


@cache
def _font_files() -> dict[str, Path]:
    """DejaVu Sans as matplotlib brings it: one face with Latin, Greek, Cyrillic, Arabic, signs."""
    from matplotlib import get_data_path

    folder = Path(get_data_path()) / "fonts" / "ttf"
    return {"": folder / "DejaVuSans.ttf", "B": folder / "DejaVuSans-Bold.ttf"}


def _paper(c: Content) -> FPDF:
    import logging

    from fpdf import FPDF

    # Its remarks on single glyphs a face lacks are for programmers.
    for name in ("fpdf", "fontTools"):
        logging.getLogger(name).setLevel(logging.ERROR)

    class Paper(FPDF):
        """A4 with a line at the foot of every page."""

        def footer(self) -> None:
            """What every page says: whose report, and that it is an aid."""
            self.set_y(-11)
            self.set_font(FACE, "", 7)
            self.set_text_color(GREY)
            said = f"{c.word}: {c.file[:60]}   a verdict is an aid, not a proof"
            self.cell(0, 4, f"straygauge report   {said}   page {self.page_no()} of {{nb}}")

    paper = Paper(format="A4")
    paper.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
    paper.set_auto_page_break(True, 15)
    for style, file in _font_files().items():
        paper.add_font(FACE, style, file)
    paper.set_title(f"{c.word}: {c.file[:80]}")
    paper.set_creator("straygauge")
    paper.add_page()
    return paper


def _say(paper: FPDF, text: str, size: float = 9, style: str = "", grey: int = 0) -> None:
    from fpdf.enums import WrapMode

    paper.set_font(FACE, style, size)
    paper.set_text_color(grey)
    mode = WrapMode.CHAR if _unbroken(text) else WrapMode.WORD
    paper.multi_cell(0, size * 0.5, text, new_x="LMARGIN", new_y="NEXT", wrapmode=mode, align="L")


def _unbroken(text: str) -> bool:
    """Whether a word is longer than a line holds, so that it must be broken anywhere."""
    return max((len(word) for word in text.split()), default=0) > 60


def _heading(paper: FPDF, text: str) -> None:
    if paper.will_page_break(24):
        paper.add_page()
    paper.ln(3)
    _say(paper, text, 12, "B")
    paper.set_draw_color(LIGHT - 60)
    paper.line(MARGIN_MM, paper.get_y() + 0.5, MARGIN_MM + WIDTH_MM, paper.get_y() + 0.5)
    paper.ln(1.8)


def _list(paper: FPDF, lines: Iterable[str], style: str = "") -> None:
    for line in lines:
        _say(paper, line, 9, style)
        paper.ln(0.8)


def _pairs(paper: FPDF, heading: str, pairs: Iterable[tuple[str, str]]) -> None:
    pairs = tuple(pairs)
    if not pairs:
        return
    _heading(paper, heading)
    for name, text in pairs:
        _say(paper, name, 8, "B")
        _say(paper, text or "-", 8)
        paper.ln(0.8)


def _picture(paper: FPDF, figure: Figure) -> None:
    """A figure as wide as the page; 160 dots an inch print well and keep the file small."""
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=160)
    stream.seek(0)
    wide, high = figure.get_size_inches()
    tall = min(WIDTH_MM * high / wide, 250.0)
    if paper.will_page_break(tall):
        paper.add_page()
    paper.image(stream, x=MARGIN_MM, w=WIDTH_MM, h=tall)


def _head(paper: FPDF, c: Content) -> None:
    _say(paper, f"{c.sign}  {c.word}", 22, "B")
    _say(paper, c.headline, 12, "B")
    paper.ln(1)
    _say(paper, f"{c.title}; {c.context}; {c.file}", 9, grey=GREY)
    paper.ln(1)
    if c.gauge is not None:
        _gauge(paper, c.gauge)
    _say(paper, c.summary, 10)
    if c.simulated:
        paper.ln(1)
        _say(paper, f"Simulated: {c.simulated}", 9, "B")
    if c.blocking:
        paper.ln(1)
        _list(paper, (f"{name}: {why}" for name, why in c.blocking))


def _gauge(paper: FPDF, gauge: Gauge) -> None:
    _say(paper, f"stray {gauge.stray}: {gauge.words}", 14, "B")
    top, per = paper.get_y() + 5, WIDTH_MM / 100
    paper.set_draw_color(0)
    paper.set_fill_color(LIGHT)
    paper.rect(MARGIN_MM, top, 50 * per, 5, style="DF")
    paper.rect(MARGIN_MM + 50 * per, top, 50 * per, 5)
    for x in range(50, 98, 2):
        paper.line(MARGIN_MM + x * per, top + 5, MARGIN_MM + (x + 2) * per, top)
    at = MARGIN_MM + gauge.place * per
    paper.set_fill_color(0)
    paper.polygon(((at, top + 1), (at - 2, top - 4), (at + 2, top - 4)), style="F")
    paper.set_font(FACE, "", 8)
    words = ((1, "0, inside"), (50, "1, the edge"), (75, "10, outside"), (96, "100"))
    for x, text in words:
        paper.text(MARGIN_MM + x * per - (0 if x < 5 else 4), top + 8.5, text)
    paper.set_y(top + 10)
    _say(paper, gauge.chance + ".", 8, grey=GREY)
    paper.ln(1)


def _measured(paper: FPDF, c: Content) -> None:
    if not c.measured:
        return
    _heading(paper, "Measurements")
    if c.ranges_from:
        _say(paper, f"Ranges from {c.ranges_from} where nothing else is said.", 8, grey=GREY)
    for one in c.measured:
        _measurement(paper, one)


def _measurement(paper: FPDF, one: Measured) -> None:
    if paper.will_page_break(11):
        paper.add_page()
    style = "B" if one.state == "outside" else ""
    top = paper.get_y()
    _say(paper, f"{one.name}: {one.value} {one.unit} ({one.told}; usual {one.usual or '-'})"[:300],
         9, style)  # fmt: skip
    if one.bar is not None:
        _bar(paper, one, top)
    if one.about:
        _say(paper, one.about[:2000], 7, grey=GREY)
    paper.ln(1)


def _bar(paper: FPDF, one: Measured, top: float) -> None:
    assert one.bar is not None
    left, per = MARGIN_MM + WIDTH_MM - 45, 0.45
    paper.set_draw_color(0)
    paper.line(left, top + 2.2, left + 45, top + 2.2)
    paper.set_fill_color(LIGHT - 30)
    paper.rect(
        left + one.bar.low * per, top + 1, (one.bar.high - one.bar.low) * per, 2.4, style="DF"
    )
    paper.set_fill_color(0)
    at = left + one.bar.at * per
    paper.rect(at - 0.4, top, 0.8, 4.4, style="F")


def _rests_on(paper: FPDF, c: Content) -> None:
    _heading(paper, "What this rests on")
    _list(paper, c.basis)
    for n in c.neighbours:
        _say(paper, f"#{n.number} {n.what}, distance {n.distance}; {n.note}", 8)
    if c.neighbours:
        paper.ln(1)
        _say(paper, "Confirmed fixes of the nearest faults", 9, "B")
        _list(paper, [f"{w}: {f}" for w, f in c.fixes] or ["None is recorded with these."])
