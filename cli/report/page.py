"""The report as one page that stands alone: style, script and numbers inside, nothing fetched."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.report.content import content_of
from cli.report.numbers import numbers_of
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
    style, script = (_together(names) for names in (STYLES, SCRIPTS))
    page = _environment().get_template("check.html.j2").render(
        c=content_of(answer, card),
        overlay=answer.overlay,
        events=answer.events if answer.overlay is not None else (),
        recording=answer.recording,
        numbers=numbers_of(answer, card),
        style=_markup(style),
        script=_markup(script),
        licence=_markup(_text("vendor/uPlot.LICENSE")),
        policy=_policy(style, script),
    )  # fmt: skip
    return page.encode("utf-8", "backslashreplace")


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        autoescape=True,
        undefined=StrictUndefined,
        loader=FileSystemLoader(HERE / "templates"),
        trim_blocks=True,
        lstrip_blocks=True,
    )


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


def _policy(style: str, script: str) -> str:
    """A content-security policy: only this very style and script, nothing from anywhere else."""
    return (
        f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(style)}'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
