"""Current pulses and switched lines are cut into one event per pulse, or one per cycle."""

import numpy as np
import pytest

from matching.events.pulses import levels, merge, stretches, two_states
from tests.ignition_signals import cut_of, rl_train


@pytest.mark.parametrize("rate", [20e3, 250e3, 1e6])
def test_every_pulse_is_one_event(rate):
    cut = cut_of("injector-current", rl_train(rate, noise=0.005), rate)
    start = cut.events.marks["pulse_start"] / rate
    assert start.size == 5
    assert np.abs(start - 0.01 - 0.04 * np.arange(5)).max() < 0.15e-3


def test_offset_gain_and_direction_do_not_change_the_cut():
    x = rl_train(noise=0.003)
    usual = cut_of("injector-current", x, 250e3).events.start
    for other in (3.0 * x, x + 0.4, -x):
        # a trigger level between samples moves a little with the noise
        np.testing.assert_allclose(
            cut_of("injector-current", other, 250e3).events.start, usual, atol=2
        )


def test_a_pulse_cut_off_by_the_recording_is_left_out():
    x = rl_train(count=5)[int(0.011 * 250e3) :]
    assert cut_of("injector-current", x, 250e3).events.n == 4


def test_chopping_inside_a_pulse_does_not_split_it():
    rate = 500e3
    t = np.arange(int(0.1 * rate)) / rate
    x = np.zeros(t.size)
    for k in range(4):
        tau = t - 0.01 - 0.02 * k
        on = (tau >= 0) & (tau < 1.8e-3)
        hold = 2.5 + 0.4 * np.sign(np.sin(2 * np.pi * 11e3 * tau))
        x[on] = np.where(tau[on] < 0.25e-3, tau[on] / 0.25e-3 * 10.5, hold[on])
    x += np.random.default_rng(1).normal(0, 0.03, t.size)
    assert cut_of("injector-current", x, rate).events.n == 4
    assert cut_of("gdi-current", x, rate).events.n == 4


def test_a_second_pulse_close_behind_is_an_event_of_its_own():
    x = rl_train(250e3, period=0.04, width=1.5e-3)
    again = np.roll(x, int(2.2e-3 * 250e3))
    assert cut_of("injector-current", x + again, 250e3).events.n == 10


def test_steps_of_a_third_of_the_current_do_not_make_more_pulses():
    x = rl_train(250e3, noise=0.2)
    assert cut_of("injector-current", np.round(x / 0.39) * 0.39, 250e3).events.n == 5


def test_states_of_a_switched_line_are_found_under_a_kick():
    rate = 100e3
    t = np.arange(int(0.2 * rate)) / rate
    phase = (t * 50.0) % 1.0
    x = np.where(phase < 0.3, 0.5, 13.8 + 45.0 * np.exp(-(phase - 0.3) / 0.02))
    high, low = two_states(x)
    assert low == pytest.approx(0.5, abs=0.3)
    assert high == pytest.approx(13.8, abs=0.6)
    cut = cut_of("solenoid-pwm", x, rate)
    assert 8 <= cut.events.n <= 10
    assert cut.events.axis == (0.0, 100.0)


def test_levels_of_a_current_with_rare_pulses():
    rest, active = levels(rl_train(noise=0.01), "high")
    assert rest == pytest.approx(0.0, abs=0.02)
    assert active == pytest.approx(14 / 12 * (1 - np.exp(-3.0)), rel=0.04)


def test_runs_and_their_merging():
    on = np.array([True, False, True, True, False, False, False, True])
    start, stop = stretches(on)
    assert start.tolist() == [0, 2, 7] and stop.tolist() == [1, 4, 8]
    start, stop = merge(start, stop, 1)
    assert start.tolist() == [0, 7] and stop.tolist() == [4, 8]
