"""LIN numbers against published vectors and closed forms (checks.md rows 11-14)."""

import numpy as np
import pytest

from matching.measurements.lin_frames import checksum, protected_identifier
from tests.builders_signals import lin_line, lin_volts, numbers

RATE = 500e3
FRAMES = [(0x10, [0x4A, 0x55, 0x93, 0xE5], False), (0x22, [1, 2, 3, 4, 5, 6, 7, 8], True)] * 4


def lin(volts, channels="lin=V"):
    return numbers("lin", volts, RATE, channels)


def sound(frames=FRAMES, kbit=19.2, **more):
    return lin_volts(lin_line(frames), 1e-3 / kbit, RATE, **more)


def test_11_checksum():
    """SEEN+REPRO: LIN 2.2A 2.8.3 example 4A 55 93 E5 -> E6; with identifier 0x50 -> 0x96."""
    assert checksum([0x4A, 0x55, 0x93, 0xE5]) == 0xE6
    assert checksum([0x4A, 0x55, 0x93, 0xE5], 0x50) == 0x96


def test_12_protected_identifiers():
    """SEEN: 00->80, 01->C1, 3C->3C, 3D->7D; computed: 02->42, 10->50."""
    found = [protected_identifier(i) for i in (0x00, 0x01, 0x3C, 0x3D, 0x02, 0x10)]
    assert found == [0x80, 0xC1, 0x3C, 0x7D, 0x42, 0x50]


@pytest.mark.parametrize(("n", "ms"), [(1, 2.8125), (8, 6.4583)])
def test_13_frame_time(n, ms):
    """DERIVED, 34 + 10 (N + 1) bits from MEMORY of the LIN specification, 19 200 bit/s."""
    assert (34 + 10 * (n + 1)) / 19.2 == pytest.approx(ms, abs=1e-4)
    line = lin_line([(1, list(range(n)), False)], slot_bits=0)
    assert line.size - 20 == 34 + 10 * (n + 1)


def test_14_levels_against_supply():
    """SEEN: transmitter dominant <= 0.2, recessive >= 0.85 VSUP: 2.7 and 11.475 V at 13.5 V."""
    assert pytest.approx((2.7, 11.475)) == (0.2 * 13.5, 0.85 * 13.5)
    volts = sound()
    found = lin(np.stack([volts, np.full(volts.size, 13.5)]), "lin=V,supply=V")
    assert found["lin_dom"] == pytest.approx(0.9, abs=0.02)
    assert found["lin_rec"] == pytest.approx(13.5, abs=0.02)
    assert found["lin_dom_share"] == pytest.approx(100 * 0.9 / 13.5, abs=0.2)
    assert found["lin_rec_share"] == pytest.approx(100.0, abs=0.2)


@pytest.mark.parametrize("kbit", [9.6, 19.2])
def test_bus_is_read(kbit):
    found = lin(sound(kbit=kbit))
    assert found["lin_bit"] == pytest.approx(1e3 / kbit, rel=2e-3)
    assert found["lin_break"] == pytest.approx(13.0, abs=0.1)
    for name in ("answered", "checked", "synced", "parity"):
        assert found[f"lin_{name}"] == 100.0, name
    assert found["lin_framing"] == 0.0
    assert found["lin_slot"] == pytest.approx(220 / kbit, rel=2e-3)


def test_missing_answer_and_bad_checksum():
    silent = [(0x10, [1, 2], True), (0x11, None, True)] * 4
    assert lin(sound(silent))["lin_answered"] == pytest.approx(50.0, abs=8.0)
    line = lin_line(FRAMES)
    starts = np.flatnonzero(np.diff(line, prepend=1) == -1)
    line[starts[0] + 13 + 1 + 20 + 4] ^= 1  # a bit of the first frame's first data byte
    assert lin(lin_volts(line, 1 / 19200, RATE))["lin_checked"] < 100.0


def test_slew_of_the_edges():
    assert lin(sound(slew_v_us=1.5))["lin_slew"] == pytest.approx(1.5, rel=0.05)


def test_raised_answers_are_the_slave_ground():
    line = lin_line([(0x10, [0x00, 0xFF, 0x0F], True)] * 6)
    volts = lin_volts(line, 1 / 19200, RATE)
    t = np.arange(volts.size) / RATE * 19200
    inside = np.mod(t - 20.0, 220.0)
    answer = (inside > 34.0) & (inside < 80.0) & (volts < 4.0)
    assert lin(volts + 1.2 * answer)["lin_slave_dom"] == pytest.approx(1.2, abs=0.1)
    assert lin(volts)["lin_slave_dom"] == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(("volts", "longest"), [(0.1, 99.0), (13.5, 0.0)])
def test_stuck_bus(volts, longest):
    found = lin(volts + 0.01 * np.random.default_rng(0).normal(size=30_000))
    assert found["lin_longest"] == longest
    assert found["lin_frames"] == 0.0
