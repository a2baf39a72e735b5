"""What a person says about a file that the file does not say itself."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from refdb.captures.words import refusal, short
from refdb.errors import CaptureError
from refdb.records import Coupling
from refdb.units import UNITS, canonical_unit

MAX_CHANNELS = 8
MIN_RATE_HZ = 1e-3
MAX_RATE_HZ = 1e11

# What people and instruments write for a unit of time -> seconds.
TIME_UNITS: dict[str, float] = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sek", "sekunden"), 1.0),
    **dict.fromkeys(("ms", "msec", "msecs", "millisecond", "milliseconds"), 1e-3),
    **dict.fromkeys(("us", "usec", "usecs", "microsecond", "microseconds"), 1e-6),
    **dict.fromkeys(("\u00b5s", "\u03bcs", "\u00b5sec", "\u03bcsec"), 1e-6),
    **dict.fromkeys(("ns", "nsec", "nsecs", "nanosecond", "nanoseconds"), 1e-9),
}


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """How to read a file. Everything left out is taken from the file, or is neutral.

    channels: 'can_h=V,can_l=V' in the file's column order; a bare name where the file says the
        unit. sample_rate_hz: Hz. physical = stored x scale x attenuation. time_unit: of the time
        column ('s', 'ms', 'us', 'ns'). invert: names of channels to turn upside down.
    max_samples: limit over all channels together, checked before memory is taken.
    """

    channels: str | None = None
    sample_rate_hz: float | None = None
    scale: float = 1.0
    attenuation: float = 1.0
    coupling: Coupling | None = None
    time_unit: str | None = None
    invert: tuple[str, ...] = ()
    max_samples: int = 200_000_000


@dataclass(frozen=True, slots=True)
class Wanted:
    """One entry of `ReadOptions.channels`; unit None: the file must say it."""

    name: str
    unit: str | None


def clean_name(text: str) -> str:
    """Lower case, one word, no control characters; '' when nothing is left."""
    word = re.sub(r"[^\w.+-]+", "_", text.strip().lower()).strip("_")
    return word[:64]


def wanted_channels(path: object, text: str | None) -> tuple[Wanted, ...] | None:
    """`ReadOptions.channels` taken apart.

    Raises CaptureError for an empty or repeated name, an unknown unit, too many channels.
    """
    if text is None or not text.strip():
        return None
    wanted = []
    for entry in text.split(","):
        name, says_unit, unit = entry.partition("=")
        cleaned = clean_name(name)
        if not cleaned or (says_unit and not unit.strip()):
            raise refusal(
                path,
                "channels as name=unit,name=unit",
                short(text),
                "write for instance can_h=V,can_l=V",
            )
        try:
            wanted.append(Wanted(cleaned, canonical_unit(unit) if says_unit else None))
        except CaptureError:
            raise refusal(
                path,
                f"a known unit for channel '{cleaned}'",
                short(unit.strip()),
                f"write one of {', '.join(UNITS)}",
            ) from None
    if len(wanted) > MAX_CHANNELS:
        raise refusal(
            path, f"at most {MAX_CHANNELS} channels", f"{len(wanted)} named", "name fewer"
        )
    names = [w.name for w in wanted]
    for name in names:
        if names.count(name) > 1:
            raise refusal(
                path,
                "every channel name once",
                f"'{name}' {names.count(name)} times",
                "give each channel its own name",
            )
    return tuple(wanted)


def checked_rate(path: object, rate: float, origin: str) -> float:
    """`rate` in Hz if it can be the rate of a recording. origin: who says so, for the error."""
    if math.isfinite(rate) and MIN_RATE_HZ <= rate <= MAX_RATE_HZ:
        return float(rate)
    raise refusal(
        path,
        f"a sample rate from {MIN_RATE_HZ:g} Hz to {MAX_RATE_HZ:g} Hz",
        f"{rate:g} Hz {origin}",
        "give the true rate with --rate",
    )


def check_options(path: object, options: ReadOptions) -> None:
    """Raises CaptureError for options that cannot be meant."""
    if options.sample_rate_hz is not None:
        checked_rate(path, options.sample_rate_hz, "asked for")
    if not math.isfinite(options.scale) or options.scale == 0:
        raise refusal(
            path,
            "a scale other than zero",
            f"{options.scale:g}",
            "give physical units per stored unit with --scale",
        )
    if not math.isfinite(options.attenuation) or options.attenuation <= 0:
        raise refusal(
            path,
            "an attenuation above zero",
            f"{options.attenuation:g}",
            "give the probe's factor, for instance --attenuation 10",
        )
    if options.coupling not in (None, "ac", "dc"):
        raise refusal(path, "coupling ac or dc", short(options.coupling), "give --coupling ac|dc")
    if options.time_unit is not None and options.time_unit.strip().lower() not in TIME_UNITS:
        raise refusal(
            path,
            "a time unit s, ms, us or ns",
            short(options.time_unit),
            "give for instance --time-unit ms",
        )
    if options.max_samples < 1:
        raise refusal(
            path,
            "a sample limit of 1 or more",
            f"{options.max_samples}",
            "give a larger --max-samples",
        )
