"""Held-back simulated vehicles against the packed references, a row per system, for DEVELOPERS.md.

    python -m tests.benchmarks held_back                      runs the audit, prints the table
    python -m tests.benchmarks held_back --write              and puts it into DEVELOPERS.md
    python -m tests.benchmarks held_back --from REPORT.json   reads `audit --held-back --json`

It takes about 10 s of processor time per system.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from matching.audit import WANTED

PAGE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
NAME = "held-back"
HEAD = (
    "system", "good", "called odd", "no answer", "faults", "flagged", "no answer", "named right",
    "named wrong", "mild flagged", "fault flagged least",
)  # fmt: skip


def table_of(told: Mapping[str, Any]) -> str:
    """The Markdown table of a report as JSON (straygauge.audit/1), its totals last."""
    rows = [_row(system) for system in told["systems"]]
    counts = [_counts(system) for system in told["systems"]]
    total = [sum(column) for column in zip(*counts, strict=True)]
    rows.append(["all", *_shown(total), ""])
    lines = ["| " + " | ".join(cells) + " |" for cells in ([*HEAD], *rows)]
    lines.insert(1, "|---" + "|--:" * (len(HEAD) - 2) + "|---|")
    return "\n".join(lines) + "\n"


def _row(system: Mapping[str, Any]) -> list[str]:
    over = "" if system["within_wanted"] else " !"
    return [f"`{system['system']}`{over}", *_shown(_counts(system)), _weakest(system["faults"])]


def _counts(system: Mapping[str, Any]) -> list[int]:
    good, faults = system["good"], system["faults"]

    def of(key: str) -> int:
        return sum(fault[key] for fault in faults)

    return [
        good["vehicles"], good["flagged"], good["unanswered"],
        of("vehicles"), of("flagged"), of("unanswered"), of("named_right"), of("named_wrong"),
        system["mild"]["flagged"], system["mild"]["vehicles"],
    ]  # fmt: skip


def _shown(counts: Sequence[int]) -> list[str]:
    *plain, mild, of = map(str, counts)
    return [*plain, f"{mild} of {of}"]


def _weakest(faults: Sequence[Mapping[str, Any]]) -> str:
    """The fault that was flagged least, unless all of every fault were."""
    least = min(faults, key=lambda f: f["flagged"] / max(f["vehicles"], 1), default=None)
    if least is None or least["flagged"] == least["vehicles"]:
        return ""
    return f"{least['label']} ({least['flagged']} of {least['vehicles']})"


def filled(page: str, told: Mapping[str, Any]) -> str:
    """The page with the table between its marks written anew."""
    text = (
        f"{table_of(told)}\n`!`: more than 1 in {WANTED} good vehicles called odd at alpha "
        f"{told['alpha']:g}; mild: severity below 0.5.\n"
    )
    page, count = re.subn(
        f"(<!-- {NAME} -->\n).*?(<!-- end {NAME} -->)", lambda m: m[1] + text + m[2], page,
        flags=re.S,
    )  # fmt: skip
    if count != 1:
        raise SystemExit(f"{PAGE.name}: expected one part '{NAME}', found {count}")
    return page


def main(arguments: Sequence[str]) -> int:
    """Makes or reads the report; prints the table, or writes it into the page."""
    parser = argparse.ArgumentParser("held_back", description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--from", dest="source", type=Path)
    asked = parser.parse_args(arguments)
    told = json.loads(asked.source.read_text("utf-8")) if asked.source else _made()
    if told["how"] != "held-back" or told["schema"] != "straygauge.audit/1":
        print("held_back: expected the JSON of `audit --held-back`, found another", file=sys.stderr)
        return 2
    if asked.write:
        PAGE.write_text(filled(PAGE.read_text("utf-8"), told), "utf-8")
    else:
        print(table_of(told), end="")
    return 0


def _made() -> dict[str, Any]:
    from cli.progress import shown_progress
    from matching.audit_json import to_json
    from matching.consult.held_back import audit_held_back

    with shown_progress() as progress:
        return to_json(audit_held_back(progress=progress))
