"""Ripple, commutator and starter measurements against closed forms (numbers of the check list)."""

from __future__ import annotations

import numpy as np
import pytest

from matching.conditioning import condition
from matching.measurements import Cut, measure
from matching.profile import cut_signal
from refdb.cards import CardMeasurement, find_card
from refdb.records import Capture, Channel
from tests.test_events_machines import bridge, cranking, pump


def cut_of(system: str, x: np.ndarray, rate: float, hint: dict[str, float] | None = None) -> Cut:
    card = find_card(system)
    unit = card.channels[0].unit
    capture = Capture(x[None, :], rate, (Channel("x", unit),), None, 1.0, 1.0, "test", "")
    return cut_signal(card, condition(card, capture), hint or {})


def number(cut: Cut, name: str) -> float:
    wanted = next(m for m in cut.card.measurements if m.name == name)
    return measure(cut, wanted)


def call(cut: Cut, function: str, **params: object) -> float:
    return measure(cut, CardMeasurement("x", function, "1", params=params))


def ripple_cut(fault: str = "", f: float = 625.0, gain: float = 1.0, offset: float = 0.0) -> Cut:
    rate = 1e6
    angle = 2 * np.pi * f * np.arange(100_000) / rate + 0.3
    return cut_of(
        "alternator-ripple", gain * bridge(angle, fault) + offset, rate, {"electric_hz": f}
    )


def test_check_25_six_pulse_bridge() -> None:
    """DERIVED: p-p = 1 - cos 30 deg of the peak; lines 12 to 6 as 2/143 to 2/35, no others."""
    cut = ripple_cut()
    assert number(cut, "ripple-pp") == pytest.approx(0.133975, rel=0.02)
    assert number(cut, "line-12-to-6") == pytest.approx((2 / 143) / (2 / 35), rel=0.03)
    assert number(cut, "line-1-to-6") < 0.025
    assert number(cut, "odd-share") < 0.002


def test_check_27_one_diode_open() -> None:
    """DERIVED: over DC 0.3628 at f_e, 0.2667 at 2 f_e, 0.0571 at 6 f_e; p-p 7.464 times good."""
    cut = ripple_cut("diode")
    assert number(cut, "line-1-to-6") == pytest.approx(0.3628 / 0.05714, rel=0.05)
    assert number(cut, "line-1-to-2") == pytest.approx(0.3628 / 0.2667, rel=0.02)
    ratio = number(cut, "ripple-pp") / number(ripple_cut(), "ripple-pp")
    assert ratio == pytest.approx(7.464, rel=0.02)


def test_check_28_one_phase_open() -> None:
    """DERIVED: 2 f_e is 0.6667 and 4 f_e 0.1333 of DC, no f_e (full-wave rectifier)."""
    cut = ripple_cut("phase")
    assert number(cut, "line-2-to-6") == pytest.approx(0.6667 / 0.05714, rel=0.06)
    assert number(cut, "line-4-to-6") == pytest.approx(0.1333 / 0.05714, rel=0.06)
    assert number(cut, "line-1-to-2") < 0.025


def test_check_29_ripple_frequency() -> None:
    """DERIVED: 2500 rpm, pulley ratio 2.5, 6 pole pairs: f_e 625 Hz, ripple 3750 Hz, 90 a turn."""
    rate = 1e5
    t = np.arange(10_000) / rate
    cut = cut_of("alternator-ripple", bridge(2 * np.pi * 625.0 * t), rate)
    assert number(cut, "ripple-frequency") == pytest.approx(3750.0, rel=0.01)
    assert number(cut, "ripple-frequency") / (2500 / 60) == pytest.approx(90.0, rel=0.01)


def test_ripple_offset_moves_nothing_and_gain_only_sizes() -> None:
    a, b = ripple_cut("diode"), ripple_cut("diode", gain=0.2, offset=14.0)
    for m in a.card.measurements:
        one, two = measure(a, m), measure(b, m)
        factor = 0.2 if m.unit == "V" else 1.0
        if np.isfinite(one) and m.name != "slow-size":
            assert two == pytest.approx(factor * one, rel=1e-3, abs=1e-6), m.name


def test_check_30_pump_speed() -> None:
    """DERIVED: 60 f / N: 800 Hz, 8 ripples a turn: 6000 rpm; SEEN (TI): 20 ripples at least."""
    rate = 1e5
    heights = np.array([0.8, 0.7, 0.85, 0.8, 0.75, 0.8, 0.9, 0.82])
    t = np.arange(20_000) / rate
    cut = cut_of("fuel-pump-current", pump(100.0 * t, heights), rate)
    assert number(cut, "speed") == pytest.approx(6000.0, rel=0.01)
    assert number(cut, "mean") == pytest.approx(5.0, abs=0.02)
    short = cut_of("fuel-pump-current", pump(100.0 * t[:2300], heights), rate)
    assert np.isnan(number(short, "speed"))


def test_odd_segment_is_read_off_in_per_cent() -> None:
    rate = 1e5
    heights = np.full(8, 0.8)
    heights[3] = 0.4
    t = np.arange(30_000) / rate
    cut = cut_of("fuel-pump-current", pump(95.0 * t, heights), rate)
    assert number(cut, "odd-low") == pytest.approx(50.0, abs=3.0)
    assert number(cut, "turn-share") > 0.95


def test_pump_time_shift_and_gain() -> None:
    rate = 5e4
    heights = np.array([0.8, 0.7, 0.85, 0.8, 0.55, 0.8, 0.9, 0.82])
    t = np.arange(20_000) / rate
    a = cut_of("fuel-pump-current", pump(93.0 * t, heights), rate)
    b = cut_of("fuel-pump-current", 2.0 * pump(93.0 * t + 0.37, heights), rate)
    for name in ("odd-low", "segment-spread", "pattern-worst", "frequency", "ripple-share"):
        assert number(b, name) == pytest.approx(number(a, name), rel=0.05), name
    assert number(b, "ripple") == pytest.approx(2.0 * number(a, "ripple"), rel=0.02)


def test_reversed_clamp_is_turned() -> None:
    rate = 5e4
    t = np.arange(15_000) / rate
    x = pump(93.0 * t, np.array([0.8, 0.7, 0.85, 0.8, 0.55, 0.8, 0.9, 0.82]))
    assert number(cut_of("fuel-pump-current", -x, rate), "mean") == pytest.approx(5.0, abs=0.05)


@pytest.mark.parametrize("cylinders", [4, 5, 6])
def test_check_31_hump_rate(cylinders: int) -> None:
    """DERIVED: n rpm / 120; 4 cylinders at 200 rpm 6.667 Hz, 6 at 200 rpm 10 Hz."""
    rate = 5e3
    f = cylinders * 200 / 120
    x = cranking(np.arange(20_000) / rate, f, 60 + np.arange(cylinders, dtype=float))
    assert number(cut_of("starter-current", x, rate), "hump-rate") == pytest.approx(f, rel=0.01)


def test_relative_compression() -> None:
    """A cylinder with 70 % of the others' hump reads 70 %, its neighbours 100 %."""
    rate = 5e3
    x = cranking(np.arange(24_000) / rate, 6.667, np.array([60.0, 60.0, 42.0, 60.0]))
    cut = cut_of("starter-current", x, rate)
    assert number(cut, "weakest") == pytest.approx(70.0, abs=3.0)
    assert number(cut, "second-weakest") == pytest.approx(100.0, abs=3.0)
    assert number(cut, "beside-weakest") == pytest.approx(100.0, abs=3.0)
    assert number(cut, "mean") == pytest.approx(100 + 0.5 * 55.5, rel=0.01)


def test_two_neighbours_low() -> None:
    rate = 5e3
    heights = np.array([60.0, 60.0, 30.0, 33.0, 60.0, 60.0])
    cut = cut_of("starter-current", cranking(np.arange(24_000) / rate, 10.0, heights), rate)
    assert number(cut, "beside-weakest") == pytest.approx(55.0, abs=6.0)
    assert number(cut, "second-weakest") == pytest.approx(55.0, abs=6.0)


def test_inrush_and_settling() -> None:
    rate = 1e4
    t = np.arange(30_000) / rate
    since = np.maximum(t - 0.2, 0.0)
    x = np.where(t >= 0.2, 150.0 + 450.0 * np.exp(-since / 0.05), 0.0)
    x = x + np.where(t >= 0.2, 20.0 * np.sin(2 * np.pi * 8.0 * t), 0.0)
    cut = cut_of("starter-current", x, rate)
    assert number(cut, "inrush") == pytest.approx(600.0, rel=0.05)
    # a first-order decay has a quarter left after tau ln 4
    assert number(cut, "settle-time") == pytest.approx(0.05 * np.log(4), abs=0.02)


def test_starter_measurements_are_blind_to_a_longer_lead() -> None:
    rate = 5e3
    x = cranking(np.arange(20_000) / rate, 7.0, np.array([60.0, 55.0, 42.0, 60.0]))
    a = cut_of("starter-current", x, rate)
    b = cut_of("starter-current", x[600:], rate)
    for name in ("mean", "weakest", "hump-height", "hump-rate", "hump-share"):
        assert number(b, name) == pytest.approx(number(a, name), rel=0.05), name


def test_unclear_share_tells_a_machine_from_noise() -> None:
    rate = 1e5
    t = np.arange(20_000) / rate
    noise = np.random.default_rng(8).normal(size=t.size)
    ripple = bridge(2 * np.pi * 210.0 * t)
    assert number(cut_of("alternator-ripple", ripple + 0.003 * noise, rate), "unclear-share") < 0.1
    assert number(cut_of("alternator-ripple", noise, rate), "unclear-share") > 0.7
    turning = pump(95.0 * t, np.array([0.8, 0.7, 0.85, 0.8, 0.75, 0.8, 0.9, 0.82]))
    assert number(cut_of("fuel-pump-current", turning, rate), "unclear-share") < 0.1


def test_open_bar_keeps_the_count_its_peers_have() -> None:
    rate = 5e4
    t = np.arange(20_000) / rate
    place = (93.0 * t % 1.0) * 8
    dip = np.where(np.floor(place) == 3, 4.0 * np.sin(np.pi * (place - np.floor(place))) ** 2, 0.0)
    x = pump(93.0 * t, np.full(8, 0.8)) - dip
    cut = cut_of("fuel-pump-current", x, rate, {"ripple_hz": 800.0, "per_turn": 8.0})
    assert number(cut, "speed") == pytest.approx(93.0 * 60.0, rel=0.01)
    assert number(cut, "deepest-dip") < 40.0


def test_hump_over_rate() -> None:
    rate = 5e3
    x = cranking(np.arange(20_000) / rate, 8.0, np.array([60.0, 58.0, 61.0, 60.0]))
    value = number(cut_of("starter-current", x, rate), "hump-per-speed")
    # the 13 ms calming takes a few per cent off the peak
    assert value == pytest.approx(60.0 / 8.0, rel=0.08)
