"""Named arrays (NPZ, MAT, table files, MDF) as a recording: which is time, rate, scale, channel.

Two layouts are known: one array per channel with an optional time array, or one array `data`
(n x channels) with `fs` and optionally `scale`, `names`, `units`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from refdb.captures.decoded import Column, Decoded, Layout
from refdb.captures.names import coupling_hint, is_time_title, rate_of, split_unit, time_factor
from refdb.captures.options import MAX_CHANNELS
from refdb.captures.words import refusal, shown

_BLOCK_NAMES = ("data", "samples", "x", "y", "signal", "signals", "waveform", "values")


def is_setting(name: str, size: int) -> bool:
    """Whether an array of `size` values is a rate, a scale or another setting: no channel."""
    word = name.lower()
    if word in ("scale", "gain", "scales"):
        return size <= MAX_CHANNELS
    return size == 1 and not word.startswith("ch")


def numeric(path: object, name: str, array: NDArray[Any]) -> NDArray[Any]:
    """`array` if it holds real numbers. Raises CaptureError for objects, text and complex."""
    if array.dtype.kind in "biuf":
        return array
    kind = {"O": "objects", "c": "complex numbers", "U": "text", "S": "text", "V": "records"}
    raise refusal(
        path,
        f"real numbers in array '{shown(name)}'",
        kind.get(array.dtype.kind, f"type {array.dtype}"),
        "save plain numeric arrays",
    )


def as_decoded(
    path: object,
    arrays: Mapping[str, NDArray[Any]],
    texts: Mapping[str, list[str]],
    default_unit: str = "V",
) -> Decoded:
    """A recording from named arrays. texts: what text arrays say ('names', 'units', ...).

    Raises CaptureError if no channel is found or the shapes make no sense.
    """
    layout = Layout(names=[], units=[], default_unit=default_unit)
    for name, array in arrays.items():
        numeric(path, name, array)
    roles = roles_of({name: array.shape for name, array in arrays.items()})
    for name in roles.settings:
        _take_setting(layout, name, arrays[name].reshape(-1).astype(np.float64))
    signals = {name: _flat(arrays[name]) for name in roles.signals}
    columns: list[Column] = []
    for name, array in signals.items():
        block = _block(path, name, array)
        alone = len(signals) == 1
        for i, column in enumerate(block):
            title, unit = split_unit(name)
            generic = alone and name.lower() in (*_BLOCK_NAMES, "")
            numbered = f"{title}_{i + 1}" if len(block) > 1 else title
            layout.names.append(None if generic else numbered)
            layout.units.append(unit)
            columns.append(column)
    _take_texts(layout, texts, len(columns))
    if not columns:
        raise refusal(
            path,
            "arrays named by channel, or `data` and `fs`",
            ", ".join(shown(name) for name in list(arrays)[:8]) or "no numeric array",
            "save one array per channel",
        )
    if roles.time is None:
        return Decoded(layout, columns)
    stored = _flat(arrays[roles.time])
    if len(stored) != len(columns[0]):
        raise refusal(
            path,
            "as many times as samples",
            f"{len(stored)} times and {len(columns[0])} samples",
            "save both over the same length",
        )
    return Decoded(layout, columns, *time_of(roles.time, stored))


def time_of(name: str, stored: NDArray[Any]) -> tuple[NDArray[np.float64], str, float]:
    """(time, its unit, resolution) of a time array; seconds where its name says no unit."""
    unit = split_unit(name)[1]
    time = stored.astype(np.float64)
    resolution = 0.0
    if stored.dtype.kind == "f" and stored.dtype.itemsize < 8:
        peak = np.nanmax(np.abs(time), initial=0.0)
        resolution = float(np.finfo(stored.dtype).eps) * float(peak)
    return time, unit if unit and time_factor(unit) is not None else "s", resolution


@dataclass(frozen=True, slots=True)
class Roles:
    """Which arrays are settings, which is the time, which are channels; by name and shape."""

    settings: tuple[str, ...]
    time: str | None
    signals: tuple[str, ...]


def roles_of(shapes: Mapping[str, tuple[int, ...]]) -> Roles:
    """What each array is for, without looking into it."""
    settings, signals, time = [], [], None
    for name, shape in shapes.items():
        size = math.prod(shape)
        if is_setting(name, size):
            settings.append(name)
        elif time is None and len(shapes) > 1 and size == max(shape) and _is_time(name, shapes):
            time = name
        else:
            signals.append(name)
    return Roles(tuple(settings), time, tuple(signals))


def _flat(array: NDArray[Any]) -> NDArray[Any]:
    return array.reshape(-1) if array.size == max(array.shape, default=1) else array


def _is_time(name: str, arrays: Mapping[str, Any]) -> bool:
    if name.lower() == "x" and not any(k.lower() in ("y", "ch1") for k in arrays):
        return False
    return is_time_title(name)


def _block(path: object, name: str, array: NDArray[Any]) -> list[Column]:
    if array.ndim == 1:
        return [array]
    if array.ndim != 2:
        raise refusal(
            path,
            f"array '{shown(name)}' as samples x channels",
            f"{array.ndim} dimensions",
            "save a two-dimensional array",
        )
    if array.shape[1] > MAX_CHANNELS >= array.shape[0]:
        array = array.T
    if array.shape[1] > MAX_CHANNELS:
        raise refusal(
            path,
            f"at most {MAX_CHANNELS} channels",
            f"shape {array.shape[0]} x {array.shape[1]} in array '{shown(name)}'",
            "save fewer columns",
        )
    return [array[:, i] for i in range(array.shape[1])]


def _take_setting(layout: Layout, name: str, values: NDArray[np.float64]) -> None:
    if name.lower() in ("scale", "gain", "scales"):
        layout.scale = tuple(float(v) for v in values)
        return
    rate = rate_of(name, f"{float(values[0])!r}")
    if rate is not None:
        layout.rate_hz = rate
    elif name.lower() in ("t0", "start", "start_s", "t_start"):
        layout.start_s = float(values[0]) if np.isfinite(values[0]) else 0.0


def _take_texts(layout: Layout, texts: Mapping[str, list[str]], count: int) -> None:
    for name, words in texts.items():
        word = name.lower()
        if word in ("names", "channels", "channel_names", "labels") and len(words) == count:
            for i, title in enumerate(words):
                bare, unit = split_unit(title)
                layout.names[i] = bare or None
                layout.units[i] = unit or layout.units[i]
        elif word == "coupling" and words:
            said = coupling_hint("coupling", ",".join(words))
            layout.coupling = "ac" if said == "ac" else "dc" if said == "dc" else None
    for name, words in texts.items():
        if name.lower() in ("unit", "units", "channel_units"):
            if len(words) == count:
                layout.units = [w.strip() or None for w in words]
            elif len(words) == 1:
                layout.units = [words[0].strip() or None] * count


def refuse_too_many(path: object, shapes: Iterable[tuple[int, ...]], limit: int) -> None:
    """Raises CaptureError if arrays of these shapes hold more than `limit` values together.

    To be called with what a file announces, before memory is taken. A time array counts too.
    """
    total = sum(math.prod(int(side) for side in shape) for shape in shapes)
    if total > limit:
        raise refusal(
            path,
            f"at most {limit} samples",
            f"{total} announced",
            "cut the recording or raise --max-samples",
        )
