"""An invented workshop: small capture files, and a catalogue without starter references."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np

from matching.answer import (
    Answer,
    Basis,
    Deviation,
    EventStray,
    Finding,
    NamedFault,
    NearFault,
    NearGood,
    Overlay,
    Reading,
    Term,
)
from matching.consult.starter import open_with_starters, want_starters
from refdb.catalogue import Catalogue
from refdb.records import Context
from tests.builders_catalogue import ROOT


def bare_catalogue(place: Path) -> Path:
    """A new catalogue that wants no starter references; gives its path."""
    with Catalogue.open(place) as catalogue:
        want_starters(catalogue, False)
    with open_with_starters(place) as catalogue:
        assert not want_starters(catalogue)
    return place


def straygauge(folder: Path, *arguments: str, before: str = "") -> tuple[int, str, str]:
    """Exit code, output and errors of `main` in a process of its own.

    before: code to run first, when every module that the command needs is loaded.
    """
    code = f"""
import alembic.command, matching.consult.check, matching.consult.enrol, matching.consult.shelf
import cli.console, cli.records
from cli.main import main
{before}
main({list(arguments)!r})
"""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=folder, capture_output=True, text=True, timeout=240,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


def ripple_csv(place: Path, seed: int = 1, missing: bool = False, seconds: float = 0.1) -> Path:
    """A generator's AC ripple at 50 kHz: six humps in a period of 8 ms, or five."""
    random = np.random.default_rng(seed)
    rate = 50_000.0
    t = np.arange(int(seconds * rate)) / rate
    period = 0.008 * (1 + 0.02 * random.standard_normal())
    hump = np.abs(np.sin(6 * np.pi * t / period))
    if missing:
        hump = np.where((t / period) % 1.0 < 1 / 6, -0.5, hump)
    volts = 0.2 * hump * (1 + 0.1 * random.standard_normal())
    volts = volts - volts.mean() + 0.005 * random.standard_normal(t.size)
    rows = "".join(f"{a:.6f},{b:.4f}\n" for a, b in zip(t, volts, strict=True))
    place.write_text("time (s),ripple (V)\n" + rows, "utf-8")
    return place


def overlay(points: int = 256) -> Overlay:
    """Two channels; the first one's typical event is too low between 140 and 183 degrees."""
    axis = np.linspace(0.0, 360.0, points)
    middle = np.stack([0.3 * np.abs(np.sin(np.radians(3 * axis))) + 0.1, np.sin(np.radians(axis))])
    usual = middle.copy()
    usual[0, (axis > 140) & (axis < 183)] -= 0.25
    return Overlay(
        axis, "deg", ("ripple", "sync"), ("V", "V"), usual, middle - 0.05, middle, middle + 0.05,
        0.8 * middle, "open-diode", None, usual[None],
    )  # fmt: skip


def answer(**changes: object) -> Answer:
    """An answer with something in every part of it."""
    facts: dict = {
        "path": "cars/a.csv",
        "sha256": "0" * 64,
        "context": Context("alternator-ripple", "brisk-4", "idle"),
        "basis": Basis("family", 30, 18, True, True, 120, "compared with other families"),
        "fitness": (Finding("rate-low", "limiting", "record at 1 MS/s to have edges judged"),),
        "verdict": "known-fault",
        "stray": 2.314,
        "p_value": 0.0083,
        "alpha": 0.05,
        "summary": "one hump in six is missing",
        "terms": (Term("shape", 3.1, 0.62, "one hump is low"), Term("timing", 1.4, 0.38)),
        "nearest_good": (NearGood(12, 1.23, 0.9),),
        "nearest_fault": (NearFault(40, "open-diode", 0.8, 0.44, "rectifier replaced"),),
        "fault": NamedFault("open-diode", 0.44, 3.2),
        "measurements": (
            Reading("ripple-pp", 0.61, "V", 0.1, 0.5, "outside", "30 good vehicles"),
            Reading("hum", 1.0, "1", 0.9, None, "inside", "30 good vehicles"),
            Reading("edge", None, "us", None, None, "not-judged", "sample rate too low"),
        ),
        "events": tuple(EventStray(i, 0.02 * i, 2.2 if i == 4 else 0.5) for i in range(12)),
        "deviations": (
            Deviation("ripple", 140.0, 183.0, "deg", -0.25, "V", "ripple is 0.25 V too low"),
        ),
        "cautions": ("Belts turn.",),
        "overlay": overlay(),
    }
    return Answer(**(facts | changes))
