"""Frozen records of a shop's bench: its engine families and its measuring instruments."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from refdb.errors import CatalogueError


@dataclass(frozen=True, slots=True)
class Family:
    """An engine family. None or empty: not known, and then not computed with.

    firing_order: cylinder numbers, one per firing of 720 crank degrees.  firing_intervals: crank
    degrees from each of them to the next; odd-fire engines are not 720/n.  crank_wheel: 'N-M', N
    places of which M are missing.  pump_segments: commutator ripples per turn of the fuel pump.
    vin_part: places 1-8, 10 and 11 of a VIN given with it; vin_hash: salted hash of the whole.
    """

    name: str
    cylinders: int | None = None
    firing_order: tuple[int, ...] = ()
    firing_intervals: tuple[float, ...] = ()
    ignition_type: str = ""
    crank_wheel: str = ""
    cam_pattern: str = ""
    alternator_poles: int | None = None
    pulley_ratio: float | None = None
    pump_segments: int | None = None
    injector_type: str = ""
    fuel: str = ""
    induction: str = ""
    epa_family: str = ""
    vin_part: str = ""
    vin_hash: str = ""


@dataclass(frozen=True, slots=True)
class Instrument:
    """A measuring instrument as its owner describes it.

    range_v: full scale of the bare input, +/- volts.  max_rate_hz: channels in use -> samples per
    second of each.  input_ohm, ac_corner_hz: None when not known.  attenuators: factors to hand,
    ascending, 1 for none.
    """

    name: str
    range_v: float
    bits: int
    max_rate_hz: Mapping[int, float]
    input_ohm: float | None = None
    ac_corner_hz: float | None = None
    attenuators: tuple[float, ...] = (1.0,)
    note: str = ""
    added_at: str = ""

    def rate_for(self, channels: int) -> float:
        """Samples per second and channel with so many in use; 0 when it has too few."""
        fitting = [n for n in self.max_rate_hz if n >= channels]
        return self.max_rate_hz[min(fitting)] if fitting else 0.0


@dataclass(frozen=True, slots=True)
class BenchReading:
    """What one capture told of an instrument's channel, referred to the bare input, in volts.

    kind: 'quiet' (input open or shorted) or 'sine'.  noise_rms_v: about the straight drift, or
    about the fitted sine.  step_v: quantisation step, 0 when the file shows none.
    effective_bits: of the instrument's whole range (IEEE 1057 by its 4-parameter sine fit; of a
    quiet input an upper bound).  sine_hz, sine_v, sinad_db: of the sine, else None.
    """

    instrument: str
    at: str
    kind: str
    channel: str
    attenuation: float
    rate_hz: float
    n_samples: int
    noise_rms_v: float
    offset_v: float
    drift_v_per_min: float
    step_v: float
    effective_bits: float
    sine_hz: float | None = None
    sine_v: float | None = None
    sinad_db: float | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class ShopCardText:
    """A card a shop wrote itself, as it stands in the catalogue."""

    name: str
    toml: str


@dataclass(frozen=True, slots=True)
class Bench:
    """An instrument with what was measured of it, newest first."""

    instrument: Instrument
    readings: tuple[BenchReading, ...] = field(default=())

    @property
    def latest_quiet(self) -> BenchReading | None:
        """The newest reading of a quiet input, if there is one."""
        return next((one for one in self.readings if one.kind == "quiet"), None)


def checked_instrument(one: Instrument) -> Instrument:
    """The record itself, attenuators sorted. Raises CatalogueError in one line if it makes no
    sense."""
    name = f"instrument '{one.name}'"
    if not one.name.strip():
        raise CatalogueError("instrument: expected a name, found none; any word will do")
    _over_zero(name, "--range", one.range_v, "volts of its bare input, for instance 5")
    if not 4 <= one.bits <= 32:
        raise CatalogueError(
            f"{name}: expected --bits from 4 to 32, found {one.bits}; see its data sheet"
        )
    if not one.max_rate_hz:
        raise CatalogueError(
            f"{name}: expected --max-rate N=HZ, found none; write for instance --max-rate 1=1e6"
        )
    for channels, rate in one.max_rate_hz.items():
        if channels < 1:
            raise CatalogueError(
                f"{name}: expected 1 or more channels in --max-rate, found {channels}; correct it"
            )
        _over_zero(name, f"--max-rate {channels}=", rate, "samples per second")
    if one.input_ohm is not None:
        _over_zero(name, "--input-ohm", one.input_ohm, "ohms, for instance 1e6")
    if one.ac_corner_hz is not None:
        _over_zero(name, "--ac-corner", one.ac_corner_hz, "hertz")
    for factor in one.attenuators:
        _over_zero(name, "--attenuator", factor, "a factor such as 10")
    factors = tuple(sorted({1.0, *one.attenuators}))
    return Instrument(
        one.name, one.range_v, one.bits, dict(sorted(one.max_rate_hz.items())), one.input_ohm,
        one.ac_corner_hz, factors, one.note, one.added_at,
    )  # fmt: skip


def _over_zero(name: str, what: str, value: float, such: str) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise CatalogueError(f"{name}: expected {what} above 0, found {value:g}; give {such}")
