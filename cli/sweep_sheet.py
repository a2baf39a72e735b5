"""A sweep for a person at a terminal: what strays, at what rhythm, what was set aside, and what
the list is worth."""

from __future__ import annotations

from cli.console import AID, SIMULATED
from cli.sheet import Sheet
from cli.words import counted, number, where
from matching.sweep.records import METHOD, Sweep

MOST = 50
MOST_ASIDE = 10


def show_sweep(sweep: Sweep, sheet: Sheet, *, everything: bool = False) -> None:
    """Prints a sweep. everything: all lines, however many."""
    style = "bold cyan" if sweep.too_few else "bold yellow" if sweep.found else "bold green"
    sheet.say(sweep.summary, style=style, hang=2)
    sheet.say(f"{sweep.path}, as {where(sweep.context)}")
    sheet.say(
        f"{sweep.n_samples} samples at {number(sweep.rate_hz, 6)} Hz, "
        f"{counted(sweep.n_events, 'event')}, usually every {number(sweep.interval_s, 4)} s"
    )
    _found(sweep, sheet, everything)
    if sweep.rhythm:
        sheet.heading("Rhythm")
        for one in sweep.rhythm:
            sheet.say(f"{one.sentence} (p = {number(one.p_value, 2)})", indent=2, hang=2)
    elif sweep.found:
        sheet.heading("Rhythm")
        sheet.say("none that chance would not explain", indent=2)
    _aside(sweep, sheet, everything)
    _basis(sweep, sheet)
    sheet.heading("Take care")
    for caution in (*sweep.cautions, AID):
        sheet.say(caution, indent=2, hang=2)


def _found(sweep: Sweep, sheet: Sheet, everything: bool) -> None:
    if not sweep.found:
        return
    sheet.heading("Events that stray")
    shown = sweep.found if everything else sweep.found[:MOST]
    rows = [("event", "time", "odd", "p", "good", "what differs")]
    rows += [
        (
            "-" if one.kind == "missing" else f"{one.event}",
            f"{one.time_s:.6f} s",
            "" if one.kind == "missing" else f"{number(one.ratio, 2)}x",
            number(one.p_corrected, 2),
            number(one.good_stray, 2),
            one.sentence,
        )
        for one in shown
    ]
    sheet.columns(rows, "rrrrrl")
    if len(shown) < len(sweep.found):
        sheet.say(f"and {len(sweep.found) - len(shown)} more; --all lists them", indent=2)


def _aside(sweep: Sweep, sheet: Sheet, everything: bool) -> None:
    if not sweep.aside:
        return
    sheet.heading(f"Set aside, not counted: {counted(len(sweep.aside), 'event')}")
    shown = sweep.aside if everything else sweep.aside[:MOST_ASIDE]
    sheet.columns([(f"{one.event}", f"{one.time_s:.6f} s", one.reason) for one in shown], "rrl")
    if len(shown) < len(sweep.aside):
        sheet.say(f"and {len(sweep.aside) - len(shown)} more; --all lists them", indent=2)


def _basis(sweep: Sweep, sheet: Sheet) -> None:
    sheet.heading("What this rests on")
    against = sweep.against
    said = [METHOD, *(f"{one[:1].upper()}{one[1:].rstrip('.')}." for one in sweep.remarks)]
    if against.n_good:
        usual = f"its usual event has stray {number(against.stray, 3)} (1 is their edge)"
        said.append(
            f"Compared with {counted(against.n_good, 'good vehicle')} of this very context too: "
            f"{usual}, {counted(against.outside, 'single event')} lie outside. For a verdict on "
            "the whole, cut a part out and use `straygauge check`."
        )
        if against.simulated:
            said.append(SIMULATED)
    else:
        said.append(f"{against.note[:1].upper()}{against.note[1:]}.")
    for sentence in said:
        sheet.say(sentence, indent=2, hang=2)
