"""Frozen records that enter and leave the catalogue. No database object ever leaves it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Coupling = Literal["ac", "dc"]
Label = Literal["good", "fault"]
Origin = Literal["simulated", "captured", "confirmed"]
State = Literal["proposed", "accepted", "retired"]


@dataclass(frozen=True, slots=True)
class Channel:
    """One recorded line: its name (lower case, as the user or file gives it) and its unit."""

    name: str
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class Capture:
    """One recording, in physical units. Built by `refdb.captures.read`, validated there.

    samples: float64 (channels, n), finite; physical = stored x scale x attenuation.
    overload: bool (channels, n), True where the instrument marked an overload (blank or
        non-numeric cell); the sample then holds the nearest rail, never a gap. None: no marks.
    rate_hz: samples per second, > 0.  start_s: time of sample 0 on the file's own axis.
    sha256: of the decoded channels (names left out, so that renaming does not hide a copy).
    remarks: what the reader noticed about the time axis, one sentence each.
    """

    samples: NDArray[np.float64]
    rate_hz: float
    channels: tuple[Channel, ...]
    coupling: Coupling | None
    attenuation: float
    scale: float
    source: str
    sha256: str
    start_s: float = 0.0
    overload: NDArray[np.bool_] | None = None
    remarks: tuple[str, ...] = ()

    @property
    def n_samples(self) -> int:
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        return self.n_samples / self.rate_hz


@dataclass(frozen=True, slots=True)
class Context:
    """What makes captures comparable. Family and condition may be unknown (empty)."""

    system: str
    engine_family: str = ""
    condition: str = ""


@dataclass(frozen=True, slots=True)
class NewReference:
    """What a person says of a capture when adding it."""

    context: Context
    label: Label
    vehicle: str
    fault: str = ""
    origin: Origin = "captured"
    state: State = "accepted"
    confirmed_fix: str = ""
    note: str = ""
    tags: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Reference:
    """One capture of one vehicle in the catalogue, without its samples."""

    id: int
    context: Context
    label: Label
    vehicle: str
    fault: str
    origin: Origin
    state: State
    confirmed_fix: str
    note: str
    tags: Mapping[str, str]
    source: str
    sha256: str
    rate_hz: float
    n_samples: int
    channels: tuple[Channel, ...]
    coupling: Coupling | None
    attenuation: float
    scale: float
    added_at: str

    @property
    def simulated(self) -> bool:
        return self.origin == "simulated"

    @property
    def duration_s(self) -> float:
        return self.n_samples / self.rate_hz


@dataclass(frozen=True, slots=True)
class Derived:
    """Bytes computed from one reference's samples by a named recipe; worthless without both.

    recipe: fingerprint of the code and card that made the payload; another recipe, another row.
    """

    reference_id: int
    recipe: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class ReferenceSet:
    """The references of one system at one catalogue revision, with what was derived of them.

    derived: reference id -> payload bytes made by `recipe`; missing ids are not derived yet.
    """

    system: str
    revision: str
    references: tuple[Reference, ...]
    recipe: str
    derived: Mapping[int, bytes]


@dataclass(frozen=True, slots=True)
class ContextCount:
    """How much a context holds. Vehicles are counted once however many captures they gave.

    faults: fault name -> number of vehicles.  simulated: references that are.
    """

    context: Context
    references: int
    simulated: int
    vehicles_good: int
    faults: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class HistoryEntry:
    """One thing done to the catalogue: who, when (ISO 8601, UTC), what and why."""

    id: int
    at: str
    who: str
    action: str
    reference_id: int | None
    why: str
    detail: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Damage:
    """Something `verify` found wrong.

    code: 'database', 'link', 'trace', 'reference', 'derived' or 'history'.
    reference_id: the reference that cannot be trusted, if it is one.
    """

    code: str
    message: str
    reference_id: int | None = None
