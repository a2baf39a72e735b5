"""The wheel models against closed forms."""

from dataclasses import replace

import numpy as np
import pytest

from seed_references.models import wheel_switches, wheels
from tests.builders_signals import numbers


def sensor(**more):
    made = wheels.healthy_sensor(60, 2, np.random.default_rng(1))
    plain = {"run_out": 0.0, "offset": 0.0, "henry": 1e-9, "hash": 0.0}
    return replace(made, **(plain | more))


def test_flux_over_a_plain_gap_is_the_magnetic_circuit():
    """No depth, no tooth: Phi = F / (Rm + g / (mu0 A)) everywhere."""
    made = sensor(depth=0.0)
    wanted = made.magnet / (made.core + made.gap / (wheels.MU0 * made.area))
    assert wheels.flux(made) == pytest.approx(np.full(60 * 64, wanted), rel=1e-12)


def test_emf_follows_speed_and_has_no_mean():
    """Faraday: emf = -N dPhi/dt: twice as fast, twice as high; its mean over a turn is zero."""
    made = sensor()
    slow = wheels.emf(made, np.arange(20_000) / 20_000.0 * 2.0, 20e3)
    fast = wheels.emf(made, np.arange(10_000) / 10_000.0 * 2.0, 20e3 * 1.0)
    assert np.ptp(fast) == pytest.approx(2.0 * np.ptp(slow), rel=0.02)
    assert abs(slow[2000:12_000].mean()) < 1e-3 * np.ptp(slow)


def test_emf_is_the_flux_swing():
    """The integral of the emf from space to tooth is N times the swing of the flux."""
    made = sensor()
    volts = wheels.emf(made, np.arange(200_000) / 200_000.0, 200e3)
    course = np.cumsum(volts) / 200e3 * (made.load + made.ohms) / made.load
    swing = made.turns * np.ptp(wheels.flux(made))
    assert np.ptp(course) == pytest.approx(swing, rel=0.01)


def test_crank_angle_keeps_the_mean_speed_and_the_ripple():
    t = np.arange(80_000) / 40e3
    turns = wheels.crank_angle(800.0, 0.02, 4, 0.0, 0.0, t, 0.0)
    assert turns[-1] / t[-1] * 60.0 == pytest.approx(800.0, rel=0.01)
    speed = np.diff(turns)
    # w = w0 sqrt(1 + 2 k cos): peak to peak about 2 k for a small k
    assert np.ptp(speed) / speed.mean() == pytest.approx(0.04, rel=0.03)


@pytest.mark.parametrize("family", ["brisk-4", "harbour-6"])
def test_crank_is_read_as_built(family):
    condition = "crank" if family == "brisk-4" else "idle"
    made = wheels.ckp(family, condition, "", 0.0, np.random.default_rng(5))
    found = numbers("ckp-inductive", made.samples, made.rate_hz, "ckp=V")
    pitches, missing = wheels.WHEELS[family]
    assert found["turn"] == pitches
    assert found["teeth"] == pitches - missing
    assert found["rpm"] == pytest.approx(made.parameters["rpm"], rel=0.06)


def test_belt_jump_shifts_every_cam_edge():
    """Check 33: 720/N crank degrees for one cam-sprocket tooth."""

    def edges(fault):
        made = wheel_switches.cmp_ckp("brisk-4", "idle", fault, 0.3, np.random.default_rng(6))
        found = numbers("cmp-ckp", made.samples, made.rate_hz, "ckp=V,cmp=V")
        return found, made.parameters["shift_deg"]

    (good, a), (bad, b) = edges(""), edges("jumped-tooth")
    assert abs(b - a) == pytest.approx(20.0, abs=1e-9)
    moved = bad["cam_first_fall"] - good["cam_first_fall"]
    assert moved == pytest.approx(b - a, abs=1.5)


def test_output_levels_are_dividers():
    out = wheel_switches.Output(5.0, 0.1, 2000.0, 4.7e-9, ground=0.4, leak=0.2)
    state = np.repeat([True, False, True], 2000)
    volts = wheel_switches.driven(out, state, 50e3, np.random.default_rng(0))
    assert volts[1990] == pytest.approx(4.0, abs=1e-3)
    assert volts[3990] == pytest.approx(0.5, abs=1e-3)


def test_active_sensor_levels():
    made = wheel_switches.wheel_active("brisk-4", "roll-15", "", 0.0, np.random.default_rng(8))
    found = numbers("wheel-speed-active", made.samples, made.rate_hz, "current=mA")
    assert found["pulse_low"] == pytest.approx(1e3 * made.parameters["low"], rel=0.01)
    assert found["pulse_high"] == pytest.approx(1e3 * made.parameters["high"], rel=0.01)


@pytest.mark.parametrize("model", [*wheels.MODELS, *wheel_switches.MODELS], ids=lambda m: m.system)
def test_models_repeat_and_every_fault_runs(model):
    for family, condition in model.contexts:
        for fault in ("", *model.faults):
            pair = [
                model.simulate(family, condition, fault, 0.5, np.random.default_rng(7))
                for _ in "ab"
            ]
            assert np.array_equal(pair[0].samples, pair[1].samples)
            kept = pair[0].samples.shape[1] * model.record_hz / pair[0].rate_hz
            assert 8_000 <= kept <= 20_001
            assert np.all(np.isfinite(pair[0].samples))
            assert np.all(np.abs(pair[0].samples).max(axis=1) < model.full_scale)
