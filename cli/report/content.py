"""What a report says, in words, from an answer and its card; the page and the PDF both read it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePath

from cli.console import AID, SIMULATED, WORDS, basis_sentences
from cli.words import counted, number, printable, where
from matching.answer import Answer, NearFault, NearGood, Reading, standing
from matching.cautions import GENERAL, text_of
from matching.recording import Recording
from refdb.cards import SystemCard

# Beside the word, so that the verdict is never told by colour alone.
SIGNS = {
    "normal": "\N{CHECK MARK}",
    "strays": "\N{BLACK UP-POINTING TRIANGLE}",
    "known-fault": "\N{BALLOT X}",
    "undecided": "?",
    "unfit": "\N{EMPTY SET}",
    "unreadable": "\N{EMPTY SET}",
}
STANDING = {
    "inside": "inside the good spread",
    "edge": "at the edge of the good spread",
    "outside": "outside the good spread",
}
# The gauge: 1 in the middle, 0 on the left, on the right each decade takes so much.
MIDDLE, DECADE = 50.0, 25.0


@dataclass(frozen=True, slots=True)
class Gauge:
    """place: 0 to 100 along the gauge; standing: inside, edge, outside; beyond: off its end."""

    stray: str
    place: float
    standing: str
    words: str
    chance: str
    beyond: bool


@dataclass(frozen=True, slots=True)
class Bar:
    """A range bar, all 0 to 100. low, high: ends of the range; at: the value; off: it is further
    out than the bar goes ("left", "right" or "")."""

    low: float
    high: float
    at: float
    off: str


@dataclass(frozen=True, slots=True)
class Measured:
    """One line of the table of measurements. state: 'inside' or 'outside'."""

    name: str
    value: str
    unit: str
    usual: str
    about: str
    state: str
    told: str
    bar: Bar | None


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A near reference. fix: how it was mended, "" if nobody wrote it down."""

    number: int
    what: str
    text: str
    distance: str
    note: str
    fix: str


@dataclass(frozen=True, slots=True)
class Content:
    """All the words of a report, safe to print, in the order they are shown."""

    title: str
    sign: str
    verdict: str
    word: str
    headline: str
    summary: str
    file: str
    context: str
    simulated: str
    gauge: Gauge | None
    blocking: tuple[tuple[str, str], ...]
    places: tuple[str, ...]
    terms: tuple[tuple[str, str, str, float], ...]
    odd: str
    measured: tuple[Measured, ...]
    ranges_from: str
    not_judged: tuple[tuple[str, str], ...]
    basis: tuple[str, ...]
    neighbours: tuple[Neighbour, ...]
    fixes: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    made: tuple[tuple[str, str], ...]
    cannot_show: tuple[str, ...]


def content_of(answer: Answer, card: SystemCard) -> Content:
    """The words of a report. answer: with or without its recording."""
    near: list[NearGood | NearFault] = [*answer.nearest_good, *answer.nearest_fault]
    neighbours = tuple(_neighbour(one, card) for one in near)
    ranges_from = _commonest(r.source for r in answer.measurements if r.state != "not-judged")
    return Content(
        title=printable(card.title),
        sign=SIGNS[answer.verdict],
        verdict=answer.verdict,
        word=WORDS[answer.verdict],
        headline=_headline(answer, card),
        summary=printable(answer.summary),
        file=printable(PurePath(answer.path).name or answer.path),
        context=printable(where(answer.context)),
        simulated=SIMULATED if answer.basis.simulated else "",
        gauge=_gauge(answer),
        blocking=tuple(
            (printable(f.code), printable(f.message))
            for f in answer.fitness
            if f.severity == "blocking"
        ),
        places=tuple(printable(place.sentence) for place in answer.deviations),
        terms=tuple(
            (printable(t.name), number(t.stray, 3), printable(t.text), t.share)
            for t in answer.terms
        ),
        odd=_odd(answer),
        measured=_table(answer, ranges_from),
        ranges_from=printable(ranges_from),
        not_judged=_not_judged(answer),
        basis=tuple(printable(s) for s in basis_sentences(answer.basis)),
        neighbours=neighbours,
        fixes=tuple((f"{n.what} (#{n.number})", n.fix) for n in neighbours if n.fix),
        cautions=(*(printable(text_of(c)) for c in answer.cautions), GENERAL, AID),
        made=_made(answer),
        cannot_show=tuple(printable(text) for text in card.plan.cannot_show),
    )


def _headline(answer: Answer, card: SystemCard) -> str:
    if answer.fault is not None:
        meaning = card.faults.get(answer.fault.name, "").rstrip(".")
        return printable(f"{answer.fault.name}: {meaning}" if meaning else answer.fault.name)
    return {
        "normal": "Nothing about it is unusual.",
        "strays": "It leaves the good spread, but resembles no known fault closely.",
        "undecided": "This cannot be decided with what the catalogue holds.",
        "unfit": "The capture itself cannot be judged: record it again.",
        "unreadable": "The file cannot be read.",
        "known-fault": "It resembles a known fault.",
    }[answer.verdict]


def _gauge(answer: Answer) -> Gauge | None:
    side = standing(answer)
    if side is None or answer.stray is None:
        return None
    stray = max(answer.stray, 0.0)
    place = MIDDLE * stray if stray <= 1 else MIDDLE + DECADE * math.log10(stray)
    chance = (
        f"p = {number(answer.p_value, 2)}: about that share of good vehicles strays as far; "
        f"below {number(answer.alpha, 2)} is called outside"
    )
    return Gauge(
        number(stray, 3), min(max(place, 1.0), 99.0), side, STANDING[side], chance, place > 100.0
    )


def _odd(answer: Answer) -> str:
    if not answer.events:
        return ""
    odd = sum(event.stray > 1 for event in answer.events)
    found = answer.recording.n_events if answer.recording else len(answer.events)
    shown = counted(found, "event")
    if found != len(answer.events):
        shown = (
            f"{len(answer.events)} of {shown} (those the recording holds whole, evenly picked "
            "where there are many)"
        )
    return (
        f"{shown}; {odd} marked odd (event stray above 1, which is twice "
        "the spread of good vehicles and of this capture's own events together)"
    )


def _commonest(sources: Iterable[str]) -> str:
    found = Counter(source for source in sources if source)
    return found.most_common(1)[0][0] if found else ""


def _table(answer: Answer, ranges_from: str) -> tuple[Measured, ...]:
    judged = [r for r in answer.measurements if r.state != "not-judged"]
    outside_first = sorted(judged, key=lambda r: r.state == "inside")
    return tuple(_measured(reading, ranges_from) for reading in outside_first)


def _measured(reading: Reading, ranges_from: str) -> Measured:
    low, high, value = reading.low, reading.high, reading.value
    told: str = reading.state
    source = "" if reading.source == ranges_from else reading.source
    if reading.state == "outside" and value is not None:
        told = "above" if high is not None and value > high else "below"
    return Measured(
        printable(reading.name.replace("_", " ")), number(value),
        "" if reading.unit == "1" else printable(reading.unit), _usual(low, high),
        printable("; ".join(part for part in (reading.text, source) if part)),
        reading.state, told, _bar(low, high, value),
    )  # fmt: skip


def _usual(low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return ""
    if low is None:
        return f"up to {number(high)}"
    return f"from {number(low)}" if high is None else f"{number(low)} to {number(high)}"


def _bar(low: float | None, high: float | None, value: float | None) -> Bar | None:
    """The range takes the middle third; a range with one end stretches to the bar's own end."""
    if value is None or (low is None and high is None):
        return None
    if low is not None and high is not None:
        unit = (high - low) or abs(high) or 1.0
        at = 33.3 + 33.4 * (value - low) / unit
        left, right = 33.3, 66.7
    else:
        edge = high if low is None else low
        assert edge is not None
        unit = abs(edge) or 1.0
        at = 50.0 + 33.4 * (value - edge) / unit
        left, right = (0.0, 50.0) if low is None else (50.0, 100.0)
    off = "left" if at < 1 else "right" if at > 99 else ""
    return Bar(left, right, min(max(at, 1.0), 99.0), off)


def _not_judged(answer: Answer) -> tuple[tuple[str, str], ...]:
    said = [(f.code, f.message) for f in answer.fitness]
    said += [
        (r.name.replace("_", " "), _why_not(r))
        for r in answer.measurements if r.state == "not-judged"
    ]  # fmt: skip
    return tuple((printable(name), printable(why)) for name, why in said)


def _why_not(reading: Reading) -> str:
    if reading.value is None:
        return "the capture does not show it (rate, length or shape; see the findings above)"
    unit = "" if reading.unit == "1" else f" {reading.unit}"
    return f"measured {number(reading.value)}{unit}, but {reading.source or 'no range is known'}"


def _neighbour(near: NearGood | NearFault, card: SystemCard) -> Neighbour:
    if isinstance(near, NearGood):
        note = f"its own stray is {number(near.stray, 3)}"
        return Neighbour(near.reference, "good", "", number(near.distance, 3), note, "")
    text = card.faults.get(near.fault, "")
    note = f"this capture is typical of that fault with p = {number(near.p_value, 2)}"
    return Neighbour(
        near.reference, printable(near.fault), printable(text), number(near.distance, 3), note,
        printable(near.confirmed_fix),
    )  # fmt: skip


def _made(answer: Answer) -> tuple[tuple[str, str], ...]:
    said = [("file", answer.path), ("SHA-256 of the samples", answer.sha256 or "-")]
    if answer.recording is not None:
        said += _recorded(answer.recording)
    said += [("alpha", number(answer.alpha, 3)), ("straygauge version", version())]
    if answer.recording is not None and answer.recording.revision:
        said.append(("catalogue revision", answer.recording.revision))
    return tuple((name, printable(value)) for name, value in said)


def _recorded(made: Recording) -> list[tuple[str, str]]:
    used = {row: role for row, role in zip(made.played_by, made.strip.roles, strict=True)}
    lines = [
        f"{c.name} ({c.unit}) " + (f"as {used[i]}" if i in used else "not used")
        for i, c in enumerate(made.channels)
    ]
    said = [
        ("channels", "; ".join(lines)),
        ("sample rate", f"{number(made.rate_hz, 6)} samples per second"),
        ("length", f"{made.n_samples} samples, {number(made.duration_s)} s"),
        ("attenuation", f"x {number(made.attenuation)}"),
        ("scale", f"x {number(made.scale)}"),
        ("coupling", made.coupling.upper() if made.coupling else "not said"),
    ]
    if made.overloads:
        said.append(("overload marks", counted(made.overloads, "sample")))
    if made.flipped:
        said.append(("polarity", f"{made.strip.roles[0]} was turned upside down to be judged"))
    return said + [("time axis", remark) for remark in made.remarks]


def version() -> str:
    """The installed version; "not installed" when it runs from a bare tree."""
    from importlib.metadata import PackageNotFoundError
    from importlib.metadata import version as installed

    try:
        return installed("straygauge")
    except PackageNotFoundError:
        return "not installed (run from its source)"
