"""What the exit code says. The one table; the README's is generated from it."""

from __future__ import annotations

from collections.abc import Iterable

FINE = 0
STRAYS = 1
CANNOT_BE_USED = 2
CANNOT_TELL = 3
OWN_FAULT = 70
STOPPED = 130
READER_GONE = 141

EXITS: tuple[tuple[int, str, str], ...] = (
    (FINE, "check FILE", "normal"),
    (STRAYS, "check FILE", "strays, or known-fault"),
    (CANNOT_TELL, "check FILE", "undecided, or unfit to be judged"),
    (FINE, "check --manifest", "every line was answered"),
    (STRAYS, "check --manifest", "some file could not be read; its line says why"),
    (FINE, "add --manifest", "every line was added"),
    (STRAYS, "add --manifest", "some line was refused; each is listed with its reason"),
    (FINE, "sweep", "no event strays"),
    (STRAYS, "sweep", "some events stray; each is listed"),
    (CANNOT_TELL, "sweep", "too few events to tell an odd one"),
    (STRAYS, "verify", "damage was found; it is listed"),
    (
        CANNOT_BE_USED,
        "every command",
        "wrong usage, or a file that cannot be used; one line says why",
    ),
    (FINE, "every other command", "done"),
    (OWN_FAULT, "every command", "a mistake in straygauge itself; please report the line"),
    (STOPPED, "every command", "stopped by Ctrl-C; nothing half-done is left"),
    (READER_GONE, "every command", "the program that read the output went away"),
)

_OF_VERDICT = {
    "normal": FINE,
    "strays": STRAYS,
    "known-fault": STRAYS,
    "undecided": CANNOT_TELL,
    "unfit": CANNOT_TELL,
    "unreadable": CANNOT_BE_USED,
}


def of_verdict(verdict: str) -> int:
    """The exit code of `check FILE`."""
    return _OF_VERDICT[verdict]


def of_sweep(*, too_few: bool, found: int) -> int:
    """The exit code of `sweep`."""
    return CANNOT_TELL if too_few else STRAYS if found else FINE


def of_batch(verdicts: Iterable[str]) -> int:
    """The exit code of `check --manifest`."""
    return STRAYS if "unreadable" in set(verdicts) else FINE
