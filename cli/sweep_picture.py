"""A picture of a sweep: every event's oddness over time, and the oddest over the usual one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from cli.output import whole_file
from cli.picture import (
    BAND,
    BLACK,
    DPI,
    FAULT,
    MEDIAN,
    PLACE,
    ROW_IN,
    SIMULATED,
    WIDTH_IN,
    check_place,
)
from cli.words import printable, where
from matching.sweep.records import Sweep, SweepPicture

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_SHOWN = 4
COLOURS = (FAULT, BLACK, PLACE, "#009E73")
STYLES = ("-", "--", "-.", ":")


def draw(sweep: Sweep, place: Path) -> None:
    """Writes the picture as PNG. Raises UsageProblem for another suffix than .png, OutputProblem
    when it cannot be written."""
    check_place(place)
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    curves = sweep.picture
    rows = 1 + (len(curves.roles) if curves else 0)
    figure = Figure(figsize=(WIDTH_IN, 1.0 + rows * ROW_IN), dpi=DPI, facecolor="white")
    figure.set_layout_engine("constrained")
    FigureCanvasAgg(figure)
    grid = figure.subplots(rows, 1, squeeze=False)[:, 0]
    about = f"{printable(Path(sweep.path).name)}   {where(sweep.context)}"
    if sweep.against.simulated:
        about += f"   ({SIMULATED})"
    title = f"{printable(sweep.summary)}\n{about}".replace("$", r"\$")
    figure.suptitle(title, fontsize=10, wrap=True)
    if curves is None:
        grid[0].set_axis_off()
    else:
        _over_time(grid[0], sweep, curves)
        for channel, axes in enumerate(grid[1:]):
            _events(axes, curves, channel)
        grid[-1].set_xlabel(f"one event, {curves.axis_unit}")
    with whole_file(place) as stream:
        figure.savefig(stream, format="png", metadata={"Software": "straygauge"})


def _over_time(axes: Axes, sweep: Sweep, curves: SweepPicture) -> None:
    axes.plot(curves.time_s, curves.ratio, ".", ms=2, color=BAND, label="every event")
    shaped = [one for one in sweep.found if one.kind != "missing"]
    axes.plot(
        [one.time_s for one in shaped], [one.ratio for one in shaped], "o", mfc="none",
        color=FAULT, label="strays",
    )  # fmt: skip
    for one in sweep.found:
        if one.kind == "missing":
            axes.axvline(one.time_s, color=FAULT, ls=":", lw=1.0)
    axes.set_yscale("log")
    axes.set_xlabel("time, s (dotted: an event is missing)")
    axes.set_ylabel("oddness, usual = 1")
    axes.legend(fontsize=8, frameon=False)
    axes.grid(visible=True, color="0.88", lw=0.6)


def _events(axes: Axes, curves: SweepPicture, channel: int) -> None:
    axes.fill_between(
        curves.axis, curves.low[channel], curves.high[channel], color=BAND, alpha=0.45, lw=0,
        label="5-95 % of this recording",
    )  # fmt: skip
    axes.plot(curves.axis, curves.usual[channel], color=MEDIAN, lw=1.0, label="its usual event")
    few = list(curves.shown.items())[:MOST_SHOWN]
    for (number, event), colour, style in zip(few, COLOURS, STYLES, strict=False):
        axes.plot(curves.axis, event[channel], color=colour, ls=style, lw=1.3,
                  label=f"event {number}")  # fmt: skip
    axes.set_ylabel(f"{printable(curves.roles[channel])}, {curves.units[channel]}")
    axes.legend(fontsize=8, frameon=False, ncols=3)
    axes.grid(visible=True, color="0.88", lw=0.6)
