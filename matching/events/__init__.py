"""Cutting a capture into events: one physical repetition each, by a registered rule.

A rule is a function `rule(signal, params, hint) -> Events`. `hint` holds what the good references
of the context agree on (`Events.scout` of each, as a median), so that a capture whose fault hides
its period is cut like its healthy peers; a rule must work without it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib import import_module
from typing import Any

import numpy as np

from matching.conditioning import Signal
from matching.tools import Floats

Rule = Callable[[Signal, Mapping[str, Any], Mapping[str, float]], "Events"]
_RULES: dict[str, Rule] = {}
_MODULES = (
    "spikes",
    "pulses",
    "cyclic",
    "machines",
    "pressure",
    "wheels",
    "humps",
    "bits",
    "whole",
    "cam_cycles",
    "cam_pattern",
)


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """Where the events of one capture lie, in fractional samples.

    start, stop: (n,) edges of the window that is put on the grid, start < stop.
    anchor: (n,) the defining instant of each event (firing edge, tooth, gap, trough).
    axis: (lo, hi) what start and stop mean on the card's axis, for instance (-4, 8) ms.
    complete: bool (n,), False where the window leaves the recording.
    marks: further instants or numbers a rule found (tooth edges, bit time), by name.
    scout: numbers the context should agree on, by name; they come back as `hint`.
    """

    start: Floats
    stop: Floats
    anchor: Floats
    axis: tuple[float, float]
    complete: np.ndarray
    marks: Mapping[str, Floats] = field(default_factory=dict)
    scout: Mapping[str, float] = field(default_factory=dict)

    @property
    def n(self) -> int:
        return int(self.start.size)


def rule(name: str) -> Callable[[Rule], Rule]:
    """Register a function as the event rule of that name."""

    def register(function: Rule) -> Rule:
        if name in _RULES:
            raise ValueError(f"event rule '{name}' is registered twice")
        _RULES[name] = function
        return function

    return register


def rules() -> dict[str, Rule]:
    """Every registered rule by name."""
    for module in _MODULES:
        import_module(f"matching.events.{module}")
    return dict(_RULES)


def make(
    signal: Signal,
    start: Floats,
    stop: Floats,
    anchor: Floats,
    axis: tuple[float, float],
    marks: Mapping[str, Floats] | None = None,
    scout: Mapping[str, float] | None = None,
) -> Events:
    """Events with windows that lie outside the recording marked incomplete."""
    start, stop, anchor = (np.asarray(a, dtype=np.float64) for a in (start, stop, anchor))
    complete = (start >= -0.5) & (stop <= signal.n - 0.5) & (stop - start > 2)
    return Events(start, stop, anchor, axis, complete, marks or {}, scout or {})


def none_found(scout: Mapping[str, float] | None = None) -> Events:
    """What a rule returns when it recognises nothing."""
    empty = np.zeros(0)
    return Events(empty, empty, empty, (0.0, 1.0), np.zeros(0, bool), {}, scout or {})


def cut(signal: Signal, name: str, params: Mapping[str, Any], hint: Mapping[str, float]) -> Events:
    """Events of a signal by the rule of that name. KeyError if there is no such rule."""
    if name not in _RULES:
        rules()
    return _RULES[name](signal, params, hint)
