"""The report of one check: a page that stands alone, or the same as PDF for printing.

`content` turns an answer into words once, for both; `page` fills the templates, `paper` writes the
PDF. Nothing about the car is worked out here: layout is the only arithmetic.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from cli.words import UsageProblem

if TYPE_CHECKING:
    from matching.answer import Answer
    from refdb.cards import SystemCard

SUFFIXES = (".html", ".pdf")


def check_place(place: Path) -> None:
    """Raises UsageProblem when the report's name ends in neither .html nor .pdf."""
    if place.suffix.lower() not in SUFFIXES:
        raise UsageProblem(
            f"{place}: expected a report's name ending in .html or .pdf, found "
            f"'{place.suffix or place.name}'; write for instance --report capture.html"
        )


def write_report(answer: Answer, card: SystemCard, place: Path) -> None:
    """Writes the report of an answer, as its suffix says; whole or not at all.

    Raises UsageProblem for another suffix, OutputProblem when it cannot be written.
    """
    check_place(place)
    from cli.output import whole_file

    if place.suffix.lower() == ".pdf":
        from cli.report.paper import pdf_of as made
    else:
        from cli.report.page import html_of as made
    whole = made(answer, card)
    with whole_file(place) as stream:
        stream.write(whole)
