"""The plan before the probe touches anything: range, coupling, rate, length, and what stays unseen.

Pure: a card, what is known of an instrument and of an engine family in, one frozen plan out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from matching.cautions import GENERAL, texts
from matching.families import family_notes
from refdb.bench_records import BenchReading, Family, Instrument
from refdb.cards import SystemCard
from refdb.units import UNITS, dimension

SCHEMA = "straygauge.plan/1"
# Room over the expected peak; the rule of the house's plan (full scale >= 1.2 x expected peak).
HEADROOM = 1.2
# Samples in the shortest feature. Common practice, no source; at 10 MS/s a triangle of 2 us base
# is then read to 95 % or better (closed form).
SAMPLES_PER_FEATURE = 10.0
# Cycles to record where events repeat: enough to see one odd one. Common practice, no source.
CYCLES = 5
# A level may sag so far under AC coupling within the slowest cycle. Common practice, no source.
DROOP_ALLOWED = 0.05


@dataclass(frozen=True, slots=True)
class RangeChoice:
    """Which attenuation a channel wants. unit: of the peak.  full_scale, step: in that unit, at
    the attenuation; None where a clamp, pickup or transducer stands between.  factor: None when
    even the largest attenuator does not reach.  ratios: attenuation -> largest output of that
    transducer (V per unit) whose peak, with headroom, still fits."""

    channel: str
    unit: str
    peak: float
    needs: float
    factor: float | None
    full_scale: float | None
    step: float | None
    ratios: Mapping[float, float]
    text: str


@dataclass(frozen=True, slots=True)
class Plan:
    """All that one screen tells. rate_hz: to set; wanted_hz: to see the shortest feature;
    least_hz: below it nothing is judged.  samples: of each channel."""

    system: str
    title: str
    engine_family: str
    instrument: str
    connect: str
    conditions: Mapping[str, str]
    channels: tuple[str, ...]
    peak_source: str
    ranges: tuple[RangeChoice, ...]
    coupling: str
    coupling_text: str
    rate_hz: float
    wanted_hz: float
    least_hz: float
    rate_text: str
    length_s: float
    length_text: str
    samples: int
    trigger: str
    family: tuple[str, ...]
    cannot_show: tuple[str, ...]
    cautions: tuple[str, ...]


def make_plan(
    card: SystemCard,
    *,
    engine_family: str = "",
    family: Family | None = None,
    instrument: Instrument | None = None,
    reading: BenchReading | None = None,
) -> Plan:
    """The plan for a system.

    engine_family: as asked for; family: its record, None when there is none.  reading: the newest
    one of the instrument's quiet input, for its noise.
    """
    ranges = tuple(_ranges(card, instrument))
    rate, rate_text = _rate(card, instrument)
    length = record_length(card)
    coupling, coupling_text = _coupling(card, instrument)
    return Plan(
        system=card.name,
        title=card.title,
        engine_family=engine_family,
        instrument=instrument.name if instrument else "",
        connect=card.plan.connect,
        conditions=dict(card.conditions),
        channels=tuple(_channels(card)),
        peak_source=card.plan.peak_source or "no source",
        ranges=ranges,
        coupling=coupling,
        coupling_text=coupling_text,
        rate_hz=rate,
        wanted_hz=wanted_rate(card),
        least_hz=card.fitness.min_rate_hz,
        rate_text=rate_text,
        length_s=length,
        length_text=_length_text(card),
        samples=math.ceil(rate * length),
        trigger=card.plan.trigger or "none; record free running",
        family=family_notes(card, family, engine_family),
        cannot_show=tuple(_cannot(card, instrument, reading, ranges, rate)),
        cautions=(*texts(card.cautions), GENERAL),
    )


def plan_json(plan: Plan) -> dict[str, Any]:
    """The plan as JSON (schema straygauge.plan/1)."""
    out = {"schema": SCHEMA} | asdict(plan)
    for one in out["ranges"]:
        one["ratios"] = {f"{factor:g}": ratio for factor, ratio in one["ratios"].items()}
    return out


# --- range ---------------------------------------------------------------------------------


def attenuation_for(peak_v: float, range_v: float, factors: Iterable[float]) -> float | None:
    """The smallest attenuation whose full scale (range x factor) is at least 1.2 x the peak.

    peak_v, range_v: volts, both one-sided (a +/-5 V input has 5).  None: no factor reaches.
    """
    fitting = [f for f in sorted(factors) if range_v * f >= HEADROOM * peak_v * (1.0 - 1e-9)]
    return fitting[0] if fitting else None


def quantisation_step(range_v: float, factor: float, bits: int) -> float:
    """One code of the input in volts at the probe: 2 x range x factor / 2^bits."""
    return 2.0 * range_v * factor / 2.0**bits


def _ranges(card: SystemCard, instrument: Instrument | None) -> Iterable[RangeChoice]:
    """Of the channel the card's peak is given for, and of others in the same unit."""
    first = card.channels[0]
    for channel in card.channels:
        if channel.unit == first.unit and (channel.required or channel is first):
            yield _range(channel.role, channel.unit, card.plan.expected_peak, instrument)


def _range(role: str, unit: str, peak: float, instrument: Instrument | None) -> RangeChoice:
    needs = HEADROOM * peak
    direct = dimension(unit) == "voltage" and unit != "kV"
    if instrument is None:
        over = "" if direct else " after the clamp, pickup or transducer"
        text = f"full scale of {needs:.4g} {unit} or more{over}"
        return RangeChoice(role, unit, peak, needs, None, None, None, {}, text)
    span = instrument.range_v
    if not direct:
        ratios = {f: span * f / needs for f in instrument.attenuators}
        text = "by the output of the clamp, pickup or transducer: " + ", ".join(
            f"x{f:g} up to {_volts(ratio)} per {unit}" for f, ratio in ratios.items()
        )
        return RangeChoice(role, unit, peak, needs, None, None, None, ratios, text)
    volt = UNITS[unit][1]
    factor = attenuation_for(peak * volt, span, instrument.attenuators)
    if factor is None:
        most = max(instrument.attenuators)
        text = (
            f"none fits: x{most:g} reaches {span * most / volt:.4g} {unit}, {needs:.4g} {unit} "
            "are needed; use a larger attenuator"
        )
        return RangeChoice(role, unit, peak, needs, None, None, None, {}, text)
    full = span * factor / volt
    step = quantisation_step(span, factor, instrument.bits) / volt
    text = f"x{factor:g}: full scale {full:.4g} {unit}, one step {step * volt * 1e3:.4g} mV"
    return RangeChoice(role, unit, peak, needs, factor, full, step, {}, text)


def _volts(value: float) -> str:
    return f"{value:.3g} V" if value >= 1.0 else f"{1e3 * value:.3g} mV"


# --- coupling ------------------------------------------------------------------------------


def droop(corner_hz: float, held_s: float) -> float:
    """How much of a level AC coupling loses while it is held: 1 - exp(-2 pi f t), 0 to 1."""
    return 1.0 - math.exp(-2.0 * math.pi * corner_hz * held_s)


def _coupling(card: SystemCard, instrument: Instrument | None) -> tuple[str, str]:
    cycle = card.plan.slowest_cycle_s
    corner = instrument.ac_corner_hz if instrument else None
    if corner is None:
        most = -math.log(1.0 - DROOP_ALLOWED) / (2.0 * math.pi * cycle)
        about = (
            f"AC coupling would have to begin at {most:.2g} Hz or below for a level to sag at "
            f"most {DROOP_ALLOWED:.0%} in the slowest cycle ({_time(cycle)})"
        )
    else:
        lost = droop(corner, cycle)
        about = (
            f"under AC coupling this instrument ({corner:g} Hz corner) lets a level sag by "
            f"{lost:.3g} of it in the slowest cycle ({_time(cycle)})".replace(
                f"{lost:.3g} of it", f"{100.0 * lost:.3g} %"
            )
        )
    if card.coupling == "dc":
        return "dc", f"levels count here; {about}"
    if card.coupling == "ac":
        return "ac", f"the ripple rides on a level many times its size; {about}"
    return "any", f"the same as the references; {about}"


# --- rate and length -----------------------------------------------------------------------


def wanted_rate(card: SystemCard) -> float:
    """Ten samples in the shortest feature, and what the most demanding measurement needs, Hz."""
    most = max((m.needs_rate_hz for m in card.measurements), default=0.0)
    return max(SAMPLES_PER_FEATURE / card.plan.shortest_feature_s, most, card.fitness.min_rate_hz)


def _rate(card: SystemCard, instrument: Instrument | None) -> tuple[float, str]:
    wanted, count = wanted_rate(card), len(card.required_channels)
    why = f"{SAMPLES_PER_FEATURE:g} samples in the shortest feature, {_time_of_feature(card)}"
    if instrument is None:
        return wanted, why
    most = instrument.rate_for(count)
    if most >= wanted:
        return wanted, f"{why}; this instrument can do {_si(most)}S/s"
    if most == 0.0:
        return wanted, f"{why}; this instrument has no {count} channels"
    return most, f"all this instrument can with {count} channel(s); {_si(wanted)}S/s wanted: {why}"


def record_length(card: SystemCard) -> float:
    """Seconds: one slowest cycle, or five where events repeat; at least the card's shortest."""
    repeats = max([card.events.min_events, *(m.needs_events for m in card.measurements)]) >= 2
    cycles = CYCLES if repeats else 1
    return max(cycles * card.plan.slowest_cycle_s, card.fitness.min_duration_s)


def _length_text(card: SystemCard) -> str:
    cycle = card.plan.slowest_cycle_s
    count = record_length(card) / cycle
    return f"{count:.3g} x the slowest cycle, {_time(cycle)}"


def _time_of_feature(card: SystemCard) -> str:
    return _time(card.plan.shortest_feature_s)


# --- what stays unseen ---------------------------------------------------------------------


def measurable(card: SystemCard, instrument: Instrument) -> tuple[str, ...]:
    """The card's measurements whose rate this instrument reaches, by name; none if it has too few
    channels or is below the card's least rate."""
    rate = instrument.rate_for(len(card.required_channels))
    if rate == 0.0 or rate < card.fitness.min_rate_hz:
        return ()
    return tuple(m.name for m in card.measurements if m.needs_rate_hz <= rate)


def _cannot(
    card: SystemCard,
    instrument: Instrument | None,
    reading: BenchReading | None,
    ranges: Iterable[RangeChoice],
    rate: float,
) -> Iterable[str]:
    if instrument is not None:
        yield from _unseen(card, instrument, rate)
        for one in ranges:
            yield from _unseen_small(card, one, reading)
        if instrument.input_ohm is not None and instrument.input_ohm < 1e6:
            yield (
                f"an unloaded signal: its input has {_si(instrument.input_ohm)}Ohm, "
                "1 MOhm or more is common practice"
            )
    yield from card.plan.cannot_show


def _unseen(card: SystemCard, instrument: Instrument, rate: float) -> Iterable[str]:
    count = len(card.required_channels)
    if instrument.rate_for(count) == 0.0:
        yield f"anything: it needs {count} channels at once, this instrument has fewer"
        return
    if rate < card.fitness.min_rate_hz:
        yield (
            f"anything: at {_si(rate)}S/s it cannot be judged, "
            f"{_si(card.fitness.min_rate_hz)}S/s is the least"
        )
        return
    slow = [m for m in card.measurements if m.needs_rate_hz > rate]
    if slow:
        need = max(m.needs_rate_hz for m in slow)
        yield (
            f"{len(slow)} of {len(card.measurements)} measurements, which need up to "
            f"{_si(need)}S/s: {', '.join(m.name for m in slow)}"
        )
    if rate * card.plan.shortest_feature_s < 2.0:
        yield (
            f"the shortest feature ({_time_of_feature(card)}): fewer than two samples fall on it, "
            "its height is a lower bound"
        )


def _unseen_small(
    card: SystemCard, one: RangeChoice, reading: BenchReading | None
) -> Iterable[str]:
    if one.factor is None or one.step is None:
        return
    least = card.fitness.min_swing
    if one.step > least > 0.0:
        yield (
            f"swings below {one.step:.3g} {one.unit} on {one.channel}: one step of the input; the "
            f"card looks for {least:.3g} {one.unit}"
        )
    if reading is not None:
        noise = reading.noise_rms_v * one.factor / UNITS[one.unit][1]
        yield f"features below about {6.0 * noise:.2g} {one.unit} on {one.channel}: its noise there"


# --- words ---------------------------------------------------------------------------------


def _channels(card: SystemCard) -> Iterable[str]:
    for channel in card.channels:
        about = f": {channel.describe}" if channel.describe else ""
        optional = "" if channel.required else ", optional"
        yield f"{channel.role} ({channel.unit}{optional}){about}"


def _time(seconds: float) -> str:
    for size, unit in ((60.0, "min"), (1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns")):
        if seconds >= size * (1.0 - 1e-9):
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"


def _si(value: float) -> str:
    for size, prefix in ((1e9, "G"), (1e6, "M"), (1e3, "k")):
        if value >= size * (1.0 - 1e-9):
            return f"{value / size:.4g} {prefix}"
    return f"{value:.4g} "
