"""From a capture to the signal that is judged: channels by role, the card's units, polarity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.tools import Bools, Floats, mode_level, noise_sigma, quantisation_step, thin
from refdb.cards import CardChannel, SystemCard
from refdb.errors import CaptureError
from refdb.records import Capture
from refdb.units import dimension, factor


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """The channels a card asks for, in its units, ready for cutting.

    data: float64 (roles, n).  roles, units: one per row.  step, noise: (roles,), same units.
    overload: bool (roles, n) or None.  flipped: the sign was turned so that events point up.
    rows: which channel of the capture each row came from.
    """

    data: Floats
    roles: tuple[str, ...]
    units: tuple[str, ...]
    rate_hz: float
    step: Floats
    noise: Floats
    overload: Bools | None
    flipped: bool
    rows: tuple[int, ...]

    @property
    def n(self) -> int:
        return int(self.data.shape[1])

    def row(self, role: str = "") -> int:
        """Index of a role's row; the first for no role. KeyError if the channel is not there."""
        if not role:
            return 0
        if role not in self.roles:
            raise KeyError(role)
        return self.roles.index(role)

    def channel(self, role: str = "") -> Floats:
        """Samples (n,) of a role; the first channel for no role."""
        return self.data[self.row(role)]


def assign_channels(card: SystemCard, capture: Capture) -> dict[str, int]:
    """Which channel of the capture plays which role of the card: by name, alias, unit, order.

    Raises CaptureError when a required role stays without a channel.
    """
    free = dict(enumerate(capture.channels))
    roles: dict[str, int] = {}
    for want in card.channels:
        named = [i for i, have in free.items() if _named(want, have.name)]
        if named:
            roles[want.role] = named[0]
            del free[named[0]]
    for want, same_unit in _by_unit(card):
        if want.role in roles or not (want.required or len(free) == 1):
            continue
        fitting = [
            i
            for i, have in free.items()
            if not same_unit or dimension(have.unit) == dimension(want.unit)
        ]
        if fitting:
            roles[want.role] = fitting[0]
            del free[fitting[0]]
    missing = [want.role for want in card.required_channels if want.role not in roles]
    if missing:
        names = ", ".join(channel.role for channel in card.required_channels)
        found = ", ".join(f"{c.name}={c.unit}" for c in capture.channels)
        raise CaptureError(
            f"{capture.source}: expected {len(card.required_channels)} channel(s) for {card.name} "
            f"({names}), found {len(capture.channels)} ({found}); record the missing one or name "
            f"them with --channels '{','.join(c.role + '=' + c.unit for c in card.channels)}'"
        )
    return roles


def _by_unit(card: SystemCard) -> list[tuple[CardChannel, bool]]:
    """Who may take a channel that no name claims, in turn, and whether its unit must fit: required
    channels first, if need be with any unit, then an optional one that the last free one fits."""
    required = card.required_channels
    optional = [channel for channel in card.channels if not channel.required]
    return (
        [(want, True) for want in required]
        + [(want, False) for want in required]
        + [(want, True) for want in optional]
    )


def _named(want: CardChannel, name: str) -> bool:
    return _plain(name) in {_plain(known) for known in (want.role, *want.aliases)}


def _plain(name: str) -> str:
    """A name without what people and instruments write differently: case, blanks and dashes."""
    return name.strip().lower().replace("-", "_").replace(" ", "_")


def condition(card: SystemCard, capture: Capture) -> Signal:
    """The signal of a capture as the card wants it. Raises CaptureError (channels, units)."""
    roles = assign_channels(card, capture)
    rows, units, data = [], [], []
    for want in card.channels:
        if want.role not in roles:
            continue
        row = roles[want.role]
        have = capture.channels[row]
        same = dimension(have.unit) == dimension(want.unit)
        units.append(want.unit if same else have.unit)
        gain = factor(have.unit, want.unit) if same else 1.0
        data.append(capture.samples[row] * gain)
        rows.append(row)
    stacked = np.array(data)
    flipped = (card.polarity == "any" and points_down(stacked[0])) or (
        card.polarity == "mean" and flows_backwards(stacked[0])
    )
    if flipped:
        stacked[0] = -stacked[0]
    step = np.array([quantisation_step(x) for x in stacked])
    noise = np.array([noise_sigma(x, s) for x, s in zip(stacked, step, strict=True)])
    overload = None if capture.overload is None else capture.overload[rows]
    return Signal(
        stacked,
        tuple(want.role for want in card.channels if want.role in roles),
        tuple(units),
        capture.rate_hz,
        step,
        noise,
        overload,
        flipped,
        tuple(rows),
    )


def points_down(x: Floats) -> bool:
    """Whether the events of x (n,) point below the resting level more than above it.

    The largest block extremes vote with their size. One block alone votes at most as eight of the
    third largest, so that one odd spike does not decide against many events.
    """
    rest = mode_level(x)
    blocks = min(64, max(4, x.size // 2000), x.size)
    usable = x[: x.size // blocks * blocks].reshape(blocks, -1)
    up, down = usable.max(axis=1) - rest, rest - usable.min(axis=1)
    size = np.maximum(up, down)
    order = np.argsort(-size)[: max(3, blocks // 4)]
    weight = np.minimum(size[order], 8.0 * size[order[min(2, order.size - 1)]])
    return bool(np.sum(weight * np.sign(up[order] - down[order])) < 0.0)


def swing(x: Floats) -> float:
    """Difference between the 99.9 and 0.1 percentile of x (n,): size without single spikes."""
    low, high = np.quantile(thin(x), [0.001, 0.999])
    return float(high - low)


def flows_backwards(x: Floats) -> bool:
    """Whether x (n,) is a direct current seen by a reversed clamp: mean and bulk below zero."""
    low, middle, high = np.quantile(thin(x), [0.02, 0.5, 0.98])
    return bool(middle < 0.0 and x.mean() < 0.0 and -low > 3.0 * max(float(high), 0.0))
