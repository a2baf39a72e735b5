"""References, contexts and system cards, listed for a person or as JSON."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from cli.output import print_json
from cli.sheet import Sheet
from cli.words import counted, listed, number, where
from matching.cautions import text_of
from refdb.cards import CardMeasurement, SystemCard

if TYPE_CHECKING:
    from matching.consult.shelf import Shown
    from refdb.records import ContextCount, HistoryEntry, Reference


def reference_json(reference: Reference) -> dict[str, Any]:
    """A reference as JSON: its record, with tags as a plain table."""
    plain = {
        name: getattr(reference, name)
        for name in type(reference).__dataclass_fields__
        if name not in ("context", "channels", "tags")
    }
    plain["context"] = asdict(reference.context)
    plain["channels"] = [asdict(channel) for channel in reference.channels]
    plain["tags"] = dict(reference.tags)
    return plain


def print_references(found: Sequence[Reference], waiting: Collection[str], json: bool) -> None:
    """Prints references, a line each, and how many. waiting: systems not loaded yet."""
    if json:
        print_json([reference_json(reference) for reference in found])
        return
    sheet = Sheet()
    rows = [("number", "what", "vehicle", "context", "origin", "recorded")]
    rows += [
        (
            f"#{reference.id}",
            reference.fault or reference.label,
            reference.vehicle,
            where(reference.context),
            reference.origin,
            f"{number(reference.duration_s, 3)} s at {number(reference.rate_hz, 4)} Hz",
        )
        for reference in found
    ]
    if found:
        sheet.columns(rows, "llllll", indent=0)
    sheet.say(counted(len(found), "reference"))
    _say_waiting(sheet, waiting)


def _say_waiting(sheet: Sheet, waiting: Collection[str]) -> None:
    if waiting:
        sheet.say(
            f"simulated starter references of {counted(len(waiting), 'more system')} are loaded "
            "when they are first asked for, for instance with --system",
            hang=2,
        )


def print_shown(shown: Shown, json: bool) -> None:
    """Prints one reference with its history."""
    reference = shown.reference
    if json:
        history = [_entry_json(entry) for entry in shown.history]
        print_json(reference_json(reference) | {"history": history})
        return
    sheet = Sheet()
    channels = ", ".join(f"{channel.name} ({channel.unit})" for channel in reference.channels)
    factors = f"scale {number(reference.scale)}, attenuation {number(reference.attenuation)}"
    rows = [
        ("context", where(reference.context)),
        ("label", reference.fault or reference.label),
        ("vehicle", reference.vehicle),
        ("origin", f"{reference.origin}, {reference.state}"),
        ("confirmed fix", reference.confirmed_fix),
        ("note", reference.note),
        ("tags", listed(reference.tags)),
        ("file", reference.source),
        ("sha256", reference.sha256),
        ("channels", channels),
        ("recorded", f"{number(reference.duration_s)} s at {number(reference.rate_hz)} Hz"),
        ("factors", f"{factors}, coupling {reference.coupling or 'unknown'}"),
        ("added", reference.added_at),
    ]
    sheet.say(f"reference #{reference.id}", style="bold")
    sheet.columns([row for row in rows if row[1]], "ll")
    sheet.heading("History")
    sheet.columns(
        [(entry.at, entry.who, entry.action, entry.why) for entry in shown.history], "llll"
    )


def _entry_json(entry: HistoryEntry) -> dict[str, Any]:
    return {
        "id": entry.id, "at": entry.at, "who": entry.who, "action": entry.action, "why": entry.why
    }  # fmt: skip


def print_contexts(found: Collection[ContextCount], waiting: Collection[str], json: bool) -> None:
    """Prints how many vehicles stand behind each context. waiting: systems not loaded yet."""
    if json:
        print_json(
            [
                asdict(one.context)
                | {
                    "references": one.references,
                    "simulated": one.simulated,
                    "vehicles_good": one.vehicles_good,
                    "faults": dict(one.faults),
                }
                for one in found
            ]
        )
        return
    sheet = Sheet()
    rows = [("context", "good", "simulated", "vehicles per fault")]
    rows += [
        (
            where(one.context),
            str(one.vehicles_good),
            f"{one.simulated} of {one.references}",
            listed(one.faults) or "none",
        )
        for one in found
    ]
    if found:
        sheet.columns(rows, "lrrl", indent=0)
    sheet.say(counted(len(found), "context"))
    _say_waiting(sheet, waiting)


def print_cards(cards: Iterable[SystemCard], json: bool) -> None:
    """Prints the systems, a line each."""
    if json:
        print_json([_card_json(card) for card in cards])
        return
    Sheet().columns(
        [("name", "channels", "what it is"), *((c.name, wired(c), c.title) for c in cards)],
        "lll",
        indent=0,
    )


def wired(card: SystemCard) -> str:
    """The channels a system wants: 'can_h (V), can_l (V)'; optional ones in brackets."""
    return ", ".join(
        f"{channel.role} ({channel.unit})" if channel.required else f"[{channel.role}]"
        for channel in card.channels
    )


def _card_json(card: SystemCard) -> dict[str, Any]:
    return {
        "name": card.name,
        "title": card.title,
        "summary": card.summary,
        "aliases": list(card.aliases),
        "coupling": card.coupling,
        "channels": [
            {"role": channel.role, "unit": channel.unit, "required": channel.required}
            for channel in card.channels
        ],
        "conditions": dict(card.conditions),
        "faults": dict(card.faults),
        "measurements": [
            {"name": one.name, "unit": one.unit, "low": one.low, "high": one.high,
             "source": one.source, "text": one.text}
            for one in card.measurements
        ],
        "cautions": [text_of(key) for key in card.cautions],
    }  # fmt: skip


def print_card(card: SystemCard, json: bool) -> None:
    """Prints one system in full."""
    if json:
        print_json(_card_json(card))
        return
    sheet = Sheet()
    sheet.say(f"{card.name}: {card.title}", style="bold")
    sheet.say(card.summary)
    sheet.heading("Channels")
    sheet.columns(
        [
            (channel.role, channel.unit, "" if channel.required else "optional", channel.describe)
            for channel in card.channels
        ],
        "llll",
    )
    coupling = {"any": "either"}.get(card.coupling, card.coupling)
    rows = [("coupling", coupling), ("connect", card.plan.connect), ("trigger", card.plan.trigger)]
    if card.fitness.min_rate_hz:
        rows.append(("sample rate", f"{number(card.fitness.min_rate_hz)} Hz or more"))
    if card.plan.expected_peak:
        peak = f"{number(card.plan.expected_peak)} {card.channels[0].unit}"
        rows.append(("highest value", f"{peak}: {card.plan.peak_source}"))
    sheet.heading("How to record it")
    sheet.columns([row for row in rows if row[1]], "ll")
    for title, table in (("Conditions", card.conditions), ("Faults it knows by name", card.faults)):
        if table:
            sheet.heading(title)
            sheet.columns(list(table.items()), "ll")
    ranges = [one for one in card.measurements if one.source]
    if ranges:
        sheet.heading("Ranges used where references are missing, with their source")
        sheet.columns([_range(one) for one in ranges], "llll")
    if card.plan.cannot_show:
        sheet.heading("What it cannot show")
        for sentence in card.plan.cannot_show:
            sheet.say(sentence, indent=2, hang=2)
    sheet.heading("Take care")
    for key in card.cautions:
        sheet.say(text_of(key), indent=2, hang=2)


def _range(one: CardMeasurement) -> tuple[str, str, str, str]:
    low = "" if one.low is None else f"from {number(one.low)} "
    high = "" if one.high is None else f"to {number(one.high)}"
    return (one.name, one.unit, (low + high).strip(), one.source)
