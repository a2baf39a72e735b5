"""CAN numbers against closed forms and datasheet figures (checks.md rows 1-8, 10)."""

import itertools

import numpy as np
import pytest

from matching.measurements import can_frames
from matching.measurements.can import DOMINANT_V, RECESSIVE_V
from matching.measurements.can_frames import crc15, frame_bits, read_frame, stuff, unstuff
from tests.builders_signals import can_line, can_volts, numbers

CHANNELS = "can_h=V,can_l=V"
RATE = 20e6


def byte_bits(data):
    return [(byte >> (7 - k)) & 1 for byte in data for k in range(8)]


def test_01_crc15_check_value():
    """SEEN+REPRO: CRC-15/CAN of "123456789" is 0x059E (Bosch CAN 2.0, clause 3.1.1)."""
    assert crc15(byte_bits(b"123456789")) == 0x059E


def test_02_crc_residue():
    """DERIVED: a frame with its own CRC leaves 0; any flipped bit does not."""
    rng = np.random.default_rng(2)
    for _ in range(1000):
        data = rng.integers(0, 256, int(rng.integers(0, 9))).astype(np.uint8).tobytes()
        bits = frame_bits(int(rng.integers(0, 2048)), data)
        assert crc15(bits) == 0
        flipped = list(bits)
        flipped[int(rng.integers(0, len(bits)))] ^= 1
        assert crc15(flipped) != 0


def test_03_bit_stuffing():
    """DERIVED from Bosch 2.0 clause 5: identity, six equal bits refused, worst cases 8, 10, 24."""
    rng = np.random.default_rng(3)
    for _ in range(2000):
        bits = rng.integers(0, 2, 98).tolist()
        out, used, broken = unstuff(stuff(bits), 98)
        assert out == bits
        assert not broken
        assert used == len(stuff(bits))
    assert unstuff([1, 0, 0, 0, 0, 0, 0, 1])[2]
    for length, worst in ((34, 8), (42, 10), (98, 24)):
        adverse = ([0] * 5 + [1, 1, 1, 1] + [0, 0, 0, 0, 1, 1, 1, 1] * 20)[:length]
        assert len(stuff(adverse)) - length == worst == (length - 1) // 4


@pytest.mark.parametrize("size", range(9))
def test_04_frame_length(size):
    """DERIVED (formula of Davis et al. 2007): 34 + 8 s stuffable bits; worst 55 + 10 s in all."""
    bits = frame_bits(0x123, bytes(size))
    assert len(bits) == 34 + 8 * size
    worst = len(bits) + (len(bits) - 1) // 4 + 1 + 2 + 7 + 3
    assert worst == 55 + 10 * size


def test_04_longest_frame_in_time():
    """DERIVED: 135 bits are 270, 540 and 1080 us at 500, 250 and 125 kbit/s."""
    assert [135 / k * 1000.0 for k in (500, 250, 125)] == [270.0, 540.0, 1080.0]


@pytest.mark.parametrize(
    ("identifier", "data", "stuffed", "crc"),
    [
        (0x123, "11223344", 1, 0x11DA),
        (0x7DF, "02010C0000000000", 12, 0x5649),
        (0x000, "0000000000000000", 16, 0x145B),
        (0x555, "AAAAAAAAAAAAAAAA", 1, 0x7DCE),
        (0x7FF, "FFFFFFFFFFFFFFFF", 15, 0x4C89),
    ],
)
def test_05_frame_vectors(identifier, data, stuffed, crc):
    """Regression (computed in checks.md, not published)."""
    bits = frame_bits(identifier, bytes.fromhex(data))
    assert int("".join(map(str, bits[-15:])), 2) == crc
    assert len(stuff(bits)) - len(bits) == stuffed
    frame = read_frame([*stuff(bits), 1, 0, 1])
    assert (frame.verdict, frame.identifier, frame.stuffed) == ("ok", identifier, stuffed)


def test_extended_frame_is_read():
    frame = read_frame([*stuff(frame_bits(0x18DAF110, b"\x02\x10\x03", extended=True)), 1, 0, 1])
    assert (frame.verdict, frame.identifier, frame.extended) == ("ok", 0x18DAF110, True)


def test_06_receiver_thresholds():
    """SEEN: 0.9 V dominant, 0.5 V recessive, undefined between (TCAN1465-Q1, table 8-6)."""
    assert (DOMINANT_V, RECESSIVE_V) == (0.9, 0.5)
    sound = can_volts(can_line(), 2e-6, RATE)
    assert numbers("can-hs", sound, RATE, CHANNELS)["undefined"] < 2.0
    weak = can_volts(can_line(), 2e-6, RATE, high=2.85, low=2.15)  # 0.7 V: neither
    assert numbers("can-hs", weak, RATE, CHANNELS)["undefined"] > 30.0


def test_07_levels_of_a_sound_bus():
    """SEEN limits (TCAN1144-Q1): a 3.5/1.5/2.5 V bus lies inside all of the card's ranges."""
    from refdb.cards import find_card

    found = numbers("can-hs", can_volts(can_line(), 2e-6, RATE), RATE, CHANNELS)
    wanted = {"h_dom": 3.5, "l_dom": 1.5, "h_rec": 2.5, "l_rec": 2.5, "diff_dom": 2.0, "sum_dom": 5}
    for name, value in wanted.items():
        assert found[name] == pytest.approx(value, abs=0.01)
    for m in find_card("can-hs").measurements:
        if m.low is not None:
            assert found[m.name] >= m.low, m.name
        if m.high is not None:
            assert found[m.name] <= m.high, m.name


def test_07_levels_out_of_range():
    low_high = numbers("can-hs", can_volts(can_line(), 2e-6, RATE, high=2.6), RATE, CHANNELS)
    assert low_high["h_dom"] == pytest.approx(2.6, abs=0.01)  # below 2.75 V
    wide = can_volts(can_line(), 2e-6, RATE, high=4.2, low=0.8)
    assert numbers("can-hs", wide, RATE, CHANNELS)["diff_dom"] == pytest.approx(3.4, abs=0.02)


@pytest.mark.parametrize("kbit", [125, 250, 500])
def test_08_bit_time(kbit):
    """DERIVED: 8, 4, 2 us within 25 ns (half a sample at 20 MS/s); every frame decodes."""
    found = numbers("can-hs", can_volts(can_line(6), 1e-3 / kbit, RATE), RATE, CHANNELS)
    assert found["bit"] == pytest.approx(1e3 / kbit, abs=0.025)
    assert found["off_nominal"] == pytest.approx(0.0, abs=0.1)
    assert found["decoded"] == 100.0
    assert found["errors"] == found["broken"] == found["runts"] == 0.0


@pytest.mark.parametrize("samples_per_bit", [4.3, 8.0, 10.0, 40.0])
def test_bit_time_at_any_rate(samples_per_bit):
    rate = samples_per_bit * 500e3
    found = numbers("can-hs", can_volts(can_line(30), 2e-6, rate), rate, CHANNELS)
    assert found["bit"] == pytest.approx(2.0, rel=2e-3)
    assert found["decoded"] == 100.0


def test_stretch_is_the_time_constant_of_the_falling_edge():
    """DERIVED: a single pole delays by its time constant; sampling clock not locked to the bits."""
    for rate in (20e6, 4e6):
        volts = can_volts(can_line(40), 2.0037e-6, rate, tau_rise=20e-9, tau_fall=170e-9)
        found = numbers("can-hs", volts, rate, CHANNELS)
        assert found["stretch"] == pytest.approx(0.150, abs=0.02)


def test_rise_is_ln9_time_constants():
    """DERIVED (check 16): 10-90 % of a single pole is 2.19722 tau."""
    volts = can_volts(can_line(20), 4e-6, 50e6, tau_rise=150e-9, tau_fall=150e-9)
    found = numbers("can-hs", volts, 50e6, CHANNELS)
    assert found["rise"] == pytest.approx(0.150 * 2.19722, rel=0.03)


def test_acknowledge_slot_does_not_count():
    line = can_line(20)
    volts = can_volts(line, 2e-6, RATE)
    runs = np.flatnonzero(np.diff(line) != 0)
    loud = volts.copy()
    for a, b in itertools.pairwise(runs):
        if line[b] == 0 and b - a == 1 and np.all(line[b + 1 : b + 9] == 1):
            part = slice(int((a + 1) * 2e-6 * RATE), int((b + 1) * 2e-6 * RATE))
            loud[0, part] += 0.4
            loud[1, part] -= 0.4
    quiet, raised = (numbers("can-hs", v, RATE, CHANNELS) for v in (volts, loud))
    assert raised["diff_dom"] == pytest.approx(quiet["diff_dom"], abs=0.005)
    assert raised["ack_step"] == pytest.approx(0.8, abs=0.05)


def test_unacknowledged_frames_are_counted():
    volts = can_volts(can_line(10, acknowledge=False), 2e-6, RATE)
    assert numbers("can-hs", volts, RATE, CHANNELS)["unacked"] == 100.0


def test_error_flags_are_counted():
    line = can_line(10, seed=4)
    starts = np.flatnonzero((line[1:] == 0) & (np.convolve(line, np.ones(11), "valid").size > 0))
    broken = line.copy()
    frames = [k for k in range(11, line.size) if line[k] == 0 and line[k - 11 : k].all()]
    for k in frames[::2]:
        broken[k + 20 : k + 27] = 0
        broken[k + 27 : k + 45] = 1
    found = numbers("can-hs", can_volts(broken, 2e-6, RATE), RATE, CHANNELS)
    assert starts.size
    assert found["errors"] > 20.0
    assert found["longest"] >= 6.0
    assert found["decoded"] < 80.0


def test_only_what_should_move_moves():
    """Offset on both wires: levels and sums, nothing else. Time shift: nothing."""
    volts = can_volts(can_line(20), 2e-6, RATE)
    plain = numbers("can-hs", volts, RATE, CHANNELS)
    raised = numbers("can-hs", volts + 0.3, RATE, CHANNELS)
    later = numbers("can-hs", volts[:, 137:], RATE, CHANNELS)
    moved = {"h_rec", "l_rec", "h_dom", "l_dom", "sum_rec", "sum_dom"}
    moved |= {"h_min", "h_max", "l_min", "l_max"}
    for name, value in plain.items():
        if name in moved:
            assert raised[name] > value
        elif np.isfinite(value):
            assert raised[name] == pytest.approx(value, rel=1e-4, abs=1e-4), name
            if name not in {"load", "edges", "frames"}:
                assert later[name] == pytest.approx(value, rel=0.02, abs=0.05), name


@pytest.mark.parametrize("volts", [0.0, 2.5, 12.0])
def test_dead_bus_still_gives_levels(volts):
    rng = np.random.default_rng(5)
    both = volts + 0.01 * rng.normal(size=(2, 20_000))
    found = numbers("can-hs", both, 5e6, CHANNELS)
    assert found["h_rec"] == pytest.approx(volts, abs=0.05)
    assert found["load"] == found["decoded"] == 0.0


def test_frame_reader_never_raises():
    rng = np.random.default_rng(6)
    for _ in range(2000):
        frame = read_frame(rng.integers(0, 2, int(rng.integers(0, 220))).tolist())
        assert frame.verdict in can_frames.Verdict.__args__


def fd_line(frames=8, ratio=4, seed=3):
    """Bits of an FD-like bus in data bits: slow head and tail, fast middle of random runs."""
    rng = np.random.default_rng(seed)
    line = [1] * 15 * ratio
    for _ in range(frames):
        head = np.repeat(
            [0, *rng.permutation([1, 0, 1, 1, 0, 0, 1, 0, 1]), 1, 0, 0, 1, 0, 1], ratio
        )
        body = np.repeat(np.arange(60) % 2, rng.integers(1, 5, 60))
        tail = np.repeat([1, 0, 1, *[1] * 10], ratio)
        line += [*head.tolist(), *body.tolist(), *tail.tolist(), *[1] * int(rng.integers(3, 20))]
    return np.array(line)


@pytest.mark.parametrize("ratio", [4, 10])
def test_09_two_bit_times(ratio):
    """SEEN secondary (J2284-4 summary): 500 kbit/s with 2 or 5 Mbit/s gives two bit times, 1 %."""
    volts = can_volts(fd_line(ratio=ratio), 2e-6 / ratio, 100e6, tau_rise=5e-9, tau_fall=5e-9)
    found = numbers("can-fd", volts, 100e6, CHANNELS)
    assert found["slow_bit"] == pytest.approx(2.0, rel=0.01)
    assert found["bit"] == pytest.approx(2.0 / ratio, rel=0.01)
    assert found["diff_dom"] == pytest.approx(2.0, abs=0.02)
    assert found["errors"] == 0.0


def test_10_termination_arithmetic():
    """DERIVED: two 120 ohm are 60, one left 120, three 40; the driver's step follows the load."""
    assert pytest.approx(60) == 1 / (2 / 120)
    assert pytest.approx(40) == 1 / (3 / 120)
    driver = 42.0  # ohm in all, of a 3.4 V driver: 2 V into 60 ohm
    steps = [3.4 * load / (load + driver) for load in (40.0, 60.0, 120.0)]
    found = []
    for step in steps:
        volts = can_volts(can_line(), 2e-6, RATE, high=2.5 + step / 2, low=2.5 - step / 2)
        found.append(numbers("can-hs", volts, RATE, CHANNELS)["diff_dom"])
    assert found == pytest.approx(steps, abs=0.01)
    assert found[2] / found[1] == pytest.approx(1.26, abs=0.01)
