"""The one gatekeeper: whatever a reader decoded is checked here, once, and becomes a Capture."""

from __future__ import annotations

import hashlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refdb.captures.decoded import Column, Decoded, Layout
from refdb.captures.names import known_unit, time_factor
from refdb.captures.options import (
    MAX_CHANNELS,
    TIME_UNITS,
    ReadOptions,
    Wanted,
    checked_rate,
    clean_name,
    wanted_channels,
)
from refdb.captures.timeaxis import TimeAxis, measure, roundest
from refdb.captures.words import plural, refusal, short, shown
from refdb.records import Capture, Channel, Coupling

# IEEE 488.2 instruments send 9.9E37 for "over range" and 9.91E37 for "not a number".
OVER_RANGE = 9.9e37
_NEAR = (1 / 1.02, 1.02)


@dataclass(frozen=True, slots=True)
class Plan:
    """How stored columns become channels: what the gatekeeper settled before any sample."""

    channels: tuple[Channel, ...]
    factors: tuple[float, ...]
    scale: float
    coupling: Coupling | None
    remarks: tuple[str, ...]


def admit(path: object, decoded: Decoded, options: ReadOptions) -> Capture:
    """A validated Capture from what a reader decoded. Raises CaptureError."""
    columns = decoded.columns
    plan = settle(path, decoded.layout, len(columns), options)
    n = len(columns[0])
    if any(column.shape != (n,) for column in columns):
        lengths = ", ".join(str(len(column)) for column in columns)
        raise refusal(
            path, "channels of one length", f"lengths {lengths}", "save all channels alike"
        )
    if n < 2:
        raise refusal(path, "at least 2 samples", plural(n, "sample"), "save more of the recording")
    check_size(path, len(columns), n, options)
    rate, start_s, remarks = settle_rate(path, decoded, options)
    samples, overload = scaled(columns, plan.factors)
    if overload is not None:
        _refuse_empty_channel(path, overload, plan.channels)
        fill_overloads(samples, overload)
        remarks += _overload_remarks(overload, plan.channels)
    return Capture(
        samples=samples,
        rate_hz=rate,
        channels=plan.channels,
        coupling=plan.coupling,
        attenuation=options.attenuation,
        scale=plan.scale,
        source=shown(path),
        sha256=fingerprint(samples, rate),
        start_s=start_s,
        overload=overload,
        remarks=(*plan.remarks, *remarks),
    )


def fingerprint(samples: NDArray[np.float64], rate_hz: float) -> str:
    """sha256 over 'straygauge.capture/1', shape and rate, then the sha256 of every channel as
    little-endian float64 in physical units. Names are left out: renaming does not hide a copy.

    One digest per channel, so that long channels are hashed side by side: in one go hashing took
    a quarter of the time polars takes to parse the same samples.
    """
    rows = [np.ascontiguousarray(row, dtype="<f8") for row in samples]
    if len(rows) > 1 and rows[0].size > 1 << 18:
        with ThreadPoolExecutor(len(rows)) as pool:
            digests = list(pool.map(_digest, rows))
    else:
        digests = [_digest(row) for row in rows]
    head = f"straygauge.capture/1 {samples.shape[0]} {samples.shape[1]} {rate_hz!r}\n"
    return hashlib.sha256(head.encode() + b"".join(digests)).hexdigest()


def _digest(row: NDArray[np.float64]) -> bytes:
    return hashlib.sha256(row.data).digest()


def check_size(path: object, channels: int, n: int, options: ReadOptions) -> None:
    """Raises CaptureError for more samples than allowed. To be called before memory is taken."""
    if channels * n > options.max_samples:
        raise refusal(
            path,
            f"at most {options.max_samples} samples",
            f"{channels * n} ({plural(channels, 'channel')} x {n})",
            "cut the recording or raise --max-samples",
        )


def settle(path: object, layout: Layout, count: int, options: ReadOptions) -> Plan:
    """Names, units and factors of `count` stored columns. Raises CaptureError."""
    wanted = wanted_channels(path, options.channels)
    if wanted is not None and len(wanted) != count:
        named = ", ".join(name for name in layout.names if name)
        raise refusal(
            path,
            f"{plural(len(wanted), 'channel')} ({', '.join(w.name for w in wanted)})",
            f"{count}" + (f" ({shown(named)})" if named else ""),
            "name every channel of the file with --channels, in its order",
        )
    if count == 0:
        raise refusal(path, "at least 1 channel", "none", "save the channels beside the time")
    if count > MAX_CHANNELS:
        raise refusal(path, f"at most {MAX_CHANNELS} channels", f"{count}", "save fewer columns")
    channels, remarks = _name_channels(path, layout, count, wanted)
    inverted = {clean_name(name) for name in options.invert}
    unknown = inverted - {channel.name for channel in channels}
    if unknown:
        raise refusal(
            path,
            f"--invert to name one of {', '.join(c.name for c in channels)}",
            short(sorted(unknown)[0]),
            "correct the name",
        )
    own = layout.scale
    if len(own) not in (1, count) or not all(np.isfinite(own)) or 0.0 in own:
        raise refusal(
            path,
            f"a stored scale of 1 or {count} numbers other than zero",
            ", ".join(f"{value:g}" for value in own[:9]) or "none",
            "correct the scale in the file",
        )
    own = own * count if len(own) == 1 else own
    factors = tuple(
        value * options.scale * options.attenuation * (-1.0 if c.name in inverted else 1.0)
        for value, c in zip(own, channels, strict=True)
    )
    one_scale = options.scale * own[0] if len(set(own)) == 1 else options.scale
    return Plan(
        channels=channels,
        factors=factors,
        scale=one_scale,
        coupling=options.coupling or layout.coupling,
        remarks=(*layout.remarks, *remarks),
    )


def _name_channels(
    path: object, layout: Layout, count: int, wanted: tuple[Wanted, ...] | None
) -> tuple[tuple[Channel, ...], list[str]]:
    file_names = _file_names(layout.names, count)
    remarks: list[str] = []
    if wanted is not None and {w.name for w in wanted} == set(file_names):
        # The same names in another order: the file knows which is which.
        by_name = {w.name: w for w in wanted}
        wanted = tuple(by_name[name] for name in file_names)
    channels, silent = [], []
    for i in range(count):
        written = layout.units[i]
        unit = wanted[i].unit if wanted else None
        name = wanted[i].name if wanted else file_names[i]
        if unit is None and written:
            unit = known_unit(written)
            if unit is None:
                unit = "a.u."
                remarks.append(
                    f"unit {short(written)} of channel {name} is not known here: taken as a.u."
                )
        if unit is None:
            if wanted is not None:
                raise refusal(
                    path,
                    f"a unit for channel '{name}'",
                    "none in the file",
                    f"write --channels {name}=V, with the unit it has",
                )
            unit = layout.default_unit
            silent.append(name)
        channels.append(Channel(name, unit))
    if silent:
        remarks.append(f"no unit is given for {', '.join(silent)}: taken as {layout.default_unit}")
    return tuple(channels), remarks


def _file_names(names: list[str | None], count: int) -> list[str]:
    out: list[str] = []
    for i in range(count):
        name = clean_name(names[i] or "")
        if not name or name.isdigit():
            name = f"ch{name or i + 1}"
        base, k = name, 2
        while name in out:
            name, k = f"{base}_{k}", k + 1
        out.append(name)
    return out


def settle_rate(
    path: object, decoded: Decoded, options: ReadOptions
) -> tuple[float, float, list[str]]:
    """(rate in Hz, start in s, remarks): asked for, else by the time column, else as stated."""
    asked = options.sample_rate_hz
    stated = decoded.layout.rate_hz
    if decoded.time is None:
        rate = asked if asked is not None else stated
        if rate is None:
            raise refusal(
                path,
                "a sample rate",
                "neither a time column nor a stated rate",
                "give it with --rate, for instance --rate 100000",
            )
        remarks = []
        if asked is not None and stated is not None and not _near(asked, stated):
            remarks.append(
                f"the file states {stated:g} Hz, but {asked:g} Hz was asked for and is used"
            )
        origin = "asked for" if asked is not None else "in the file"
        return checked_rate(path, rate, origin), decoded.layout.start_s, remarks
    axis = measure(path, decoded.time, decoded.time_resolution)
    factor, remarks = _time_factor(axis, decoded, options)
    measured = roundest(axis.rate / factor, 1e-12)
    remarks += axis.remarks
    for other, who in ((asked, "was asked for and is used"), (stated, "is stated; time is used")):
        if other is not None and not _near(other, measured):
            remarks.append(f"the time column says {measured:g} Hz, but {other:g} Hz {who}")
            break
    if asked is not None:
        return checked_rate(path, asked, "asked for"), axis.start * factor, remarks
    rate = checked_rate(path, measured, "by the time column")
    return rate, axis.start * factor, remarks


def _near(a: float, b: float) -> bool:
    return b > 0 and _NEAR[0] < a / b < _NEAR[1]


def _time_factor(axis: TimeAxis, decoded: Decoded, options: ReadOptions) -> tuple[float, list[str]]:
    """Seconds per unit of the time column, with a remark where that is a guess."""
    asked = options.time_unit
    if asked is not None:
        return TIME_UNITS[asked.strip().lower()], []
    if decoded.time_unit is not None:
        factor = time_factor(decoded.time_unit)
        if factor is not None:
            return factor, []
    hint = options.sample_rate_hz if options.sample_rate_hz else decoded.layout.rate_hz
    if hint:
        for unit in ("s", "ms", "us", "ns"):
            if _near(axis.rate / TIME_UNITS[unit], hint):
                return TIME_UNITS[unit], []
    return 1.0, ["the time column has no unit: taken as seconds; say --time-unit ms if it is not"]


def scaled(
    columns: list[Column], factors: tuple[float, ...]
) -> tuple[NDArray[np.float64], NDArray[np.bool_] | None]:
    """Columns x factors as (channels, n) float64, and where the result cannot be a reading.

    Marked: NaN, infinities and over-range codes as stored, and what overflows in scaling.
    """
    samples = np.empty((len(columns), len(columns[0])), dtype=np.float64)
    overload: NDArray[np.bool_] | None = None
    for i, (column, factor) in enumerate(zip(columns, factors, strict=True)):
        row = samples[i]
        with np.errstate(over="ignore", invalid="ignore"):
            np.multiply(column, factor, out=row, dtype=np.float64, casting="unsafe")
        limit = min(OVER_RANGE * abs(factor), OVER_RANGE) * (1 - 1e-6)
        if row.min() > -limit and row.max() < limit:
            continue
        bad = ~((row > -limit) & (row < limit))
        if overload is None:
            overload = np.zeros(samples.shape, dtype=np.bool_)
        overload[i] = bad
    return samples, overload


def fill_overloads(
    samples: NDArray[np.float64],
    overload: NDArray[np.bool_],
    rails: list[tuple[float, float]] | None = None,
) -> None:
    """Put the nearest rail into every marked sample, in place.

    The rails are the channel's own extremes (or `rails`). A signed mark (-inf) names its rail;
    else the unmarked neighbours on both sides tell which rail is nearer.
    """
    for i, (row, bad) in enumerate(zip(samples, overload, strict=True)):
        if not bad.any():
            continue
        good = np.flatnonzero(~bad)
        if len(good) == 0 and rails is None:
            continue
        low, high = (row[good].min(), row[good].max()) if rails is None else rails[i]
        at = np.flatnonzero(bad)
        if len(good):
            after = np.searchsorted(good, at)
            left = row[good[np.maximum(after - 1, 0)]]
            right = row[good[np.minimum(after, len(good) - 1)]]
            near = np.where(
                after == 0, right, np.where(after == len(good), left, left / 2 + right / 2)
            )
        else:
            near = np.full(len(at), high)
        up = near >= low / 2 + high / 2
        signed = ~np.isnan(row[at])
        up = np.where(signed, row[at] > 0, up)
        row[at] = np.where(up, high, low)


def _refuse_empty_channel(
    path: object, overload: NDArray[np.bool_], channels: tuple[Channel, ...]
) -> None:
    for channel, bad in zip(channels, overload, strict=True):
        if bad.all():
            raise refusal(
                path,
                f"numbers in channel '{channel.name}'",
                f"none in {len(bad)} samples",
                "check the probe and the range, or save the file without that channel",
            )


def _overload_remarks(overload: NDArray[np.bool_], channels: tuple[Channel, ...]) -> list[str]:
    return [
        f"{plural(int(bad.sum()), 'sample')} of channel {channel.name} held no number: "
        "taken as clipped at the nearest rail"
        for channel, bad in zip(channels, overload, strict=True)
        if bad.any()
    ]
