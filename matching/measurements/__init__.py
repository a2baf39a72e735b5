"""Measurements: each a pure function of one cut capture that gives one number.

A measurement is `function(cut, measurement) -> float`, registered by name; NaN means that the
capture does not show it. Every function's docstring gives definition, unit and source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from importlib import import_module
from pkgutil import iter_modules
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.events import Events
from matching.grid import Grid
from matching.tools import Floats
from refdb.cards import CardMeasurement, SystemCard

Measure = Callable[["Cut", CardMeasurement], float]
_MEASURES: dict[str, Measure] = {}


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """One capture, conditioned and cut into events: what every measurement looks at.

    grid: float32 (events, channels, points), the complete events, thinned evenly when many.
    picked: (events,) index of each gridded event in `events`.
    memo: results that several measurements share, by name; filled with `shared`.
    """

    card: SystemCard
    signal: Signal
    events: Events
    grid: Grid
    picked: np.ndarray
    memo: dict[str, Any] = field(default_factory=dict)

    def shared(self, name: str, make: Callable[[], Any]) -> Any:
        """The value `make` gives, computed once per capture."""
        if name not in self.memo:
            self.memo[name] = make()
        return self.memo[name]

    def channel(self, role: str = "") -> Floats:
        """Samples (n,) of a role in the card's unit; the first channel for no role."""
        return self.signal.channel(role)

    @property
    def rate_hz(self) -> float:
        return self.signal.rate_hz


def measurement(name: str) -> Callable[[Measure], Measure]:
    """Register a function as the measurement of that name."""

    def register(function: Measure) -> Measure:
        if name in _MEASURES:
            raise ValueError(f"measurement '{name}' is registered twice")
        _MEASURES[name] = function
        return function

    return register


def measures() -> dict[str, Measure]:
    """Every registered measurement function by name."""
    for module in iter_modules(__path__):
        import_module(f"{__name__}.{module.name}")
    return dict(_MEASURES)


def measure(cut: Cut, wanted: CardMeasurement) -> float:
    """One measurement of a cut capture; NaN where the capture lacks what it needs.

    KeyError if the function is not registered (a card error that `check_card` reports).
    """
    if wanted.function not in _MEASURES:
        measures()
    function = _MEASURES[wanted.function]
    if cut.rate_hz < wanted.needs_rate_hz or cut.events.n < wanted.needs_events:
        return float("nan")
    if wanted.role and wanted.role not in cut.signal.roles:
        return float("nan")
    with np.errstate(all="ignore"):
        value = function(cut, wanted)
    return float(value) if np.isfinite(value) else float("nan")
