"""The answer to one check: frozen records, and their JSON (schema straygauge.check/1)."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

import numpy as np

from matching.recording import Recording
from matching.tools import Floats
from refdb.records import Context

SCHEMA = "straygauge.check/1"
Verdict = Literal["normal", "strays", "known-fault", "undecided", "unfit", "unreadable"]
Severity = Literal["blocking", "limiting"]
Level = Literal["exact", "condition", "family", "system", "none"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing the fitness check noticed. code: stable; message: what to do, one sentence."""

    code: str
    severity: Severity
    message: str


@dataclass(frozen=True, slots=True)
class Basis:
    """What the answer rests on. n_good, n_fault: vehicles. borrowed: spread or ranks of sibling
    contexts were used as well.  pool: good vehicles behind the p-value.  note: in plain words."""

    level: Level
    n_good: int
    n_fault: int
    simulated: bool
    borrowed: bool = False
    pool: int = 0
    note: str = ""


@dataclass(frozen=True, slots=True)
class Term:
    """One kind of difference: its own stray (1 = edge of the good spread), its share of the sum."""

    name: str
    stray: float
    share: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class NearGood:
    """A good reference near the capture. distance: warped, in good spreads per point."""

    reference: int
    distance: float
    stray: float


@dataclass(frozen=True, slots=True)
class NearFault:
    """A fault reference near the capture. p_value: how typical the capture is of that fault."""

    reference: int
    fault: str
    distance: float
    p_value: float
    confirmed_fix: str


@dataclass(frozen=True, slots=True)
class NamedFault:
    """The fault the capture resembles. margin: lead over the next fault, in good spreads."""

    name: str
    p_value: float
    margin: float


@dataclass(frozen=True, slots=True)
class Reading:
    """One measurement against the good references' range (or the card's default range)."""

    name: str
    value: float | None
    unit: str
    low: float | None
    high: float | None
    state: Literal["inside", "outside", "not-judged"]
    source: str
    text: str = ""


@dataclass(frozen=True, slots=True)
class EventStray:
    """One event: when it starts in the recording, and its stray (1 = edge of the good events)."""

    index: int
    start_s: float
    stray: float


@dataclass(frozen=True, slots=True)
class Deviation:
    """A place where the typical event leaves the good spread; from/to on the event axis."""

    channel: str
    start: float
    stop: float
    axis_unit: str
    size: float
    unit: str
    sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class NearCurve:
    """A near reference's typical event: (channels, points). fault: "" for a good one."""

    reference: int
    fault: str
    curve: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Overlay:
    """Curves for pictures; not part of the JSON.

    axis: (points,); usual: (channels, points) of the capture; low, middle, high: the good 5, 50
    and 95 percent; fault: the nearest fault's usual event or None; events: (events, channels,
    points).  near: the nearest references, good ones and faults, nearest first.
    """

    axis: Floats
    axis_unit: str
    roles: tuple[str, ...]
    units: tuple[str, ...]
    usual: Floats
    low: Floats
    middle: Floats
    high: Floats
    fault: Floats | None
    fault_name: str
    good: Floats | None
    events: np.ndarray
    near: tuple[NearCurve, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """Everything one check found. Printed, written as JSON and drawn from, never recomputed."""

    path: str
    sha256: str
    context: Context
    basis: Basis
    fitness: tuple[Finding, ...]
    verdict: Verdict
    stray: float | None
    p_value: float | None
    alpha: float
    summary: str
    terms: tuple[Term, ...] = ()
    nearest_good: tuple[NearGood, ...] = ()
    nearest_fault: tuple[NearFault, ...] = ()
    fault: NamedFault | None = None
    measurements: tuple[Reading, ...] = ()
    events: tuple[EventStray, ...] = ()
    deviations: tuple[Deviation, ...] = ()
    cautions: tuple[str, ...] = ()
    error: str = ""
    overlay: Overlay | None = field(default=None, compare=False, repr=False)
    recording: Recording | None = field(default=None, compare=False, repr=False)


def standing(answer: Answer) -> Literal["inside", "edge", "outside"] | None:
    """Where the stray lies. outside: p at or below alpha, or beyond the edge where nothing can
    be proved (undecided); edge: beyond 1, but good vehicles go there too at this alpha; None: no
    stray."""
    if answer.stray is None or answer.p_value is None:
        return None
    if answer.verdict in ("strays", "known-fault"):
        return "outside"
    if answer.verdict == "undecided" and answer.stray > 1.0:
        return "outside"
    return "edge" if answer.stray > 1.0 else "inside"


def to_json(answer: Answer) -> dict[str, Any]:
    """The stable, documented JSON of an answer; numbers rounded to what they are worth."""
    out: dict[str, Any] = {"schema": SCHEMA, "path": answer.path, "sha256": answer.sha256}
    if answer.verdict == "unreadable":
        return out | {"verdict": "unreadable", "error": answer.error, "summary": answer.summary}
    out["context"] = asdict(answer.context)
    out["basis"] = asdict(answer.basis)
    out["fitness"] = [asdict(f) for f in answer.fitness]
    out |= {"verdict": answer.verdict, "stray": answer.stray, "p_value": answer.p_value}
    out["alpha"] = answer.alpha
    for name in ("terms", "nearest_good", "nearest_fault"):
        out[name] = [asdict(item) for item in getattr(answer, name)]
    out["fault"] = asdict(answer.fault) if answer.fault else None
    out["measurements"] = [asdict(item) for item in answer.measurements]
    out["events"] = [asdict(item) for item in answer.events]
    out["deviations"] = [_deviation(item) for item in answer.deviations]
    out["cautions"] = list(answer.cautions)
    out["summary"] = answer.summary
    return rounded(out)  # type: ignore[no-any-return]


def _deviation(item: Deviation) -> dict[str, Any]:
    whole = asdict(item)
    return {
        "channel": whole.pop("channel"),
        "from": whole.pop("start"),
        "to": whole.pop("stop"),
    } | whole


def rounded(value: Any) -> Any:
    """Floats to six significant digits; NaN and infinity, which JSON lacks, to null."""
    if isinstance(value, float):
        return float(f"{value:.6g}") if np.isfinite(value) else None
    if isinstance(value, dict):
        return {k: rounded(v) for k, v in value.items()}
    if isinstance(value, list):
        return [rounded(v) for v in value]
    return value
