"""Records of simulated vehicles: what is to be simulated, with what instrument, what came of it.

Apart from the code that simulates, so that loading packed references needs none of scipy.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument as it was set up. Per channel, in physical units unless said otherwise.

    full_scale: the rails are at plus and minus this.  gain: 1 is true.  drift: what is added
    between the first sample and the last.  noise: rms.  filter_share: corner of the anti-alias
    filter as a share of the record rate.  ac_corner_hz: 0 means DC coupled.
    """

    bits: int
    full_scale: tuple[float, ...]
    gain: tuple[float, ...]
    offset: tuple[float, ...]
    drift: tuple[float, ...]
    noise: tuple[float, ...]
    filter_share: float
    ac_corner_hz: float

    @property
    def steps(self) -> tuple[float, ...]:
        """The physical size of one code, per channel."""
        return tuple(step_of(full, self.bits) for full in self.full_scale)


@dataclass(frozen=True, slots=True, eq=False)
class Stored:
    """What the instrument keeps: physical = codes x steps.  codes: int16 (channels, n)."""

    codes: NDArray[np.int16]
    steps: tuple[float, ...]
    rate_hz: float

    @property
    def samples(self) -> NDArray[np.float64]:
        """float64 (channels, n), physical units."""
        return self.codes * np.array(self.steps)[:, None]


@dataclass(frozen=True, slots=True)
class Job:
    """One vehicle to simulate.

    batch: 'packed', or 'held-back' for the audit.  fault: empty for a good vehicle.
    number: what the vehicle is called by, 1 upwards within a context.
    index: its place among the good ones, or among those with its fault: what the seed is made of.
    """

    batch: str
    system: str
    engine_family: str
    condition: str
    fault: str
    index: int
    number: int
    severity: float

    @property
    def seed(self) -> str:
        """32 hexadecimal digits. Stable: no other system, context or fault enters it."""
        parts = (self.batch, self.system, self.engine_family, self.condition, self.fault)
        text = "/".join((*parts, str(self.index)))
        return blake2b(text.encode(), digest_size=16, person=b"straygauge seed").hexdigest()

    @property
    def vehicle(self) -> str:
        """What the vehicle is called in the catalogue."""
        held = ", held back" if self.batch != "packed" else ""
        return f"{self.engine_family} no. {self.number:02d} (simulated{held})"

    @property
    def source(self) -> str:
        """What stands where a captured reference names its file."""
        return (
            f"simulated/{self.batch}/{self.system}/{self.engine_family}/{self.condition}/"
            f"{self.fault or 'good'}-{self.index:02d}"
        )


@dataclass(frozen=True, slots=True, eq=False)
class Simulated:
    """One vehicle's capture. widened: the model's own full scale would have clipped it."""

    job: Job
    stored: Stored
    instrument: Instrument
    parameters: dict[str, float]
    widened: bool = False


def step_of(full_scale: float, bits: int) -> float:
    """The size of one code of a converter that covers plus and minus full scale."""
    return full_scale / 2.0 ** (bits - 1)
