"""Pictures of the printed report: told apart in grey by width, dash and hatching."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cli import picture
from cli.words import printable
from matching.answer import Answer

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH_IN = 7.5
TILES = 12
COARSE_BINS = 1500


def _figure(height: float, rows: int) -> tuple[Figure, np.ndarray]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, height), facecolor="white", layout="constrained")
    FigureCanvasAgg(figure)
    return figure, figure.subplots(rows, 1, squeeze=False)[:, 0]


def overlay(answer: Answer) -> Figure:
    """Per channel what the picture of `check --picture` shows."""
    drawn = answer.overlay
    assert drawn is not None
    rows = len(drawn.roles)
    figure, axes = _figure(0.6 + 2.4 * rows, rows)
    for channel, one in enumerate(axes):
        picture.draw_channel(one, drawn, channel, answer)
    legend = axes[0].get_legend()
    if legend is not None:  # above the plot, without narrowing it
        legend.set_in_layout(False)
        for text in legend.get_texts():
            text.set_fontsize(7)
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.set(rect=(0, 0, 1, 1 - 0.3 / figure.get_size_inches()[1]))  # type: ignore[call-arg]
    axes[-1].set_xlabel(f"one event, {drawn.axis_unit}")
    return figure


def strip(answer: Answer) -> Figure:
    """The whole recording, lowest to highest per column; odd events as triangles."""
    made = answer.recording
    assert made is not None
    level = made.strip.coarse(COARSE_BINS)
    t = made.start_s + np.arange(level.low.shape[1]) * level.width / made.rate_hz
    rows = len(made.strip.roles)
    figure, axes = _figure(0.4 + 1.1 * rows, rows)
    for channel, one in enumerate(axes):
        low, high = level.low[channel], level.high[channel]
        one.fill_between(t, low, high, color="black", lw=0.5)
        role = picture.plain(made.strip.roles[channel][:24])
        one.set_ylabel(f"{role}, {picture.plain(made.strip.units[channel][:12])}", fontsize=8)
        one.tick_params(labelsize=7)
        one.margins(x=0, y=0.12)
        for event, window in zip(answer.events, made.windows, strict=False):
            if event.stray > 1:
                one.plot(float(np.mean(window)), float(high.max()), marker="v", ms=4,
                         color=picture.FAULT, clip_on=False)  # fmt: skip
    axes[-1].set_xlabel("time, s", fontsize=8)
    return figure


def events(answer: Answer) -> Figure:
    """All events in rows of tiles; odd ones in a box of thick dashes, with their stray."""
    drawn = answer.overlay
    assert drawn is not None
    grid = drawn.events
    count, channels, points = grid.shape
    rows = -(-count // TILES)
    figure, axes = _figure(min(0.3 + 0.62 * rows, 10.0), 1)
    one = axes[0]
    one.set_axis_off()
    x = (np.arange(points) + 0.5) / points * 0.9 + 0.05
    low = grid.min(axis=(0, 2), keepdims=True)
    size = np.maximum(grid.max(axis=(0, 2), keepdims=True) - low, 1e-12)
    scaled = 0.1 + 0.7 * (grid - low) / size
    for i, event in enumerate(answer.events[:count]):
        left, bottom = i % TILES, -(i // TILES)
        for c in range(channels):
            one.plot(x + left, scaled[i, c] + bottom, color="black", lw=0.7,
                     ls="-" if c == 0 else ":")  # fmt: skip
        odd = event.stray > 1
        style = {"lw": 1.6, "ls": "--"} if odd else {"lw": 0.4, "ls": "-"}
        one.plot(np.array([0, 1, 1, 0, 0]) + left, np.array([0, 0, 1, 1, 0]) + bottom,
                 color=picture.FAULT if odd else "0.7", **style)  # fmt: skip
        text = printable(f"{event.index + 1}" + (f" odd {event.stray:.2g}" if odd else ""))
        one.text(left + 0.05, bottom + 0.97, text, fontsize=5.5, va="top")
    one.set_xlim(-0.05, TILES + 0.05)
    one.set_ylim(1.05 - rows, 1.05)
    return figure
