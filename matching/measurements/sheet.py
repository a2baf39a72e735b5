"""Registering a whole sheet of numbers that come from one analysis of a capture."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from matching.measurements import Cut, measurement
from refdb.cards import CardMeasurement

Analyse = Callable[[Cut, CardMeasurement], Mapping[str, float]]


def register_sheet(prefix: str, numbers: Mapping[str, str], analyse: Analyse) -> None:
    """Register `prefix-name` for each name of `numbers` (name -> definition with its unit).

    `analyse` gives all of them as a mapping and runs once per capture, role and parameters;
    a name that it leaves out is not shown by the capture (NaN).
    """
    for name, definition in numbers.items():

        def one(cut: Cut, wanted: CardMeasurement, name: str = name) -> float:
            key = f"{prefix}:{wanted.role}:{sorted(wanted.params.items())}"
            sheet = cut.shared(key, lambda: analyse(cut, wanted))
            return float(sheet.get(name, float("nan")))

        one.__doc__ = definition
        measurement(f"{prefix}-{name}")(one)
