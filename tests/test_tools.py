"""Array tools against loops, closed forms and printed numbers (outside checks 15 to 18)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from matching import tools
from matching.measurements.common import transitions
from matching.model.conformal import p_value
from matching.model.known import auroc
from tests import naive

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")
QUICK = settings(max_examples=120, deadline=None)
EIGHTHS = st.integers(-40, 40).map(lambda k: k / 8.0)
SIGNALS = st.lists(EIGHTHS, min_size=1, max_size=60).map(np.array)


# --- against loops --------------------------------------------------------------------------------


@QUICK
@given(SIGNALS, st.integers(1, 70))
def test_smooth(x, width):
    # fewer than three samples stay as they are
    ref = naive.smooth(x.tolist(), width) if x.size >= 3 else x
    np.testing.assert_allclose(tools.smooth(x, width), ref, atol=1e-9)


@QUICK
@given(SIGNALS)
def test_median3(x):
    before = x.copy()
    assert tools.median3(x).tolist() == naive.median3(x.tolist())
    np.testing.assert_array_equal(x, before)


@QUICK
@given(SIGNALS, EIGHTHS, st.integers(0, 16).map(lambda k: k / 8.0))
def test_schmitt(x, low, width):
    assert tools.schmitt(x, low, low + width).tolist() == naive.schmitt(x, low, low + width)


@QUICK
@given(SIGNALS, EIGHTHS, st.integers(1, 16).map(lambda k: k / 8.0))
def test_crossings(x, level, hysteresis):
    ref = naive.crossings(x.tolist(), level, hysteresis)
    comp = tools.crossings(x, level, hysteresis)
    for r, c in zip(ref, comp, strict=True):
        np.testing.assert_allclose(c, r, atol=1e-12)


@QUICK
@given(SIGNALS, EIGHTHS, st.integers(1, 16).map(lambda k: k / 8.0))
def test_crossings_take_turns(x, level, hysteresis):
    up, down = tools.crossings(x, level, hysteresis)
    assert abs(up.size - down.size) <= 1
    both = np.concatenate((up, down))
    kind = np.argsort(np.argsort(both, kind="stable"), kind="stable")
    ups = np.sort(kind[: up.size])
    assert (np.diff(ups) == 2).all()


@QUICK
@given(st.lists(EIGHTHS, min_size=1, max_size=20), st.lists(EIGHTHS, min_size=1, max_size=20))
def test_auroc(low, high):
    comp = auroc(np.array(low), np.array(high))
    assert comp == pytest.approx(naive.auroc(low, high))
    assert auroc(np.array(high), np.array(low)) == pytest.approx(1.0 - comp)


@QUICK
@given(st.lists(EIGHTHS, min_size=1, max_size=30), EIGHTHS)
def test_conformal_p(known, value):
    comp = p_value(np.array(known), value)
    assert comp == naive.conformal_p(known, value)
    assert 1.0 / (len(known) + 1) <= comp <= 1.0


@QUICK
@given(st.integers(1, 5000))
def test_fast_length_is_the_least_with_factors_2_3_5(n):
    def smooth_number(k):
        for p in (2, 3, 5):
            while k % p == 0:
                k //= p
        return k == 1

    assert tools.fast_length(n) == next(k for k in range(n, 2 * n + 1) if smooth_number(k))


@QUICK
@given(arrays(np.float64, st.integers(1, 300), elements=EIGHTHS), st.integers(1, 40))
def test_block_extremes_leave_no_sample_out(x, blocks):
    low, high = tools.block_extremes(x, blocks)
    assert low.size == high.size == min(blocks, x.size)
    assert low.min() == x.min() and high.max() == x.max() and (low <= high).all()


@QUICK
@given(st.integers(1, 5000), st.integers(1, 400))
def test_thin_gives_at_most_what_is_asked_evenly(n, limit):
    x = np.arange(n, dtype=float)
    few = tools.thin(x, limit)
    assert 1 <= few.size <= limit
    assert few.size < 2 or np.ptp(np.diff(few)) == 0


# --- closed forms ---------------------------------------------------------------------------------


def test_mad_sigma_of_a_gaussian_and_of_nothing():
    x = np.random.default_rng(1).normal(5.0, 3.0, 50_000)
    assert tools.mad_sigma(x) == pytest.approx(3.0, rel=0.02)
    assert tools.mad_sigma(np.zeros(0)) == 0.0


@pytest.mark.parametrize("sigma", [0.01, 1.0])
def test_noise_is_told_from_slow_signal(sigma):
    t = np.arange(40_000)
    x = 100.0 * np.sin(2 * np.pi * t / 4000) + np.random.default_rng(2).normal(0, sigma, t.size)
    assert tools.noise_sigma(x) == pytest.approx(sigma, rel=0.03)


def test_check_18_noise_is_never_below_that_of_the_codes():
    """Check 18 (SEEN, Analog Devices MT-001): a quantiser's error is q / sqrt(12) = 0.288675 q."""
    assert tools.noise_sigma(np.zeros(100), 2.0) == pytest.approx(2.0 * 0.288675, rel=1e-5)
    assert tools.noise_sigma(np.zeros(2), 2.0) == pytest.approx(2.0 * 0.288675, rel=1e-5)


@pytest.mark.parametrize("step", [0.01, 0.078125, 781.25])
def test_step_of_the_codes(step):
    noise = np.random.default_rng(3).normal(0, 5, 20_000)
    assert tools.quantisation_step(step * np.round(noise)) == pytest.approx(step, rel=1e-6)


def test_continuous_values_have_no_step():
    x = np.random.default_rng(4).normal(0, 1, 10_000)
    assert tools.quantisation_step(x) == 0.0
    assert tools.quantisation_step(np.full(50, 3.3)) == 0.0


def test_analytic_signal_turns_once_per_cycle():
    t = np.arange(1000)
    for cycles, n in ((20, 1000), (27, 960)):
        phase = np.unwrap(np.angle(tools.analytic(np.cos(2 * np.pi * cycles * t[:n] / n))))
        np.testing.assert_allclose(np.diff(phase), 2 * np.pi * cycles / n, rtol=1e-6)


def test_analytic_signal_is_scipys_where_no_padding_is_needed():
    from scipy.signal import hilbert

    for n in (15, 16, 45, 64):
        x = np.random.default_rng(n).normal(0, 1, n)
        np.testing.assert_allclose(tools.analytic(x), hilbert(x), atol=1e-12)


def test_band_pass_keeps_what_is_inside_without_delay():
    rate, t = 1000.0, np.arange(2000) / 1000.0
    inside, below, above = (np.sin(2 * np.pi * f * t) for f in (50.0, 5.0, 200.0))
    got = tools.band_pass(inside + below + above + 7.0, rate, 30.0, 80.0)
    np.testing.assert_allclose(got[200:-200], inside[200:-200], atol=0.02)


def test_peak_of_a_spectrum_between_the_bins():
    rate, n = 10_000.0, 4000
    for f in (123.4, 777.7):
        x = 3.0 * np.sin(2 * np.pi * f * np.arange(n) / rate)
        found, prominence = tools.spectrum_peak(x, rate, 50.0, 2000.0)
        assert found == pytest.approx(f, abs=0.05) and prominence > 100.0
        assert tools.line_amplitude(x, rate, f) == pytest.approx(3.0, rel=1e-3)
    assert tools.spectrum_peak(np.zeros(100), rate, 1.0, 2.0) == (0.0, 0.0)


def test_amplitudes_are_those_of_scipys_spectrum():
    from scipy.signal import periodogram

    x = np.random.default_rng(5).normal(0, 1, 256)
    f, a = tools.amplitude_spectrum(x, 100.0, padding=1)
    ref_f, power = periodogram(x, 100.0, np.hanning(256), scaling="spectrum")
    np.testing.assert_allclose(f, ref_f)
    np.testing.assert_allclose(a[1:-1], np.sqrt(2 * power[1:-1]), rtol=1e-9)


def test_resting_level_of_a_signal_with_rare_events():
    x = np.random.default_rng(6).normal(12.0, 0.05, 20_000)
    x[::500] += 60.0
    assert tools.mode_level(x) == pytest.approx(12.0, abs=0.1)
    assert tools.mode_level(np.full(9, 4.0)) == 4.0


# --- states and transitions -----------------------------------------------------------------------


def square(rate=1e5, n=40_000, low=0.2, high=4.8, noise=0.02, overshoot=0.15):
    t = np.arange(n)
    up = (t // 1000) % 2 == 1
    since = t % 1000
    ring = np.exp(-since / 15.0) * np.cos(2 * np.pi * since / 25.0)
    y = np.where(up, high, low) + np.where(up, 1, -1) * overshoot * (high - low) * ring
    return y + np.random.default_rng(7).normal(0, noise, n)


def test_check_15_reference_levels_from_state_levels():
    """Check 15 (SEEN: documentation of a general library, quoting the method; the IEEE 181 text
    itself is MEMORY): states 0.0138 and 5.1848 V have their 10 and 90 % at 0.5309 and 4.6677 V.
    """
    low, high = 0.0138, 5.1848
    x = np.concatenate((np.full(50, low), np.linspace(low, high, 20_001), np.full(50, high)))
    assert tools.state_levels(np.concatenate((np.full(40_000, low), x, np.full(40_000, high)))) == (
        pytest.approx(low, abs=0.03), pytest.approx(high, abs=0.03)
    )  # fmt: skip
    ten, ninety = low + 0.1 * (high - low), low + 0.9 * (high - low)
    assert (ten, ninety) == (pytest.approx(0.5309, abs=1e-4), pytest.approx(4.6677, abs=1e-4))
    # our 10-90 % duration is the time between exactly those two levels
    samples = transitions(x, low, high, "rise")
    assert samples.tolist() == [pytest.approx((4.6677 - 0.5309) / (high - low) * 20_000, abs=1.0)]


def test_check_15_levels_of_a_noisy_square_with_overshoot():
    """Check 15 (same source): 0.2 and 4.8 V, 20 mV rms, 15 % overshoot: within one bin width."""
    x = square()
    bin_width = np.ptp(x) / 100.0
    low, high = tools.state_levels(x)
    assert abs(low - 0.2) < bin_width and abs(high - 4.8) < bin_width


def test_state_levels_of_a_constant():
    assert tools.state_levels(np.full(10, 2.5)) == (2.5, 2.5)


@QUICK
@given(arrays(np.float64, st.integers(1, 200), elements=EIGHTHS))
def test_states_lie_inside_the_range_in_order(x):
    low, high = tools.state_levels(x)
    assert x.min() <= low + 1e-12 and low <= high + 1e-12 and high <= x.max() + 1e-12


@pytest.mark.parametrize("edge", ["rise", "fall"])
@pytest.mark.parametrize("per_tau", [200, 1000])
def test_check_16_transition_of_a_single_pole(edge, per_tau):
    """Check 16 (DERIVED): 10-90 % of a single pole is tau ln 9 = 2.19722 tau, within 0.5 %."""
    t = np.arange(12 * per_tau) / per_tau - 1.0
    x = np.where(t < 0, 0.0, 1.0 - np.exp(-np.maximum(t, 0.0)))
    x = x if edge == "rise" else 1.0 - x
    assert transitions(x, 0.0, 1.0, edge) / per_tau == pytest.approx([2.19722], rel=0.005)
