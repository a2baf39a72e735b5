"""System cards: what was probed, how to cut it, what to measure. One TOML file per system.

A card holds names and numbers only; the event rules and measurement functions it names are
registered in `matching`, which also checks that they exist (`matching.cards_check`).
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from functools import cache
from pathlib import Path
from typing import Any, Literal

from refdb.errors import CardError
from refdb.units import UNITS

CARD_FOLDER = Path(__file__).with_name("systems")
GROUPS = ("level", "shape", "timing", "regularity", "spectrum")


@dataclass(frozen=True, slots=True)
class CardChannel:
    """A line the system wants, found by name, alias, or (failing both) by unit and order."""

    role: str
    unit: str
    aliases: tuple[str, ...] = ()
    required: bool = True
    describe: str = ""


@dataclass(frozen=True, slots=True)
class CardEvents:
    """How a capture is cut: the registered rule, its parameters and the axis of one event.

    axis: 'time' (from the anchor), 'phase' (fraction of the event) or 'angle' (degrees).
    warp: Sakoe-Chiba radius as a share of the event.  zoom: a second, closer look at what follows
    the sharp edge, as [from, to] in axis units.
    """

    rule: str
    unit_name: str
    axis: Literal["time", "phase", "angle"] = "phase"
    axis_unit: str = "%"
    axis_span: float = 100.0
    points: int = 512
    min_events: int = 2
    warp: float = 0.05
    zoom: tuple[float, float] | None = None
    params: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CardMeasurement:
    """One number a technician reads off. low/high are a default range with its source.

    function: name of a registered measurement; params go to it.
    group: which kind of stray it feeds (one of GROUPS).
    needs_rate_hz / needs_events: below these it is listed as not judged.
    log: the spread is multiplicative (amplitudes, times), so it is compared as a logarithm.
    """

    name: str
    function: str
    unit: str
    group: str = "level"
    role: str = ""
    needs_rate_hz: float = 0.0
    needs_events: int = 1
    low: float | None = None
    high: float | None = None
    source: str = ""
    log: bool = False
    text: str = ""
    params: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CardFitness:
    """Below these a capture cannot be judged at all (blocking), whatever the references do."""

    min_rate_hz: float = 0.0
    min_duration_s: float = 0.0
    min_swing: float = 0.0


@dataclass(frozen=True, slots=True)
class CardPlan:
    """What to say before the probe touches anything."""

    connect: str = ""
    expected_peak: float = 0.0
    peak_source: str = ""
    shortest_feature_s: float = 0.0
    slowest_cycle_s: float = 0.0
    trigger: str = ""
    cannot_show: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SystemCard:
    """Everything the tool knows of one system.

    polarity: 'as-is'; 'any' turns the first channel so that its events point up; 'mean' turns it
    so that its mean is positive (a clamp put on the wrong way round).
    """

    name: str
    title: str
    summary: str
    aliases: tuple[str, ...]
    coupling: Literal["ac", "dc", "any"]
    polarity: Literal["as-is", "any", "mean"]
    channels: tuple[CardChannel, ...]
    conditions: Mapping[str, str]
    events: CardEvents
    measurements: tuple[CardMeasurement, ...]
    fitness: CardFitness
    plan: CardPlan
    cautions: tuple[str, ...]
    faults: Mapping[str, str]

    @property
    def required_channels(self) -> tuple[CardChannel, ...]:
        return tuple(channel for channel in self.channels if channel.required)


def _take(kind: type, table: Mapping[str, Any], where: str) -> Any:
    """Build a frozen card part from a TOML table, refusing keys it does not have."""
    known = {part.name for part in fields(kind)}
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            hint = (
                f"; did you mean '{near[0]}'?" if near else f"; known: {', '.join(sorted(known))}"
            )
            raise CardError(f"{where}: unknown key '{key}'{hint}")
    values = {k: tuple(v) if isinstance(v, list) else v for k, v in table.items()}
    try:
        return kind(**values)
    except TypeError as problem:
        missing = str(problem).rsplit(":", 1)[-1].strip()
        raise CardError(f"{where}: missing {missing}; add it to the card") from None


def parse_card(text: str, where: str) -> SystemCard:
    """A card from its TOML text. `where` names it in errors.

    Raises CardError in one line: what is wrong, in which part, and what to do.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise CardError(f"{where}: expected TOML, found {problem}; correct the file") from None
    head: dict[str, Any] = {"summary": "", "aliases": [], "polarity": "as-is", "conditions": {}}
    head |= {"faults": {}}
    head |= {"cautions": [], "measurements": [], "fitness": {}, "plan": {}} | raw
    for key in ("name", "title", "coupling", "channels", "events"):
        if key not in head:
            raise CardError(f"{where}: missing '{key}'; add it to the card")
    head["channels"] = tuple(
        _take(CardChannel, table, f"{where}: channel {i + 1}")
        for i, table in enumerate(head["channels"])
    )
    head["measurements"] = tuple(
        _take(CardMeasurement, table, f"{where}: measurement {table.get('name', i + 1)}")
        for i, table in enumerate(head["measurements"])
    )
    head["events"] = _take(CardEvents, head["events"], f"{where}: events")
    head["fitness"] = _take(CardFitness, head["fitness"], f"{where}: fitness")
    head["plan"] = _take(CardPlan, head["plan"], f"{where}: plan")
    card: SystemCard = _take(SystemCard, head, where)
    _validate(card, where)
    return card


def _validate(card: SystemCard, where: str) -> None:
    if card.coupling not in ("ac", "dc", "any"):
        raise CardError(f"{where}: coupling '{card.coupling}': expected ac, dc or any")
    if card.polarity not in ("as-is", "any", "mean"):
        raise CardError(f"{where}: polarity '{card.polarity}': expected as-is, any or mean")
    if not card.channels:
        raise CardError(f"{where}: no channels; a card needs at least one [[channels]]")
    roles = [channel.role for channel in card.channels]
    for channel in card.channels:
        if channel.unit not in UNITS:
            raise CardError(
                f"{where}: channel '{channel.role}': unit '{channel.unit}' is not known; "
                f"expected one of {', '.join(UNITS)}"
            )
    seen: set[str] = set()
    for measurement in card.measurements:
        if measurement.name in seen:
            raise CardError(f"{where}: measurement '{measurement.name}' stands twice; rename one")
        seen.add(measurement.name)
        if measurement.role and measurement.role not in roles:
            raise CardError(
                f"{where}: measurement '{measurement.name}': role '{measurement.role}' is not a "
                f"channel; expected one of {', '.join(roles)}"
            )
        if measurement.group not in GROUPS:
            raise CardError(
                f"{where}: measurement '{measurement.name}': group '{measurement.group}'; "
                f"expected one of {', '.join(GROUPS)}"
            )
        if (measurement.low is not None or measurement.high is not None) and not measurement.source:
            raise CardError(
                f"{where}: measurement '{measurement.name}': a range without a source; add one, or "
                'write source = "common practice, no source"'
            )


@cache
def _shipped() -> dict[str, SystemCard]:
    cards = (
        parse_card(path.read_text("utf-8"), path.name)
        for path in sorted(CARD_FOLDER.glob("*.toml"))
    )
    return {card.name: card for card in cards}


def shipped_cards() -> dict[str, SystemCard]:
    """Every card that ships with the tool, by name. A new dict each time."""
    return dict(_shipped())


def find_card(name: str, cards: Mapping[str, SystemCard] | None = None) -> SystemCard:
    """The card of that name or alias (case, blanks and underscores do not matter).

    Raises CardError naming the nearest names when there is none.
    """
    known = shipped_cards() if cards is None else dict(cards)
    wanted = _plain(name)
    by_name = {_plain(alias): card for card in known.values() for alias in card.aliases}
    by_name |= known
    if wanted in by_name:
        return by_name[wanted]
    near = difflib.get_close_matches(wanted, by_name, 3, 0.4)
    nearest = ", ".join(dict.fromkeys(by_name[n].name for n in near)) or ", ".join(sorted(known))
    raise CardError(
        f"system '{name}': no card of that name; nearest: {nearest}; "
        "`straygauge systems` lists them all"
    )


def _plain(name: str) -> str:
    return name.strip().lower().replace("_", "-").replace(" ", "-")
