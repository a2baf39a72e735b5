"""Models of cylinder pressure and sensors against the closed forms they rest on."""

from __future__ import annotations

import numpy as np
import pytest

from seed_references.models.pressure import cycle, lift, volume
from seed_references.models.sensors import (
    hot_wire_volt,
    limit_cycle,
    manifold,
    map_volt,
    nernst_volt,
    oxygen_left,
    pulse_train,
)


def cylinder(**changes: float) -> dict[str, float]:
    p = {
        "ratio": 10.0, "rod": 3.4, "rpm": 800.0, "n": 1.3, "manifold": 0.4, "back": 1.013,
        "leak": 0.0, "ivo": 350.0, "ivc": -130.0, "evo": 130.0, "evc": 370.0,
        "intake_flow": 9000.0, "exhaust_flow": 9000.0, "intake_leak": 0.0, "exhaust_leak": 0.0,
    }  # fmt: skip
    return p | changes


def test_check_37_volume_ratio_and_polytrope() -> None:
    """SEEN, recomputed: 7.5^1.3 = 13.727."""
    v = volume(np.array([180.0, 0.0]), 7.5, 3.4)
    assert v == pytest.approx([7.5, 1.0])
    assert (v[0] / v[1]) ** 1.3 == pytest.approx(13.727, rel=1e-4)


def test_closed_cylinder_follows_the_polytrope() -> None:
    p = cylinder()
    wave = cycle(p)
    angle = np.arange(-360.0, 360.0)
    inside = (angle > -115.0) & (angle < 115.0)
    product = wave[inside] * volume(angle[inside], 10.0, 3.4) ** 1.3
    assert product == pytest.approx(np.full(product.size, product[0]), rel=2e-3)


def test_strokes_reach_manifold_and_exhaust_pressure() -> None:
    wave = cycle(cylinder())
    angle = np.arange(-360.0, 360.0)
    assert wave[angle == -250.0][0] == pytest.approx(0.4, abs=0.02)
    assert wave[angle == 270.0][0] == pytest.approx(1.013, abs=0.06)


def test_leak_lowers_peak_and_expansion() -> None:
    sound, leaky = cycle(cylinder()), cycle(cylinder(leak=60.0))
    angle = np.arange(-360.0, 360.0)
    assert leaky.max() < 0.95 * sound.max()
    before, after = (angle == -70.0), (angle == 70.0)
    assert leaky[after][0] / leaky[before][0] < sound[after][0] / sound[before][0] - 0.03


def test_valve_lift_is_zero_outside_its_angles() -> None:
    angle = np.array([340.0, 350.0, 470.0, 590.0, 600.0])
    assert lift(angle, 350.0, 590.0) == pytest.approx([0.0, 0.0, 1.0, 0.0, 0.0], abs=1e-9)


def test_check_38_nernst_slope() -> None:
    """DERIVED: 43.313 mV per decade at 600 degC, 53.234 at 800 degC; 57.18 mV at 1 % oxygen."""
    for celsius, slope in ((600.0, 43.313), (800.0, 53.234)):
        decade = nernst_volt(np.array([1e-3, 1e-2]), celsius)
        assert 1e3 * (decade[0] - decade[1]) == pytest.approx(slope, abs=0.01)
    assert 1e3 * nernst_volt(np.array([0.01]), 600.0)[0] == pytest.approx(57.18, abs=0.01)


def test_sensor_is_high_when_rich_and_low_when_lean() -> None:
    volt = nernst_volt(oxygen_left(np.array([-0.05, 0.05]), 6e-4), 620.0)
    assert 0.7 < volt[0] < 1.0
    assert volt[1] < 0.12


def test_longer_delay_makes_longer_swings() -> None:
    def swings(delay: float) -> int:
        x = limit_cycle(14_000, delay, 0.06, 0.06, 0.11, np.random.default_rng(1))
        return int(np.count_nonzero((x[1:] > 0) & (x[:-1] <= 0)))

    assert swings(0.4) < 0.7 * swings(0.15)


def test_check_36_map_transfer() -> None:
    """SEEN (MPX4115A data sheet), recomputed."""
    assert map_volt(np.array([15.0, 115.0]), 5.1) == pytest.approx([0.204, 4.794], abs=1e-3)
    assert map_volt(np.array([100.0, 35.0])) == pytest.approx([4.025, 1.100], abs=1e-3)


def test_manifold_settles_where_flows_balance() -> None:
    steady = manifold(np.full(8000, 350.0), np.ones(8000), 2000.0, 10.0, 60.0)
    assert steady[-1] == pytest.approx(35.0, rel=1e-3)
    # first-order emptying: the rest of the way falls by 1/e in 1/draw seconds (choked throttle)
    low = manifold(np.full(400, 0.0), np.ones(400), 2000.0, 10.0, 50.0)
    assert low[200] == pytest.approx(50.0 * np.exp(-1.0), rel=0.01)


def test_pulse_train_has_mean_one_and_one_pull_per_cylinder() -> None:
    angle = np.arange(7200) / 10.0
    pulls = pulse_train(angle, 4, np.ones(4))
    assert pulls.mean() == pytest.approx(1.0, abs=0.01)
    assert np.count_nonzero((pulls[1:-1] > pulls[:-2]) & (pulls[1:-1] >= pulls[2:])) == 4


def test_kings_law() -> None:
    """V^2 - A grows with the root of the flow: four times the flow, twice the excess."""
    bridge = (hot_wire_volt(np.array([0.0, 10.0, 40.0]), 0.0, 0.7) / 2.4 + np.sqrt(0.2)) ** 2
    assert bridge[0] == pytest.approx(0.2)
    assert (bridge[2] - 0.2) / (bridge[1] - 0.2) == pytest.approx(2.0)
