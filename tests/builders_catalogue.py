"""Small captures and references for the catalogue's tests."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np

import refdb
from refdb.records import Capture, Channel, Context, NewReference

ROOT = Path(refdb.__file__).resolve().parents[1]


def capture(seed: int = 1, n: int = 400, channels: int = 2, **changes: object) -> Capture:
    """A noisy capture on a 10 mV grid, different for every seed."""
    noise = np.random.default_rng(seed).standard_normal((channels, n))
    samples = np.round(noise / 0.01) * 0.01
    facts: dict = {
        "samples": samples,
        "rate_hz": 1e4,
        "channels": tuple(Channel(f"ch{i}", "V") for i in range(channels)),
        "coupling": "dc",
        "attenuation": 1.0,
        "scale": 1.0,
        "source": f"capture-{seed}.csv",
        "sha256": hashlib.sha256(samples.tobytes()).hexdigest(),
    }
    return Capture(**(facts | changes))


def said(
    vehicle: str = "v1",
    fault: str = "",
    system: str = "alternator-ripple",
    family: str = "inline-4",
    condition: str = "idle",
    **changes: object,
) -> NewReference:
    """What a person says: good unless a fault is named."""
    facts: dict = {
        "context": Context(system, family, condition),
        "label": "fault" if fault else "good",
        "vehicle": vehicle,
        "fault": fault,
    }
    return NewReference(**(facts | changes))


def run_python(code: str, *arguments: str) -> str:
    """What a fresh interpreter prints when it runs `code`; fails the test if it fails."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        env=environment, cwd="/", capture_output=True, text=True, timeout=240,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout
