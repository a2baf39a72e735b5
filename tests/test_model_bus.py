"""The bus models against closed forms, and their frames against the reader of matching."""

from dataclasses import replace

import numpy as np
import pytest

from matching.measurements.can_frames import crc15, read_frame
from seed_references.models import bus, lin_bus
from tests.builders_signals import numbers

PAIR = bus.Pair(
    supply=5.0, load=60.0, bias=2500.0, farad=1e-9, drive_h=27.0, drive_l=27.0, drop=0.75
)


def edge_plan(node=0):
    """Recessive to 10 us, dominant to 30 us, recessive after."""
    return bus.Traffic(np.array([-1.0, 10e-6, 30e-6]), np.array([False, True, False]),
                       np.array([node, node, node]))  # fmt: skip


@pytest.mark.parametrize("seed", range(20))
def test_frames_are_valid_can(seed):
    """Two independent writers of CRC and stuffing agree (checks.md 1-5)."""
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, int(rng.integers(0, 9))).tolist()
    frame = read_frame([*bus.data_frame(0x155, data), 1, 0, 1])
    assert (frame.verdict, frame.identifier, frame.data_length) == ("ok", 0x155, len(data))
    bits = rng.integers(0, 2, 60).tolist()
    assert crc15(bus.checked(bits)) == 0


def test_settled_levels_are_a_voltage_divider():
    """Without bias the step is (V - 2 drop) R / (R + 2 Rd), symmetric about half the supply."""
    light = replace(PAIR, bias=1e9)
    for load in (60.0, 120.0, 40.0):
        h, low = bus.rest_levels(replace(light, load=load), True)
        assert h - low == pytest.approx((5.0 - 1.5) * load / (load + 54.0), rel=1e-6)
        assert h + low == pytest.approx(5.0, abs=1e-6)
    assert bus.rest_levels(PAIR, False) == pytest.approx([2.5, 2.5])


def test_recessive_edge_is_the_pairs_rc():
    """After release the difference falls with tau = (R / 2) C, C per wire to ground, R across."""
    t = np.arange(8000) / 200e6
    h, low = bus.pair_volts(replace(PAIR, bias=1e9), edge_plan(), t)
    fall = (h - low)[int(30e-6 * 200e6) + 1 :]
    tau = -1.0 / (np.polyfit(t[:40], np.log(fall[:40]), 1)[0])
    assert tau == pytest.approx(60.0 / 2.0 * 1e-9, rel=0.01)


def test_short_between_wires_is_a_load_in_parallel():
    shorted = replace(PAIR, leaks=((2, 60.0, 0.0),))
    assert bus.rest_levels(shorted, True) == pytest.approx(
        bus.rest_levels(replace(PAIR, load=30.0), True)
    )


def test_matched_line_does_not_reflect_and_none_changes_levels():
    t = np.arange(4000) / 20e6
    volts = bus.pair_volts(PAIR, edge_plan(), t)
    assert np.array_equal(bus.reflected(volts, PAIR, 20e6), volts)
    open_end = replace(PAIR, load=119.0)
    settled = bus.reflected(bus.pair_volts(open_end, edge_plan(), t), open_end, 20e6)
    assert settled[:, 590] == pytest.approx(bus.rest_levels(open_end, True), abs=1e-3)


def test_ground_shift_moves_both_wires_of_that_node_only():
    moved = replace(PAIR, shifts=(0.0, 1.0, 0.0, 0.0, 0.0, 0.0))
    own, other = bus.rest_levels(moved, True, 1), bus.rest_levels(moved, True, 0)
    assert other == pytest.approx(bus.rest_levels(PAIR, True, 0))
    assert (own + own[::-1]).mean() - (other + other[::-1]).mean() == pytest.approx(2.0, abs=0.15)


def test_lin_rise_is_the_pull_ups_rc():
    """10-90 % = 2.197 R C once the driver is quicker than that (check 16)."""
    wire = lin_bus.Wire(13.0, 1000.0, 0.5, 5e-9, 1e9, 0.8, 0.0, 0.0, 1 / 19200, 1.0)
    t = np.arange(40_000) / 20e6
    volts = lin_bus.lin_volts(wire, [(1e-4, 0, False), (5e-4, 1, False)], t)
    rise = (volts[int(5e-4 * 20e6) :] - 0.8) / (12.5 - 0.8)
    k10, k90 = np.argmax(rise > 0.1), np.argmax(rise > 0.9)
    assert (k90 - k10) / 20e6 == pytest.approx(2.19722 * 5e-6, rel=0.02)


def test_lin_frames_check_out():
    recording = lin_bus.lin("brisk-4", "koeo", "", 0.0, np.random.default_rng(3))
    found = numbers("lin", recording.samples, recording.rate_hz, "lin=V")
    assert found["lin_checked"] == found["lin_parity"] == found["lin_synced"] == 100.0
    assert found["lin_bit"] == pytest.approx(recording.parameters["bit_s"] * 1e6, rel=2e-3)


def test_can_frames_decode():
    recording = bus.can_hs("brisk-4", "koeo", "", 0.0, np.random.default_rng(4))
    found = numbers("can-hs", recording.samples, recording.rate_hz, "can_h=V,can_l=V")
    assert found["decoded"] == 100.0
    assert found["kbit"] == pytest.approx(1e-3 / recording.parameters["bit_s"], rel=1e-3)


@pytest.mark.parametrize("model", [*bus.MODELS, *lin_bus.MODELS], ids=lambda m: m.system)
def test_models_repeat_and_every_fault_runs(model):
    for family, condition in model.contexts:
        for fault in ("", *model.faults):
            pair = [
                model.simulate(family, condition, fault, 0.5, np.random.default_rng(7))
                for _ in "ab"
            ]
            assert np.array_equal(pair[0].samples, pair[1].samples)
            kept = pair[0].samples.shape[1] * model.record_hz / pair[0].rate_hz
            assert 8_000 <= kept <= 20_001
            assert np.all(np.isfinite(pair[0].samples))
            assert np.all(np.abs(pair[0].samples).max(axis=1) < model.full_scale)
