"""Rules `electrical`, `turns`, `humps`: periods are found from any start, with or without peers."""

from __future__ import annotations

import numpy as np
import pytest

from matching.conditioning import Signal
from matching.events import cut
from matching.tools import noise_sigma

ELECTRICAL = {"low_hz": 80.0, "high_hz": 2000.0}
TURNS = {"low_hz": 150.0, "high_hz": 4000.0, "settle_s": 0.25}
HUMPS = {"low_hz": 3.0, "high_hz": 25.0, "usual_hz": 7.5, "skip_s": 0.3}


def signal_of(x: np.ndarray, rate: float) -> Signal:
    noise = np.array([noise_sigma(x)])
    return Signal(x[None, :], ("s",), ("V",), rate, np.zeros(1), noise, None, False, (0,))


def bridge(angle: np.ndarray, fault: str = "") -> np.ndarray:
    """Ideal three-phase bridge, line-to-line peak 1; angle in rad of the electrical period."""
    v = [np.sin(angle - 2 * np.pi * k / 3) / np.sqrt(3) for k in range(3)]
    up, down = list(v), list(v)
    if fault in ("diode", "phase"):
        up[0] = np.full(angle.size, -9.0)
    if fault == "phase":
        down[0] = np.full(angle.size, 9.0)
    return np.max(up, axis=0) - np.min(down, axis=0)


def pump(turn: np.ndarray, heights: np.ndarray) -> np.ndarray:
    place = turn * heights.size
    which = np.floor(place).astype(int) % heights.size
    return 5.0 + heights[which] * (np.abs(np.sin(np.pi * place)) - 0.64)


def cranking(t: np.ndarray, f: float, heights: np.ndarray) -> np.ndarray:
    place = t * f
    which = np.floor(place).astype(int) % heights.size
    return 100.0 + heights[which] * (0.5 - 0.5 * np.cos(2 * np.pi * place))


@pytest.mark.parametrize("fault", ["", "diode", "phase"])
@pytest.mark.parametrize("start", [0.0, 0.13, 0.5, 0.77])
def test_electrical_period_with_hint_for_any_fault_and_start(fault: str, start: float) -> None:
    rate, f = 1e5, 212.0
    t = np.arange(8000) / rate
    x = bridge(2 * np.pi * (f * t + start), fault)
    events = cut(signal_of(x, rate), "electrical", ELECTRICAL, {"electric_hz": 1.1 * f})
    assert events.n >= 15
    assert np.diff(events.start) == pytest.approx(rate / f, rel=0.01)


@pytest.mark.parametrize("f", [190.0, 240.0, 620.0, 690.0])
def test_electrical_period_of_a_healthy_machine_without_hint(f: float) -> None:
    rate = 1.25e5
    t = np.arange(12000) / rate
    noise = np.random.default_rng(3).normal(0, 0.004, t.size)
    angle = 2 * np.pi * f * t + 0.05 * np.sin(2 * np.pi * 27 * t)
    events = cut(signal_of(bridge(angle) + noise, rate), "electrical", ELECTRICAL, {})
    assert events.scout["electric_hz"] == pytest.approx(f, rel=0.02)


def test_electrical_starts_at_the_deepest_trough() -> None:
    rate, f = 1e5, 200.0
    angle = 2 * np.pi * f * np.arange(10000) / rate
    x = bridge(angle, "diode")
    events = cut(signal_of(x, rate), "electrical", ELECTRICAL, {"electric_hz": f})
    at = np.round(events.start[1:-1]).astype(int)
    assert x[at] == pytest.approx(x.min(), abs=0.03)


def test_electrical_gain_and_offset_change_nothing() -> None:
    rate = 1e5
    x = bridge(2 * np.pi * 205.0 * np.arange(9000) / rate + 0.4)
    x = x + np.random.default_rng(0).normal(0, 0.002, x.size)
    a = cut(signal_of(x, rate), "electrical", ELECTRICAL, {})
    b = cut(signal_of(0.03 * x - 4.0, rate), "electrical", ELECTRICAL, {})
    assert a.start == pytest.approx(b.start, abs=0.01)


@pytest.mark.parametrize("count", [7, 8, 10, 14])
def test_turns_finds_how_many_ripples_make_a_turn(count: int) -> None:
    rate = 5e4
    heights = 0.8 + 0.05 * np.random.default_rng(count).normal(size=count)
    t = np.arange(20000) / rate
    x = pump(93.0 * t + 0.3, heights) + np.random.default_rng(1).normal(0, 0.02, t.size)
    events = cut(signal_of(x, rate), "turns", TURNS, {})
    assert events.scout["per_turn"] == count
    assert np.diff(events.start) == pytest.approx(rate / 93.0, rel=0.01)


def test_turns_of_equal_segments_lean_on_the_hint() -> None:
    rate = 5e4
    t = np.arange(10000) / rate
    events = cut(
        signal_of(pump(90.0 * t, np.full(8, 0.8)), rate), "turns", TURNS, {"per_turn": 8.0}
    )
    assert np.diff(events.start) == pytest.approx(rate / 90.0, rel=0.01)


def test_turns_skips_the_spin_up() -> None:
    rate = 5e4
    t = np.arange(40000) / rate
    spin = np.clip(1 - np.exp(-np.maximum(t - 0.02, 0) / 0.05), 0, 1)
    x = pump(np.cumsum(80.0 * spin) / rate, np.array([0.8, 0.7, 0.85, 0.8, 0.75, 0.8, 0.9, 0.8]))
    x = np.where(t > 0.02, x + 13.0 * (1 - spin), 0.0)
    events = cut(signal_of(x, rate), "turns", TURNS, {})
    assert events.start[0] / rate > 0.2
    assert events.scout["ripple_hz"] == pytest.approx(640.0, rel=0.01)


@pytest.mark.parametrize(
    "heights",
    [[60.0] * 4, [60, 55, 62, 6], [60, 9, 12, 58], [60, 62, 8, 59, 61, 60], [50] * 6],
)
@pytest.mark.parametrize("inrush", [False, True])
def test_humps_counts_compressions_also_weak_ones(heights: list[float], inrush: bool) -> None:
    rate, f = 5e3, 7.1
    t = np.arange(20000) / rate
    rng = np.random.default_rng(5)
    x = cranking(t, f, np.array(heights)) * (1 + 0.01 * rng.normal(size=t.size))
    if inrush:
        x = np.where(t > 0.2, x + 400 * np.exp(-np.maximum(t - 0.2, 0) / 0.04), 0.0)
    events = cut(signal_of(x, rate), "humps", HUMPS, {})
    assert events.scout["hump_hz"] == pytest.approx(f, rel=0.03)
    expected = (3.5 if inrush else 4.0) * f
    assert expected - 4 <= events.n <= expected + 1
    if len(set(heights)) > 1:
        assert events.scout["per_cycle"] == len(heights)


def test_nothing_is_found_in_noise_or_a_constant() -> None:
    for x in (np.zeros(5000), np.full(5000, 3.0)):
        for name, params in (("electrical", ELECTRICAL), ("turns", TURNS), ("humps", HUMPS)):
            assert cut(signal_of(x, 1e4), name, params, {}).n == 0
