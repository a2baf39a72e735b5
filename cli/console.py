"""An answer for a person at a terminal: the verdict as a sentence, then why, then what it is
worth. Everything shown is in the answer; nothing is worked out here."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from cli.plot import plot
from cli.sheet import Sheet
from cli.words import counted, number, where
from matching.answer import Answer, Basis, EventStray, NearFault, Reading
from matching.cautions import text_of

STYLES = {
    "normal": "bold green",
    "strays": "bold yellow",
    "known-fault": "bold red",
    "undecided": "bold cyan",
    "unfit": "bold magenta",
    "unreadable": "bold magenta",
}
WORDS = {
    "normal": "NORMAL",
    "strays": "STRAYS",
    "known-fault": "KNOWN FAULT",
    "undecided": "UNDECIDED",
    "unfit": "UNFIT",
    "unreadable": "UNREADABLE",
}
NEARNESS = {
    "exact": "this very context",
    "condition": "the same engine family in another condition",
    "family": "the same condition in other engine families",
    "system": "other engine families in other conditions",
    "none": "nothing: there are no good references of it",
}
SIMULATED = "The references are simulated, not captured from vehicles."
AID = "A verdict is an aid, not a proof: confirm before parts are replaced."
MOST_EVENTS = 6
FAMILY = "family record"  # source of what a family's record lets one work out


def show_answer(answer: Answer, sheet: Sheet, *, everything: bool = False) -> None:
    """Prints an answer. everything: list the measurements that are inside their range too."""
    _head(answer, sheet)
    parts: Sequence[Callable[[Answer, Sheet], None]] = (
        _why,
        _places,
        _odd_events,
        lambda a, s: _measurements(a, s, everything),
        _not_judged,
        _near,
        _basis,
        _cautions,
    )
    for part in parts:
        part(answer, sheet)


def show_line(answer: Answer, sheet: Sheet) -> None:
    """One answer of many, on one line."""
    word = WORDS[answer.verdict].lower()
    stray = "" if answer.stray is None else f"{number(answer.stray, 3)}"
    text = answer.summary
    if answer.verdict == "unreadable":
        text = answer.error.removeprefix(f"{answer.path}: ")
    sheet.columns([(f"{word:11}", f"{stray:>6}", answer.path, text)], "lrll", indent=0)


def _head(answer: Answer, sheet: Sheet) -> None:
    sheet.say(f"{WORDS[answer.verdict]}: {answer.summary}", style=STYLES[answer.verdict], hang=2)
    sheet.say(f"{answer.path}, as {where(answer.context)}")
    if answer.stray is not None:
        chance = "" if answer.p_value is None else f", p = {number(answer.p_value, 2)}"
        sheet.say(
            f"stray {number(answer.stray, 3)} (1 is the edge of the good spread){chance}, "
            f"alpha {number(answer.alpha, 2)}"
        )
    if answer.fault is not None:
        sheet.say(
            f"resembles {answer.fault.name}: p = {number(answer.fault.p_value, 2)}, ahead of the "
            f"next fault by {number(answer.fault.margin, 3)} good spreads"
        )
    blocking = [finding for finding in answer.fitness if finding.severity == "blocking"]
    if blocking:
        sheet.heading("What keeps it from being judged")
        sheet.columns([(finding.code, finding.message) for finding in blocking], "ll")


def _why(answer: Answer, sheet: Sheet) -> None:
    if not answer.terms:
        return
    sheet.heading("Why")
    rows = [("part", "stray", "share", "")]
    rows += [
        (term.name, number(term.stray, 3), f"{term.share:.0%}", term.text) for term in answer.terms
    ]
    sheet.columns(rows, "lrrl")


def _places(answer: Answer, sheet: Sheet) -> None:
    if answer.deviations:
        sheet.heading("Where it leaves the good spread")
        for place in answer.deviations:
            sheet.say(place.sentence, indent=2, hang=2)
    if answer.overlay is not None and not sheet.piped:
        sheet.rows(plot(answer.overlay, sheet.width, sheet.encoding))


def _odd_events(answer: Answer, sheet: Sheet) -> None:
    odd: list[EventStray] = [event for event in answer.events if event.stray > 1]
    if not odd or answer.verdict == "normal":
        return
    sheet.heading(f"Events outside the good spread: {len(odd)} of {len(answer.events)}")
    worst = sorted(odd, key=lambda event: -event.stray)[:MOST_EVENTS]
    sheet.columns(
        [
            (
                f"number {event.index + 1}",
                f"at {number(event.start_s, 6)} s",
                f"stray {number(event.stray, 3)}",
            )
            for event in worst
        ],
        "lrl",
    )
    if len(odd) > len(worst):
        sheet.say(f"and {len(odd) - len(worst)} more", indent=2)


def _measurements(answer: Answer, sheet: Sheet, everything: bool) -> None:
    outside = [reading for reading in answer.measurements if reading.state == "outside"]
    inside = [reading for reading in answer.measurements if reading.state == "inside"]
    if outside:
        sheet.heading("Measurements outside their range")
        sheet.columns([_reading(reading) for reading in outside], "lrlll")
    if everything and inside:
        sheet.heading("Measurements inside their range")
        sheet.columns([_reading(reading) for reading in inside], "lrlll")
    elif inside:
        if not outside:
            sheet.heading("Measurements")
        sheet.say(f"inside their range: {len(inside)}; --all lists them", indent=2)


def _reading(reading: Reading) -> tuple[str, ...]:
    usual = f"usual {number(reading.low)} to {number(reading.high)}"
    if reading.low is None and reading.high is None:
        usual = ""
    elif reading.low is None:
        usual = f"usual up to {number(reading.high)}"
    elif reading.high is None:
        usual = f"usual from {number(reading.low)}"
    about = reading.text or reading.source
    if reading.text and reading.source:
        about = f"{reading.text}; {reading.source}"
    unit = "" if reading.unit == "1" else reading.unit
    return (reading.name, number(reading.value), unit, usual, about)


def _not_judged(answer: Answer, sheet: Sheet) -> None:
    limits = [finding for finding in answer.fitness if finding.severity == "limiting"]
    unjudged = [reading for reading in answer.measurements if reading.state == "not-judged"]
    left_out = [reading for reading in unjudged if reading.source != FAMILY]
    worked_out = [reading for reading in unjudged if reading.source == FAMILY]
    if worked_out:
        sheet.heading("From the engine family's record")
        sheet.columns([(*_reading(reading)[:3], reading.text) for reading in worked_out], "lrll")
    if not limits and not left_out:
        return
    sheet.heading("Not judged")
    sheet.columns([(finding.code, finding.message) for finding in limits], "ll")
    if left_out:
        names = ", ".join(reading.name for reading in left_out)
        sheet.say(f"measurements: {names}", indent=2, hang=2)


def _near(answer: Answer, sheet: Sheet) -> None:
    rows = [
        (f"#{near.reference}", "good", number(near.distance, 3), f"stray {number(near.stray, 3)}")
        for near in answer.nearest_good
    ]
    rows += [
        (f"#{near.reference}", near.fault, number(near.distance, 3), _fault_note(near))
        for near in answer.nearest_fault
    ]
    if rows:
        sheet.heading("Nearest references")
        sheet.columns([("number", "what", "distance", ""), *rows], "llrl")


def _fault_note(near: NearFault) -> str:
    note = f"typical of that fault: p = {number(near.p_value, 2)}"
    return f"{note}; fixed by {near.confirmed_fix}" if near.confirmed_fix else note


def _basis(answer: Answer, sheet: Sheet) -> None:
    sheet.heading("What this rests on")
    for sentence in basis_sentences(answer.basis):
        sheet.say(sentence, indent=2, hang=2)


def basis_sentences(basis: Basis) -> list[str]:
    """How many vehicles, how near the context, simulated or not, borrowed or not."""
    if basis.level == "none":
        said = [f"Compared with {NEARNESS['none']}."]
    else:
        said = [
            f"Compared with {counted(basis.n_good, 'good vehicle')} and "
            f"{counted(basis.n_fault, 'vehicle')} with known faults, of {NEARNESS[basis.level]}."
        ]
    if basis.note:
        said.append(basis.note[:1].upper() + basis.note[1:].rstrip(".") + ".")
    if basis.borrowed:
        said.append(
            "Spread was borrowed from sibling contexts"
            + (f": {counted(basis.pool, 'good vehicle')} stand behind p." if basis.pool else ".")
        )
    if basis.simulated:
        said.append(SIMULATED)
    return said


def _cautions(answer: Answer, sheet: Sheet) -> None:
    sheet.heading("Take care")
    for caution in answer.cautions:
        sheet.say(text_of(caution), indent=2, hang=2)
    sheet.say(AID, indent=2, hang=2)
