"""The JSON of an audit (schema straygauge.audit/1)."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from matching.audit import AuditReport, ContextAudit, Curve, SystemAudit, Tally

SCHEMA = "straygauge.audit/1"


def to_json(report: AuditReport) -> dict[str, Any]:
    """The stable JSON of a report. Counts are of vehicles; shares are of good vehicles."""
    return {
        "schema": SCHEMA,
        "how": report.how,
        "alpha": report.alpha,
        "systems": [_system(one) for one in report.systems],
        "waiting": list(report.waiting),
    }


def _system(one: SystemAudit) -> dict[str, Any]:
    return {
        "system": one.system,
        "simulated": one.simulated,
        "good": _tally(one.good),
        "within_wanted": one.within_wanted,
        "faults": [_tally(fault) for fault in one.faults],
        "mild": {"flagged": one.mild[0], "vehicles": one.mild[1]},
        "severe": {"flagged": one.severe[0], "vehicles": one.severe[1]},
        "calibration": _curve(one.curve),
        "contexts": [_context(context) for context in one.contexts],
        "too_thin": [asdict(thin) for thin in one.thin],
        "suspects": [asdict(suspect) for suspect in one.suspects],
    }


def _context(one: ContextAudit) -> dict[str, Any]:
    return {
        "context": asdict(one.context),
        "simulated": one.simulated,
        "ranked": one.ranked,
        "good": _tally(one.good),
        "faults": [_tally(fault) for fault in one.faults],
        "calibration": _curve(one.curve),
    }


def _tally(one: Tally) -> dict[str, Any]:
    counts: dict[str, Any] = {
        "label": one.label, "vehicles": one.vehicles, "flagged": one.flagged,
        "unanswered": one.unanswered, "named_wrong": one.wrong,
    }  # fmt: skip
    if one.label != "good":
        counts["named_right"] = one.right
    return counts | {"called": dict(one.called)}


def _curve(one: Curve) -> list[dict[str, float]]:
    return [{"at": at, "share": share} for at, share in one.points]
