"""A picture of an answer: the capture's typical event over the good spread, and where it strays."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cli.output import whole_file
from cli.words import UsageProblem, number, printable, where
from matching.answer import Answer, Deviation, Overlay

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe and Ito (2008), "Color Universal Design": told apart by every common kind of colour sight.
BLACK, BAND, FAULT, PLACE = "#000000", "#56B4E9", "#D55E00", "#E69F00"
MEDIAN = "#0072B2"
WIDTH_IN, ROW_IN, HEAD_IN, FOOT_IN, DPI = 10.0, 3.2, 1.3, 0.85, 110
MOST_LABELS = 4
SIMULATED = "simulated references"


def draw(answer: Answer, place: Path) -> None:
    """Writes the picture as PNG: per channel the good 5-95 % band and median, this capture's
    typical event, the nearest fault dashed, deviations shaded and labelled with size and unit.

    Raises UsageProblem for another suffix than .png, OutputProblem when it cannot be written.
    """
    check_place(place)
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    overlay = answer.overlay
    rows = 1 if overlay is None else len(overlay.roles)
    height = HEAD_IN + rows * ROW_IN + FOOT_IN
    figure = Figure(figsize=(WIDTH_IN, height), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    grid = figure.subplots(rows, 1, sharex=True, squeeze=False)
    figure.subplots_adjust(
        left=0.09, right=0.98, top=1 - HEAD_IN / height, bottom=FOOT_IN / height, hspace=0.12
    )
    _title(figure, answer, height)
    if overlay is None:
        _nothing_to_draw(grid[0, 0], answer)
    else:
        for channel, axes in enumerate(grid[:, 0]):
            draw_channel(axes, overlay, channel, answer)
        grid[-1, 0].set_xlabel(f"one event, {overlay.axis_unit}")
    _foot(figure, answer)
    with whole_file(place) as stream:
        figure.savefig(stream, format="png", metadata={"Software": "straygauge"})


def check_place(place: Path) -> None:
    """Raises UsageProblem when the picture's name does not end in .png."""
    if place.suffix.lower() != ".png":
        raise UsageProblem(
            f"{place}: expected a picture's name ending in .png, found "
            f"'{place.suffix or place.name}'; write for instance --picture capture.png"
        )


def plain(text: object) -> str:
    """Text that the drawing library takes as it is: no formulas, nothing unprintable."""
    return printable(text).replace("$", r"\$")


def _title(figure: Figure, answer: Answer, height: float) -> None:
    word = answer.verdict.replace("-", " ").upper()
    lines = textwrap.wrap(f"{word}: {printable(answer.summary)}", 96, max_lines=3)
    figure.text(
        0.02, 1 - 0.12 / height, "\n".join(lines).replace("$", r"\$"),
        va="top", ha="left", fontsize=11, fontweight="bold",
    )  # fmt: skip
    stray = "" if answer.stray is None else f"stray {number(answer.stray, 3)} (edge of good = 1)"
    chance = "" if answer.p_value is None else f"p = {number(answer.p_value, 2)}"
    about = [Path(answer.path).name, where(answer.context), stray, chance]
    below = 0.38 + 0.2 * (len(lines) - 1)
    figure.text(
        0.02, 1 - below / height, plain("   ".join(part for part in about if part)),
        va="top", ha="left", fontsize=9,
    )  # fmt: skip


def _foot(figure: Figure, answer: Answer) -> None:
    said = f"{answer.basis.n_good} good and {answer.basis.n_fault} fault vehicles"
    if answer.basis.simulated:
        said += f"; {SIMULATED}"
    figure.text(
        0.02, 0.01, f"{said}; a verdict is an aid, not a proof", va="bottom", ha="left", fontsize=8
    )


def _nothing_to_draw(axes: Axes, answer: Answer) -> None:
    axes.set_axis_off()
    said = [finding.message for finding in answer.fitness] or ["there is no event to draw"]
    text = "\n".join(textwrap.fill(printable(line), 90) for line in said)
    axes.text(0.5, 0.5, text.replace("$", r"\$"), ha="center", va="center", fontsize=10)


def draw_channel(axes: Axes, overlay: Overlay, channel: int, answer: Answer) -> None:
    """One channel over its good band, with the nearest fault and the shaded deviations."""
    x, role, unit = overlay.axis, overlay.roles[channel], overlay.units[channel]
    good = f"good 5-95 %{', ' + SIMULATED if answer.basis.simulated else ''}"
    axes.fill_between(
        x, overlay.low[channel], overlay.high[channel], color=BAND, alpha=0.45, lw=0, label=good
    )
    axes.plot(x, overlay.middle[channel], color=MEDIAN, lw=1.0, label="good median")
    if overlay.fault is not None:
        axes.plot(
            x, overlay.fault[channel], color=FAULT, lw=1.2, ls=(0, (5, 3)),
            label=f"nearest fault: {plain(overlay.fault_name[:60])}",
        )  # fmt: skip
    axes.plot(x, overlay.usual[channel], color=BLACK, lw=1.6, label="this capture")
    places = [place for place in answer.deviations if place.channel == role]
    for i, place in enumerate(places):
        _place(axes, place, i, labelled=i < MOST_LABELS)
    axes.set_ylabel(f"{plain(role[:40])}, {plain(unit[:12])}")
    axes.set_xlim(float(x[0]), float(x[-1]))
    axes.margins(y=0.16)
    axes.grid(visible=True, color="0.88", lw=0.6)
    if channel == 0:
        axes.legend(
            loc="lower left", bbox_to_anchor=(0, 1.0), fontsize=8, frameon=False, ncols=4,
            borderaxespad=0.1,
        )  # fmt: skip


def _place(axes: Axes, place: Deviation, i: int, *, labelled: bool) -> None:
    low, high = sorted((place.start, place.stop))
    shade: dict[str, Any] = {"facecolor": PLACE, "alpha": 0.28, "edgecolor": PLACE, "hatch": "//"}
    axes.axvspan(low, high, lw=0.8, **shade)
    if labelled:
        left, right = axes.get_xlim()
        at = float(np.clip((low + high) / 2, left, right))
        sign = "+" if place.size > 0 else ""
        axes.annotate(
            f"{sign}{number(place.size, 3)} {plain(place.unit[:12])}", (at, 0.02 + 0.07 * (i % 2)),
            xycoords=("data", "axes fraction"), ha="center", va="bottom", fontsize=8,
            bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": PLACE, "lw": 0.8},
        )  # fmt: skip
