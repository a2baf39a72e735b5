"""What a physical model offers: contexts, faults, and one vehicle's recording from a seed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """What an ideal instrument would see at the probe tips.

    samples: float64 (channels, n), physical units.  rate_hz: at least the rate the instrument
    will record with.  parameters: the vehicle's drawn parameters, for the manifest.
    """

    samples: NDArray[np.float64]
    rate_hz: float
    parameters: Mapping[str, float] = field(default_factory=dict)


# simulate(engine_family, condition, fault or "", severity 0..1, generator) -> Recording
Simulate = Callable[[str, str, str, float, np.random.Generator], Recording]


@dataclass(frozen=True, slots=True)
class Model:
    """A system's simulation.

    contexts: (engine family, condition) pairs.  faults: name -> what it is, in one sentence.
    channels: (role, unit) in row order.  record_hz: the rate the stored capture has.
    full_scale: per channel, the physical value at which the instrument clips (fault included).
    bits: resolutions of the instruments in use.  coupling and ac_corner_hz as the card wants.
    relations: the textbook relations the physics uses, cited.
    """

    system: str
    contexts: tuple[tuple[str, str], ...]
    faults: Mapping[str, str]
    channels: tuple[tuple[str, str], ...]
    record_hz: float
    full_scale: tuple[float, ...]
    simulate: Simulate
    relations: tuple[str, ...]
    coupling: str = "dc"
    ac_corner_hz: float = 1.0
    bits: tuple[int, ...] = (8, 12)
