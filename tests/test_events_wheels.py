"""Following a toothed wheel: pitch, gap and turn under what real captures do (checks.md row 32)."""

import numpy as np
import pytest

from matching.events.wheel_track import find_turn, follow
from tests.builders_signals import cut_of, wheel_emf

RATE = 50_000.0


@pytest.mark.parametrize(
    ("pitches", "missing", "ratio"), [(60, 2, 3.0), (36, 1, 2.0), (36, 2, 3.0), (24, 1, 2.0)]
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_32_trigger_wheels(pitches, missing, ratio, sign):
    """DERIVED: 60-2: gap ratio 3, 36-1: 2; the pitches per turn come from the capture."""
    x = sign * wheel_emf(pitches, missing, 5.3, RATE, 800.0)
    track = follow(x, 0.01, False)
    assert track.turn == pitches
    assert track.gap_ratio == pytest.approx(ratio, abs=0.02)
    assert np.sign(track.lean) == sign
    assert abs(track.lean) > 0.5


def test_32_tooth_frequency_is_rpm():
    """DERIVED: 60 pitches a turn: tooth Hz = rpm, 800 rpm -> 1.25 ms."""
    track = follow(wheel_emf(60, 2, 4.2, RATE, 800.0), 0.01, False)
    assert np.median(track.pitch) / RATE == pytest.approx(1.25e-3, rel=1e-3)


@pytest.mark.parametrize(("pitches", "missing"), [(60, 2), (36, 1)])
@pytest.mark.parametrize("depth", [0.1, 0.25])
def test_32_speed_ripple_inside_the_turn(pitches, missing, depth):
    """Detector right with +-25 % of speed inside the revolution, as checks.md asks."""

    def speed(angle):
        return 1.0 + depth * np.sin(2 * np.pi * 2 * angle)

    x = wheel_emf(pitches, missing, 5.4, RATE, 250.0, speed=speed)
    track = follow(x, 0.01, False)
    assert track.turn == pitches
    assert np.all(np.diff(track.place[track.reference]) == pitches)


@pytest.mark.parametrize(("pitches", "missing"), [(60, 2), (36, 1)])
def test_a_lost_tooth_does_not_become_the_gap(pitches, missing):
    sizes = np.ones(pitches)
    sizes[23] = 0.0
    track = follow(wheel_emf(pitches, missing, 6.3, RATE, 700.0, sizes=sizes), 0.01, False)
    assert track.turn == pitches


def test_run_up_from_standstill():
    def speed(angle):
        return np.minimum(0.02 + 2.5 * angle, 1.0)

    x = np.concatenate((np.zeros(4000), wheel_emf(60, 2, 5.2, RATE, 220.0, speed=speed)))
    x = x + 0.01 * np.random.default_rng(1).normal(size=x.size)
    track = follow(x, 0.01, False)
    assert track.turn == 60


def test_offset_noise_and_spikes():
    rng = np.random.default_rng(2)
    x = wheel_emf(36, 1, 8.4, RATE, 600.0) + 0.3 + 0.04 * rng.normal(size=int(8.4 * 0.1 * RATE))
    x[rng.integers(0, x.size, 12)] += 1.5
    track = follow(x, 0.04, False)
    assert track.turn == 36
    assert track.gap_ratio == pytest.approx(2.0, abs=0.1)


def test_one_gap_is_taken_for_the_usual_wheel():
    part = cut_of("ckp-inductive", wheel_emf(60, 2, 1.3, RATE, 800.0)[:4600], RATE, "ckp=V")
    assert part.events.n >= 1
    assert part.events.marks["turn"][0] == 60


def test_events_run_from_gap_to_gap():
    part = cut_of("ckp-inductive", wheel_emf(60, 2, 4.5, RATE, 800.0), RATE, "ckp=V")
    length = part.events.stop - part.events.start
    assert np.allclose(length, 60.0 / 800.0 * RATE, rtol=1e-3)
    last = part.grid[:, 0, -28:-8]  # the gap is the end of the event
    assert np.abs(last).max() < 0.2
    assert part.events.scout == {"pitches": 60.0}


def test_hint_finds_the_turn_in_a_short_capture():
    part = cut_of(
        "ckp-inductive", wheel_emf(36, 1, 1.6, RATE, 300.0), RATE, "ckp=V", {"pitches": 36.0}
    )
    assert part.events.marks["turn"][0] == 36


def test_no_teeth_no_events():
    rng = np.random.default_rng(3)
    part = cut_of("ckp-inductive", 0.01 * rng.normal(size=20_000), RATE, "ckp=V")
    assert part.events.n == 0


def test_find_turn_prefers_the_complete_series():
    place = np.arange(300)
    ratio = np.ones(299)
    ratio[59::60] = 3.0
    ratio[20::60] = 2.0  # a lost tooth as regular as the gap
    turn, reference = find_turn(place, ratio)
    assert turn == 60
    assert np.all(np.diff(reference) == 60)
    assert np.all(ratio[reference - 1] == 3.0)


@pytest.mark.parametrize("shift", [0, 777, 2100])
def test_cut_does_not_depend_on_where_the_recording_starts(shift):
    x = wheel_emf(60, 2, 6.5, RATE, 850.0)
    whole = cut_of("ckp-inductive", x, RATE, "ckp=V").events
    part = cut_of("ckp-inductive", x[shift:], RATE, "ckp=V").events
    assert np.allclose(part.anchor[-2:] + shift, whole.anchor[-2:], atol=1.0)
