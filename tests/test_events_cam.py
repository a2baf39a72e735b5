"""Cam edges in crank degrees (checks.md row 33) and the pattern of a cam signal alone."""

import numpy as np
import pytest

from tests.builders_signals import cut_of, numbers, wheel_emf

RATE = 50_000.0
CHANNELS = "ckp=V,cmp=V"
# 720 degree pattern: (rise, fall) in crank degrees after the gap of one turn.
PATTERN = ((40.0, 110.0), (220.0, 260.0), (400.0, 520.0), (580.0, 620.0))


def pair(shift=0.0, turns=12.4, rpm=800.0, wobble=None, pattern=PATTERN, start=0.0, hall=False):
    """Crank emf and cam volts; the crank's first-tooth edge after the gap is degree 0."""
    x = wheel_emf(60, 2, turns, RATE, rpm)
    degree = np.arange(x.size) / RATE * rpm * 6.0 - 3.0  # the edge is half a pitch into the tooth
    at = degree - shift
    if wobble is not None:
        at = at - wobble(degree)
    at = np.mod(at, 720.0)
    cam = sum(((at >= a) & (at < b)).astype(float) for a, b in pattern)
    begin = int(start * x.size)
    noise = 0.01 * np.random.default_rng(1).normal(size=(2, x.size))
    crank = np.where(x > 0, 0.1, 4.8) if hall else x
    return (np.stack([crank, 0.2 + 4.6 * cam]) + noise)[:, begin:]


def correlation(samples, hint=None):
    return numbers("cmp-ckp", samples, RATE, CHANNELS, hint)


def hint_of(samples):
    return dict(cut_of("cmp-ckp", samples, RATE, CHANNELS).events.scout)


@pytest.mark.parametrize(("teeth", "degrees"), [(36, 20.0), (40, 18.0), (48, 15.0)])
def test_33_belt_jump(teeth, degrees):
    """DERIVED: one cam-sprocket tooth is 720/N crank degrees; found within half a degree."""
    assert 720.0 / teeth == degrees
    good = pair()
    hint = hint_of(good)
    before, after = correlation(good, hint), correlation(pair(shift=degrees), hint)
    for name in ("cam_angle", "cam_first_rise", "cam_first_fall"):
        assert after[name] - before[name] == pytest.approx(degrees, abs=0.5), name
    assert after["cam_widest"] == pytest.approx(before["cam_widest"], abs=0.5)


def test_edges_are_where_the_pattern_puts_them():
    found = correlation(pair())
    assert found["cam_rises"] == 4
    assert found["cam_widest"] == pytest.approx(120.0, abs=0.3)
    assert found["cam_narrowest"] == pytest.approx(40.0, abs=0.3)
    assert found["cam_high_share"] == pytest.approx(100.0 * 270.0 / 720.0, abs=0.3)
    assert found["cam_wander"] < 0.2


@pytest.mark.parametrize("start", [0.0, 0.03, 0.1, 0.31])
def test_where_the_recording_starts_does_not_matter(start):
    whole, part = correlation(pair(turns=16.4)), correlation(pair(turns=16.4, start=start))
    for name in ("cam_angle", "cam_first_rise", "cam_first_fall", "cam_cosine", "cam_sine"):
        assert part[name] == pytest.approx(whole[name], abs=0.3), name


def test_crank_speed_does_not_move_the_cam():
    """Angles are read on the crank's teeth: speed is not in them."""
    slow, fast = correlation(pair(rpm=250.0)), correlation(pair(rpm=1500.0))
    assert slow["cam_first_rise"] == pytest.approx(fast["cam_first_rise"], abs=0.6)


def test_loose_target_wanders():
    loose = correlation(pair(wobble=lambda d: 4.0 * np.sin(d / 720.0 * 2.1), turns=24.4))
    assert loose["cam_wander_worst"] > 3.0
    assert loose["cam_edge_worst"] > 3.0
    assert correlation(pair(turns=24.4))["cam_wander_worst"] < 0.3


def test_missing_cam_pulse():
    found = correlation(pair(pattern=PATTERN[:3]))
    assert found["cam_rises"] == 3


def test_hall_crank_serves_as_well():
    emf, hall = correlation(pair()), correlation(pair(hall=True))
    assert hall["cam_first_rise"] == pytest.approx(emf["cam_first_rise"], abs=1.5)


def test_dead_cam_gives_no_angle_but_a_crank():
    x = pair()
    x[1] = 0.1
    found = correlation(x)
    assert np.isnan(found["cam_angle"])
    assert found["turn"] == 60
    assert found["pulse_swing"] == 0.0


def test_pattern_alone():
    found = numbers("cmp-hall", pair(turns=20.4)[1], RATE, "cam=V")
    assert found["pattern_pulses"] == 4
    assert found["pattern_rpm"] == pytest.approx(800.0, rel=5e-3)
    assert found["pattern_high_share"] == pytest.approx(37.5, abs=0.3)
    assert found["pattern_widest"] == pytest.approx(100.0 / 6.0, abs=0.2)
    assert found["pattern_repeat"] < 1.0


def test_pattern_events_start_after_the_longest_low():
    part = cut_of("cmp-hall", pair(turns=20.4)[1], RATE, "cam=V")
    assert np.allclose(part.events.stop - part.events.start, RATE * 0.15, rtol=0.01)
    assert part.grid[:, 0, 2:20].min() > 4.0
