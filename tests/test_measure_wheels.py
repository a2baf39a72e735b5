"""Numbers of toothed wheels and switching sensors against closed forms (checks.md 32, 34, 35)."""

import numpy as np
import pytest

from tests.builders_signals import numbers, wheel_emf

RATE = 50_000.0


def ckp(x, **more):
    return numbers("ckp-inductive", x, RATE, "ckp=V", **more)


def sound(**more):
    return wheel_emf(60, 2, 6.4, RATE, 800.0, amplitude=3.0, **more)


def test_sound_wheel():
    found = ckp(sound())
    assert found["turn"] == 60
    assert found["teeth"] == 58
    assert found["gap_ratio"] == pytest.approx(3.0, abs=0.01)
    assert found["rpm"] == pytest.approx(800.0, rel=1e-3)
    assert found["vpp"] == pytest.approx(6.0, rel=0.01)
    assert found["flux"] == pytest.approx(6.0 * 1.25, rel=0.01)  # V times ms
    assert found["offset"] == pytest.approx(0.0, abs=0.02)
    assert found["duty"] == pytest.approx(50.0, abs=1.0)
    assert found["lost"] == found["extra"] == 0.0
    assert found["odd_small"] < 2.0
    assert found["run_out"] < 0.5


def test_flux_stays_while_speed_changes():
    """emf = -N dPhi/dt: twice the speed, twice the voltage, the same flux."""
    slow = ckp(wheel_emf(60, 2, 6.4, RATE, 400.0, amplitude=1.5))
    fast = ckp(wheel_emf(60, 2, 6.4, RATE, 800.0, amplitude=3.0))
    assert fast["vpp"] == pytest.approx(2.0 * slow["vpp"], rel=0.02)
    assert fast["flux"] == pytest.approx(slow["flux"], rel=0.02)


@pytest.mark.parametrize("depth", [0.05, 0.2, 0.5])
def test_run_out_is_the_modulation_depth(depth):
    sizes = 1.0 + depth * np.cos(2 * np.pi * np.arange(60) / 60.0)
    found = ckp(sound(sizes=sizes))
    assert found["run_out"] == pytest.approx(100.0 * depth, rel=0.05, abs=0.5)
    assert found["odd_small"] < 10.0


@pytest.mark.parametrize("left", [0.8, 0.5, 0.3])
def test_small_tooth_is_told_by_its_size(left):
    sizes = np.ones(60)
    sizes[17] = left
    found = ckp(sound(sizes=sizes))
    assert found["odd_small"] == pytest.approx(100.0 * (1.0 - left), abs=12.0)
    assert found["odd_folded"] == pytest.approx(found["odd_small"], abs=3.0)


def test_lost_tooth_counts_in_full():
    sizes = np.ones(60)
    sizes[17] = 0.0
    found = ckp(sound(sizes=sizes))
    assert found["odd_small"] == found["odd_folded"] == 100.0
    assert found["lost"] == pytest.approx(1.0, abs=0.2)
    assert found["weakest"] == 0.0
    assert found["turn"] == 60


def test_reversed_leads_turn_the_lean_only():
    plain, turned = ckp(sound()), ckp(-sound())
    assert turned["lean"] == pytest.approx(-plain["lean"], abs=0.05)
    for name in ("vpp", "flux", "rpm", "turn", "teeth", "gap_ratio", "odd_small", "run_out"):
        assert turned[name] == pytest.approx(plain[name], rel=0.02, abs=0.3), name


@pytest.mark.parametrize("depth", [0.02, 0.1])
def test_speed_ripple_is_its_peak_to_peak(depth):
    def speed(angle):
        return 1.0 + depth * np.sin(2 * np.pi * 2 * angle)

    found = ckp(wheel_emf(60, 2, 8.4, RATE, 300.0, speed=speed))
    assert found["ripple"] == pytest.approx(200.0 * depth, rel=0.1)


def test_one_weak_cylinder_shows_at_half_order():
    def speed(angle):
        return 1.0 + 0.03 * np.sin(2 * np.pi * 2 * angle) + 0.02 * np.sin(np.pi * angle)

    weak = ckp(wheel_emf(60, 2, 12.4, RATE, 800.0, speed=speed))
    assert weak["half_order"] == pytest.approx(2.0, rel=0.15)
    assert weak["uneven"] > 0.4


def test_only_what_should_move_moves():
    """Gain moves the sizes, offset the offset, a later start nothing."""
    rng = np.random.default_rng(4)
    x = sound() + 0.01 * rng.normal(size=sound().size)
    plain = ckp(x)
    gained, raised, later = ckp(1.3 * x), ckp(x + 0.5), ckp(x[900:])
    sizes = {"vpp", "flux", "top", "bottom", "weakest", "offset"}
    for name, value in plain.items():
        if not np.isfinite(value):
            continue
        if name in sizes - {"offset"}:
            assert gained[name] == pytest.approx(1.3 * value, rel=1e-3), name
        elif name != "offset":
            assert gained[name] == pytest.approx(value, rel=1e-3, abs=1e-3), name
        if name != "offset":
            assert raised[name] == pytest.approx(value, rel=5e-3, abs=5e-3), name
    assert raised["offset"] - plain["offset"] == pytest.approx(0.5, abs=1e-6)
    for name in ("vpp", "flux", "rpm", "lean", "gap_ratio", "teeth", "duty"):
        assert later[name] == pytest.approx(plain[name], rel=5e-3, abs=0.02), name


def test_34_wheel_speed():
    """DERIVED: 48 teeth, r = 0.31 m, 50 km/h: 342.27 Hz."""
    hz = 48 * (50.0 / 3.6) / (2 * np.pi * 0.31)
    assert hz == pytest.approx(342.27, abs=0.005)
    t = np.arange(20_000) / 20_000.0
    found = numbers("wheel-speed-inductive", np.sin(2 * np.pi * hz * t), 20e3, "sensor=V")
    assert found["tooth_hz"] == pytest.approx(342.27, rel=1e-3)


def square(low, high, hz, rate=50_000.0, seconds=1.0, duty=0.5):
    t = np.arange(int(seconds * rate)) / rate
    return np.where(np.mod(t * hz + 0.1, 1.0) < duty, high, low)


def test_35_active_wheel_speed_levels():
    """SEEN (maker): low 5.9-8.4 mA, high 11.8-16.8 mA; across 100 ohm 0.59-0.84 and 1.18-1.68 V."""
    for shunt, low, high in (
        (100.0, (0.59, 0.84), (1.18, 1.68)),
        (75.0, (0.4425, 0.63), (0.885, 1.26)),
    ):
        volts = np.array([5.9, 8.4, 11.8, 16.8]) * 1e-3 * shunt
        assert volts == pytest.approx([*low, *high], abs=1e-9)
    rng = np.random.default_rng(5)
    x = square(7.0, 14.0, 171.0)
    x = x + 0.05 * rng.normal(size=x.size)
    found = numbers("wheel-speed-active", x, 50e3, "wheel_speed=mA")
    assert found["pulse_low"] == pytest.approx(7.0, abs=0.05)
    assert found["pulse_high"] == pytest.approx(14.0, abs=0.05)
    assert found["pulse_ratio"] == pytest.approx(2.0, abs=0.02)
    assert found["tooth_hz"] == pytest.approx(171.0, rel=1e-3)
    assert found["lost"] == found["extra"] == 0.0


def test_missing_pole_is_lost():
    x = square(7.0, 14.0, 100.0)
    x[((np.arange(x.size) + 50) // 500) % 48 == 30] = 7.0
    found = numbers("wheel-speed-active", x, 50e3, "current=mA")
    assert found["lost"] > 0.5


def test_stuck_sensor_gives_levels():
    found = numbers("wheel-speed-active", np.full(20_000, 7.1), 50e3, "current=mA")
    assert found["pulse_low"] == found["pulse_high"] == pytest.approx(7.1)
    assert found["pulse_swing"] == 0.0


def test_hall_crank():
    """DERIVED (check 32): the same wheel by a Hall sensor; duty and levels are the sensor's."""
    emf = wheel_emf(60, 2, 5.4, RATE, 800.0)
    x = np.where(emf > 0.2, 0.2, 4.9) + 0.01 * np.random.default_rng(6).normal(size=emf.size)
    found = numbers("ckp-hall", x, RATE, "ckp=V")
    assert found["turn"] == 60
    assert found["gap_ratio"] == pytest.approx(3.0, abs=0.02)
    assert found["pulse_low"] == pytest.approx(0.2, abs=0.03)
    assert found["pulse_high"] == pytest.approx(4.9, abs=0.03)
