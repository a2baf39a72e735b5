"""A capture's typical event over the good band, in block characters."""

from __future__ import annotations

from itertools import groupby

import numpy as np
from rich.text import Text

from cli.words import number, printable
from matching.answer import Overlay

ROWS = 10
LABEL = 10
NARROW, WIDE = 24, 96
CAPTURE, OUTSIDE, MIDDLE, BAND = "█", "▓", "─", "░"
STYLES = {CAPTURE: "bold", OUTSIDE: "bold red"}


def plot(overlay: Overlay, width: int, encoding: str) -> list[Text]:
    """Lines of a plot at most `width` wide, a block per channel; none where the terminal's
    characters do not reach. The band is light, its median a line, the capture solid; where the
    capture is outside the band it is drawn in another character as well as another colour."""
    try:
        (CAPTURE + OUTSIDE + MIDDLE + BAND).encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return []
    across = min(WIDE, max(NARROW, width - LABEL - 3))
    lines: list[Text] = [Text("")]
    for channel in range(len(overlay.roles)):
        lines += _channel(overlay, channel, across)
    first, last = (number(float(overlay.axis[i]), 3) for i in (0, -1))
    right = f"{last} {overlay.axis_unit}".rjust(across - len(first))
    lines.append(Text(" " * (LABEL + 1) + first + right))
    key = f"{CAPTURE} this capture  {OUTSIDE} outside  {BAND} good 5-95 %  {MIDDLE} median"
    lines.append(Text("  " + key, style="dim"))
    return lines


def _channel(overlay: Overlay, channel: int, across: int) -> list[Text]:
    usual, middle = overlay.usual[channel], overlay.middle[channel]
    low, high = overlay.low[channel], overlay.high[channel]
    shown = np.concatenate([usual, low, high])
    shown = shown[np.isfinite(shown)]
    if shown.size == 0:
        return []
    bottom, top = float(shown.min()), float(shown.max())
    step = (top - bottom) / ROWS or 1.0
    cells = [[" "] * across for _ in range(ROWS)]
    for x, part in enumerate(np.array_split(np.arange(usual.size), across)):
        if part.size == 0:
            continue
        _fill(cells, x, low[part].min(), high[part].max(), bottom, step, BAND)
        _fill(cells, x, np.median(middle[part]), np.median(middle[part]), bottom, step, MIDDLE)
        out = bool(np.any((usual[part] < low[part]) | (usual[part] > high[part])))
        mark = OUTSIDE if out else CAPTURE
        _fill(cells, x, usual[part].min(), usual[part].max(), bottom, step, mark)
    title = f"{printable(overlay.roles[channel])}, {overlay.units[channel]}"
    lines = [Text(" " * (LABEL + 1) + title, style="bold")]
    for row in range(ROWS):
        label = {0: number(top, 4), ROWS - 1: number(bottom, 4)}.get(row, "")
        line = Text(f"{label:>{LABEL}} ")
        for cell, run in groupby(cells[row]):
            line.append("".join(run), STYLES.get(cell, "blue"))
        lines.append(line)
    return lines


def _fill(
    cells: list[list[str]], x: int, low: float, high: float, bottom: float, step: float, mark: str
) -> None:
    if not (np.isfinite(low) and np.isfinite(high)):
        return
    first, last = (min(ROWS - 1, max(0, int((v - bottom) / step))) for v in (low, high))
    for row in range(first, last + 1):
        cells[ROWS - 1 - row][x] = mark
