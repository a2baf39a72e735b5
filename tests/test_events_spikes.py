"""Firings are found whatever the sampling, polarity, strikes, missing sparks and transients."""

import numpy as np
import pytest

from tests.ignition_signals import cut_of, firing_train


def anchors(samples, rate):
    return cut_of("ignition-secondary", samples, rate).events.anchor / rate


@pytest.mark.parametrize("rate", [50e3, 200e3, 1e6])
def test_every_firing_is_one_event_at_its_edge(rate):
    found = anchors(firing_train(rate), rate)
    assert found.size == 5
    assert np.abs(found - 0.02 - 0.05 * np.arange(5)).max() < 2.0 / rate + 15e-6


def test_polarity_does_not_matter():
    x = firing_train()
    np.testing.assert_allclose(anchors(-x, 500e3), anchors(x, 500e3), atol=2e-6)


def test_gain_and_offset_do_not_move_the_events():
    x = firing_train()
    np.testing.assert_allclose(anchors(0.4 * x + 0.3, 500e3), anchors(x, 500e3), atol=2e-6)


@pytest.mark.parametrize("strikes", [1, 2, 4])
def test_strikes_belong_to_one_firing(strikes):
    cut = cut_of("ignition-secondary", firing_train(strikes=strikes, burn=0.5e-3), 500e3)
    assert cut.events.n == 5
    assert np.bincount(cut.events.marks["owner"].astype(int)).tolist() == [strikes] * 5


def test_ringing_of_an_open_lead_is_no_strike():
    x = firing_train(kv=30.0, line=30.0, burn=20e-6, ring_tau=0.3e-3)
    cut = cut_of("ignition-secondary", x, 500e3)
    assert cut.events.n == 5
    assert cut.events.marks["strike"].size == 5


def test_a_misfire_without_spark_is_still_an_event():
    x = firing_train(count=4)
    a = int((0.02 + 0.05) * 500e3)
    x[a + 20 : a + int(4e-3 * 500e3)] = 0.0  # spike but no spark
    assert anchors(x, 500e3).size == 4


def test_a_missing_firing_leaves_a_gap_only():
    x = firing_train(count=5)
    a = int((0.02 + 2 * 0.05 - 4e-3) * 500e3)
    x[a : a + int(12e-3 * 500e3)] = 0.0
    found = anchors(x, 500e3)
    assert found.size == 4
    assert np.diff(found).max() == pytest.approx(0.1, rel=1e-3)


def test_a_settling_capacitor_at_the_start_is_no_event():
    x = firing_train(500e3, count=5)
    t = np.arange(x.size) / 500e3
    found = anchors(x - 2.0 * np.exp(-t / 15e-3), 500e3)
    assert found.size == 5


def test_a_recording_that_begins_in_a_spark_does_not_count_its_ringing():
    x = firing_train(count=4)[int((0.02 + 1.0e-3) * 500e3) :]
    found = anchors(x, 500e3)
    assert found.size == 3


def test_steps_larger_than_half_the_spark_line_do_not_hide_the_firings():
    x = firing_train(noise=0.2)
    assert anchors(np.round(x / 0.78) * 0.78, 500e3).size == 5


def test_foreign_spikes_are_no_firings():
    x = firing_train()
    for k in range(5):
        at = int((0.02 + 0.0125 + 0.05 * k) * 500e3)
        x[at : at + 10] += 2.5
    assert anchors(x, 500e3).size == 5


def test_noise_alone_gives_no_event():
    x = np.random.default_rng(3).normal(0.0, 0.05, 100_000)
    assert cut_of("ignition-secondary", x, 500e3).events.n == 0
