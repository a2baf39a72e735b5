"""The ignition circuit against the closed forms its docstring names."""

from dataclasses import replace

import numpy as np
import pytest

from seed_references.models import ignition
from seed_references.models.ignition import (
    MODELS,
    primary_current,
    ringing,
    shot,
    spark_seconds,
    vehicle,
    worsen,
)


@pytest.fixture
def coil():
    made, _ = vehicle("brisk-4", "idle", np.random.default_rng(1))
    return replace(made, limit=0.0, shunt=1e12, saturate=1e6, sat_volts=0.0, sat_ohms=0.0)


def test_check_20_primary_current_is_the_rl_step(coil):
    """Check 20 (DERIVED): i(1 ms) 4.2985 A, i(2 ms) 7.9371 A, 7 A at 1.72609 ms."""
    coil = replace(coil, supply=14.0, ohms=0.5, henry_p=3e-3)
    i = primary_current(coil, np.array([1e-3, 2e-3, 1.72609e-3]))
    assert i == pytest.approx([4.2985, 7.9371, 7.0], abs=2e-3)
    assert 0.5 * coil.henry_p * i[2] ** 2 * 1e3 == pytest.approx(73.5, abs=0.05)


def test_saturation_bends_the_ramp_upwards(coil):
    t = np.linspace(0.0, 3e-3, 200)
    straight, bent = primary_current(coil, t), primary_current(replace(coil, saturate=8.0), t)
    assert np.all(bent >= straight - 1e-9)
    assert bent[-1] > straight[-1] + 0.3


def test_free_ringing_meets_its_differential_equation(coil):
    """C v'' + v'/R + v/L = 0 with v(0) and v'(0) = (i - v/R) / C."""
    t = np.arange(4000) * 1e-7
    v = ringing(coil, t, 900.0, 0.01)
    assert v[0] == pytest.approx(900.0)
    slope = (v[1] - v[0]) / 1e-7
    assert slope == pytest.approx((0.01 - 900.0 / coil.loss) / coil.farad, rel=0.02)
    first = np.gradient(v, 1e-7)
    second = np.gradient(first, 1e-7)
    residue = coil.farad * second + first / coil.loss + v / coil.henry
    assert np.abs(residue[5:-5]).max() < 2e-3 * np.abs(v / coil.henry).max()


def test_ringing_energy_never_grows(coil):
    t = np.arange(20000) * 1e-7
    v = ringing(coil, t, 1200.0, 0.0)
    tops = [np.abs(v[a : a + 2500]).max() for a in range(0, 17500, 2500)]
    assert all(np.diff(tops) < 0)


def test_spark_time_of_the_rl_circuit():
    """L di/dt = -(v + R i): t = L/R ln(1 + R i / v); without R it is L i / v."""
    assert spark_seconds(17.0, 0.0, 1000.0, 0.09) == pytest.approx(17.0 * 0.09 / 1000.0)
    ohms = 5e4
    t = spark_seconds(17.0, ohms, 1000.0, 0.09)
    i, step = 0.09, 1e-7
    n = 0
    while i > 0:
        i -= (1000.0 + ohms * i) / 17.0 * step
        n += 1
    assert t == pytest.approx(n * step, rel=1e-3)


def test_check_53_firing_up_burn_down_at_fixed_energy(coil):
    """Check 53 (DERIVED): with the coil's energy fixed, a higher breakdown shortens the burn."""
    burns = []
    for gap in (6e3, 10e3, 14e3, 18e3):
        volts, _, struck = shot(
            replace(coil, gap_volts=gap, rough=0.0), 0.09, 0.0, np.random.default_rng(3)
        )
        assert struck
        burns.append(np.count_nonzero(volts > 0.6 * coil.glow))
    assert all(np.diff(burns) < 0)


def test_a_gap_beyond_the_coil_does_not_break_down(coil):
    volts, _, struck = shot(replace(coil, gap_volts=60e3), 0.09, 0.0, np.random.default_rng(3))
    assert not struck
    assert volts.max() <= coil.clamp * coil.turns * 1.001


def test_volt_seconds_of_charge_and_spark_balance(coil):
    """The flux built in the dwell, seen through n, is what the spark gives back (v = dPhi/dt)."""
    coil = replace(coil, lead=0.0, lift=0.0, rough=0.0, gap_volts=5e3, farad=1e-12, loss=1e9)
    coil = replace(coil, henry=coil.henry_p * coil.turns**2)
    t = np.arange(0.0, 2.5e-3, 2e-6)
    i = primary_current(coil, t)
    built = coil.turns * np.trapezoid(coil.supply - i * coil.ohms, t)
    assert built == pytest.approx(coil.turns * coil.henry_p * i[-1], rel=2e-3)
    given = spark_seconds(coil.henry, 0.0, coil.glow, i[-1] / coil.turns) * coil.glow
    assert given == pytest.approx(built, rel=2e-3)


@pytest.mark.parametrize("model", MODELS, ids=lambda m: m.system)
def test_models_are_deterministic_and_stay_in_range(model):
    for family, condition in model.contexts:
        for fault in ("", *model.faults):
            one = model.simulate(family, condition, fault, 1.0, np.random.default_rng([5, 1]))
            two = model.simulate(family, condition, fault, 1.0, np.random.default_rng([5, 1]))
            np.testing.assert_array_equal(one.samples, two.samples)
            assert one.rate_hz % model.record_hz == 0
            assert np.isfinite(one.samples).all()
            assert np.abs(one.samples).max() < model.full_scale[0]


def test_every_fault_changes_the_vehicle():
    coil, _ = vehicle("harbour-6", "idle", np.random.default_rng(2))
    for model in MODELS:
        for fault in model.faults:
            assert worsen(coil, fault, 0.5) != coil


def test_pickup_is_a_first_order_high_pass():
    """Check 23 (DERIVED): a flat step droops by 1 - exp(-t / tau)."""
    n = int(0.05 * ignition.FINE_HZ)
    out = ignition.pickup(np.ones(n), 20e-3)
    at = int(0.02 * ignition.FINE_HZ)
    assert out[at] == pytest.approx(np.exp(-1.0), abs=5e-3)
