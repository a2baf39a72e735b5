"""The bit time and the event windows of a serial bus."""

import numpy as np
import pytest

from matching.events.bits import bit_time
from tests.builders_signals import can_line, can_volts, cut_of

CHANNELS = "can_h=V,can_l=V"


@pytest.mark.parametrize("bit", [3.1, 8.0, 10.0, 41.7])
@pytest.mark.parametrize("stretch", [-0.3, 0.0, 0.4])
def test_bit_time_ignores_asymmetry(bit, stretch):
    """Slow or fast falling edges move every down edge alike: the period must not follow."""
    line = can_line(10, seed=2)
    edge = np.flatnonzero(np.diff(line)) * bit
    down_next = line[np.flatnonzero(np.diff(line)) + 1] == 0
    up, down = edge[down_next], edge[~down_next] + stretch * bit
    assert bit_time(up, down, 0.9) == pytest.approx(bit, rel=1e-3)


def test_bit_time_with_two_rates_is_the_shorter():
    """CAN FD: arbitration 2000 ns, data 500 ns."""
    rng = np.random.default_rng(1)
    lengths = np.concatenate(
        [
            np.concatenate((rng.integers(1, 6, 14) * 20.0, rng.integers(1, 6, 60) * 5.0))
            for _ in "123"
        ]
    )
    edge = np.cumsum(lengths)
    assert bit_time(edge[::2], edge[1::2], 0.9) == pytest.approx(5.0, rel=1e-3)


def test_too_few_edges_give_no_bit():
    assert bit_time(np.array([1.0]), np.array([5.0]), 0.9) == 0.0


def test_windows_start_one_bit_before_a_single_dominant_bit():
    line = can_line(10)
    part = cut_of("can-hs", can_volts(line, 2e-6, 10e6), 10e6, CHANNELS)
    assert part.events.n >= 8
    assert np.allclose(part.events.stop - part.events.start, 4 * 20.0, rtol=1e-3)
    usual = np.median(part.grid[:, 0] - part.grid[:, 1], axis=0)
    bits = usual.reshape(4, -1).mean(axis=1)
    assert bits[0] < 0.2
    assert bits[1] > 1.7
    assert bits[2] < 0.3


@pytest.mark.parametrize("frames", [1, 2])
def test_a_frame_or_two_are_enough(frames):
    part = cut_of("can-hs", can_volts(can_line(frames, seed=3), 4e-6, 2e6), 2e6, CHANNELS)
    assert part.events.scout["bit_s"] == pytest.approx(4e-6, rel=5e-3)


def test_hint_replaces_a_wild_guess():
    volts = can_volts(can_line(3), 2e-6, 10e6)
    part = cut_of("can-hs", volts, 10e6, CHANNELS, {"bit_s": 4e-6})
    assert part.events.marks["bit"][0] == pytest.approx(40.0)


def test_noise_alone_gives_no_events():
    rng = np.random.default_rng(0)
    part = cut_of("can-hs", 2.5 + 0.02 * rng.normal(size=(2, 9000)), 5e6, CHANNELS)
    assert part.events.n == 0
