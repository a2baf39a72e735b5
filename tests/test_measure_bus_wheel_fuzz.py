"""Whatever a file holds, the bus and wheel systems give numbers or NaN and never raise."""

import numpy as np
import pytest

from refdb.cards import find_card
from tests.builders_signals import numbers

SYSTEMS = (
    "can-hs", "can-fd", "lin", "ckp-inductive", "ckp-hall", "cmp-hall", "cmp-ckp",
    "wheel-speed-active", "wheel-speed-inductive",
)  # fmt: skip
RATES = (3e3, 5e4, 2e6)


def shapes(n, rng):
    """Signals (n,) of every odd kind."""
    t = np.arange(n)
    yield np.zeros(n)
    yield np.full(n, 5.0)
    yield rng.normal(size=n)
    yield np.where(t < n // 2, 0.0, 5.0)
    yield np.where(rng.random(n) < 0.5, 0.0, 5.0)
    yield np.sin(2 * np.pi * t / 37.3)
    yield np.sign(np.sin(2 * np.pi * t / 3.1)) * 5.0
    yield np.exp(-t / (0.1 * n))
    yield np.cumsum(rng.normal(size=n))
    yield np.where(t % 997 == 0, 12.0, 0.0)
    yield np.round(np.sin(t**2 / (3.0 * n)) * 2)
    yield np.where(t == n // 3, 1e6, 0.0)
    yield 2.5 + 1e-9 * rng.normal(size=n)


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("n", [7, 60, 3000])
def test_never_raises(system, n):
    rng = np.random.default_rng(n)
    needed = find_card(system).required_channels
    names = ",".join(f"{c.role}={c.unit}" for c in needed)
    for rate in RATES:
        made = list(shapes(n, rng))
        for k, first in enumerate(made):
            rows = [first] + [made[(k + j + 1) % len(made)] for j in range(len(needed) - 1)]
            for hint in ({}, {"pitches": 60.0, "bit_s": 2e-6, "pulses": 3.0, "cam_order": 2.0}):
                found = numbers(system, np.array(rows), rate, names, hint)
                assert all(isinstance(v, float) for v in found.values())
