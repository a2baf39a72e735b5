"""Why: only what adds, only places outside the good range, readings against ranges, events."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matching.explain import (
    MOST_DEVIATIONS,
    RANGE_SPREADS,
    deviations_of,
    events_of,
    good_band,
    outside_readings,
    overlay_of,
    readings_of,
    terms_of,
)
from matching.model.data import one_more
from matching.model.system import place
from matching.model.views import by_group
from matching.profile import inspect
from refdb.cards import GROUPS
from tests.builders_hum import IDLE, hum_capture, hum_card, hum_samples, hum_shelf, members

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")
QUICK = settings(max_examples=25, deadline=None)
CARD = hum_card()


@pytest.fixture(scope="module")
def model():
    shelf = hum_shelf(members(good=20, per_fault=6))
    return shelf.footing(IDLE, (("hum",), ("V",)), "dc").model


def seen(seed, fault="", **changes):
    return inspect(CARD, hum_capture(seed, fault, **changes), {})


def placed(model, inspection):
    return place(model, one_more(model.data, inspection.profile, 0))


ODD = st.tuples(
    st.integers(1000, 1050), st.sampled_from(["", "third", "weak"]), st.floats(0.2, 5.0),
    st.floats(-3.0, 3.0),
)  # fmt: skip


def odd(drawn):
    seed, fault, gain, offset = drawn
    return seen(seed, fault, samples=(gain * hum_samples(seed, fault) + offset)[None])


# --- terms ----------------------------------------------------------------------------------------


@QUICK
@given(ODD)
def test_shares_sum_to_one_and_every_term_adds(model, drawn):
    placing = placed(model, odd(drawn))
    terms = terms_of(model, placing, "third")
    shares = [t.share for t in terms]
    assert sum(shares) == pytest.approx(1.0) and min(shares) >= 0.005
    assert shares == sorted(shares, reverse=True)
    sums = dict(zip(GROUPS, by_group(placing.parts[None], model.space.axes)[0], strict=True))
    for term in terms:
        assert term.stray > 0 and term.text
        assert placing.along_units > 0 if term.name == "direction" else sums[term.name] > 0
    assert len({t.name for t in terms}) == len(terms)


def test_a_term_at_the_good_edge_has_stray_one(model):
    """Its own stray is the root of its part over the good vehicles' 95th percentile."""
    placing = placed(model, seen(210, "third"))
    edge = np.quantile(model.left.groups[model.data.good], 0.95, axis=0)
    sums = by_group(placing.parts[None], model.space.axes)[0]
    for term in terms_of(model, placing, ""):
        g = GROUPS.index(term.name)
        assert term.stray == pytest.approx(np.sqrt(sums[g] / edge[g]))


def test_no_direction_without_a_name_or_against_it(model):
    placing = placed(model, seen(210, "third"))
    assert "direction" in {t.name for t in terms_of(model, placing, "third")}
    assert "direction" not in {t.name for t in terms_of(model, placing, "")}
    against = replace(placing, along_units=-1.0)
    assert "direction" not in {t.name for t in terms_of(model, against, "third")}


# --- places ---------------------------------------------------------------------------------------


@QUICK
@given(ODD)
def test_no_place_is_marked_that_does_not_exceed_the_good_spread(model, drawn):
    inspection = odd(drawn)
    profile = inspection.profile
    goods = model.data.grids[model.data.good]
    middle, lo, hi = np.median(goods, axis=0), goods.min(axis=0), goods.max(axis=0)
    found = deviations_of(CARD, model, 0, profile)
    assert len(found) <= MOST_DEVIATIONS
    points = profile.usual.shape[1]
    for d in found:
        a, b = (round((x - profile.axis[0]) / 100.0 * points) for x in (d.start, d.stop))
        usual = profile.usual[0, a:b].astype(float)
        assert b - a >= 4
        assert ((usual > hi[0, a:b]) | (usual < lo[0, a:b])).all()
        assert np.abs(usual - middle[0, a:b]).max() == pytest.approx(abs(d.size), rel=1e-6)
        assert (d.channel, d.unit, d.axis_unit) == ("hum", "V", "%")
        assert profile.axis[0] <= d.start < d.stop <= profile.axis[1]
        assert ("above" in d.sentence) == (d.size > 0)


def test_the_references_themselves_leave_no_place(model):
    for seed in range(20):
        assert deviations_of(CARD, model, 0, seen(seed).profile) == ()


def test_a_planted_bump_is_found_where_it_is(model):
    inspection = seen(201)
    usual = inspection.profile.usual.copy()
    usual[0, 40:50] += 1.5
    (found,) = deviations_of(CARD, model, 0, replace(inspection.profile, usual=usual))
    assert (found.start, found.stop) == (pytest.approx(40 / 1.28), pytest.approx(50 / 1.28))
    assert found.size == pytest.approx(1.5, abs=0.2)
    assert found.sentence == (
        f"hum is {found.size:.3g} V above the usual cycle from 31.2 to 39.1 %"
    )


@pytest.mark.parametrize(("edge", "places"), [(63, 0), (66, 0), (58, 0), (90, 1), (40, 1)])
def test_a_steep_edge_a_point_early_or_late_is_no_place(model, edge, places):
    """The good vehicles' edges lie at 60 to 64 of 128 points; four more points are let pass."""
    at = np.arange(128)
    grids = np.array([[np.where(at < 60 + i % 5, 0.0, 5.0)] for i in range(model.data.rows)])
    made = replace(model, data=replace(model.data, grids=grids))
    usual = np.where(at < edge, 0.0, 5.0)[None].astype(np.float32)
    assert len(deviations_of(CARD, made, 0, replace(seen(1).profile, usual=usual))) == places


@pytest.mark.parametrize("what", ["few", "gap", "shape"])
def test_where_nothing_can_be_said_nothing_is(model, what):
    profile = seen(210, "third").profile
    if what == "few":
        shelf = hum_shelf(members(good=3, per_fault=2))
        few = shelf.footing(IDLE, (("hum",), ("V",)), "dc").model
        data = replace(few.data, grids=np.where(few.data.ids[:, None, None] < 1, np.nan,
                                                few.data.grids))  # fmt: skip
        assert deviations_of(CARD, replace(few, data=data), 0, profile) == ()
    elif what == "gap":
        empty = replace(profile, usual=np.full_like(profile.usual, np.nan))
        assert deviations_of(CARD, model, 0, empty) == ()
    else:
        assert deviations_of(CARD, model, 0, replace(profile, usual=profile.usual[:, :64])) == ()


# --- readings -------------------------------------------------------------------------------------


def test_readings_against_the_good_range(model):
    rms, rate = readings_of(CARD, model, 0, seen(210, "weak").profile, "20 good vehicles")
    assert (rms.name, rms.unit, rms.state, rms.source) == (
        "rms",
        "V",
        "outside",
        "20 good vehicles",
    )
    assert rms.value < rms.low < 1 / np.sqrt(2) < rms.high
    assert rate.state == "inside" and rate.low < rate.value < rate.high
    # logarithmic: the range is even about the good median by factors
    j = next(i for i, c in enumerate(model.data.columns) if c.measured and c.name == "rms")
    spread = model.space.numbers
    assert np.log(rms.high / rms.low) == pytest.approx(2 * RANGE_SPREADS * spread.scale[0, j])
    assert np.sqrt(rms.high * rms.low) == pytest.approx(np.exp(spread.centre[0, j]))


def test_the_cards_own_range_stands_in_where_references_have_none():
    card = replace(CARD, measurements=(replace(CARD.measurements[0], low=0.6, high=0.8,
                                               source="common practice, no source"),
                                       CARD.measurements[1]))  # fmt: skip
    profile = seen(201).profile
    cases = {0.6: "inside", 0.8: "inside", np.nextafter(0.6, 0): "outside",
             np.nextafter(0.8, 1): "outside", float("nan"): "not-judged"}  # fmt: skip
    for value, state in cases.items():
        changed = replace(profile, measured={"rms": value, "rate": 50.0})
        rms, rate = readings_of(card, None, 0, changed, "")
        assert (rms.state, rms.source) == (state, "common practice, no source")
        assert (rms.low, rms.high) == (0.6, 0.8)
        assert (rate.state, rate.low, rate.source) == ("not-judged", None, "no range known")
    assert readings_of(card, None, 0, replace(profile, measured={}), "")[0].value is None


@pytest.mark.parametrize(
    ("low", "high", "value", "state"),
    [(None, 1.0, 5.0, "outside"), (None, 1.0, -5.0, "inside"), (1.0, None, 5.0, "inside"),
     (1.0, None, -5.0, "outside")],
)  # fmt: skip
def test_one_sided_ranges(low, high, value, state):
    card = replace(CARD, measurements=(replace(CARD.measurements[0], low=low, high=high),))
    profile = replace(seen(201).profile, measured={"rms": value})
    assert readings_of(card, None, 0, profile, "")[0].state == state


def test_readings_far_outside_come_first_else_the_cards_order():
    from matching.answer import Reading

    def reading(name, value, state="outside"):
        return Reading(name, value, "V", -1.0, 1.0, state, "x")

    given_order = [reading("in", 0.0, "inside"), reading("slightly", 1.1), reading("far", 9.0),
                   reading("farther", 40.0), reading("below", -4.0)]  # fmt: skip
    found = [r.name for r in outside_readings(given_order)]
    assert found == ["far", "farther", "below", "slightly"]
    assert outside_readings(given_order[:1]) == []


# --- events ---------------------------------------------------------------------------------------


def test_every_event_has_its_stray_and_the_odd_one_the_largest(model):
    samples = hum_samples(201)
    samples[400:480] *= 0.2
    inspection = seen(201, samples=samples[None], start_s=3.0)
    found = events_of(model, 0, inspection)
    assert [e.index for e in found] == inspection.picked.tolist()
    assert [e.start_s for e in found] == pytest.approx(list(inspection.event_start_s))
    worst = max(found, key=lambda e: e.stray)
    assert 3.08 < worst.start_s < 3.13
    assert worst.stray > 2.0 > 1.0 > np.median([e.stray for e in found])


def test_no_events_no_strays_and_no_warnings(model):
    assert events_of(model, 0, seen(201, samples=np.zeros((1, 1200)))) == ()


# --- curves for a picture -------------------------------------------------------------------------


def test_the_band_is_the_good_vehicles(model):
    low, middle, high = good_band(model, 0)
    goods = model.data.grids[model.data.good]
    ref = np.quantile(goods, [0.05, 0.5, 0.95], axis=0)
    for a, b in zip((low, middle, high), ref, strict=True):
        np.testing.assert_allclose(a, b)


def test_the_overlay_lies_on_the_axis(model):
    inspection = seen(210, "third")
    row = int(np.flatnonzero(~model.data.good)[0])
    drawn = overlay_of(CARD, model, 0, inspection, row, "third", 0, [(7, "third", row)])
    assert drawn.axis.shape == (128,) and drawn.axis[0] == pytest.approx(100 / 256)
    np.testing.assert_allclose(drawn.usual, inspection.profile.usual)
    np.testing.assert_array_equal(drawn.fault, model.data.grids[row])
    assert [(n.reference, n.fault) for n in drawn.near] == [(7, "third")]
    bare = overlay_of(CARD, model, 0, inspection, -1, "", -1)
    assert bare.fault is None and bare.good is None and bare.near == ()
