"""A made-up system that is quick to judge: a hum of some 50 Hz, one channel, two measurements.

Good cars hum as a sine with a little third harmonic; fault `third` has much of it, `weak` half
the size. Amplitudes and rates differ from car to car by a few per cent.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

from matching.consult.shelves import Shelf
from matching.model.data import SystemData, build
from matching.profile import Profile, inspect
from refdb.cards import SystemCard, parse_card
from refdb.records import Capture, Channel, Context, Reference

HUM_TOML = """
name = "hum"
title = "Mains hum"
aliases = ["buzz"]
coupling = "any"
cautions = ["rotating-parts"]

[[channels]]
role = "hum"
unit = "V"

[conditions]
idle = "at rest"
load = "loaded"

[events]
rule = "cycles"
unit_name = "cycle"
points = 128
min_events = 2
params = { low_hz = 20.0, high_hz = 200.0 }

[[measurements]]
name = "rms"
function = "ac-rms"
unit = "V"
log = true
text = "size of the hum"

[[measurements]]
name = "rate"
function = "event-rate"
unit = "Hz"
group = "timing"
log = true
text = "hums per second"

[fitness]
min_rate_hz = 1000.0
min_duration_s = 0.05

[plan]
expected_peak = 1.5
peak_source = "made up"
shortest_feature_s = 0.002
slowest_cycle_s = 0.02

[faults]
third = "a third harmonic rides on the hum."
weak = "the hum is half its size"
"""
RATE = 4000.0
FAULTS = ("", "third", "weak")


def hum_card() -> SystemCard:
    return parse_card(HUM_TOML, "hum.toml")


def hum_samples(seed: int, fault: str = "", offset: float = 0.0, n: int = 1200, amplitude=1.0):
    """Samples (n,) in volts at 4 kHz, different for every seed."""
    random = np.random.default_rng(seed)
    a, b, c = random.standard_normal(3)
    angle = 2 * np.pi * 50.0 * (1 + 0.02 * a) * np.arange(n) / RATE
    size = amplitude * (1 + 0.05 * b) * (0.5 if fault == "weak" else 1.0)
    third = (0.35 if fault == "third" else 0.0) + 0.02 * c
    wave = size * (np.sin(angle) + third * np.sin(3 * angle))
    return wave + offset + 0.01 * amplitude * random.standard_normal(n)


def hum_capture(seed: int, fault: str = "", offset: float = 0.0, **changes) -> Capture:
    samples = hum_samples(seed, fault, offset, **{k: changes.pop(k) for k in ("n", "amplitude")
                                                  if k in changes})  # fmt: skip
    facts: dict = {
        "samples": samples[None], "rate_hz": RATE, "channels": (Channel("hum", "V"),),
        "coupling": "dc", "attenuation": 1.0, "scale": 1.0, "source": f"hum-{seed}.csv",
        "sha256": f"{seed:064d}",
    }  # fmt: skip
    return Capture(**(facts | changes))


@cache
def hum_profile(seed: int, fault: str = "", offset: float = 0.0) -> Profile:
    return inspect(hum_card(), hum_capture(seed, fault, offset), {}).profile


def hum_csv(place: Path, seed: int, fault: str = "", offset: float = 0.0, n: int = 1200) -> Path:
    """The same as a capture file with a time column."""
    place.parent.mkdir(parents=True, exist_ok=True)
    t = np.arange(n) / RATE
    wave = hum_samples(seed, fault, offset, n)
    rows = "".join(f"{a:.6f},{b:.4f}\n" for a, b in zip(t, wave, strict=True))
    place.write_text("time (s),hum (V)\n" + rows, "utf-8")
    return place


# --- what a library is made of: (seed, fault, context, vehicle) -----------------------------------

IDLE, LOAD = Context("hum", "tarn-8", "idle"), Context("hum", "tarn-8", "load")


def members(good=10, per_fault=4, context=IDLE, first=0, faults=FAULTS[1:]):
    """Cars of one context, one capture each; seeds are the vehicles' numbers."""
    out = [(first + i, "", context, f"car {first + i}") for i in range(good)]
    seed = first + 50
    for fault in faults:
        for _ in range(per_fault):
            out.append((seed, fault, context, f"car {seed}"))
            seed += 1
    return out


def offset_of(context: Context) -> float:
    """The loaded condition sits two volts higher, which is no fault."""
    return 2.0 if context.condition == "load" else 0.0


def hum_data(library, groups=None) -> SystemData:
    """The library as a model sees it: contexts in order of first appearance."""
    contexts = list(dict.fromkeys(context for _, _, context, _ in library))
    vehicles = list(dict.fromkeys(vehicle for *_, vehicle in library))
    faults = tuple(sorted({fault for _, fault, *_ in library if fault}))
    return build(
        hum_card(),
        [hum_profile(seed, fault, offset_of(context)) for seed, fault, context, _ in library],
        np.array([0 if groups else contexts.index(m[2]) for m in library]),
        np.array([vehicles.index(m[3]) for m in library]),
        np.array([faults.index(m[1]) if m[1] else -1 for m in library]),
        1 if groups else len(contexts),
        faults,
        groups,
    )


def reference(number: int, member, **changes) -> Reference:
    seed, fault, context, vehicle = member
    facts: dict = {
        "id": number, "context": context, "label": "fault" if fault else "good",
        "vehicle": vehicle, "fault": fault, "origin": "captured", "state": "accepted",
        "confirmed_fix": "", "note": "", "tags": {}, "source": f"hum-{seed}.csv",
        "sha256": f"{seed:064d}", "rate_hz": RATE, "n_samples": 1200,
        "channels": (Channel("hum", "V"),), "coupling": "dc", "attenuation": 1.0, "scale": 1.0,
        "added_at": "2026-01-01T00:00:00+00:00",
    }  # fmt: skip
    return Reference(**(facts | changes))


def hum_shelf(library, **changes) -> Shelf:
    """The library on a shelf, without any catalogue."""
    references = tuple(reference(i + 1, member, **changes) for i, member in enumerate(library))
    profiles = {
        r.id: hum_profile(seed, fault, offset_of(context))
        for r, (seed, fault, context, _) in zip(references, library, strict=True)
    }
    return Shelf(hum_card(), "1", references, profiles, {})
