"""How far the catalogue's own answers can be trusted, from references judged without themselves.

Two ways to come by the rows, one report: references of which each was judged by the others only
(`judged_rows`, leaving its vehicle out), or captures of vehicles the catalogue has never seen.

What leaving one out can and cannot show: over all contexts of a system together the share of good
vehicles below alpha is at most alpha by the way p-values are made; how it falls on each single
context, and what becomes of the faults, is what the references tell. The rows of a group of
vehicles are left out together where there are many (`matching.model.folds`), and the scale that
totals are read on (`matching.model.system.Door`) has seen them all; vehicles held back have been
seen by nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from matching.judge import TYPICAL_AT_LEAST, verdict_of
from matching.model.conformal import p_value, per_vehicle, smallest
from matching.model.naming import NAME_ABOVE, Namer, likeness_of
from matching.model.system import SystemModel, learn_namer, stray_of, typicality
from refdb.records import Context, Reference

# Where calibration curves are read.
CURVE_AT = (0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9)
# What a capture may be called that is not a fault's name.
PLAIN = ("normal", "strays", "undecided", "unfit")
# "Far out" in Tukey's sense (Exploratory Data Analysis, 1977; from memory): three times the
# quartiles' distance above the upper quartile; a quartile wants at least so many vehicles.
FAR_OUT = 3.0
QUARTILES_FROM = 4
# At most 1 in so many good vehicles may be called odd: our own bar, no standard.
WANTED = 15
# A fault that lies less far out than half of the good vehicles does not show what it is named for.
INSIDE_ABOVE = 0.5


@dataclass(frozen=True, slots=True)
class Judged:
    """One capture judged by references of other vehicles only.

    fault: its label's, "" for good.  p_value: among `ranked` good vehicles; None: unfit.
    name: the fault it would be named as, "" for none, at probability `sure`.
    far: beyond what Tukey calls far out of the other good vehicles.
    severity: of a simulated fault, 0 mild to 1 severe, where known.
    """

    reference: int
    source: str
    vehicle: str
    context: Context
    fault: str
    simulated: bool
    p_value: float | None
    stray: float
    ranked: int
    name: str
    sure: float
    far: bool = False
    severity: float | None = None

    def called(self, alpha: float) -> str:
        """One of PLAIN, or the fault's name."""
        if self.p_value is None:
            return "unfit"
        verdict = verdict_of(self.p_value, self.ranked, alpha, bool(self.name))
        return self.name if verdict == "known-fault" else verdict


@dataclass(frozen=True, slots=True)
class Thin:
    """A context that cannot be judged by itself, and what is missing."""

    context: Context
    good: int
    why: str


@dataclass(frozen=True, slots=True)
class Tally:
    """What became of the vehicles with one label. called: word or fault's name -> vehicles."""

    label: str
    called: Mapping[str, int]

    @property
    def vehicles(self) -> int:
        return sum(self.called.values())

    @property
    def right(self) -> int:
        """Named with their own label: for faults the right name."""
        return self.called.get(self.label, 0)

    @property
    def wrong(self) -> int:
        """Given the name of a fault that they do not have."""
        return sum(n for word, n in self.called.items() if word not in (*PLAIN, self.label))

    @property
    def flagged(self) -> int:
        """Called strays, or by any fault's name."""
        return self.called.get("strays", 0) + self.right + self.wrong

    @property
    def unanswered(self) -> int:
        return self.called.get("undecided", 0) + self.called.get("unfit", 0)


@dataclass(frozen=True, slots=True)
class Curve:
    """Calibration: the share of good vehicles with p <= at. Honest where share <= at."""

    vehicles: int
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Suspect:
    """A reference whose label its own catalogue doubts. why: stable code; sentence: for people."""

    reference: int
    source: str
    vehicle: str
    context: Context
    label: str
    why: str
    sentence: str


@dataclass(frozen=True, slots=True)
class ContextAudit:
    """One context. ranked: good vehicles behind a p-value, siblings' included."""

    context: Context
    simulated: bool
    ranked: int
    good: Tally
    faults: tuple[Tally, ...]
    curve: Curve

    @property
    def all_faults(self) -> tuple[int, int, int, int]:
        """Fault vehicles, and of them flagged, named right, named wrong."""
        return _summed(self.faults)


@dataclass(frozen=True, slots=True)
class SystemAudit:
    """One system. good, faults: over its contexts.  mild, severe: faults by severity, flagged
    and in all, where it is known."""

    system: str
    contexts: tuple[ContextAudit, ...]
    good: Tally
    faults: tuple[Tally, ...]
    curve: Curve
    mild: tuple[int, int]
    severe: tuple[int, int]
    thin: tuple[Thin, ...]
    suspects: tuple[Suspect, ...]

    @property
    def simulated(self) -> bool:
        return any(one.simulated for one in self.contexts)

    @property
    def all_faults(self) -> tuple[int, int, int, int]:
        """Fault vehicles, and of them flagged, named right, named wrong."""
        return _summed(self.faults)

    @property
    def within_wanted(self) -> bool:
        """At most 1 in WANTED good vehicles called odd."""
        return self.good.flagged * WANTED <= self.good.vehicles


@dataclass(frozen=True, slots=True)
class AuditReport:
    """How: 'left-out' (references judged by the others) or 'held-back' (vehicles never seen).

    waiting: systems whose starter references were not loaded, so not looked at.
    """

    how: str
    alpha: float
    systems: tuple[SystemAudit, ...]
    waiting: tuple[str, ...] = ()


def _summed(faults: Sequence[Tally]) -> tuple[int, int, int, int]:
    return (
        sum(f.vehicles for f in faults), sum(f.flagged for f in faults),
        sum(f.right for f in faults), sum(f.wrong for f in faults),
    )  # fmt: skip


def words_of(tallies: Iterable[Tally]) -> tuple[str, ...]:
    """All that anything was called, the plain words first, then the faults' names."""
    found = {word for tally in tallies for word in (*tally.called, tally.label)} - {"good"}
    return tuple(w for w in PLAIN if w in found) + tuple(sorted(found - set(PLAIN)))


# --- from a model's left-out figures to rows ---------------------------------------------------


def judged_rows(model: SystemModel, references: Sequence[Reference]) -> tuple[Judged, ...]:
    """Each row of a model judged by the other vehicles. references: one per row of its data.

    A good vehicle is ranked among the other good ones, a fault's vehicle among all good vehicles
    but itself (it may have been captured after the repair too). Rows that cannot be judged, such
    as the only two good vehicles, are left out.
    """
    data = model.data
    good = data.good & np.isfinite(model.total)
    vehicles = np.unique(data.vehicle[good])
    oddest = per_vehicle(model.total[good], data.vehicle[good])
    namers = {int(v): learn_namer(data, model.left, int(v)) for v in np.unique(data.vehicle)}
    out = []
    for i in np.flatnonzero(np.isfinite(model.total)):
        reference, vehicle = references[i], int(data.vehicle[i])
        others, total = oddest[vehicles != vehicle], float(model.total[i])
        name, sure = _name(model, int(i), namers[vehicle])
        out.append(
            Judged(
                reference.id, reference.source, reference.vehicle, reference.context,
                reference.fault, reference.simulated, p_value(others, total),
                stray_of(model, total), int(others.size), name, sure, _far_out(others, total),
                _severity(reference.tags),
            )
        )  # fmt: skip
    return tuple(out)


def _name(model: SystemModel, i: int, namer: Namer | None) -> tuple[str, float]:
    """The fault row i would be named as by the other vehicles, and how surely; "" for none."""
    left = model.left
    along = left.along[i]
    if namer is None or not np.isfinite(along).any():
        return "", 0.0
    good_size = left.usual_size(model.data.good)
    best, evidence = likeness_of(along, left.length[i], float(left.size[i]), good_size)
    sure = float(namer.sure(evidence[None, :])[0])
    vehicle = int(model.data.vehicle[i])
    typical = typicality(model, best, float(along[best]), float(left.size[i]), vehicle)
    if sure < NAME_ABOVE or typical < TYPICAL_AT_LEAST:
        return "", sure
    return model.data.fault_names[best], sure


def _far_out(others: np.ndarray, total: float) -> bool:
    if others.size < QUARTILES_FROM:
        return False
    low, high = np.quantile(others, [0.25, 0.75])
    return bool(total > high + FAR_OUT * (high - low))


def _severity(tags: Mapping[str, str]) -> float | None:
    try:
        return float(tags["severity"])
    except (KeyError, ValueError):
        return None


# --- from rows to a report ---------------------------------------------------------------------


def report(
    how: str,
    rows: Mapping[str, tuple[Sequence[Judged], Sequence[Thin]]],
    alpha: float,
    waiting: Sequence[str] = (),
) -> AuditReport:
    """The report on systems: name -> (rows, contexts that could not be judged)."""
    systems = tuple(_system(name, *found, alpha) for name, found in rows.items())
    return AuditReport(how, alpha, systems, tuple(waiting))


def _system(name: str, rows: Sequence[Judged], thin: Sequence[Thin], alpha: float) -> SystemAudit:
    whole = one_per_vehicle(rows)
    order = sorted({r.context for r in rows}, key=lambda c: (c.engine_family, c.condition))
    contexts = tuple(_context(c, [r for r in whole if r.context == c], alpha) for c in order)
    graded = [r for r in whole if r.fault and r.severity is not None]
    mild = [r for r in graded if r.severity is not None and r.severity < 0.5]
    severe = [r for r in graded if r.severity is not None and r.severity >= 0.5]
    return SystemAudit(
        name, contexts, _tally("good", whole, alpha), _faults(whole, alpha), curve_of(whole),
        _flagged_of(mild, alpha), _flagged_of(severe, alpha),
        (*thin, *_too_few(contexts, alpha)), tuple(_suspects(rows, alpha)),
    )  # fmt: skip


def one_per_vehicle(rows: Sequence[Judged]) -> list[Judged]:
    """The oddest capture of each vehicle, context and label: the vehicle is what is counted."""
    oddest: dict[tuple[str, Context, str], Judged] = {}
    for row in rows:
        key = (row.vehicle, row.context, row.fault)
        if key not in oddest or _oddness(row) > _oddness(oddest[key]):
            oddest[key] = row
    return list(oddest.values())


def _oddness(row: Judged) -> tuple[float, float]:
    return (-2.0 if row.p_value is None else -row.p_value), row.stray


def _context(context: Context, rows: Sequence[Judged], alpha: float) -> ContextAudit:
    good = [r.ranked for r in rows if not r.fault and r.p_value is not None]
    return ContextAudit(
        context, any(r.simulated for r in rows),
        min(good or [r.ranked for r in rows]), _tally("good", rows, alpha),
        _faults(rows, alpha), curve_of(rows),
    )  # fmt: skip


def _tally(label: str, rows: Iterable[Judged], alpha: float) -> Tally:
    mine = [r for r in rows if (r.fault or "good") == label]
    return Tally(label, dict(Counter(r.called(alpha) for r in mine)))


def _faults(rows: Sequence[Judged], alpha: float) -> tuple[Tally, ...]:
    return tuple(_tally(fault, rows, alpha) for fault in sorted({r.fault for r in rows} - {""}))


def _flagged_of(rows: Sequence[Judged], alpha: float) -> tuple[int, int]:
    return sum(r.called(alpha) not in ("normal", "undecided", "unfit") for r in rows), len(rows)


def curve_of(rows: Iterable[Judged]) -> Curve:
    """Calibration of the good vehicles among rows."""
    p = np.array([r.p_value for r in rows if not r.fault and r.p_value is not None])
    return Curve(p.size, tuple((a, float(np.mean(p <= a)) if p.size else 0.0) for a in CURVE_AT))


def _too_few(contexts: Sequence[ContextAudit], alpha: float) -> list[Thin]:
    """Contexts whose p-values cannot get down to alpha."""
    return [
        Thin(
            one.context, one.good.vehicles,
            f"{one.ranked} other good vehicles stand behind a p-value, which then cannot be below "
            f"{smallest(one.ranked):.2g}: nothing can be called odd at {alpha:g}",
        )
        for one in contexts
        if smallest(one.ranked) > alpha
    ]  # fmt: skip


def _suspects(rows: Sequence[Judged], alpha: float) -> list[Suspect]:
    """References whose label the others doubt, good ones first."""
    found = []
    for row in rows:
        why, sentence = _doubt(row, alpha)
        if why:
            label = row.fault or "good"
            found.append(
                Suspect(row.reference, row.source, row.vehicle, row.context, label, why, sentence)
            )
    return sorted(found, key=lambda s: (s.label != "good", s.label, s.reference))


def _doubt(row: Judged, alpha: float) -> tuple[str, str]:
    if row.p_value is None:
        return "", ""
    odd = row.p_value <= max(alpha, smallest(row.ranked))
    if not row.fault and odd and row.name:
        return "good-among-faults", (
            f"called good, but the other vehicles name it {row.name} "
            f"(stray {row.stray:.2g}, p {row.p_value:.2g})"
        )
    if not row.fault and row.far:
        return "good-far-out", (
            f"called good, but lies far from all other good vehicles (stray {row.stray:.2g})"
        )
    if row.fault and row.p_value > INSIDE_ABOVE:
        return "fault-inside-good", (
            f"called {row.fault}, but lies further inside than half of the good vehicles "
            f"(stray {row.stray:.2g}, p {row.p_value:.2g}): repaired, mild, or not to be seen here"
        )
    return "", ""
