"""Profiles of one system as matrices: numbers as columns, typical events as curves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from matching.grid import rebin
from matching.profile import Profile
from matching.tools import Floats
from refdb.cards import SystemCard

CURVE_POINTS = 64
# Uncertainty of a number against which a spread is never taken to be smaller, as a share of the
# number's own size: gain errors of inexpensive instruments are of this order (common practice).
RELATIVE_FLOOR = 0.004
_TINY = 1e-9


@dataclass(frozen=True, slots=True)
class Column:
    """One number of the table. name: as in the profile; group: see cards.GROUPS.

    log: compared as a logarithm.  measured: a card's measurement (else a generic number).
    shown: the column says whether the measurement could be read at all (1 or 0).
    """

    name: str
    group: str
    log: bool = False
    measured: bool = False
    shown: bool = False


def columns_of(card: SystemCard, names: Sequence[str]) -> tuple[Column, ...]:
    """The columns of a system: its card's measurements, whether each is shown, generic numbers."""
    out = []
    for m in card.measurements:
        out.append(Column(m.name, m.group, log=m.log, measured=True))
        out.append(Column(m.name, m.group, measured=True, shown=True))
    for name in names:
        group = name.split(":", 1)[0]
        out.append(Column(name, group, log=name.endswith("~")))
    return tuple(out)


def value(column: Column, profile: Profile) -> float:
    """The entry of one column for one profile; NaN where the profile lacks it."""
    source: Mapping[str, float] = profile.measured if column.measured else profile.numbers
    x = source.get(column.name, float("nan"))
    if column.shown:
        return float(np.isfinite(x))
    if column.log:
        return float(np.log(max(x, _TINY))) if np.isfinite(x) else float("nan")
    return x


def table(columns: Sequence[Column], profiles: Sequence[Profile]) -> Floats:
    """float64 (profiles, columns), NaN where a profile lacks a number."""
    out = np.array([[value(c, p) for c in columns] for p in profiles], dtype=np.float64)
    return out.reshape(len(profiles), len(columns))


def floors(columns: Sequence[Column], x: Floats) -> Floats:
    """Least credible spread per column of x (profiles, columns)."""
    size = np.nanmedian(np.abs(x), axis=0) if x.size else np.zeros(len(columns))
    size = np.where(np.isfinite(size), size, 0.0)
    linear = np.maximum(RELATIVE_FLOOR * size, 1e-9)
    fixed = np.array([0.1 if c.shown else RELATIVE_FLOOR if c.log else np.nan for c in columns])
    return np.where(np.isnan(fixed), linear, fixed)


def curves(profiles: Sequence[Profile], which: str, channels: int) -> Floats:
    """The typical events (`usual` or `zoom`) as float64 (profiles, channels * CURVE_POINTS).

    NaN rows for profiles that have none. Points are block means, so that a curve is compared at
    the resolution that the vehicles' own spread allows.
    """
    out = np.full((len(profiles), channels * CURVE_POINTS), np.nan)
    for i, p in enumerate(profiles):
        curve = getattr(p, which)
        if curve.shape[0] != channels or curve.size == 0:
            continue
        out[i] = rebin(curve, CURVE_POINTS).ravel()
    return out
