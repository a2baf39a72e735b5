"""Injector, valve and glow plug models against the closed forms their docstrings name."""

from dataclasses import replace

import numpy as np
import pytest

from seed_references.models import injector, solenoid


def model_cases():
    return [*injector.MODELS, *solenoid.MODELS]


def port():
    made, _ = injector.port_vehicle("idle", np.random.default_rng(1))
    return made


def test_check_21_a_stuck_needle_without_eddies_is_the_rl_step():
    """Check 21 (DERIVED): 14 V, 12 ohm, 12 mH: tau 1 ms, i(tau) 0.73747 A, i(inf) 1.16667 A."""
    p = replace(
        port(), supply=14.0, ohms=12.0, henry=9e-3, leak=3e-3, gain=0.0, eddy=600.0, stuck=True,
        on_volts=0.0, on_ohms=0.0,
    )  # fmt: skip
    current, _, lift = injector.port_pulse(p, 6e-3)
    k = int(1e-3 * injector.FINE_HZ)
    assert lift.max() == 0.0
    assert current[int(5.9e-3 * injector.FINE_HZ)] == pytest.approx(1.16667, rel=0.01)
    assert current[k] == pytest.approx(0.73747, rel=0.04)


def test_the_needle_stays_between_its_stops_and_comes_back():
    p = port()
    _, _, lift = injector.port_pulse(p, p.width)
    assert lift.min() >= 0.0 and lift.max() == pytest.approx(p.lift)
    assert lift[-1] == 0.0


def test_the_moving_needle_makes_a_dip_that_a_stuck_one_does_not():
    p = port()
    moving, _, lift = injector.port_pulse(p, p.width)
    stuck, _, _ = injector.port_pulse(replace(p, stuck=True), p.width)
    on = int(p.width * injector.FINE_HZ)
    landed = int(np.argmax(lift >= p.lift))
    assert 0.5e-3 < landed * injector.STEP_S < 2e-3
    assert moving[landed] < stuck[landed]
    bend = np.diff(moving[5:on], 2)
    assert np.argmax(np.convolve(bend, np.ones(20), "same")[50:]) + 55 == pytest.approx(
        landed, abs=25
    )


def test_the_low_side_rests_at_the_supply_and_is_clamped():
    p = port()
    _, volts, _ = injector.port_pulse(p, p.width)
    assert volts.max() <= p.clamp + 1e-9
    assert volts[-1] == pytest.approx(p.supply, abs=0.6)
    on = volts[: int(p.width * injector.FINE_HZ)]
    assert on[0] == pytest.approx(p.on_volts)
    assert on[-1] > on[0]


def direct():
    made, _ = injector.direct_vehicle("r2500", np.random.default_rng(1))
    return made


def test_boost_slope_is_volts_over_inductance():
    """L di/dt = V - R i at i = 0; 65 V on 150 uH is 0.433 A/us (closed form)."""
    p = replace(direct(), boost=65.0, henry=150e-6, ohms=1e-3, saturate=1e6, peak=60.0)
    i = injector.direct_pulse(p, 1.5e-3)
    assert (i[10] - i[5]) / (5 * injector.DIRECT_STEP_S) * 1e-6 == pytest.approx(0.433, abs=0.002)


def test_battery_alone_never_reaches_the_peak():
    """14 V over 1.5 ohm ends at 9.33 A (closed form): without boost the peak is missed."""
    p = replace(direct(), boost=14.0, ohms=1.5, peak=10.0)
    assert injector.direct_pulse(p, 1.9e-3).max() < 14.0 / 1.5


def test_hold_current_is_chopped_about_its_level():
    p = direct()
    i = injector.direct_pulse(p, 1.9e-3)
    hold = i[int(1.3e-3 / injector.DIRECT_STEP_S) : int(1.85e-3 / injector.DIRECT_STEP_S)]
    assert hold.mean() == pytest.approx(p.hold, rel=0.08)
    assert hold.max() < p.hold * (1 + p.band) * 1.05
    assert i.max() == pytest.approx(p.peak, rel=0.03)


def test_settled_valve_current_repeats_from_cycle_to_cycle():
    valve = replace(solenoid.valve_vehicle("idle", np.random.default_rng(1)), jitter=0.0)
    low, high = solenoid.steady_swing(valve)
    _, amps = solenoid.valve_trace(valve, 0.3, np.random.default_rng(2))
    late = amps[amps.size // 2 :]
    assert late.max() == pytest.approx(high, rel=0.02)
    assert late.min() == pytest.approx(low, rel=0.05, abs=2e-3)


def test_mean_valve_current_is_duty_times_the_final_one_without_a_diode_drop():
    """Volt-second balance: mean(V) = R mean(i) when the inductance gives back what it takes."""
    valve = replace(
        solenoid.valve_vehicle("idle", np.random.default_rng(1)), jitter=0.0, diode=0.0,
        on_volts=0.0, on_ohms=0.0, duty=0.5,
    )  # fmt: skip
    _, amps = solenoid.valve_trace(valve, 0.4, np.random.default_rng(2))
    period = solenoid.PWM_HZ / valve.frequency
    late = amps[-round(20 * period) :]
    assert late.mean() == pytest.approx(0.5 * valve.supply / valve.ohms, rel=0.02)


def test_glow_plugs_start_cold_and_settle_at_their_final_resistance():
    plugs = replace(solenoid.plugs_vehicle(np.random.default_rng(1)), feed=0.0)
    t = np.arange(0.0, 20.0, 1e-3)
    i = solenoid.plug_current(plugs, t)
    assert i[0] == pytest.approx(4 * plugs.supply / plugs.cold)
    assert i[-1] == pytest.approx(4 * plugs.supply / (plugs.cold * (1 + plugs.rise)), rel=2e-3)
    assert np.all(np.diff(i) <= 1e-9)


def test_an_open_plug_takes_its_quarter():
    plugs = replace(solenoid.plugs_vehicle(np.random.default_rng(1)), feed=0.0)
    t = np.arange(0.0, 3.0, 1e-3)
    ratio = solenoid.plug_current(replace(plugs, count=3.0), t) / solenoid.plug_current(plugs, t)
    np.testing.assert_allclose(ratio, 0.75)


@pytest.mark.parametrize("model", model_cases(), ids=lambda m: m.system)
def test_models_are_deterministic_and_stay_in_range(model):
    for family, condition in model.contexts:
        for fault in ("", *model.faults):
            one = model.simulate(family, condition, fault, 1.0, np.random.default_rng([5, 1]))
            two = model.simulate(family, condition, fault, 1.0, np.random.default_rng([5, 1]))
            np.testing.assert_array_equal(one.samples, two.samples)
            assert one.samples.shape[0] == len(model.channels) == len(model.full_scale)
            assert (one.rate_hz / model.record_hz) % 1 < 1e-9
            assert np.isfinite(one.samples).all()
            assert (np.abs(one.samples).max(axis=1) < model.full_scale).all()
