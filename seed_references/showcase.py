"""Example captures for README and first tries: held-back vehicles as small CSV files."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from seed_references import build
from seed_references.model import Model
from seed_references.vehicles import Simulated

FOLDER = Path(__file__).with_name("examples")
MOST_BYTES = 190_000
_TRIES = 20
_SEVERITY = 2  # of the held-back severities, mild to severe
_UNITS = (("s", 1.0), ("ms", 1e3), ("us", 1e6))


@dataclass(frozen=True, slots=True)
class Example:
    """Which held-back vehicle a file shows. context: place among the model's contexts."""

    name: str
    system: str
    fault: str
    context: int = 0


EXAMPLES = (
    Example("alternator-ripple-open-diode", "alternator-ripple", "diode-open"),
    Example("fuel-pump-current-good", "fuel-pump-current", ""),
    Example("ignition-secondary-worn-plug", "ignition-secondary", "wide-gap"),
    Example("can-hs-good", "can-hs", ""),
    Example("ckp-inductive-good", "ckp-inductive", ""),
    Example("starter-current-low-cylinder", "starter-current", "low-cylinder"),
)


def write_examples(folder: Path = FOLDER) -> list[Path]:
    """Writes every example whose system has a model; the same bytes each time."""
    models = build.discover()
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for example in EXAMPLES:
        if example.system not in models:
            continue
        path = folder / f"{example.name}.csv"
        model = models[example.system]
        path.write_bytes(csv_of(model, chosen(model, example)).encode())
        written.append(path)
    return written


def chosen(model: Model, example: Example) -> Simulated:
    """The first held-back vehicle of that kind that was recorded with 12 bits, if any was."""
    context = model.contexts[example.context]
    wanted = [
        job
        for job in build.jobs(model, "held-back", _TRIES, build.HELD_PER_FAULT)
        if (job.engine_family, job.condition) == context and job.fault == example.fault
    ]
    if example.fault:
        return build.simulate(wanted[_SEVERITY])
    found = [build.simulate(job) for job in wanted[:_TRIES]]
    return next((one for one in found if one.instrument.bits == 12), found[0])


def csv_of(model: Model, one: Simulated) -> str:
    """Preamble, names, units and as many rows as MOST_BYTES hold."""
    job, rate = one.job, one.stored.rate_hz
    unit, factor = next(
        (u for u in _UNITS if u[1] / rate >= 1e-3), _UNITS[-1]
    )  # steps of a thousandth or more keep the time column short
    said = f"fault: {job.fault}, severity {job.severity:g}" if job.fault else "good"
    coupling = "ac" if one.instrument.ac_corner_hz > 0.0 else "dc"
    head = [
        "# simulated capture, not from a real vehicle",
        f"# system {job.system}, engine family {job.engine_family}, condition {job.condition}",
        f"# {said}; coupling {coupling}; {one.instrument.bits} bits; seed {job.seed}",
        ",".join(["time", *(role for role, _ in model.channels)]),
        ",".join([unit, *(channel_unit for _, channel_unit in model.channels)]),
    ]
    places = [_places(step) for step in one.stored.steps]
    step = factor / rate
    time_places = next((p for p in range(6) if abs(step - round(step, p)) < 1e-9 * step), 6)
    rows = list(head)
    size = sum(len(line) + 1 for line in head)
    for n, values in enumerate(one.stored.samples.T):
        texts = (f"{value:.{p}f}" for value, p in zip(values, places, strict=True))
        line = ",".join([f"{n * step:.{time_places}f}", *texts])
        size += len(line) + 1
        if size > MOST_BYTES:
            break
        rows.append(line)
    return "\n".join(rows) + "\n"


def _places(step: float) -> int:
    """Decimal places that keep steps of this size apart, a fifth of a step exactly."""
    return max(0, math.ceil(-math.log10(step) + math.log10(2.0) - 1e-9))
