"""Measurements any system can use, through the measuring path; outside checks 16, 17 and 18."""

from __future__ import annotations

import numpy as np
import pytest

from matching.conditioning import condition
from matching.measurements import measure
from matching.profile import cut_signal
from matching.tools import noise_sigma, quantisation_step
from refdb.cards import CardMeasurement, parse_card
from tests.builders_hum import HUM_TOML
from tests.builders_signals import capture

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")
WHOLE = 'rule = "whole"\nparams = { parts = 2 }\nunit_name = "part"'


def value(function, samples, rate_hz, rule=WHOLE, needs_events=0, **params):
    """One measurement of a one-channel recording in volts."""
    head = HUM_TOML.split("[events]")[0]
    card = parse_card(f"{head}[events]\n{rule}\n", "made.toml")
    part = cut_signal(card, condition(card, capture(samples, rate_hz, "hum=V")), {})
    wanted = CardMeasurement("x", function, "V", params=params, needs_events=needs_events)
    return measure(part, wanted)


SWINGS = 'rule = "swings"\nunit_name = "cycle"'


def steps(answer, per_state=4000, states=8):
    """A two-state signal whose every change is followed by answer(t >= 0) from 0 to 1."""
    t = np.arange(per_state, dtype=float)
    up = answer(t)
    return np.concatenate([up if k % 2 else 1.0 - up for k in range(states)])


def second_order(zeta):
    """Step response of a second-order system, natural period 200 samples."""
    w = 2 * np.pi / 200.0
    damped = np.sqrt(1 - zeta**2)

    def answer(t):
        return 1 - np.exp(-zeta * w * t) * (
            np.cos(damped * w * t) + zeta / damped * np.sin(damped * w * t)
        )

    return answer


@pytest.mark.parametrize("edge", ["rise", "fall"])
@pytest.mark.parametrize(("zeta", "per_cent"), [(0.2, 52.662), (0.5, 16.303), (0.7, 4.599)])
def test_check_17_overshoot_of_a_second_order_step(edge, zeta, per_cent):
    """Check 17 (definition: IEEE 181, the text itself MEMORY; values DERIVED,
    100 exp(-pi zeta / sqrt(1 - zeta^2))): within 0.3 percentage points."""
    x = 0.2 + 4.6 * steps(second_order(zeta))
    assert value("overshoot", x, 1e5, edge=edge) == pytest.approx(per_cent, abs=0.3)
    assert per_cent == pytest.approx(100 * np.exp(-np.pi * zeta / np.sqrt(1 - zeta**2)), abs=6e-4)


def test_a_single_pole_does_not_overshoot():
    assert value("overshoot", steps(lambda t: 1 - np.exp(-t / 100)), 1e5) < 0.2


@pytest.mark.parametrize("edge", ["rise", "fall"])
def test_check_16_transition_time_of_a_single_pole(edge):
    """Check 16 (DERIVED): tau 1 ms has a 10-90 % duration of 2.1972 ms, within 0.5 %."""
    x = 4.8 - 4.6 * steps(lambda t: 1 - np.exp(-t / 200.0))
    assert value("transition-time", x, 2e5, edge=edge) == pytest.approx(2.1972e-3, rel=0.005)
    in_ms = value("transition-time", x, 2e5, edge=edge, factor=1e3)
    assert in_ms == pytest.approx(2.1972, rel=0.005)


def test_states_duty_and_rate_of_a_square():
    t = np.arange(60_000)
    x = np.where(t % 1000 < 300, 4.8, 0.2) + np.random.default_rng(1).normal(0, 0.02, t.size)
    assert value("low-state", x, 1e5) == pytest.approx(0.2, abs=0.05)
    assert value("high-state", x, 1e5) == pytest.approx(4.8, abs=0.05)
    assert value("duty", x, 1e5) == pytest.approx(30.0, abs=0.1)
    assert value("event-rate", x, 1e5, SWINGS) == pytest.approx(100.0, rel=1e-4)
    assert value("event-rate", x, 1e5, SWINGS, factor=60.0) == pytest.approx(6000.0, rel=1e-4)
    assert value("event-peak-to-peak", x, 1e5, SWINGS) == pytest.approx(4.6, abs=0.2)
    # it begins high: 59 rises, and an event is from one rise to the next
    assert value("event-count", x, 1e5, SWINGS) == 58.0


def test_levels_and_sizes():
    x = 3.0 + 2.0 * np.sin(2 * np.pi * np.arange(20_000) / 200)
    assert value("mean", x, 1e4) == pytest.approx(3.0, abs=1e-9)
    assert value("ac-rms", x, 1e4) == pytest.approx(np.sqrt(2.0), rel=1e-9)
    assert value("extreme", x, 1e4) == pytest.approx(5.0, abs=1e-3)
    assert value("extreme", x, 1e4, which="min") == pytest.approx(1.0, abs=1e-3)
    assert value("quantile", x, 1e4, q=0.5) == pytest.approx(3.0, abs=0.05)
    # 3/4 of a sine's time is spent below sin(pi / 4) of its amplitude
    assert value("quantile", x, 1e4, q=0.75) == pytest.approx(3 + np.sqrt(2), abs=0.05)


def test_line_over_line():
    t = np.arange(40_000) / 1e4
    x = np.sin(2 * np.pi * 50 * t) + 0.2 * np.sin(2 * np.pi * 150 * t)
    assert value("line-amplitude", x, 1e4, SWINGS, multiple=3) == pytest.approx(0.2, rel=0.01)
    assert value("line-amplitude", x, 1e4, SWINGS, multiple=3, over=1) == pytest.approx(
        0.2, rel=0.01
    )


def test_jitter_is_the_robust_spread_of_the_distances():
    random = np.random.default_rng(2)
    length = np.round(1000 * (1 + 0.02 * random.standard_normal(300))).astype(int)
    x = np.concatenate([np.where(np.arange(n) < n // 2, 1.0, 0.0) for n in length])
    x += random.normal(0, 0.01, x.size)
    assert value("event-jitter", x, 1e4, SWINGS) == pytest.approx(2.0, rel=0.15)


@pytest.mark.parametrize(
    "function", ["overshoot", "transition-time", "event-rate", "event-peak-to-peak", "duty"]
)
def test_what_is_not_shown_is_no_number(function):
    assert np.isnan(value(function, np.zeros(2000), 1e4, SWINGS))


def test_a_measurement_that_needs_events_waits_for_them():
    x = steps(second_order(0.5))
    assert np.isnan(value("overshoot", x, 1e5, needs_events=3))
    assert np.isfinite(value("overshoot", x, 1e5, needs_events=2))


def test_check_18_effective_bits():
    """Check 18 (SEEN, Analog Devices MT-001): SNR = 6.02 N + 1.76 dB, 8 bits 49.92, 12 bits 74.00,
    within 0.3 dB, with the noise that our conditioning reports for a real code step."""
    for bits, decibels in ((8, 49.92), (12, 74.00)):
        step = 2.0 / 2**bits
        x = np.sin(2 * np.pi * np.arange(200_000) * 0.0137)
        codes = step * np.round(x / step)
        found = quantisation_step(codes)
        assert found == pytest.approx(step, rel=1e-6)
        floor = noise_sigma(np.zeros(100), found)
        assert 20 * np.log10(codes.std() / floor) == pytest.approx(decibels, abs=0.3)
