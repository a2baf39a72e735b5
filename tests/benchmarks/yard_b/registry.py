"""All contexts of the yard, in a fixed order."""

from __future__ import annotations

from . import (
    alternator,
    can,
    coil_current,
    cranking,
    fuel_pump,
    hall,
    inductive,
    injectors,
    lin,
    primary,
    secondary,
)
from .common import Context

MODULES = (
    secondary,
    alternator,
    can,
    inductive,
    fuel_pump,
    cranking,
    primary,
    coil_current,
    injectors,
    lin,
    hall,
)
CONTEXTS: list[Context] = [context for module in MODULES for context in module.CONTEXTS]
