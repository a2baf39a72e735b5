"""Profiles: what is kept of a capture, and how it comes back from bytes."""

from __future__ import annotations

import dataclasses
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matching.profile import EVENT_POINTS, Profile, inspect, pack, scout, unpack
from refdb.cards import find_card, parse_card, shipped_cards
from refdb.errors import CatalogueError
from tests.builders_hum import HUM_TOML, RATE, hum_capture, hum_card, hum_profile

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")


def same(a: Profile, b: Profile) -> None:
    for one in dataclasses.fields(Profile):
        left, right = getattr(a, one.name), getattr(b, one.name)
        if isinstance(left, np.ndarray):
            assert left.dtype == right.dtype and left.shape == right.shape, one.name
            np.testing.assert_array_equal(left, right)
        elif isinstance(left, dict):
            assert list(left) == list(right), one.name
            np.testing.assert_array_equal(list(left.values()), list(right.values()))
        else:
            assert left == right, one.name


def test_what_goes_in_comes_out():
    profile = hum_profile(1)
    same(profile, unpack(pack(profile)))
    flat = inspect(hum_card(), hum_capture(1, samples=np.zeros((1, 900))), {"cycle_hz": 50.0})
    same(flat.profile, unpack(pack(flat.profile)))


NAMES = st.text(min_size=1, max_size=8).filter(lambda s: not s.endswith("\0"))
TABLES = st.dictionaries(NAMES, st.floats(width=64), max_size=4)


@settings(max_examples=40, deadline=None)
@given(
    TABLES, TABLES, st.integers(0, 3), st.integers(0, 9), st.tuples(st.floats(-9, 0), st.floats(1)),
    st.lists(NAMES, max_size=3),
)  # fmt: skip
def test_any_profile_survives(numbers, measured, channels, points, axis, roles):
    curve = np.random.default_rng(points).normal(0, 1, (channels, points)).astype(np.float32)
    profile = Profile(
        numbers, measured, curve, curve * np.nan, np.zeros((0, 0), np.float32), axis, points,
        {}, {"a": 1.0}, {}, tuple(roles), tuple(roles),
    )  # fmt: skip
    same(profile, unpack(pack(profile)))


def test_a_profile_is_small():
    assert len(pack(hum_profile(1))) < 20_000


@pytest.mark.parametrize(
    ("body", "found"),
    [
        (b"", "Error -5 while decompressing data: incomplete or truncated stream"),
        (b"profile", "Error -3 while decompressing data: incorrect header check"),
        (zlib.compress(b""), "0 bytes are too few"),
        (zlib.compress(b"\x02\x00\x00\x00{}"), "'names'"),
    ],
)  # fmt: skip
def test_damaged_bytes_word_for_word(body, found):
    with pytest.raises(CatalogueError) as caught:
        unpack(body)
    assert str(caught.value) == f"derived profile: damaged ({found}); it will be made anew"


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_no_damage_goes_unseen(data):
    """Cut short or one bit turned: an error of ours, never another profile."""
    whole = pack(hum_profile(1))
    if data.draw(st.booleans()):
        body = whole[: data.draw(st.integers(0, len(whole) - 1))]
    else:
        at = data.draw(st.integers(2, len(whole) - 1))
        body = whole[:at] + bytes([whole[at] ^ (1 << data.draw(st.integers(0, 7)))])
        body += whole[at + 1 :]
    with pytest.raises(CatalogueError):
        unpack(body)


# --- inspecting -----------------------------------------------------------------------------------


def test_an_inspection_says_what_it_saw():
    capture = hum_capture(3, start_s=7.5, remarks=("jitter of 3 %",))
    seen = inspect(hum_card(), capture, {})
    assert (seen.source, seen.sha256, seen.coupling) == ("hum-3.csv", capture.sha256, "dc")
    assert (seen.rate_hz, seen.duration_s, seen.remarks) == (RATE, 0.3, ("jitter of 3 %",))
    profile = seen.profile
    assert (profile.roles, profile.units) == (("hum",), ("V",))
    # 50 Hz and some per cent for 0.3 s: 14 to 16 troughs, one event fewer
    assert 13 <= profile.n_events <= 15
    assert seen.event_grid.shape == (profile.n_events, 1, EVENT_POINTS)
    assert seen.event_grid.dtype == np.float32
    assert (seen.event_start_s >= 7.5).all() and (np.diff(seen.event_start_s) > 0.015).all()
    assert seen.recording is None


def test_the_usual_event_is_the_median_and_its_spread_the_mad():
    seen = inspect(hum_card(), hum_capture(3), {})
    profile = seen.profile
    assert profile.usual.shape == profile.spread.shape == (1, 128)
    np.testing.assert_allclose(profile.usual, np.median(seen.event_grid, axis=0), atol=1e-6)
    away = np.abs(seen.event_grid - profile.usual)
    np.testing.assert_allclose(profile.spread, 1.4826 * np.median(away, axis=0), atol=1e-6)
    assert profile.zoom.size == 0


def test_a_capture_is_inspected_the_same_way_twice():
    same(inspect(hum_card(), hum_capture(5), {}).profile, hum_profile(5))


def test_the_close_look_is_the_cards_window():
    text = HUM_TOML.replace("points = 128", "points = 128\nzoom = [25.0, 50.0]")
    profile = inspect(parse_card(text, "hum.toml"), hum_capture(3), {}).profile
    assert profile.zoom.shape == (1, 64)
    np.testing.assert_allclose(
        profile.zoom[0].reshape(32, 2).mean(axis=1), profile.usual[0, 32:64], atol=0.02
    )


def test_scouting_finds_what_the_profile_keeps():
    found = scout(hum_card(), hum_capture(3))
    assert found == hum_profile(3).scout and set(found) == {"cycle_hz"}
    assert found["cycle_hz"] == pytest.approx(50.0, rel=0.1)


def test_a_hint_is_used_and_kept():
    """A strong third harmonic: without the hint the strongest line leads to thirds."""
    t = np.arange(1200) / RATE
    both = np.sin(2 * np.pi * 50 * t) + 1.5 * np.sin(2 * np.pi * 150 * t)
    odd = hum_capture(1, samples=both[None])
    alone = inspect(hum_card(), odd, {}).profile
    led = inspect(hum_card(), odd, {"cycle_hz": 50.0}).profile
    assert alone.scout["cycle_hz"] == led.scout["cycle_hz"] == pytest.approx(150.0, rel=0.02)
    assert led.n_events < alone.n_events / 2 and led.hint == {"cycle_hz": 50.0}


@pytest.mark.parametrize("n", [2, 3, 7])
@pytest.mark.parametrize("system", sorted(shipped_cards()))
def test_the_shortest_files_are_described_like_any_other(system, n):
    card = find_card(system)
    need = card.required_channels
    channels = tuple(dataclasses.replace(hum_capture(1).channels[0], name=c.role, unit=c.unit)
                     for c in need)  # fmt: skip
    data = np.random.default_rng(n).normal(0, 1, (len(need), n))
    seen = inspect(card, hum_capture(1, samples=data, channels=channels), {})
    same(seen.profile, unpack(pack(seen.profile)))
