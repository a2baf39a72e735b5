"""The joint space: rows and queries alike, the good spread, shrinking, axes, warped views."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matching.model.data import one_more, shape_curves
from matching.model.folds import take
from matching.model.spread import KNEE, POOL_WEIGHT, compress, fit_spread, robust
from matching.model.table import Column, columns_of, curves, floors, table
from matching.model.views import by_group, fit_space, principal_axes
from matching.model.warp import VIEWS, warp_views
from refdb.cards import GROUPS
from tests.builders_hum import IDLE, LOAD, hum_card, hum_data, hum_profile, members, offset_of

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")
LIBRARY = members() + members(context=LOAD, first=100)


@pytest.fixture(scope="module")
def data():
    return hum_data(LIBRARY)


@pytest.mark.parametrize("row", [0, 9, 12, 20, 31])
def test_a_reference_asked_again_is_its_own_row(data, row):
    """Whatever the matcher makes of a capture must not depend on its being query or reference:
    else the references' left-out strays say nothing of a query's."""
    seed, fault, context, _ = LIBRARY[row]
    ref = take(data, np.arange(data.rows) == row)
    profile = hum_profile(seed, fault, offset_of(context))
    comp = one_more(data, profile, int(data.context[row]))
    np.testing.assert_array_equal(comp.x, ref.x)
    assert set(comp.curves) == set(ref.curves)
    for name in ref.curves:
        np.testing.assert_allclose(comp.curves[name], ref.curves[name], rtol=1e-9, atol=1e-12)
    np.testing.assert_array_equal(comp.grids, ref.grids)
    for name in ("level", "shape", "timing"):
        np.testing.assert_allclose(
            getattr(comp.warped, name), getattr(ref.warped, name), rtol=1e-9, atol=1e-9
        )
    assert comp.ids.tolist() == [-1] and comp.vehicle.tolist() == [-1]


def test_joint_rows_have_one_entry_per_axis_and_no_gaps(data):
    space = fit_space(data)
    z = space.joint(data)
    assert z.shape == (data.rows, len(space.axes))
    assert np.isfinite(z).all()
    assert {axis.group for axis in space.axes} <= set(GROUPS)


def test_good_rows_lie_about_zero_within_a_few_spreads(data):
    space = fit_space(data)
    good = space.joint(data)[data.good]
    assert np.abs(np.median(good, axis=0)).max() < 1.0
    assert np.median(np.abs(good)) < 1.5


def test_a_level_that_a_context_has_rightly_is_no_stray(data):
    """The loaded condition sits 2 V higher; each context has its own centre."""
    space = fit_space(data)
    z = space.joint(data)
    j = [axis.name for axis in space.axes].index("level:hum:mean")
    loaded = data.good & (data.context == 1)
    assert np.abs(z[loaded, j]).max() < 6.0
    wrong = one_more(data, hum_profile(100, "", offset_of(LOAD)), 0)
    assert space.joint(wrong)[0, j] > 10.0


def test_a_capture_without_events_has_a_place_all_the_same(data):
    from matching.profile import inspect
    from tests.builders_hum import hum_capture

    flat = hum_capture(1, samples=np.zeros((1, 1200)))
    row = one_more(data, inspect(hum_card(), flat, {}).profile, 0)
    assert np.isnan(row.grids).all() and np.isnan(row.warped.level).all()
    assert np.isfinite(fit_space(data).joint(row)).all()


# --- substitutes for a missing context ------------------------------------------------------------


def test_where_levels_and_times_are_not_judged_they_do_not_count():
    """Merged contexts: only shape, regularity and spectrum may add to the stray, the warped views
    included."""
    groups = ("shape", "regularity", "spectrum")
    data = hum_data(LIBRARY, groups)
    space = fit_space(data)
    assert bool(space.rich[0])
    z = space.joint(data)
    heavy = np.array([axis.group not in groups for axis in space.axes])
    assert [axis.name for axis in space.axes if axis.group not in groups] == [VIEWS[0], VIEWS[2]]
    np.testing.assert_array_equal(z[:, heavy], 0.0)
    assert np.abs(z[:, ~heavy]).max(axis=0).min() > 0.0


# --- good spread --------------------------------------------------------------------------------


def test_robust_spread_of_a_gaussian_is_its_deviation():
    rows = np.random.default_rng(1).normal(3.0, 2.0, (20_000, 2))
    centre, size = robust(rows)
    np.testing.assert_allclose(centre, 3.0, atol=0.06)
    np.testing.assert_allclose(size, 2.0, rtol=0.03)


def test_robust_spread_is_not_fooled_by_ties_nor_by_one_outlier():
    ties = np.array([[0.0]] * 9 + [[1.0]] * 3)
    assert robust(ties)[1][0] == pytest.approx(0.6 * ties.std())
    clean = np.linspace(-1, 1, 41)[:, None]
    spoiled = np.vstack((clean, [[4.0]]))
    assert robust(spoiled)[1][0] == pytest.approx(robust(clean)[1][0], rel=0.1)


def test_robust_spread_leaves_gaps_out():
    rows = np.array([[1.0, np.nan, np.nan], [2.0, 5.0, np.nan], [3.0, 7.0, np.nan]])
    centre, size = robust(rows)
    assert centre[:2].tolist() == [2.0, 6.0] and np.isnan(centre[2]) and np.isnan(size[2])


@pytest.mark.parametrize("n", [1, 4, 9, 30])
def test_spread_is_shrunk_by_the_rule_that_is_documented(n):
    """Variance = ((n - 1) own + POOL_WEIGHT pooled) / (n - 1 + POOL_WEIGHT)."""
    random = np.random.default_rng(n)
    x = np.vstack((random.normal(0, 1, (n, 1)), random.normal(10, 5, (40, 1))))
    context = np.array([0] * n + [1] * 40)
    spread = fit_spread(x, context, 2, np.array([1e-9]))
    own = [robust(x[context == c])[1][0] for c in (0, 1)]
    pooled = ((n - 1) * own[0] ** 2 + 39 * own[1] ** 2) / (n - 1 + 39)
    wanted = ((n - 1) * own[0] ** 2 + POOL_WEIGHT * pooled) / (n - 1 + POOL_WEIGHT)
    assert spread.scale[0, 0] == pytest.approx(np.sqrt(wanted))
    assert spread.centre[0, 0] == pytest.approx(np.median(x[:n]))


def test_a_context_without_good_captures_takes_the_systems_centre():
    spread = fit_spread(np.array([[1.0], [2.0], [3.0]]), np.array([0, 0, 0]), 2, np.array([0.1]))
    assert spread.centre[:, 0].tolist() == [2.0, 2.0]
    assert (spread.scale > 0).all()


def test_a_spread_is_never_below_its_floor_and_gaps_normalise_to_zero():
    spread = fit_spread(np.full((5, 1), 7.0), np.zeros(5, int), 1, np.array([0.25]))
    assert spread.scale[0, 0] == 0.25
    z = spread.normalise(np.array([[7.5], [np.nan], [np.inf]]), np.zeros(3, int))
    assert z[:, 0].tolist() == [2.0, 0.0, 0.0]


@given(st.floats(-1e9, 1e9))
def test_compress_is_odd_growing_and_nearly_even_inside_the_knee(z):
    assert compress(np.array([-z]))[0] == -compress(np.array([z]))[0]
    assert compress(np.array([z + 1.0 + abs(z) * 1e-6]))[0] > compress(np.array([z]))[0]
    if abs(z) < 0.2 * KNEE:
        assert compress(np.array([z]))[0] == pytest.approx(z, rel=0.01, abs=1e-12)


# --- tables ---------------------------------------------------------------------------------------


def test_columns_are_each_measurement_twice_then_the_generic_numbers():
    found = columns_of(hum_card(), ["level:hum:mean", "level:hum:rms~"])
    assert found == (
        Column("rms", "level", log=True, measured=True),
        Column("rms", "level", measured=True, shown=True),
        Column("rate", "timing", log=True, measured=True),
        Column("rate", "timing", measured=True, shown=True),
        Column("level:hum:mean", "level"),
        Column("level:hum:rms~", "level", log=True),
    )


def test_table_takes_logarithms_and_says_what_is_shown():
    from dataclasses import replace

    profile = replace(
        hum_profile(1), measured={"rms": np.e, "rate": float("nan")}, numbers={"level:hum:mean": -4}
    )
    row = table(columns_of(hum_card(), ["level:hum:mean", "level:hum:gone~"]), [profile])[0]
    np.testing.assert_array_equal(row, [1.0, 1.0, np.nan, 0.0, -4.0, np.nan])


def test_floors_follow_the_size_but_not_for_logarithms():
    columns = (Column("a", "level"), Column("b", "level", log=True), Column("c", "level"),
               Column("d", "level", shown=True))  # fmt: skip
    x = np.array([[10.0, 3.0, 0.0, 1.0], [20.0, 5.0, 0.0, 1.0]])
    np.testing.assert_allclose(floors(columns, x), [0.004 * 15.0, 0.004, 1e-9, 0.1])


def test_curves_of_another_channel_count_are_gaps():
    rows = curves([hum_profile(1)], "usual", 2)
    assert rows.shape == (1, 128) and np.isnan(rows).all()


@settings(max_examples=40)
@given(st.floats(0.01, 100), st.floats(-50, 50), st.integers(0, 5))
def test_shape_does_not_see_gain_or_offset(gain, offset, seed):
    x = np.random.default_rng(seed).normal(0, 1, (3, 64))
    np.testing.assert_allclose(
        shape_curves(x, 2), shape_curves(gain * x + offset, 2), atol=1e-7 * max(1.0, 1 / gain)
    )


def test_a_measurement_that_no_good_capture_shows_leaves_the_table_quietly(data):
    from dataclasses import replace

    from matching.model.data import build

    profiles = [
        replace(hum_profile(i), measured={"rms": 1.0 + 0.01 * i, "rate": float("nan")})
        for i in range(6)
    ]
    made = build(
        hum_card(), profiles, np.zeros(6, int), np.arange(6), np.full(6, -1), 1, ()
    )  # fmt: skip
    assert [c.name for c in made.columns if c.measured] == ["rms", "rms"]


# --- axes -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", [(5, 12), (40, 12)])
def test_principal_axes_are_those_of_a_singular_value_decomposition(shape):
    z = np.random.default_rng(3).normal(0, 1, shape) * np.linspace(3, 0.1, shape[1])
    ref = np.linalg.svd(z, full_matrices=False)[2][:4]
    comp = principal_axes(z, 4)
    np.testing.assert_allclose(np.abs(np.sum(ref * comp, axis=1)), 1.0, atol=1e-9)
    np.testing.assert_allclose(comp @ comp.T, np.eye(4), atol=1e-9)


def test_by_group_sums_each_axis_once(data):
    space = fit_space(data)
    parts = np.random.default_rng(2).uniform(0, 1, (3, len(space.axes)))
    sums = by_group(parts, space.axes)
    assert sums.shape == (3, len(GROUPS))
    np.testing.assert_allclose(sums.sum(axis=1), parts.sum(axis=1))


# --- warped views ---------------------------------------------------------------------------------


def test_no_row_is_warped_against_its_own_vehicle(data):
    """A vehicle that gave the same capture twice would else lie at distance 0 from itself."""
    twice = [*LIBRARY, (*LIBRARY[0][:3], LIBRARY[0][3])]
    doubled = hum_data(twice)
    z = fit_space(doubled).joint(doubled)
    np.testing.assert_allclose(z[0], z[-1], atol=1e-9)
    space = fit_space(doubled)
    nearest = warp_views(doubled.warped, space._allowed(doubled))[0, 0]
    others = doubled.warped.level[0, [i for i in range(1, 10)]]
    assert np.exp(nearest) == pytest.approx(np.sort(others)[:3].mean(), rel=1e-6)


def test_warped_distances_stay_within_a_context(data):
    other = data.context[:, None] != data.context[None, :]
    assert np.isnan(data.warped.level[other]).all()
    assert np.isfinite(data.warped.level[~other]).all()


def test_few_good_captures_have_no_neighbours_to_speak_of():
    few = hum_data(members(good=5) + members(context=LOAD, first=100))
    space = fit_space(few)
    assert space.rich.tolist() == [False, True]
    z = space.joint(few)[:, -len(VIEWS) :]
    np.testing.assert_array_equal(z[few.context == 0], 0.0)
    assert np.abs(z[few.context == 1]).max() > 0.0


def test_the_spread_of_events_is_seen_from_a_query(data):
    """Half the events at half the height: the query's event spread stands far off the good one's,
    while a good query's does not."""
    space = fit_space(data)
    axes = [i for i, axis in enumerate(space.axes) if axis.name == "event-spread"]
    good = one_more(data, hum_profile(70_001, "", 0.0), 0)
    assert np.abs(space.joint(good)[0, axes]).mean() < 3.0
    from matching.profile import inspect
    from tests.builders_hum import hum_capture, hum_samples

    samples = hum_samples(70_001) * np.where(np.arange(1200) // 80 % 2, 0.5, 1.0)
    odd = inspect(hum_card(), hum_capture(70_001, samples=samples[None]), {}).profile
    assert np.abs(space.joint(one_more(data, odd, 0))[0, axes]).mean() > 3.0


def test_contexts_are_named_in_order_of_appearance():
    assert [LIBRARY[0][2], LIBRARY[-1][2]] == [IDLE, LOAD]
