"""ASAM MDF4 through asammdf, an optional extra: `pip install straygauge[mdf]`.

A measurement file may hold many groups with their own time base. The channels named by the
person decide; else the group with the most samples that has 1 to 8 numeric channels is read.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from refdb.captures.decoded import Decoded, Layout
from refdb.captures.options import MAX_CHANNELS, ReadOptions, clean_name, wanted_channels
from refdb.captures.words import refusal, short, shown
from refdb.errors import CaptureError

NAME: str = "MDF4"
SUFFIXES: tuple[str, ...] = (".mf4", ".mdf")
_SAVE = "export the channels as CSV or save the file again"


def claims(head: bytes) -> bool:
    """Whether the file begins as MDF."""
    return head.startswith((b"MDF     ", b"UnFinMF "))


def decode(path: Path, options: ReadOptions) -> Decoded:
    """The channels of one group. Raises CaptureError for damage, or when asammdf is missing."""
    try:
        from asammdf import MDF
    except ImportError:
        raise refusal(
            path,
            "the optional MDF reader",
            "no asammdf installed",
            "run: pip install 'straygauge[mdf]'",
        ) from None
    with _quiet_ends():
        try:
            with MDF(path) as source:
                return _decoded(path, source, options)
        except CaptureError:
            raise
        except Exception as error:  # asammdf raises whatever its parser meets
            said = short(error, 60)
        gc.collect()
    raise refusal(path, "an undamaged MDF4 file", said, _SAVE)


@contextmanager
def _quiet_ends() -> Iterator[None]:
    """Half-opened files of asammdf complain on stderr when they are collected; once is enough."""
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        yield
    finally:
        sys.unraisablehook = hook


def _decoded(path: Path, source: Any, options: ReadOptions) -> Decoded:
    wanted = wanted_channels(path, options.channels)
    groups = _groups(source)
    if wanted is not None:
        names = {w.name for w in wanted}
        fitting = [g for g in groups if names <= {clean_name(n) for n, _ in g[2]}]
        if fitting:
            count, index, channels = max(fitting)
            order = [w.name for w in wanted]
            channels = [c for c in channels if clean_name(c[0]) in names]
            channels.sort(key=lambda c: order.index(clean_name(c[0])))
            return _read(path, source, count, index, channels[: len(order)], options)
    usable = [g for g in groups if 1 <= len(g[2]) <= MAX_CHANNELS]
    if not usable:
        found = ", ".join(shown(n) for g in groups for n, _ in g[2][:4]) or "no numeric channel"
        raise refusal(
            path,
            f"a group of 1 to {MAX_CHANNELS} numeric channels",
            short(found, 80),
            "name the channels to read with --channels",
        )
    count, index, channels = max(usable)
    return _read(path, source, count, index, channels, options)


def _groups(source: Any) -> list[tuple[int, int, list[tuple[str, int]]]]:
    """(samples, index, [(channel name, channel index)]) of every group, time bases left out."""
    groups = []
    for index, group in enumerate(source.groups):
        master = source.masters_db.get(index)
        channels = [
            (channel.name, k)
            for k, channel in enumerate(group.channels)
            if k != master and int(getattr(channel, "data_type", 0)) <= 5
        ]
        if channels:
            groups.append((int(group.channel_group.cycles_nr), index, channels))
    return groups


def _read(
    path: Path,
    source: Any,
    count: int,
    index: int,
    channels: list[tuple[str, int]],
    options: ReadOptions,
) -> Decoded:
    if count * len(channels) > options.max_samples:
        raise refusal(
            path,
            f"at most {options.max_samples} samples",
            f"{count * len(channels)} announced",
            "cut the recording or raise --max-samples",
        )
    layout = Layout(names=[], units=[])
    columns = []
    time = None
    for name, k in channels:
        signal = source.get(group=index, index=k)
        samples = np.asarray(signal.samples)
        if samples.ndim != 1 or samples.dtype.kind not in "biuf":
            raise refusal(
                path, f"numbers in channel '{shown(name)}'", f"type {samples.dtype}", _SAVE
            )
        layout.names.append(name)
        layout.units.append(str(signal.unit).strip() or None)
        columns.append(samples)
        time = np.asarray(signal.timestamps, dtype=np.float64)
    return Decoded(layout, columns, time, "s")
