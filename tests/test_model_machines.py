"""Models of generator, motors and battery against the closed forms they rest on."""

from __future__ import annotations

import numpy as np
import pytest

from seed_references.integrate import lag, rk4
from seed_references.model import Model
from seed_references.models import battery, charging, motors, pressure, sensors
from seed_references.models.battery import battery_voltage
from seed_references.models.charging import bridge_current, phase_voltages
from seed_references.models.motors import commutated, crank, engine_torque, gas_torque, pump_run

ALL = [m for topic in (charging, motors, battery, pressure, sensors) for m in topic.MODELS]


# --- solvers ------------------------------------------------------------------------------


def test_rk4_decay() -> None:
    y = rk4(lambda _, y: [-y[0]], [1.0], 0.1, 31)[:, 0]
    assert y[30] == pytest.approx(np.exp(-3.0), rel=1e-5)


def test_lag_step_reaches_63_per_cent_after_tau() -> None:
    x = np.concatenate(([0.0], np.ones(4000)))
    y = lag(x, 1000.0, 0.5)
    assert y[500] == pytest.approx(1.0 - np.exp(-1.0), abs=2e-3)
    assert lag(np.full(50, 3.0), 1000.0, 0.1) == pytest.approx(np.full(50, 3.0))


def test_lag_at_its_corner_is_3_db_down() -> None:
    rate, tau = 1e5, 1e-3
    t = np.arange(20_000) / rate
    y = lag(np.sin(t / tau), rate, tau)[10_000:]
    assert np.ptp(y) / 2.0 == pytest.approx(1.0 / np.sqrt(2.0), rel=0.01)


# --- generator ----------------------------------------------------------------------------


def ideal(fault: str = "") -> np.ndarray:
    """Output of the model's bridge without drops into no voltage: line-to-line peak 1."""
    angle = 2 * np.pi * np.arange(72_000) / 72_000.0
    phases = phase_voltages(angle, np.ones(3), np.zeros(3)) / np.sqrt(3.0)
    upper, lower = np.zeros(3), np.zeros(3)
    if fault:
        upper[0] = 1e6
    if fault == "phase":
        lower[0] = 1e6
    return bridge_current(phases, upper, lower, 0.0, 1.0)


def line(x: np.ndarray, k: int) -> float:
    return 2.0 * abs(np.fft.rfft(x)[k]) / x.size / float(x.mean())


def test_check_25_model_bridge_is_six_pulse() -> None:
    """SEEN 0.955; rest DERIVED: p-p 0.133975, mean 3/pi, ripple factor 0.041967, 2/(k^2-1)."""
    x = ideal()
    assert np.ptp(x) / x.max() == pytest.approx(0.133975, rel=1e-3)
    assert x.mean() == pytest.approx(3.0 / np.pi, rel=1e-4)
    assert x.std() / x.mean() == pytest.approx(0.041967, rel=1e-3)
    for k in (6, 12, 18):
        assert line(x, k) == pytest.approx(2.0 / (k * k - 1.0), rel=5e-3)
    assert line(x, 1) < 1e-6
    assert line(x, 2) < 1e-6


def test_check_26_twelve_pulse() -> None:
    """DERIVED: two bridges 30 degrees apart leave 1 - cos 15 deg of the peak."""
    angle = 2 * np.pi * np.arange(72_000) / 72_000.0
    nothing = np.zeros(3)
    both = [
        bridge_current(phase_voltages(angle + a, np.ones(3), nothing), nothing, nothing, 0.0, 1.0)
        for a in (0.0, np.pi / 6)
    ]
    x = np.maximum(*both)
    assert np.ptp(x) / x.max() == pytest.approx(0.034074, rel=1e-3)


def test_check_27_model_diode_open() -> None:
    """DERIVED: mean 0.79577 of the peak; 1, 2, 3 f_e at 0.3628, 0.2667, 0.1500; factor 0.3407."""
    x = ideal("diode")
    assert x.mean() == pytest.approx(0.79577, rel=2e-3)
    for k, size in ((1, 0.3628), (2, 0.2667), (3, 0.1500)):
        assert line(x, k) == pytest.approx(size, rel=5e-3)
    assert x.std() / x.mean() == pytest.approx(0.3407, rel=5e-3)
    assert np.ptp(x) / np.ptp(ideal()) == pytest.approx(7.464, rel=5e-3)


def test_check_28_model_phase_open() -> None:
    """DERIVED: a single-phase full-wave bridge: mean 2/pi, 2 f_e 0.6667, ripple factor 0.4834."""
    x = ideal("phase")
    assert x.mean() == pytest.approx(2.0 / np.pi, rel=1e-3)
    assert line(x, 2) == pytest.approx(2.0 / 3.0, rel=2e-3)
    assert line(x, 1) < 1e-6
    assert x.std() / x.mean() == pytest.approx(0.4834, rel=2e-3)


def test_excitation_gives_the_wanted_current() -> None:
    angle = 2 * np.pi * np.arange(6000) / 600.0
    size, shift = np.ones(3), np.zeros(3)
    volts = charging.excite(angle, size, shift, 14.0, 0.05, 40.0)
    drop = np.full(3, charging.DIODE_V)
    phases = volts * phase_voltages(angle, size, shift)
    assert bridge_current(phases, drop, drop, 14.0, 0.05).mean() == pytest.approx(40.0, rel=0.01)


def test_regulator_holds_its_setpoint() -> None:
    _, level = charging.regulate(np.full(4000, 40.0), 14.2, 90.0, 60.0, 0.0, 2000.0)
    assert level[-500:].mean() == pytest.approx(14.2, abs=0.01)


# --- motors -------------------------------------------------------------------------------


@pytest.mark.parametrize("bars", [6, 8, 14])
def test_commutated_emf(bars: int) -> None:
    """Mean 1; peak to peak (1 - cos pi/N) over sin(pi/N)/(pi/N)."""
    x = commutated(np.arange(120_000) / 40_000.0, bars)
    half = np.pi / bars
    assert x.mean() == pytest.approx(1.0, rel=1e-4)
    expected = (1.0 - np.cos(half)) / (np.sin(half) / half)
    assert np.ptp(x) == pytest.approx(expected, rel=0.01)


def test_pump_settles_where_the_torques_balance() -> None:
    p = motors.pump_vehicle("brisk-4", np.random.default_rng(4))
    speed, amps = pump_run(p, 1.0)
    w, i = speed[-1], amps[-1]
    assert i == pytest.approx((p["supply_v"] - p["emf"] * w) / p["ohm"], rel=1e-3)
    assert p["emf"] * i == pytest.approx(p["still_nm"] + p["square_nm"] * w**2, rel=1e-3)
    assert amps.max() < p["supply_v"] / p["ohm"]


def test_gas_torque_of_a_tight_cylinder_does_no_work() -> None:
    angle = np.arange(-360.0, 360.0, 0.25)
    torque = gas_torque(angle, 10.0, 0.4e-3, 0.0)
    assert abs(torque.mean()) < 0.01 * np.abs(torque).max()
    assert gas_torque(angle, 10.0, 0.4e-3, 0.5).max() < 0.7 * torque.max()


@pytest.mark.parametrize("cylinders", [3, 4, 6, 8])
def test_check_31_engine_torque_repeats_every_firing_interval(cylinders: int) -> None:
    """DERIVED: 720/n degrees."""
    torque = engine_torque(cylinders, 10.0, 0.4e-3, np.zeros(cylinders))
    assert np.roll(torque, 1440 // cylinders) == pytest.approx(torque, abs=1e-6)


def test_starter_current_balances_the_mean_torque() -> None:
    p = motors.starter_vehicle("brisk-4", np.random.default_rng(2))
    angle, speed, amps = crank(p, np.zeros(4), 3.0, 30.0)
    assert 120.0 < speed[-1500:].mean() * 30.0 / np.pi < 400.0
    loop = p["ohm"] + p["battery_ohm"] + p["cable_ohm"]
    back = p["emf"] * p["gear"] * speed[1000:].mean()
    assert amps[1000:].mean() == pytest.approx((p["battery_v"] - back) / loop, rel=0.03)
    assert np.all(np.diff(angle) > -1.0)


def test_battery_voltage_is_ohmic() -> None:
    amps = np.concatenate((np.zeros(1000), np.full(9000, 180.0)))
    volts = battery_voltage(amps, 1000.0, 12.6, 0.012, 0.003, 0.3)
    assert volts[0] == pytest.approx(12.6)
    assert volts[1001] == pytest.approx(12.6 - 180 * 0.012, abs=0.02)
    # (12.6 - 9.9) V / 180 A = 15 mOhm once polarisation has followed (check 39)
    assert volts[-1] == pytest.approx(9.9, abs=1e-3)


# --- every model --------------------------------------------------------------------------


@pytest.mark.parametrize("model", ALL, ids=lambda m: m.system)
def test_model_is_deterministic_finite_and_short(model: Model) -> None:
    for family, condition in model.contexts:
        for fault in ("", *model.faults):
            one, two = (
                model.simulate(family, condition, fault, 0.5, np.random.default_rng([7, 1]))
                for _ in range(2)
            )
            assert np.array_equal(one.samples, two.samples)
            assert np.isfinite(one.samples).all()
            assert one.samples.shape[0] == len(model.channels)
            assert 8_000 <= one.samples.shape[1] <= 20_000
            assert one.rate_hz >= model.record_hz


@pytest.mark.parametrize("model", ALL, ids=lambda m: m.system)
def test_model_has_a_card_and_fits_its_full_scale(model: Model) -> None:
    from refdb.cards import find_card

    card = find_card(model.system)
    roles = [c.role for c in card.channels]
    assert [name for name, _ in model.channels] == roles[: len(model.channels)]
    assert all(condition in card.conditions for _, condition in model.contexts)
    family, condition = model.contexts[-1]
    for fault in model.faults:
        r = model.simulate(family, condition, fault, 1.0, np.random.default_rng(3))
        x = r.samples
        if model.coupling == "ac":
            x = x - x.mean(axis=1, keepdims=True)
        assert np.all(np.abs(x).max(axis=1) < np.array(model.full_scale))
