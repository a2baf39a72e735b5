"""Ignition measurements against signals whose numbers are known, and outside checks 24, 31, 53."""

import numpy as np
import pytest

from matching.measurements.picks import pick
from tests.ignition_signals import cut_of, firing_train, reading

RATE = 500e3


def secondary(name, rate=RATE, **how):
    return reading(cut_of("ignition-secondary", firing_train(rate, **how), rate), name)


def test_burn_time_is_from_the_edge_to_the_end_of_the_line():
    """Construction: the line ends at 1.6 ms and falls through 15 % a quarter ring turn later."""
    for burn in (0.5e-3, 1.6e-3, 2.8e-3):
        # cos(2 pi f t) = 0.15 at t = acos(0.15) / (2 pi f) = 45 us for 5 kHz, less its damping
        assert secondary("burn-time", burn=burn) == pytest.approx(1e3 * burn + 0.042, abs=0.02)


def test_spark_line_firing_and_their_ratio():
    assert secondary("spark-line") == pytest.approx(1.2, rel=0.02)
    assert secondary("firing", rate=2e6) == pytest.approx(12.0, rel=0.05)
    assert secondary("firing-to-spark", rate=2e6) == pytest.approx(10.0, rel=0.06)


def test_check_24_an_undersampled_spike_reads_between_half_and_all():
    """Check 24 (DERIVED): a triangle of base 2 us at 1 MS/s reads 50 to 100 % of its height, at
    10 MS/s at least 95 %. Here the line under it adds nothing to the bounds."""
    low = [
        secondary("firing", rate=1e6, spike=2e-6, first=0.02 + k * 1e-7, noise=0.0)
        for k in range(9)
    ]
    assert min(low) >= 0.5 * 12.0 and max(low) <= 12.0
    fine = [
        secondary("firing", rate=1e7, spike=2e-6, count=1, first=0.02 + k * 1e-8, noise=0.0)
        for k in range(5)
    ]
    assert min(fine) >= 0.95 * 12.0 - 0.6


def test_the_area_of_a_spike_does_not_depend_on_the_sampling():
    """The triangle's area over the line is half its base times its height: 15 us x 10.8 kV."""
    for rate in (200e3, 500e3, 2e6):
        values = [secondary("firing-area", rate=rate, first=0.02 + k * 7e-7) for k in range(4)]
        assert np.mean(values) == pytest.approx(15.0 * 10.8, rel=0.12)


def test_slope_of_the_spark_line():
    assert secondary("slope-ratio", line=3.0, end_line=1.0) == pytest.approx(2.6 / 1.4, rel=0.05)
    assert secondary("slope-ratio") == pytest.approx(1.0, abs=0.02)


def test_dwell_and_dwell_angle():
    """Dwell angle = dwell x 6 x rpm; one firing a cycle of 50 ms is 2400 rpm: 3 ms is 43.2 deg."""
    assert secondary("dwell") == pytest.approx(3.0, abs=0.03)
    assert secondary("dwell-angle") == pytest.approx(3e-3 * 6 * 2400, rel=0.02)


def test_check_31_firing_rate():
    """Check 31 (DERIVED): firings per second = n rpm / 120; one coil at 2400 rpm is 20 Hz."""
    assert secondary("firing-rate") == pytest.approx(1 * 2400 / 120, rel=1e-3)


def test_ringing():
    assert secondary("ring-frequency") == pytest.approx(5.0, rel=0.05)
    # rms ratio of two stretches 0.4 ms apart under exp(-t / 0.4 ms) is 1 / e
    assert secondary("ring-keep", rate=1e6, noise=0.0) == pytest.approx(np.exp(-1.0), rel=0.15)
    assert secondary("ring-count", ring_tau=0.1e-3) < secondary("ring-count", ring_tau=0.4e-3)


@pytest.mark.parametrize("strikes", [1, 3])
def test_strikes_and_their_interval(strikes):
    how = dict(strikes=strikes, burn=0.5e-3)
    assert secondary("strikes", **how) == strikes
    if strikes > 1:
        assert secondary("strike-interval", **how) == pytest.approx(1.25, abs=0.01)
        assert secondary("burn-window", **how) == pytest.approx(3 * 0.5 + 2 * 0.75 + 0.04, abs=0.05)


def test_flux_is_volt_seconds():
    """v = dPhi/dt: 1.2 kV for 1.6 ms is 1.92 kV ms; 1 kV over 3 ms of dwell is 3 kV ms."""
    assert secondary("spark-flux") == pytest.approx(1.92, rel=0.06)
    assert secondary("flux-balance") == pytest.approx(1.92 / 3.0, rel=0.08)


def test_the_odd_firing_out_is_seen():
    x = firing_train(count=6)
    late = firing_train(count=6, burn=0.8e-3)
    a, b = int((0.02 + 2 * 0.05 - 5e-3) * RATE), int((0.02 + 3 * 0.05 - 5e-3) * RATE)
    x[a:b] = late[a:b]
    cut = cut_of("ignition-secondary", x, RATE)
    assert reading(cut, "burn-time-shortest") == pytest.approx(0.84, abs=0.04)
    assert reading(cut, "burn-time-under") == pytest.approx(49.0, abs=3.0)


def test_firings_cut_off_by_the_recording_do_not_spoil_the_whole_ones():
    x = firing_train(count=4)
    usual = cut_of("ignition-secondary", x, RATE)
    a, b = int((0.02 - 1e-3) * RATE), x.size - int((0.05 - 0.3e-3) * RATE)
    for part in (x[a:], x[:b], x[a:b], x[a : a + int(5e-3 * RATE)]):
        cut = cut_of("ignition-secondary", part, RATE)
        assert cut.events.n >= 1
        for name in ("spark-line", "firing", "burn-time"):
            value = reading(cut, name)
            assert np.isfinite(value)
            if cut.events.n > 2:
                assert value == pytest.approx(reading(usual, name), rel=0.02)
    # one firing whose dwell began before the recording: the dwell is not shown
    assert np.isnan(reading(cut_of("ignition-secondary", x[a : a + 2500], RATE), "dwell"))


def test_a_spark_cut_off_by_the_end_is_not_a_short_one():
    x = firing_train(count=4)
    part = x[: int((0.02 + 3 * 0.05 + 0.5e-3) * RATE)]
    cut = cut_of("ignition-secondary", part, RATE)
    assert cut.events.n == 4
    whole = reading(cut_of("ignition-secondary", x, RATE), "burn-time")
    assert reading(cut, "burn-time-shortest") == pytest.approx(whole, rel=0.02)


def test_gain_moves_sizes_only_and_shift_moves_nothing():
    x = firing_train(noise=0.0)
    usual, larger = cut_of("ignition-secondary", x, RATE), cut_of("ignition-secondary", 2 * x, RATE)
    shifted = cut_of("ignition-secondary", x[3000:], RATE)
    offset = cut_of("ignition-secondary", x + 0.25, RATE)
    for name in ("burn-time", "dwell", "ring-keep", "slope-ratio", "firing-to-spark", "end-rise"):
        for other in (larger, shifted, offset):
            assert reading(other, name) == pytest.approx(reading(usual, name), rel=2e-3)
    for name in ("firing", "spark-line", "ring", "coil-on-step"):
        assert reading(larger, name) == pytest.approx(2 * reading(usual, name), rel=2e-3)
        assert reading(offset, name) == pytest.approx(reading(usual, name), rel=2e-3)


def test_primary_levels_peak_and_clamp():
    x = 30.0 * firing_train(kv=10.0, line=1.0, step=0.4, spike=40e-6, noise=0.01) + 14.0
    cut = cut_of("ignition-primary", x, RATE)
    assert reading(cut, "supply") == pytest.approx(14.0, abs=0.1)
    assert reading(cut, "on-voltage") == pytest.approx(2.0, abs=0.1)
    assert reading(cut, "plateau") == pytest.approx(30.0, rel=0.03)
    assert reading(cut, "peak") == pytest.approx(300.0, rel=0.12)
    assert reading(cut, "peak-time") == pytest.approx(20.0 + 2.2, abs=4.0)


def test_check_53_more_firing_voltage_leaves_less_burn_at_fixed_energy():
    """Check 53 (DERIVED): E = L I^2 / 2 (3 mH, 7 A) is 73.5 mJ; firing up means burn down.

    The spark of a coil with flux left burns t = L i0 / V; what the firing took is C V^2 / 2.
    """
    energy_mj = 0.5 * 3e-3 * 7.0**2 * 1e3
    assert energy_mj == pytest.approx(73.5)
    burns = []
    for kv in (8.0, 12.0, 18.0, 24.0):
        left = 50e-3 - 0.5 * 90e-12 * (kv * 1e3) ** 2
        burn = 17.0 * np.sqrt(2 * left / 17.0) / 1500.0 * 0.5
        burns.append(secondary("burn-time", kv=kv, burn=min(burn, 4e-3)))
    assert all(np.diff(burns) < 0)


@pytest.mark.parametrize(
    ("how", "expected"),
    [
        ("median", 2.0),
        ("min", 1.0),
        ("max", 5.0),
        ("mean", 2.5),
        ("highest", 150.0),
        ("lowest", 50.0),
    ],
)
def test_pick(how, expected):
    assert pick(np.array([2.0, 1.0, np.nan, 5.0, 2.0]), how) == pytest.approx(expected)


def test_pick_of_nothing_is_not_a_number():
    assert np.isnan(pick(np.array([np.nan]), "median"))
    assert np.isnan(pick(np.array([1.0]), "spread"))
