"""Does a system card hang together? Names against what is registered, then a trial run.

`refdb.cards` has checked the form: keys, units, roles, groups, sources. Here come the event rule,
the measurement functions and whether both accept the card's parameters, tried on made-up signals.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Iterator, Mapping

import numpy as np

from matching.cautions import CAUTIONS
from matching.conditioning import Signal
from matching.events import rules
from matching.measurements import Cut, measures
from matching.profile import cut_signal
from refdb.cards import CardMeasurement, SystemCard, parse_card
from refdb.errors import CardError

RESERVED = ("add", "check", "list", "remove", "show")  # words after `straygauge systems`
_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_TRIAL_SAMPLES = 20_000
MOST_POINTS = 8192  # of an event's grid: sixteen times the usual 512


def check_card(card: SystemCard, where: str, known: Mapping[str, SystemCard]) -> list[str]:
    """All that is wrong with a card, one line each; empty when it can be used.

    where: names it in the lines.  known: the other cards in force, for clashes of names.
    """
    found = [
        *_names(card, known),
        *_conditions(card),
        *_event_numbers(card),
        *_plan_numbers(card),
        *_registered(card),
    ]
    if not found:
        found += _trial(card)
    return [f"{where}: {line}" for line in found]


def checked_card(text: str, where: str, known: Mapping[str, SystemCard]) -> SystemCard:
    """The card in a TOML text, fit for use.

    Raises CardError in one line: the first thing that is wrong, and how many more there are.
    """
    try:
        card = parse_card(text, where)
        problems = check_card(card, where, known)
    except (TypeError, ValueError, AttributeError) as problem:
        said = " ".join(str(problem).split())
        raise CardError(
            f"{where}: expected text, numbers and lists where a card has them, found a value of "
            f"another kind ({said}); compare it with `straygauge systems can-hs --toml`"
        ) from None
    if problems:
        more = f" ({len(problems) - 1} more after this one)" if len(problems) > 1 else ""
        raise CardError(problems[0] + more)
    return card


def _names(card: SystemCard, known: Mapping[str, SystemCard]) -> Iterator[str]:
    if not _NAME.fullmatch(card.name):
        yield (
            f"name '{card.name}': expected lower-case words joined by hyphens; "
            "write for instance boost-solenoid"
        )
    if card.name in RESERVED:
        yield f"name '{card.name}': is a word of `straygauge systems` itself; choose another"
    taken = {alias.lower(): one.name for one in known.values() for alias in one.aliases}
    taken |= {name: name for name in known}
    for word in dict.fromkeys((card.name, *(alias.lower() for alias in card.aliases))):
        if word in taken and taken[word] != card.name:
            yield f"name '{word}': means system {taken[word]} already; choose another"


def _conditions(card: SystemCard) -> Iterator[str]:
    if not card.conditions:
        yield "conditions: expected at least one, found none; write for instance idle = 'warm idle'"
    for what, table in (("condition", card.conditions), ("fault", card.faults)):
        for name, text in table.items():
            if not _NAME.fullmatch(name):
                yield (
                    f"{what} '{name}': expected lower-case words joined by hyphens; "
                    f"write for instance '{_suggest(name)}'"
                )
            if not isinstance(text, str) or not text.strip():
                yield f"{what} '{name}': expected a text that says what it is, found none; add it"
    for key in card.cautions:
        if key not in CAUTIONS:
            yield _unknown("caution", key, CAUTIONS)


def _event_numbers(card: SystemCard) -> Iterator[str]:
    events = card.events
    if events.axis not in ("time", "phase", "angle"):
        yield f"events: axis '{events.axis}': expected time, phase or angle; correct it"
    if not 16 <= events.points <= MOST_POINTS:
        yield f"events: points {events.points}: expected 16 to {MOST_POINTS}; 512 is usual"
    if not 0.0 <= events.warp <= 0.5:
        yield f"events: warp {events.warp:g}: expected a share from 0 to 0.5; 0.05 is usual"
    if not events.axis_span > 0.0:
        yield f"events: axis_span {events.axis_span:g}: expected more than 0; correct it"
    if events.min_events < 0:
        yield f"events: min_events {events.min_events}: expected 0 or more; correct it"
    if events.zoom is not None and not (len(events.zoom) == 2 and events.zoom[0] < events.zoom[1]):
        yield f"events: zoom {list(events.zoom)}: expected [from, to], from below to; correct it"


def _plan_numbers(card: SystemCard) -> Iterator[str]:
    plan, fit = card.plan, card.fitness
    for what, value in (
        ("plan: expected_peak", plan.expected_peak),
        ("plan: shortest_feature_s", plan.shortest_feature_s),
        ("plan: slowest_cycle_s", plan.slowest_cycle_s),
    ):
        if not value > 0.0:
            yield f"{what}: expected more than 0, found {value:g}; `straygauge plan` needs it"
    if plan.expected_peak > 0.0 and not plan.peak_source:
        yield (
            "plan: expected_peak without peak_source; add one, or write "
            "'common practice, no source'"
        )
    if plan.shortest_feature_s > plan.slowest_cycle_s > 0.0:
        yield (
            f"plan: shortest_feature_s {plan.shortest_feature_s:g} is longer than "
            f"slowest_cycle_s {plan.slowest_cycle_s:g}; swap or correct them"
        )
    for what, value in (
        ("fitness: min_rate_hz", fit.min_rate_hz),
        ("fitness: min_duration_s", fit.min_duration_s),
        ("fitness: min_swing", fit.min_swing),
    ):
        if value < 0.0:
            yield f"{what}: expected 0 or more, found {value:g}; correct it"


def _registered(card: SystemCard) -> Iterator[str]:
    if card.events.rule not in rules():
        yield _unknown("events: rule", card.events.rule, rules())
    for one in card.measurements:
        if one.function not in measures():
            yield _unknown(f"measurement '{one.name}': function", one.function, measures())
        if one.low is not None and one.high is not None and one.low > one.high:
            yield f"measurement '{one.name}': low {one.low:g} is above high {one.high:g}; swap them"


def _unknown(what: str, name: str, known: Collection[str]) -> str:
    near = difflib.get_close_matches(name, known, 3, 0.5)
    hint = ", ".join(near) if near else ", ".join(sorted(known))
    return f"{what} '{name}': nothing of that name is registered; nearest: {hint}"


def _suggest(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "idle"


# --- the trial run -------------------------------------------------------------------------


def _trial(card: SystemCard) -> list[str]:
    """What the rule and the measurements object to on made-up signals, each said once."""
    found: dict[str, None] = {}
    for signal in _signals(card):
        try:
            part = cut_signal(card, signal, {})
        except Exception as problem:  # whatever a rule trips over, its card is told
            found[f"events: rule '{card.events.rule}' {_objection(problem)}"] = None
            continue
        for one in card.measurements:
            line = _try_one(part, one)
            if line:
                found[line] = None
    return list(found)


def _try_one(part: Cut, one: CardMeasurement) -> str:
    function = measures()[one.function]
    try:
        with np.errstate(all="ignore"):
            float(function(part, one))
    except Exception as problem:
        return f"measurement '{one.name}': function '{one.function}' {_objection(problem)}"
    return ""


def _objection(problem: Exception) -> str:
    if isinstance(problem, KeyError) and problem.args:
        return f"needs '{problem.args[0]}'; add it to params, or the channel it reads"
    said = " ".join(str(problem).split())
    return f"cannot work with these params ({type(problem).__name__}: {said}); correct them"


def _signals(card: SystemCard) -> Iterator[Signal]:
    """Square waves, sines and noise on every channel of the card, some cycles long."""
    cycle = card.plan.slowest_cycle_s
    rate = max(card.fitness.min_rate_hz, _TRIAL_SAMPLES / (8.0 * cycle))
    t = np.arange(_TRIAL_SAMPLES) / rate
    size = card.plan.expected_peak
    random = np.random.default_rng(20)
    noise = random.standard_normal(t.size)
    phase = 2.0 * np.pi * t * max(4.0 / cycle, 8.0 * rate / t.size)
    for wave in (np.sign(np.sin(phase)) + 1.0, np.sin(phase), noise):
        rows = [0.4 * size * (wave + 0.01 * noise) for _ in card.channels]
        yield _signal(card, np.array(rows), rate)


def _signal(card: SystemCard, data: np.ndarray, rate: float) -> Signal:
    roles = tuple(channel.role for channel in card.channels)
    units = tuple(channel.unit for channel in card.channels)
    small = np.full(len(roles), 0.004 * card.plan.expected_peak)
    rows = tuple(range(len(roles)))
    return Signal(data, roles, units, rate, small, small, None, False, rows)
