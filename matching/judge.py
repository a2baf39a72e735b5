"""The verdict: fitness first, then where the capture lies, then what may be said of it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Protocol

import numpy as np

from matching.answer import (
    Answer,
    Basis,
    Finding,
    NamedFault,
    NearFault,
    NearGood,
    Reading,
    Term,
    Verdict,
)
from matching.cautions import keys_for, texts
from matching.explain import (
    deviations_of,
    events_of,
    outside_readings,
    overlay_of,
    readings_of,
    terms_of,
)
from matching.fitness import assess
from matching.fitness_instrument import with_instrument
from matching.footing import Footing, Signature
from matching.model.conformal import smallest
from matching.model.data import SystemData, one_more
from matching.model.naming import NAME_ABOVE
from matching.model.system import Placing, SystemModel, place, stray_of, typicality
from matching.profile import Inspection
from refdb.bench_records import Bench
from refdb.cards import SystemCard
from refdb.records import Context, Reference
from refdb.units import dimension, factor

MOST_NEIGHBOURS = 5
# A name must be typical of its fault at this level (conformal, over the fault's own vehicles).
TYPICAL_AT_LEAST = 0.05
# Vehicles of fewer other contexts than this do not show how much contexts differ among
# themselves, so lying outside them proves nothing about a context that has no references.
ENOUGH_SIBLINGS = 3


class ShelfLike(Protocol):
    """Where footings come from (see `matching.consult.shelves.Shelf`)."""

    def footing(
        self,
        context: Context,
        signature: Signature,
        coupling: str | None,
    ) -> Footing: ...


def unreadable(shown: str, reason: str, alpha: float) -> Answer:
    """The answer for a file or line that cannot be read."""
    return Answer(
        shown, "", Context(""), Basis("none", 0, 0, False), (), "unreadable", None, None, alpha,
        f"not read: {reason}", error=reason,
    )  # fmt: skip


def judge(
    card: SystemCard,
    shown: str,
    context: Context,
    seen: Inspection,
    shelf: ShelfLike,
    alpha: float,
    bench: Bench | None = None,
) -> Answer:
    """The answer for one inspected capture. bench: the instrument it was recorded with."""
    signature = (seen.profile.roles, seen.profile.units)
    footing = shelf.footing(context, signature, seen.coupling)
    findings = with_instrument(assess(card, seen, footing.peers), card, seen, footing.peers, bench)
    cautions = texts(keys_for(card.cautions, _volts(seen)))
    blocking = [f for f in findings if f.severity == "blocking"]
    if blocking or footing.model is None:
        verdict: Verdict = "unfit" if blocking else "undecided"
        summary = _unfit_sentence(blocking) if blocking else f"Cannot say: {footing.note}."
        readings = readings_of(card, None, 0, seen.profile, "") if not blocking else ()
        return Answer(
            shown, seen.sha256, context, _basis(footing), findings, verdict, None, None, alpha,
            summary, measurements=readings, cautions=cautions,
        )  # fmt: skip
    return _judged(card, shown, context, seen, footing, findings, cautions, alpha)


def _volts(seen: Inspection) -> list[tuple[float, float]]:
    """Mean and rms about it (V) of each voltage channel."""
    numbers = seen.profile.numbers
    return [
        (
            factor(unit, "V") * numbers.get(f"level:{role}:mean", 0.0),
            factor(unit, "V") * numbers.get(f"level:{role}:rms~", 0.0),
        )
        for role, unit in zip(seen.profile.roles, seen.profile.units, strict=True)
        if dimension(unit) == "voltage"
    ]


def _judged(
    card: SystemCard, shown: str, context: Context, seen: Inspection, footing: Footing,
    findings: tuple[Finding, ...], cautions: tuple[str, ...], alpha: float,
) -> Answer:  # fmt: skip
    model = footing.model
    assert model is not None
    row = one_more(model.data, seen.profile, footing.index)
    placing = place(model, row)
    fault = _named(model, placing)
    verdict = verdict_of(placing.p_value, model.good_total.size, alpha, fault is not None)
    if footing.level != "exact" and footing.siblings < ENOUGH_SIBLINGS and verdict != "normal":
        verdict = "undecided"
    goods, faults = _neighbours(model, footing, row, placing)
    name = model.data.fault_names[placing.best] if placing.best >= 0 else ""
    readings = readings_of(card, model, footing.index, seen.profile, _source(footing))
    terms = terms_of(model, placing, name)
    outside = outside_readings(readings)
    # places and events are held against levels, which only the context's own references share;
    # and among hundreds of points a few leave the range of any healthy capture by chance
    exact = footing.level == "exact"
    deviations = (
        deviations_of(card, model, footing.index, seen.profile)
        if exact and verdict != "normal"
        else ()
    )
    events = events_of(model, footing.index, seen) if exact else ()
    fault_row = _row_of(footing.references, faults, name if fault else "")
    good_row = _row_of(footing.references, goods, "")
    named = fault if verdict == "known-fault" else None
    return Answer(
        shown, seen.sha256, context, _basis(footing), findings, verdict, placing.stray,
        placing.p_value, alpha,
        _sentence(card, verdict, placing, named, outside, terms, footing, alpha, model),
        terms, goods, faults, named, readings, events, deviations, cautions,
        overlay=overlay_of(
            card, model, footing.index, seen, fault_row, name, good_row,
            _rows(footing.references, (*goods, *faults)),
        ),
    )  # fmt: skip


def verdict_of(p_value: float, n_good: int, alpha: float, named: bool) -> Verdict:
    """From the p-value alone. Too few good vehicles for alpha: normal inside, else undecided."""
    least = smallest(n_good)
    if p_value > alpha:
        return "undecided" if least > alpha and p_value <= least * 1.0001 else "normal"
    return "known-fault" if named else "strays"


def _named(model: SystemModel, placing: Placing) -> NamedFault | None:
    """The fault that may be named: sure enough by what the library taught, and typical."""
    if placing.best < 0 or placing.sure < NAME_ABOVE or placing.typical < TYPICAL_AT_LEAST:
        return None
    name = model.data.fault_names[placing.best]
    return NamedFault(name, placing.typical, placing.margin)


def _basis(footing: Footing) -> Basis:
    model = footing.model
    pool = model.good_total.size if model is not None else 0
    return Basis(
        footing.level,
        footing.n_good, footing.n_fault, footing.simulated,
        footing.level == "exact" and pool > footing.n_good, pool, footing.note,
    )  # fmt: skip


def _source(footing: Footing) -> str:
    kind = " (simulated)" if footing.simulated else ""
    return f"{footing.n_good} good vehicles{kind}"


def _neighbours(
    model: SystemModel, footing: Footing, row: SystemData, placing: Placing
) -> tuple[tuple[NearGood, ...], tuple[NearFault, ...]]:
    """The nearest good and fault references of the context by level-preserving DTW."""
    table = row.warped.level[0]
    order = [int(i) for i in np.argsort(np.where(np.isfinite(table), table, np.inf))]
    order = [i for i in order if np.isfinite(table[i])]
    goods = [i for i in order if model.data.good[i]][:MOST_NEIGHBOURS]
    bads = [i for i in order if not model.data.good[i]][:MOST_NEIGHBOURS]
    near_good = tuple(
        NearGood(footing.references[i].id, float(table[i]), stray_of(model, float(model.total[i])))
        for i in goods
    )
    near_fault = tuple(_near_fault(model, footing.references[i], i, table, placing) for i in bads)
    return near_good, near_fault


def _near_fault(
    model: SystemModel, reference: Reference, i: int, table: np.ndarray, placing: Placing
) -> NearFault:
    fault = int(model.data.fault[i])
    p_value = 0.0
    if model.directions is not None and fault in model.directions.index:
        along = model.directions.along(placing.z[None, :])[0]
        k = int(np.flatnonzero(model.directions.index == fault)[0])
        p_value = typicality(model, fault, float(along[k]), placing.size)
    return NearFault(
        reference.id, reference.fault, float(table[i]), p_value, reference.confirmed_fix
    )


def _rows(
    references: Sequence[Reference], near: Sequence[NearGood | NearFault]
) -> list[tuple[int, str, int]]:
    """(reference, fault or "", row) of the neighbours."""
    places = {reference.id: i for i, reference in enumerate(references)}
    return [(item.reference, getattr(item, "fault", ""), places[item.reference]) for item in near]


def _row_of(
    references: Sequence[Reference], near: Sequence[NearGood | NearFault], fault: str
) -> int:
    """Row of the first neighbour (of the fault by that name, if one is given); -1 for none."""
    for item in near:
        if fault and isinstance(item, NearFault) and item.fault != fault:
            continue
        for i, reference in enumerate(references):
            if reference.id == item.reference:
                return i
    if fault:
        return next((i for i, r in enumerate(references) if r.fault == fault), -1)
    return -1


def _unfit_sentence(blocking: Sequence[Finding]) -> str:
    return f"Not fit to judge: {blocking[0].message}."


def _sentence(
    card: SystemCard, verdict: Verdict, placing: Placing, fault: NamedFault | None,
    outside: Sequence[Reading], terms: Sequence[Term], footing: Footing, alpha: float,
    model: SystemModel,
) -> str:  # fmt: skip
    """One sentence a technician would say."""
    kind = "simulated " if footing.simulated else ""
    against = f"{footing.n_good} {kind}good vehicles"
    why = _why(outside, terms)
    least = smallest(model.good_total.size)
    if verdict == "normal":
        few = f"; so few cannot prove a fault at {alpha:g}" if least > alpha else ""
        return f"{card.title} looks normal against {against} (stray {placing.stray:.2g}){few}."
    if verdict == "undecided" and footing.level != "exact":
        return (
            f"Cannot say for {card.title.lower()}: it differs from {against}, but {footing.note}."
        )
    if verdict == "undecided":
        return (
            f"{card.title} lies outside all {model.good_total.size} good vehicles (stray "
            f"{placing.stray:.2g}), but so few cannot prove a fault at {alpha:g} (smallest p "
            f"{least:.2g}){why}."
        )
    if fault is not None:
        text = card.faults.get(fault.name, "")
        text = f" ({text.rstrip('.')})" if text else ""
        return (
            f"{card.title} strays {placing.stray:.1f} times the good edge and resembles "
            f"{fault.name}{text}{why}."
        )
    return (
        f"{card.title} strays {placing.stray:.1f} times the good edge of {against} and resembles "
        f"no known fault closely{why}."
    )


def _why(outside: Sequence[Reading], terms: Sequence[Term]) -> str:
    if outside:
        r = outside[0]
        what = re.split(r"[:;(.]", r.text or r.name.replace("-", " "))[0].strip()
        unit = "" if r.unit == "1" else f" {r.unit}"
        plain = what if what[1:2].isupper() else what[:1].lower() + what[1:]
        return f": {plain} is {r.value:.3g}{unit}{_usual(r, unit)}"
    named = [t for t in terms if t.name != "direction" and t.stray > 1.0]
    return f": {named[0].text} differ most" if named else ""


def _usual(r: Reading, unit: str) -> str:
    if r.low is not None and r.high is not None:
        return f", usual {r.low:.3g} to {r.high:.3g}{unit}"
    return (
        f", at most {r.high:.3g}{unit}" if r.high is not None else f", at least {r.low:.3g}{unit}"
    )
