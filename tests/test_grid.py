"""Events on a grid: block means, kept spikes, interpolation, windows that leave the recording."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matching.conditioning import Signal
from matching.events import make
from matching.grid import MOST_EVENTS, on_grid, pick_events, rebin
from tests import naive

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")
QUICK = settings(max_examples=100, deadline=None)
EIGHTHS = st.integers(-40, 40).map(lambda k: k / 8.0)


def signal(*channels, noise=0.0) -> Signal:
    data = np.array(channels, dtype=float)
    roles = tuple(f"c{i}" for i in range(len(channels)))
    rows = tuple(range(len(channels)))
    still = np.full(len(channels), noise)
    units = ("V",) * len(channels)
    return Signal(data, roles, units, 1000.0, np.zeros(len(channels)), still, None, False, rows)


def events(start, stop):
    start, stop = np.array(start, float), np.array(stop, float)
    return make(signal(np.zeros(1000)), start, stop, start, (0.0, 1.0))


def on(x, start, stop, points, noise=0.0):
    """One channel, one event: (points,)."""
    return on_grid(signal(x, noise=noise), np.array([start]), np.array([stop]), points)[0, 0]


# --- rebin ----------------------------------------------------------------------------------------


@QUICK
@given(st.lists(EIGHTHS, min_size=1, max_size=40), st.integers(1, 50))
def test_rebin(x, points):
    np.testing.assert_allclose(rebin(np.array(x), points), naive.rebin(x, points), atol=1e-9)


@QUICK
@given(st.lists(EIGHTHS, min_size=1, max_size=40), st.integers(1, 50))
def test_rebin_keeps_mean_and_range(x, points):
    got = rebin(np.array(x), points)
    assert got.mean() == pytest.approx(np.mean(x), abs=1e-9)
    assert got.min() >= min(x) - 1e-9 and got.max() <= max(x) + 1e-9


def test_rebin_works_on_every_axis_before_the_last_and_leaves_its_input():
    x = np.random.default_rng(1).normal(0, 1, (3, 2, 50)).astype(np.float32)
    before = x.copy()
    got = rebin(x, 7)
    assert got.shape == (3, 2, 7) and got.dtype == np.float64
    np.testing.assert_allclose(got[2, 1], naive.rebin(x[2, 1].tolist(), 7), atol=1e-6)
    np.testing.assert_array_equal(x, before)
    assert rebin(x, 50).dtype == np.float64


def test_rebin_of_a_gap_is_a_gap():
    assert np.isnan(rebin(np.full((1, 8), np.nan), 4)).all()


# --- on_grid --------------------------------------------------------------------------------------


@QUICK
@given(
    st.lists(EIGHTHS, min_size=64, max_size=120), st.integers(0, 8), st.integers(1, 20),
    st.sampled_from([0.0, 0.1, 1.0]),
)  # fmt: skip
def test_many_samples_per_point(x, start, points, noise):
    per_point = (len(x) - start) / points
    if per_point < 2.0:
        return
    ref = naive.reduce_to_points(x, start, per_point, points, noise)
    np.testing.assert_allclose(on(np.array(x), start, len(x), points, noise), ref, atol=1e-5)


def test_a_spike_keeps_its_height_and_noise_is_averaged():
    random = np.random.default_rng(2)
    x = random.normal(0, 0.01, 8000)
    x[4321] = 5.0
    got = on(x, 0, 8000, 100, noise=0.01)
    assert got.max() == pytest.approx(5.0) and int(got.argmax()) == 54
    assert np.delete(got, 54).std() < 0.01 / np.sqrt(80) * 1.3


def test_few_samples_per_point_are_interpolated_at_the_middle_of_each_point():
    x = np.arange(100.0)
    np.testing.assert_allclose(on(x, 10.0, 30.0, 20), 10.5 + np.arange(20))
    np.testing.assert_allclose(on(x, 10.0, 20.0, 40), 10.125 + 0.25 * np.arange(40))


@pytest.mark.parametrize("n", [400, 4000])
def test_a_ramp_stays_a_ramp_at_any_rate(n):
    """Interpolated or reduced: the same signal at another rate gives the same event."""
    x = np.sin(np.linspace(0, 2 * np.pi, n, endpoint=False))
    got = on(x, 0, n, 200, noise=1.0)
    middle = np.sin(2 * np.pi * (np.arange(200) + 0.5) / 200)
    np.testing.assert_allclose(got, middle, atol=0.02)


def test_a_window_outside_the_recording_holds_the_nearest_sample():
    x = np.arange(50.0)
    np.testing.assert_allclose(on(x, -10.0, 10.0, 20)[:10], 0.0)
    np.testing.assert_allclose(on(x, 40.0, 60.0, 20)[10:], 49.0)
    for start, stop in ((-300.0, 100.0), (-1000.0, -500.0), (10.0, 900.0), (500.0, 900.0)):
        got = on(x, start, stop, 20)
        assert np.isfinite(got).all() and got.min() >= 0.0 and got.max() <= 49.0


def test_channels_are_kept_apart():
    got = on_grid(signal(np.zeros(100), np.ones(100)), np.array([0.0, 50.0]), np.array([50, 100.0]),
                  10)  # fmt: skip
    assert got.shape == (2, 2, 10) and got.dtype == np.float32
    assert got[:, 0].max() == 0.0 and got[:, 1].min() == 1.0


def test_no_events_make_an_empty_grid():
    assert on_grid(signal(np.zeros(9)), np.zeros(0), np.zeros(0), 16).shape == (0, 1, 16)


# --- picking --------------------------------------------------------------------------------------


def test_complete_events_are_picked_before_incomplete_ones():
    assert pick_events(events([-50, 0, 100, 990], [50, 100, 200, 1090])).tolist() == [1, 2]
    assert pick_events(events([-50, 990], [50, 1090])).tolist() == [0, 1]


def test_many_events_are_thinned_evenly_with_both_ends():
    start = np.arange(900.0)
    got = pick_events(events(start, start + 5.0))
    assert got.size == MOST_EVENTS and got[0] == 0 and got[-1] == 899
    assert set(np.diff(got)) <= {3, 4}
