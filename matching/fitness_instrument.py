"""What is known of the instrument, used in the fitness step: range, rate, noise, step, drift.

Figures of the instrument are referred to its bare input; a capture's attenuation brings them to
the probe. Channels that are no plain volts (clamps, pickups) have a ratio of their own that a
capture does not tell apart from its scale, so only rate is judged on them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from matching.answer import Finding
from matching.fitness import Peers
from matching.plan import quantisation_step
from matching.profile import Inspection
from refdb.bench_records import Bench
from refdb.cards import SystemCard
from refdb.units import UNITS, dimension

# Noise or step above this share of the typical good swing hides small features; the same share
# as `matching.fitness` takes for the capture's own noise. Common practice, no source.
NOISE_SHARE = 0.05
# A reading this much above full scale says that range or attenuation are not what is on record.
BEYOND = 1.05


def with_instrument(
    found: Iterable[Finding],
    card: SystemCard,
    seen: Inspection,
    peers: Peers,
    bench: Bench | None,
) -> tuple[Finding, ...]:
    """Fitness findings with those that the instrument's record adds, blocking ones first.

    found: of `matching.fitness.assess`.  bench: None adds nothing.
    """
    found = tuple(found)
    if bench is None:
        return found
    clipped = any(one.code == "clipped" for one in found)
    more = [*_rate(seen, bench), *_channels(card, seen, peers, bench, clipped)]
    return tuple(sorted((*found, *more), key=lambda one: one.severity != "blocking"))


def _rate(seen: Inspection, bench: Bench) -> Iterator[Finding]:
    most = bench.instrument.rate_for(len(seen.profile.roles))
    if 0.0 < most < 0.99 * seen.rate_hz:
        yield Finding(
            "instrument-rate", "limiting",
            f"sampled at {seen.rate_hz:.4g} Hz, {bench.instrument.name} does at most {most:.4g} "
            "Hz with so many channels: check --rate, or the file was resampled",
        )  # fmt: skip


def _channels(
    card: SystemCard, seen: Inspection, peers: Peers, bench: Bench, clipped: bool
) -> Iterator[Finding]:
    for role, unit in zip(seen.profile.roles, seen.profile.units, strict=True):
        if dimension(unit) != "voltage" or unit == "kV":
            continue
        per_volt = seen.attenuation / UNITS[unit][1]
        yield from _range(role, unit, seen, bench, per_volt, clipped)
        yield from _small(card, role, unit, seen, peers, bench, per_volt)
        yield from _slow(role, unit, seen, peers, bench, per_volt)


def _range(
    role: str, unit: str, seen: Inspection, bench: Bench, per_volt: float, clipped: bool
) -> Iterator[Finding]:
    """Clipping at the range that is known, even where it never showed as a flat top."""
    one, fit = bench.instrument, seen.profile.fit
    full = one.range_v * per_volt
    step = quantisation_step(one.range_v, per_volt, one.bits)
    top = max(abs(fit[f"high:{role}"]), abs(fit[f"low:{role}"]))
    if top > BEYOND * full:
        yield Finding(
            "instrument-range", "limiting",
            f"channel {role} reads {top:.4g} {unit}, {one.name} at x{seen.attenuation:g} reaches "
            f"{full:.4g} {unit}: state the true --attenuation",
        )  # fmt: skip
    elif top >= full - 1.5 * step and not clipped:
        yield Finding(
            "clipped", "blocking",
            f"channel {role} reaches the full scale of {one.name} at x{seen.attenuation:g} "
            f"({full:.4g} {unit}): use a larger attenuation and record again",
        )  # fmt: skip


def _small(
    card: SystemCard, role: str, unit: str, seen: Inspection, peers: Peers, bench: Bench,
    per_volt: float,
) -> Iterator[Finding]:  # fmt: skip
    """Noise and step of the instrument against the size of what is looked for."""
    swings = peers.good_values(f"swing:{role}")
    typical = float(np.median(swings)) if swings.size else card.fitness.min_swing
    least = NOISE_SHARE * typical
    one, quiet = bench.instrument, bench.latest_quiet
    step = quantisation_step(one.range_v, per_volt, one.bits)
    if least <= 0.0:
        return
    if quiet is not None and quiet.noise_rms_v * per_volt > least:
        yield Finding(
            "instrument-noise", "limiting",
            f"{one.name} has {quiet.noise_rms_v * per_volt:.3g} {unit} of noise at "
            f"x{seen.attenuation:g} on channel {role}, a good swing is {typical:.3g} {unit}: small "
            "features are hidden; use a smaller attenuation or a quieter instrument",
        )  # fmt: skip
    if step > least:
        yield Finding(
            "instrument-step", "limiting",
            f"one step of {one.name} at x{seen.attenuation:g} is {step:.3g} {unit} on channel "
            f"{role}, a good swing is {typical:.3g} {unit}: small features are hidden; use a "
            "smaller attenuation",
        )  # fmt: skip


def _slow(
    role: str, unit: str, seen: Inspection, peers: Peers, bench: Bench, per_volt: float
) -> Iterator[Finding]:
    """Offset and drift of the instrument against the spread of the good references' level."""
    quiet, means = bench.latest_quiet, peers.good_values(f"mean:{role}")
    if quiet is None or means.size < 3 or seen.coupling == "ac":
        return
    tolerance = 1.4826 * float(np.median(np.abs(means - np.median(means))))
    drift = abs(quiet.drift_v_per_min) * per_volt * seen.duration_s / 60.0
    offset = abs(quiet.offset_v) * per_volt
    for code, what, size in (
        ("instrument-drift", f"drifts {drift:.3g} {unit} in this recording", drift),
        ("instrument-offset", f"reads {offset:.3g} {unit} with its input quiet", offset),
    ):
        if size > tolerance > 0.0:
            yield Finding(
                code, "limiting",
                f"{bench.instrument.name} {what}, good levels of channel {role} differ by "
                f"{tolerance:.3g} {unit}: levels are less sure; zero it, or let it warm up",
            )  # fmt: skip
