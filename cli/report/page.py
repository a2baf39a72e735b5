"""The report as one page that stands alone: style, script and numbers inside, nothing fetched."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.report.content import content_of
from cli.report.numbers import numbers_of
from cli.words import printable
from matching.answer import Answer
from refdb.cards import SystemCard

if TYPE_CHECKING:
    from jinja2 import Environment

HERE = Path(__file__).parent
STYLES = ("vendor/uPlot.min.css", "static/report.css")
SCRIPTS = (
    "vendor/uPlot.iife.min.js",
    "static/plots.js",
    "static/overlay.js",
    "static/strip.js",
    "static/events.js",
    "static/start.js",
)


def html_of(answer: Answer, card: SystemCard) -> bytes:
    """The whole page, UTF-8. Every text goes through autoescape, every number through JSON."""
    style = _together(STYLES)
    scripts = [_text(name).strip() for name in SCRIPTS]
    page = _environment().get_template("check.html.j2").render(
        c=content_of(answer, card),
        overlay=answer.overlay,
        events=answer.events if answer.overlay is not None else (),
        recording=answer.recording,
        numbers=numbers_of(answer, card),
        style=_markup(style),
        scripts=[_markup(script) for script in scripts],
        licence=_markup(_text("vendor/uPlot.LICENSE")),
        policy=_policy(style, scripts),
    )  # fmt: skip
    return page.encode("utf-8", "backslashreplace")


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        loader=FileSystemLoader(HERE / "templates"),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["printable"] = printable
    return made


def _markup(ours: str) -> Any:
    """Text of our own files, which goes into the page as it is."""
    from markupsafe import Markup

    return Markup(ours)  # noqa: S704


@cache
def _text(name: str) -> str:
    return (HERE / name).read_text("utf-8")


@cache
def _together(names: tuple[str, ...]) -> str:
    return "\n".join(_text(name).strip() for name in names)


def _policy(style: str, scripts: list[str]) -> str:
    """A content-security policy: this very style and these scripts, nothing from elsewhere."""
    allowed = " ".join(f"'{_hash(script)}'" for script in scripts)
    return (
        f"default-src 'none'; script-src {allowed}; style-src '{_hash(style)}'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
