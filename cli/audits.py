"""An audit for a person at a terminal: contexts in a table, then what deserves a second look."""

from __future__ import annotations

from collections.abc import Sequence

from cli.sheet import Sheet
from cli.words import counted, number, where
from matching.audit import WANTED, AuditReport, SystemAudit, Tally, words_of

HOW = {
    "left-out": (
        "Each reference was judged by the other vehicles only. Over all contexts of a system the "
        "share of good vehicles called odd is at most alpha by the way p-values are made; look at "
        "how it falls on the contexts, and at the faults."
    ),
    "held-back": (
        "Simulated vehicles that are in no catalogue were judged by the simulated starter "
        "references. The vehicles are new, the physics and the instruments are not: captures of "
        "real vehicles will fare worse."
    ),
}
SIMULATED = "Simulated references and vehicles are marked *."
OVER = f"! more than 1 in {WANTED} good vehicles called odd (our own bar, no standard)"


def print_report(report: AuditReport, *, full: bool) -> None:
    """Prints a report. full: the confusion table and the calibration of each system too."""
    sheet = Sheet()
    sheet.say(HOW[report.how])
    sheet.say(f"alpha {number(report.alpha)}; every count is of vehicles")
    if report.systems:
        sheet.gap()
        _contexts(report, sheet)
    for system in report.systems:
        if full:
            _confusion(system, sheet)
            _calibration(system, sheet)
        _second_look(system, sheet)
    if report.waiting:
        sheet.gap()
        sheet.say(
            f"{counted(len(report.waiting), 'more system')} with simulated starter references that "
            "were never asked for, so not looked at; name one with --system",
            hang=2,
        )


def _contexts(report: AuditReport, sheet: Sheet) -> None:
    rows = [("context", "good", "odd", "no answer", "faults", "flagged", "named", "wrongly", "")]
    for system in report.systems:
        for one in system.contexts:
            faults, flagged, right, wrong = one.all_faults
            rows.append(
                (
                    where(one.context), str(one.good.vehicles), str(one.good.flagged),
                    str(one.good.unanswered), str(faults), str(flagged), str(right), str(wrong),
                    "*" if one.simulated else "",
                )
            )  # fmt: skip
        faults, flagged, right, wrong = system.all_faults
        if len(system.contexts) > 1:
            rows.append(
                (
                    f"{system.system}, all", str(system.good.vehicles), str(system.good.flagged),
                    str(system.good.unanswered), str(faults), str(flagged), str(right), str(wrong),
                    "" if system.within_wanted else "!",
                )
            )  # fmt: skip
        elif not system.within_wanted and system.contexts:
            rows[-1] = (*rows[-1][:-1], f"{rows[-1][-1]}!")
    sheet.columns(rows, "lrrrrrrrl", indent=0)
    if any(system.simulated for system in report.systems):
        sheet.say(SIMULATED)
    if not all(system.within_wanted for system in report.systems):
        sheet.say(OVER)


def _confusion(system: SystemAudit, sheet: Sheet) -> None:
    tallies = (system.good, *system.faults)
    words = words_of(tallies)
    if not words:
        return
    sheet.heading(f"{system.system}: what each was called")
    rows = [("", *words), *((tally.label, *_cells(tally, words)) for tally in tallies)]
    sheet.columns(rows, "l" + "r" * len(words))


def _cells(tally: Tally, words: Sequence[str]) -> list[str]:
    return [str(tally.called[word]) if tally.called.get(word) else "." for word in words]


def _calibration(system: SystemAudit, sheet: Sheet) -> None:
    if not system.curve.vehicles:
        return
    sheet.heading(f"{system.system}: share of {system.curve.vehicles} good vehicles with p <= a")
    names = ["all", *(where(one.context) for one in system.contexts)]
    curves = [system.curve, *(one.curve for one in system.contexts)]
    if len(system.contexts) == 1:
        names, curves = names[1:], curves[1:]
    rows = [("a", *(number(at) for at, _ in system.curve.points))]
    rows += [
        (name, *(f"{share:.3f}" for _, share in curve.points))
        for name, curve in zip(names, curves, strict=True)
    ]
    sheet.columns(rows, "l" + "r" * len(system.curve.points))


def _second_look(system: SystemAudit, sheet: Sheet) -> None:
    if system.suspects:
        sheet.heading(f"{system.system}: labels worth a second look")
        sheet.columns(
            [
                (
                    f"#{one.reference}" if one.reference else "", one.vehicle,
                    where(one.context), one.sentence,
                )
                for one in system.suspects
            ],
            "rlll",
        )  # fmt: skip
    if system.thin:
        sheet.heading(f"{system.system}: contexts too thin to answer")
        sheet.columns([(where(one.context), one.why) for one in system.thin], "ll")
