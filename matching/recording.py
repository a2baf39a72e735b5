"""How a capture was made, and all of it as a strip: for reports, carried only when asked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.conditioning import Signal
from matching.strip import Strip, strip_of
from matching.tools import Floats
from refdb.records import Capture, Channel, Coupling

MOST_WINDOWS = 24


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One capture as it came, and its strip.

    channels: as the file names them.  played_by: for each role of the strip the place of its
    channel in `channels`.  overloads: samples marked as overloaded.  flipped: the first role was
    turned upside down to be judged.  windows: (picked events, 2) seconds, where each begins and
    ends.  n_events: all that were found.  revision: the catalogue's, "" until it is known.
    """

    rate_hz: float
    n_samples: int
    start_s: float
    coupling: Coupling | None
    attenuation: float
    scale: float
    channels: tuple[Channel, ...]
    played_by: tuple[int, ...]
    overloads: int
    flipped: bool
    remarks: tuple[str, ...]
    strip: Strip
    windows: Floats
    n_events: int
    revision: str = ""

    @property
    def duration_s(self) -> float:
        """Seconds from the first sample to one step after the last."""
        return self.n_samples / self.rate_hz


def recording_of(
    capture: Capture, signal: Signal, start: Floats, stop: Floats, grid: np.ndarray, n_events: int
) -> Recording:
    """The recording behind a signal. start, stop: (picked,) samples; grid: the picked events
    (picked, channels, points), by which the oddest ones get a close-up."""
    order = oddest_first(grid)[:MOST_WINDOWS]
    wanted = [
        (int(start[i]), int(np.ceil(stop[i])) + 1, "an event unlike the others") for i in order
    ]
    strip = strip_of(
        signal.data, signal.rate_hz, capture.start_s, signal.roles, signal.units, wanted
    )
    return Recording(
        capture.rate_hz, capture.n_samples, capture.start_s, capture.coupling,
        capture.attenuation, capture.scale, capture.channels, signal.rows,
        0 if capture.overload is None else int(capture.overload.sum()), signal.flipped,
        capture.remarks, strip,
        capture.start_s + np.column_stack((start, stop)) / capture.rate_hz, n_events,
    )  # fmt: skip


def oddest_first(grid: np.ndarray) -> np.ndarray:
    """Indices (events,) of events grid (events, channels, points), furthest from their own median
    first; distance is the root mean square in swings of the median event."""
    if grid.shape[0] == 0:
        return np.zeros(0, np.int64)
    usual = np.median(grid, axis=0)
    size = np.ptp(usual, axis=1, keepdims=True) + 1e-12
    far = np.sqrt(np.mean(((grid - usual) / size) ** 2, axis=(1, 2)))
    return np.argsort(-far, kind="stable")
