"""A sheet of text: headings, sentences with a hanging indent, columns. On a terminal it is
wrapped to the width and coloured; in a pipe it is plain, one line each, nothing cut."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from cli.words import printable

NARROWEST, WIDEST = 60, 120
TEXT_COLUMN = 24


class _Console(Console):
    """A console that leaves a reader that went away to the error boundary."""

    def on_broken_pipe(self) -> None:
        raise BrokenPipeError


class Sheet:
    """Writes to a console, top to bottom."""

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or _Console(file=sys.stdout, highlight=False, markup=False)
        self.piped = not self._console.is_terminal
        self.width = max(NARROWEST, min(self._console.width, WIDEST))

    @property
    def encoding(self) -> str:
        """What the characters must fit into."""
        return self._console.encoding or "ascii"

    def gap(self) -> None:
        """An empty line."""
        self._put(Text(""))

    def heading(self, text: str) -> None:
        """An empty line, then a title."""
        self.gap()
        self._put(Text(text, style="bold"))

    def say(self, text: str, *, style: str = "", indent: int = 0, hang: int = 0) -> None:
        """One sentence; lines after the first stand `hang` further in."""
        self._wrapped(" " * indent, Text(printable(text), style=style), indent + hang)

    def columns(self, rows: Sequence[Sequence[str]], align: str, *, indent: int = 2) -> None:
        """Rows in columns; align: 'l' or 'r' for each. The last column wraps where it must."""
        if not rows:
            return
        texts = [[Text(printable(cell)) for cell in row] for row in rows]
        widths = [max(row[i].cell_len for row in texts) for i in range(len(align))]
        for row in texts:
            head = " " * indent
            for cell, width, side in zip(row[:-1], widths, align, strict=False):
                blank = " " * (width - cell.cell_len)
                head += (cell.plain + blank if side == "l" else blank + cell.plain) + "  "
            last = row[-1]
            if align[-1] == "r":
                last = Text(" " * (widths[-1] - last.cell_len)) + last
            self._wrapped(head, last, min(len(head), self.width - TEXT_COLUMN))

    def rows(self, texts: Sequence[Text]) -> None:
        """Lines that are laid out already, such as a plot."""
        for text in texts:
            self._put(text)

    def _wrapped(self, head: str, text: Text, hang: int) -> None:
        if self.piped:
            self._put(Text(head) + text)
            return
        line = Text(head) + text
        if line.cell_len <= self.width:
            self._put(line)
            return
        room = max(TEXT_COLUMN, self.width - len(head))
        first, *rest = text.wrap(self._console, room)
        if rest:
            tail = Text(text.plain[len(first.plain) :].lstrip(), style=text.style)
            rest = list(tail.wrap(self._console, max(TEXT_COLUMN, self.width - hang)))
        self._put(Text(head) + first)
        for more in rest:
            self._put(Text(" " * hang) + more)

    def _put(self, text: Text) -> None:
        text.rstrip()
        self._console.print(text, soft_wrap=True)
