"""From a capture to the signal that is judged: roles, units, polarity, codes and noise."""

from __future__ import annotations

import numpy as np
import pytest

from matching.conditioning import (
    assign_channels,
    condition,
    flows_backwards,
    points_down,
    swing,
)
from refdb.cards import parse_card
from refdb.errors import CaptureError
from refdb.records import Capture, Channel

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")
CARD = """
name = "pair"
title = "A pair"
coupling = "any"
polarity = "{polarity}"
[[channels]]
role = "volts"
unit = "V"
aliases = ["probe", "ch1", "High-side drive"]
[[channels]]
role = "amps"
unit = "A"
aliases = ["clamp"]
required = {required}
[events]
rule = "whole"
unit_name = "part"
"""


def card(polarity="as-is", required="true"):
    return parse_card(CARD.format(polarity=polarity, required=required), "pair.toml")


def capture(*channels, samples=None, n=64, **facts):
    """channels as 'name=unit'."""
    data = np.random.default_rng(1).normal(0, 1, (len(channels), n)) if samples is None else samples
    named = tuple(Channel(*c.rsplit("=", 1)) for c in channels)
    return Capture(np.atleast_2d(data), 1e4, named, "dc", 1.0, 1.0, "a.csv", "0" * 64, **facts)


# --- roles ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channels", "wanted"),
    [
        (("volts=V", "amps=A"), {"volts": 0, "amps": 1}),
        (("amps=A", "volts=V"), {"volts": 1, "amps": 0}),
        (("x=V", "high side_drive=V", "y=A"), {"volts": 1, "amps": 2}),
        (("Clamp=mV", "PROBE=V"), {"volts": 1, "amps": 0}),
        (("x=mA", "y=mV"), {"volts": 1, "amps": 0}),
        (("x=V", "y=V"), {"volts": 0, "amps": 1}),
        (("x=V", "ch1=V", "y=A"), {"volts": 1, "amps": 2}),
        (("x=A", "y=A"), {"volts": 1, "amps": 0}),
        (("probe=A", "x=V"), {"volts": 0, "amps": 1}),
    ],
)  # fmt: skip
def test_channels_by_name_then_unit_then_order(channels, wanted):
    assert assign_channels(card(), capture(*channels)) == wanted


@pytest.mark.parametrize(
    ("channels", "wanted"),
    [
        (("x=V",), {"volts": 0}),
        (("x=V", "y=A"), {"volts": 0, "amps": 1}),
        (("x=V", "y=V"), {"volts": 0}),
        (("x=V", "y=A", "z=A"), {"volts": 0}),
        (("x=V", "y=A", "clamp=A"), {"volts": 0, "amps": 2}),
        (("x=A",), {"volts": 0}),
    ],
)  # fmt: skip
def test_an_optional_channel_is_taken_only_when_it_is_plain(channels, wanted):
    assert assign_channels(card(required="false"), capture(*channels)) == wanted


def test_a_required_channel_is_served_before_an_optional_one():
    """Whatever stands first in the card."""
    text = CARD.format(polarity="as-is", required="true").replace(
        'aliases = ["probe", "ch1", "High-side drive"]', "required = false"
    ).replace('unit = "A"', 'unit = "V"')  # fmt: skip
    assert assign_channels(parse_card(text, "x"), capture("x=V")) == {"amps": 0}


def test_a_missing_channel_word_for_word():
    with pytest.raises(CaptureError) as caught:
        assign_channels(card(), capture("x=V"))
    assert str(caught.value) == (
        "a.csv: expected 2 channel(s) for pair (volts, amps), found 1 (x=V); record the missing "
        "one or name them with --channels 'volts=V,amps=A'"
    )


# --- units ----------------------------------------------------------------------------------------


def test_samples_come_in_the_cards_units_and_order():
    x = np.arange(20.0).reshape(2, 10)
    signal = condition(card(), capture("clamp=mA", "probe=mV", samples=x))
    assert (signal.roles, signal.units, signal.rows) == (("volts", "amps"), ("V", "A"), (1, 0))
    np.testing.assert_allclose(signal.data, x[::-1] / 1000.0)
    assert signal.rate_hz == 1e4 and signal.n == 10 and not signal.flipped
    np.testing.assert_array_equal(signal.channel("amps"), signal.data[1])
    np.testing.assert_array_equal(signal.channel(), signal.data[0])
    with pytest.raises(KeyError):
        signal.row("ohms")


def test_a_channel_of_another_dimension_keeps_its_unit():
    """So that it is never compared as if it were in the card's."""
    assert condition(card(), capture("probe=A", "clamp=A")).units == ("A", "A")


def test_overload_marks_follow_their_channels():
    marks = np.array([[True, False], [False, False]])
    signal = condition(card(), capture("clamp=A", "probe=V", n=2, overload=marks))
    assert signal.overload is not None and signal.overload.tolist() == [[False] * 2, [True, False]]


def test_codes_and_noise_are_found_per_channel():
    random = np.random.default_rng(3)
    x = np.stack([0.1 * np.round(random.normal(0, 5, 5000)), random.normal(0, 2.0, 5000)])
    signal = condition(card(), capture("volts=V", "amps=A", samples=x))
    assert signal.step == pytest.approx([0.1, 0.0])
    assert signal.noise == pytest.approx([0.5, 2.0], rel=0.05)


def test_the_capture_itself_is_left_alone():
    x = -np.abs(np.random.default_rng(4).normal(0, 1, (2, 500)))
    before = x.copy()
    assert condition(card("mean"), capture("volts=V", "amps=A", samples=x)).flipped
    np.testing.assert_array_equal(x, before)


# --- polarity -------------------------------------------------------------------------------------


def spiky(sign, rest=2.0, n=20_000):
    x = rest + np.random.default_rng(5).normal(0, 0.01, n)
    x[500::1000] += sign * 5.0
    x[510::1000] -= sign * 1.5
    return x


@pytest.mark.parametrize("rest", [-3.0, 0.0, 2.0])
def test_events_point_up_or_down_whatever_the_resting_level(rest):
    assert points_down(spiky(-1, rest)) and not points_down(spiky(1, rest))


def test_one_odd_spike_does_not_turn_the_signal():
    """Of a recording long enough for the vote of more than eight other blocks."""
    x = spiky(1, n=80_000)
    x[7777] = -200.0
    assert not points_down(x)


def test_any_turns_the_first_channel_only():
    x = np.stack([spiky(-1), spiky(-1)])
    signal = condition(card("any"), capture("volts=V", "amps=A", samples=x))
    assert signal.flipped
    np.testing.assert_array_equal(signal.data, [-x[0], x[1]])
    assert not condition(card("as-is"), capture("volts=V", "amps=A", samples=x)).flipped


@pytest.mark.parametrize(
    ("x", "backwards"),
    [
        (np.linspace(-5, -3, 100), True),
        (np.linspace(3, 5, 100), False),
        (np.sin(np.arange(1000.0)), False),
        (np.where(np.arange(1000) % 10 < 8, -4.0, 2.0), False),  # swings to both sides
        (np.zeros(50), False),
    ],
)  # fmt: skip
def test_a_clamp_put_on_the_wrong_way_round(x, backwards):
    assert flows_backwards(x) is backwards


@pytest.mark.parametrize("n", [2, 3, 4, 7])
def test_the_shortest_recordings_have_a_polarity(n):
    for polarity in ("any", "mean"):
        signal = condition(card(polarity), capture("volts=V", "amps=A", n=n))
        assert signal.n == n


def test_swing_leaves_single_spikes_out():
    x = np.sin(np.linspace(0, 60, 10_000))
    x[10] = 99.0
    assert swing(x) == pytest.approx(2.0, abs=0.01)
