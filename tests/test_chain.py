"""The measuring chain against closed forms; checks 18, 19 and 23 of the outside list."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from seed_references import chain
from seed_references.model import Model, Recording
from seed_references.vehicles import Instrument, step_of


def instrument(**changes) -> Instrument:
    """A perfect one-channel instrument of 12 bits and 10 V, but for what is changed."""
    facts = {
        "bits": 12, "full_scale": (10.0,), "gain": (1.0,), "offset": (0.0,), "drift": (0.0,),
        "noise": (0.0,), "filter_share": 0.4, "ac_corner_hz": 0.0,
    }  # fmt: skip
    return Instrument(**(facts | changes))


def stored(x, rate_hz=1e4, record_hz=1e4, seed=1, **changes):
    recording = Recording(np.atleast_2d(np.asarray(x, float)), rate_hz)
    rng = np.random.default_rng(seed)
    return chain.digitise(recording, record_hz, instrument(**changes), rng)


def model(**changes) -> Model:
    facts = {
        "system": "toy", "contexts": (("a", "b"),), "faults": {}, "channels": (("x", "V"),),
        "record_hz": 1e4, "full_scale": (20.0,), "simulate": None, "relations": (),
    }  # fmt: skip
    return Model(**(facts | changes))


def test_check_18_quantisation_noise_is_q_over_root_12():
    """DERIVED and SEEN (Analog Devices MT-001): 0.288675 q rms, 6.02 N + 1.76 dB."""
    x = np.random.default_rng(1).uniform(-0.9, 0.9, 1_000_000)
    error = chain.quantised(x, 1.0, 8) * step_of(1.0, 8) - x
    assert error.std() == pytest.approx(0.288675 * step_of(1.0, 8), rel=0.005)


@pytest.mark.parametrize(("bits", "decibels"), [(8, 49.92), (12, 74.00)])
def test_check_18_full_scale_sine_has_the_ideal_snr(bits, decibels):
    step = step_of(1.0, bits)
    x = (1.0 - step) * np.sin(2 * np.pi * 0.123456789 * np.arange(400_000))
    error = chain.quantised(x, 1.0, bits) * step - x
    assert 10 * np.log10(np.mean(x**2) / np.mean(error**2)) == pytest.approx(decibels, abs=0.3)


def test_check_19_size_of_one_code():
    """DERIVED: native +-5 V, 8 bits behind x20 and 12 bits behind x4."""
    assert step_of(5.0 * 20, 8) == 0.78125
    assert step_of(5.0 * 4, 12) == 9.765625e-3
    assert [5.0 * k for k in (1, 4, 10, 20, 100)] == [5, 20, 50, 100, 500]


@pytest.mark.parametrize("bits", [8, 12])
def test_check_19_a_kick_at_full_scale_clips_at_the_rail(bits):
    got = stored([0.0, 99.0, 100.0, 250.0, -100.0, -250.0], bits=bits, full_scale=(100.0,))
    low, high = chain.rails(bits)
    assert got.codes[0].tolist()[2:] == [high, high, low, low]
    assert got.codes.dtype == np.int16
    assert chain.clipped(got, bits) == (True,)
    assert chain.clipped(stored([0.0, 98.0], bits=bits, full_scale=(100.0,)), bits) == (False,)


@pytest.mark.parametrize(("seconds", "percent"), [(0.010, 6.090), (0.100, 46.651)])
def test_check_23_ac_coupling_droop(seconds, percent):
    """DERIVED: 1 - exp(-2 pi f_c t) at 1 Hz."""
    rate = 1e5
    step = np.ones((1, int(0.2 * rate)))
    out = chain.ac_coupled(step, rate, 1.0, np.zeros(1))
    assert out[0, 0] == 1.0
    assert 100 * (1 - out[0, int(seconds * rate)]) == pytest.approx(percent, abs=0.001)


def test_ac_coupling_takes_the_mean_away_without_a_start_transient():
    t = np.arange(20_000) / 1e5
    x = 14.0 + 0.1 * np.sin(2 * np.pi * 1000 * t)
    out = stored(x, 1e5, 1e5, ac_corner_hz=1.0).samples[0]
    assert abs(out[:1000].mean()) < 0.005
    assert out.std() == pytest.approx(0.1 / np.sqrt(2), rel=0.01)


def test_gain_and_offset():
    x = np.linspace(-4, 4, 5001)
    out = stored(x, gain=(1.015,), offset=(0.03,)).samples[0]
    slope, at_zero = np.polyfit(x, out, 1)
    assert slope == pytest.approx(1.015, abs=1e-4)
    assert at_zero == pytest.approx(0.03, abs=1e-4)


def test_drift_is_the_change_from_first_to_last():
    out = stored(np.zeros(4001), drift=(0.5,)).samples[0]
    assert out[-1] - out[0] == pytest.approx(0.5, abs=step_of(10.0, 12))
    assert out.mean() == pytest.approx(0.0, abs=1e-3)


def test_noise_and_quantisation_add_as_squares():
    step = step_of(10.0, 12)
    out = stored(np.zeros(200_000), noise=(2.0 * step,)).samples[0]
    assert out.std() == pytest.approx(step * np.sqrt(4 + 1 / 12), rel=0.01)
    spectrum = np.abs(np.fft.rfft(out)) ** 2
    halves = spectrum[1:50_000].mean() / spectrum[50_000:100_000].mean()
    assert halves == pytest.approx(1.0, abs=0.05)  # white


@pytest.mark.parametrize("frequency", [1e3, 4e3, 16e3, 40e3])
def test_anti_alias_filter_is_the_analogue_bessel(frequency):
    """Its gain is that of the analogue prototype at the frequency the bilinear map assigns."""
    rate, corner = 500e3, 40e3
    t = np.arange(100_000) / rate
    x = np.sin(2 * np.pi * frequency * t)[None, :]
    out = chain.decimated(x, rate, 100e3, corner / 100e3)[0]
    analogue = signal.bessel(chain.FILTER_ORDER, 1.0, analog=True, norm="mag")
    warped = np.tan(np.pi * frequency / rate) / np.tan(np.pi * corner / rate)
    gain = abs(signal.freqs(*analogue, worN=[warped])[1][0])
    assert out[2000:].std() * np.sqrt(2) == pytest.approx(gain, rel=0.005)
    if frequency == corner:
        assert gain == pytest.approx(np.sqrt(0.5), rel=1e-6)


def test_anti_alias_filter_keeps_a_level_and_hardly_overshoots():
    level = np.full((2, 5000), 3.0)
    np.testing.assert_allclose(chain.decimated(level, 5e5, 1e5, 0.4), 3.0, atol=1e-12)
    step = np.concatenate((np.zeros(2500), np.ones(2500)))[None, :]
    out = chain.decimated(step, 5e5, 1e5, 0.4)[0]
    assert out.size == 1000
    assert out.max() < 1.01
    assert abs(out[:499]).max() == 0.0  # nothing before the edge


def test_what_would_alias_is_held_down():
    rate, record = 5e5, 5e4
    t = np.arange(100_000) / rate
    alias = np.sin(2 * np.pi * 145e3 * t)[None, :]  # would come back as 5 kHz
    assert chain.decimated(alias, rate, record, 0.4)[0, 100:].std() < 0.001


@pytest.mark.parametrize("record", [1e4, 4e3, 3e3])
def test_samples_lie_where_the_record_rate_says(record):
    """A slow ramp is delayed by the filter and else unchanged, also at ratios that are broken."""
    rate = 1e4
    x = (np.arange(20_000) / rate)[None, :]
    out = chain.decimated(x, rate, record, 0.4)[0]
    assert np.diff(out[100:]) == pytest.approx(1.0 / record, rel=1e-6)


def test_a_recording_slower_than_the_record_rate_is_refused():
    with pytest.raises(ValueError, match="recorded at 1000 Hz, to be stored at 2000 Hz"):
        stored(np.zeros(10), 1e3, 2e3)


def test_pure():
    x = np.random.default_rng(3).normal(size=3000)
    kept = x.copy()
    one, two = stored(x, noise=(0.1,)), stored(x, noise=(0.1,))
    np.testing.assert_array_equal(one.codes, two.codes)
    np.testing.assert_array_equal(x, kept)
    assert (stored(x, noise=(0.1,), seed=2).codes != one.codes).any()


def test_drawn_instruments_stay_within_what_makers_allow():
    toy = model(channels=(("x", "V"), ("y", "V")), full_scale=(20.0, 5.0))
    drawn = [chain.draw_instrument(toy, np.random.default_rng(k)) for k in range(300)]
    assert {one.bits for one in drawn} == {8, 12}
    gains = np.array([one.gain for one in drawn])
    assert abs(gains - 1).max() <= 0.02 + 1e-12
    assert 0.005 < gains.std() < 0.01
    assert all(abs(one.offset[1]) <= 0.003 * 5.0 for one in drawn)
    assert all(0.1 < one.noise[0] / one.steps[0] < 2.0 for one in drawn)
    assert all(one.ac_corner_hz == 0.0 for one in drawn)
    ac = chain.draw_instrument(model(coupling="ac", ac_corner_hz=1.5), np.random.default_rng(1))
    assert ac.ac_corner_hz == 1.5


def test_another_range_scales_the_errors_with_it():
    one = instrument(offset=(0.02,), drift=(0.01,), noise=(0.004,))
    wide = chain.at_range(one, (40.0,))
    assert (wide.offset, wide.drift, wide.noise) == ((0.08,), (0.04,), (0.016,))
    assert wide.steps == (40.0 / 2048,)
    assert (wide.gain, wide.bits) == (one.gain, one.bits)
