"""Words for people: safe to print, numbers no longer than what they are worth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from refdb.errors import StraygaugeError

if TYPE_CHECKING:
    from refdb.records import Context


class UsageProblem(StraygaugeError):
    """Options that do not go together."""


def printable(text: object) -> str:
    """`text` on one line that cannot steer a terminal: whatever does not print is escaped."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape", "surrogatepass").decode("ascii")
        for c in str(text)
    )


def number(value: float | None, digits: int = 4) -> str:
    """A number as a person writes it: `digits` significant ones, no exponent where it can be."""
    if value is None or not math.isfinite(value):
        return "-"
    if value == 0:
        return "0"
    if not 1e-4 <= abs(value) < 1e7:
        return f"{value:.{digits - 1}e}"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def counted(count: int, noun: str) -> str:
    """'1 capture', '2 captures'."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def listed(pairs: Mapping[str, object]) -> str:
    """'a 1, b 2', in the order given."""
    return ", ".join(f"{name} {value}" for name, value in pairs.items())


def where(context: Context) -> str:
    """A context on one line."""
    family, condition = context.engine_family, context.condition
    return " / ".join((context.system, family or "any family", condition or "any condition"))
