"""Two instruments side by side on one system: which measurements each of them can support."""

from __future__ import annotations

from dataclasses import dataclass

from matching.plan import make_plan, measurable
from refdb.bench_records import Bench
from refdb.cards import SystemCard


@dataclass(frozen=True, slots=True)
class Side:
    """One instrument on one system. factor: the attenuation, None where a transducer decides or
    none fits.  step: of the input at it, in the channel's unit.  supported: measurements."""

    instrument: str
    rate_hz: float
    factor: float | None
    step: float | None
    noise_rms_v: float | None
    effective_bits: float | None
    supported: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """A system with both sides. only_a, only_b: measurements that one supports alone."""

    system: str
    unit: str
    total: int
    a: Side
    b: Side
    only_a: tuple[str, ...]
    only_b: tuple[str, ...]


def compared(card: SystemCard, a: Bench, b: Bench) -> Comparison:
    """Both instruments on a card, by rate, channels and range."""
    one, other = _side(card, a), _side(card, b)
    return Comparison(
        card.name, card.channels[0].unit, len(card.measurements), one, other,
        tuple(name for name in one.supported if name not in other.supported),
        tuple(name for name in other.supported if name not in one.supported),
    )  # fmt: skip


def _side(card: SystemCard, bench: Bench) -> Side:
    plan = make_plan(card, instrument=bench.instrument)
    quiet = bench.latest_quiet
    bits = [one.effective_bits for one in bench.readings]
    return Side(
        bench.instrument.name,
        min(plan.rate_hz, bench.instrument.rate_for(len(card.required_channels))),
        plan.ranges[0].factor,
        plan.ranges[0].step,
        quiet.noise_rms_v if quiet else None,
        bits[0] if bits else None,
        measurable(card, bench.instrument),
    )
