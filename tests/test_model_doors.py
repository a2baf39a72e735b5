"""Leaving vehicles out, the metric, fault directions, naming, and where a capture is placed."""

from __future__ import annotations

import numpy as np
import pytest

from matching.model.data import one_more
from matching.model.folds import MOST_FOLDS, folds, leave_out, take
from matching.model.known import RIDGE, fit_directions, fit_metric, ridge_inverse
from matching.model.naming import fit_namer, likeness_of
from matching.model.system import fit_system, learn_namer, place, stray_of, typicality
from matching.model.views import fit_space
from refdb.cards import GROUPS
from tests.builders_hum import IDLE, LOAD, hum_data, hum_profile, members, offset_of

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")
# one vehicle gave a capture in each context, one a good and a faulty one
SHARED = [(0, "", LOAD, "car 0"), (57, "third", LOAD, "car 3")]
LIBRARY = members(good=12) + members(context=LOAD, first=100) + SHARED


@pytest.fixture(scope="module")
def data():
    return hum_data(LIBRARY)


@pytest.fixture(scope="module")
def model(data):
    return fit_system(data)


def placed(model, seed, fault="", context=IDLE):
    return place(model, one_more(model.data, hum_profile(seed, fault, offset_of(context)),
                                 0 if context == IDLE else 1))  # fmt: skip


# --- folds ----------------------------------------------------------------------------------------


def test_every_row_is_left_out_once_and_no_vehicle_is_ever_split(data):
    out = np.array(list(folds(data)))
    assert (out.sum(axis=0) == 1).all()
    for mask in out:
        assert not set(data.vehicle[mask]) & set(data.vehicle[~mask])


def test_many_vehicles_are_left_out_in_groups_spread_over_contexts_and_labels(data):
    assert np.unique(data.vehicle).size > MOST_FOLDS
    masks = list(folds(data))
    assert len(masks) == MOST_FOLDS
    sizes = [np.unique(data.vehicle[mask]).size for mask in masks]
    assert max(sizes) - min(sizes) <= 1


def test_few_vehicles_are_left_out_one_by_one():
    few = hum_data(members(good=5, per_fault=1))
    assert [np.unique(few.vehicle[mask]).size for mask in folds(few)] == [1] * 7


def test_take_keeps_rows_together(data):
    keep = np.arange(data.rows) % 3 == 0
    part = take(data, keep)
    assert part.rows == keep.sum() and part.ids.tolist() == np.flatnonzero(keep).tolist()
    np.testing.assert_array_equal(part.x, data.x[keep])
    np.testing.assert_array_equal(part.warped.level, data.warped.level[keep])
    assert part.columns is data.columns and part.n_contexts == data.n_contexts


def test_left_out_rows_do_not_depend_on_themselves(data):
    """Without its own vehicle: an outlier is judged by the others, however far out it lies."""
    left = leave_out(data, 2)
    one = int(np.flatnonzero(data.vehicle == data.vehicle[0])[0])
    mask = data.vehicle == data.vehicle[one]
    holding = next(m for m in folds(data) if m[one])
    rest, mine = take(data, ~holding), take(data, mask)
    space = fit_space(rest)
    parts = fit_metric(space.joint(rest), rest.fault).parts(space.joint(mine))
    np.testing.assert_allclose(left.size[mask], np.sqrt(parts.sum(axis=1)), rtol=1e-9)


def test_left_out_figures_have_a_row_each(data):
    left = leave_out(data, 2)
    assert left.size.shape == (data.rows,) and (left.size > 0).all()
    assert left.groups.shape == (data.rows, len(GROUPS))
    np.testing.assert_allclose(left.groups.sum(axis=1), left.size**2, rtol=1e-9)
    assert left.along.shape == left.length.shape == (data.rows, 2)
    assert np.isfinite(left.along).all()


def test_a_fault_of_one_vehicle_is_unknown_without_it():
    data = hum_data(members(good=10, per_fault=1))
    left = leave_out(data, 2)
    for row in np.flatnonzero(~data.good):
        assert np.isnan(left.along[row, data.fault[row]])
        assert np.isfinite(left.along[row, 1 - data.fault[row]])


# --- the metric -----------------------------------------------------------------------------------


def test_ridge_inverse_by_its_definition():
    random = np.random.default_rng(1)
    root = random.normal(0, 1, (6, 6))
    covariance = root @ root.T
    scale = np.trace(covariance) / 6
    ref = np.linalg.inv(0.3 * covariance + (0.7 * scale + 1e-6) * np.eye(6))
    np.testing.assert_allclose(ridge_inverse(covariance, 0.7), ref)
    np.testing.assert_allclose(ridge_inverse(covariance, 1.0), np.eye(6) / (scale + 1e-6))


def test_parts_add_up_to_no_less_than_the_whitened_length():
    random = np.random.default_rng(2)
    z = random.normal(0, 1, (40, 8)) @ random.normal(0, 1, (8, 8))
    fault = np.full(40, -1)
    metric = fit_metric(z, fault)
    parts = metric.parts(z)
    u = z - z.mean(axis=0)
    length = np.einsum("ij,jk,ik->i", u, metric.inverse, u)
    assert (parts >= 0).all() and (parts.sum(axis=1) >= length - 1e-9).all()
    np.testing.assert_allclose(metric.origin, z.mean(axis=0))


def test_severity_of_a_fault_does_not_widen_the_metric():
    """Fault rows spread along their own direction only: the covariance is the good rows'."""
    random = np.random.default_rng(3)
    good = random.normal(0, 1, (30, 4))
    direction = np.array([1.0, 2.0, 0.0, 0.0]) / np.sqrt(5)
    bad = good.mean(axis=0) + np.outer([2.0, 5.0, 9.0, 14.0], direction)
    z = np.vstack((good, bad))
    fault = np.array([-1] * 30 + [0] * 4)
    scatter = (good - good.mean(axis=0)).T @ (good - good.mean(axis=0))
    ref = ridge_inverse(scatter / (29 + 1.5), RIDGE)
    np.testing.assert_allclose(fit_metric(z, fault).inverse, ref, atol=1e-9)


def test_along_a_direction_its_own_mean_has_its_own_length():
    random = np.random.default_rng(4)
    z = np.vstack((random.normal(0, 1, (30, 5)), random.normal(3, 1, (6, 5))))
    fault = np.array([-1] * 30 + [2] * 6)
    directions = fit_directions(z, fault, fit_metric(z, fault))
    assert directions.index.tolist() == [2]
    mean = z[fault == 2].mean(axis=0)[None]
    np.testing.assert_allclose(directions.along(mean), directions.length[None])
    np.testing.assert_allclose(directions.along(directions.metric.origin[None]), 0.0, atol=1e-9)
    assert fit_directions(z[:30], fault[:30], directions.metric) is None


# --- naming ---------------------------------------------------------------------------------------


def test_likeness_by_hand():
    best, facts = likeness_of(np.array([2.0, 8.0, np.nan]), np.array([4.0, 4.0, np.nan]), 10.0, 3.0)
    assert best == 1
    np.testing.assert_allclose(
        facts, [np.log(8), np.log(4), 0.8, np.log(2), np.log(np.sqrt(100 - 64) / 3)]
    )


def test_likeness_with_one_fault_or_none_ahead_is_finite():
    best, facts = likeness_of(np.array([-5.0]), np.array([4.0]), 10.0, 3.0)
    assert best == 0 and np.isfinite(facts).all()
    best, facts = likeness_of(np.array([np.nan, 2.0]), np.array([np.nan, 4.0]), 2.0, 3.0)
    assert best == 1 and np.isfinite(facts).all()


def test_the_namer_learns_what_tells_right_from_wrong():
    random = np.random.default_rng(5)
    right = np.arange(80) % 2 == 0
    evidence = random.normal(0, 1, (80, 5))
    evidence[:, 2] += np.where(right, 2.0, -2.0)
    namer = fit_namer(evidence, right)
    assert ((namer.sure(evidence) > 0.5) == right).mean() > 0.9
    assert int(np.argmax(np.abs(namer.coefficient))) == 2
    low, high = np.zeros((1, 5)), np.zeros((1, 5))
    low[0, 2], high[0, 2] = -3.0, 3.0
    assert namer.sure(low)[0] < 0.1 < 0.9 < namer.sure(high)[0]


def test_a_hopeless_namer_is_none():
    assert fit_namer(np.zeros((10, 5)), np.arange(10) < 2) is None
    few = hum_data(members(good=10, per_fault=2))
    assert learn_namer(few, leave_out(few, 2)) is None


def test_the_namer_does_not_ask_the_vehicle_that_is_left_out(model):
    """Its evidence is that of the other vehicles, to the bit."""
    data, left = model.data, model.left
    gone = int(data.vehicle[~data.good][0])
    rest = take(data, data.vehicle != gone)
    keep = data.vehicle != gone
    fewer = type(left)(*(getattr(left, name)[keep] for name in type(left).__dataclass_fields__))
    # the usual good size is of all good rows: that of the others only if none of them is gone
    assert not data.good[data.vehicle == gone].any()
    ref, comp = learn_namer(rest, fewer), learn_namer(data, left, gone)
    np.testing.assert_array_equal(comp.coefficient, ref.coefficient)
    assert comp.offset == ref.offset != model.namer.offset


# --- placing --------------------------------------------------------------------------------------


def test_good_vehicles_are_counted_once_each(model):
    data = model.data
    assert model.good_total.size == np.unique(data.vehicle[data.good]).size == 22
    assert (np.diff(model.good_total) >= 0).all()
    assert model.edge == pytest.approx(np.quantile(model.good_total, 0.95))
    twice = model.total[data.good & (data.vehicle == 0)]
    assert twice.size == 2 and twice.max() in model.good_total and twice.min() not in (
        model.good_total
    )  # fmt: skip


def test_p_value_counts_the_good_vehicles_that_stray_as_far(model):
    for seed in (201, 202, 203):
        found = placed(model, seed)
        ref = (1 + sum(t >= found.total for t in model.good_total)) / 23
        assert found.p_value == pytest.approx(ref)
    assert placed(model, 210, "third").p_value == pytest.approx(1 / 23)


def test_each_fault_lies_along_its_own_direction(model):
    names = model.data.fault_names
    for seed in (301, 302):
        for fault in names:
            found = placed(model, seed, fault)
            assert names[found.best] == fault and found.margin > 0
            assert found.sure > 0.5 and found.stray > 1.5


def test_a_good_capture_lies_inside_in_every_context(model):
    strays = [placed(model, s, context=c).stray for s in range(401, 409) for c in (IDLE, LOAD)]
    assert np.median(strays) < 1.0


def test_stray_is_half_at_the_median_one_at_the_edge_and_grows(model):
    assert stray_of(model, model.middle) == pytest.approx(0.5)
    assert stray_of(model, model.edge) == pytest.approx(1.0)
    totals = np.linspace(model.edge - 40, model.edge + 400, 2000)
    strays = np.array([stray_of(model, t) for t in totals])
    assert (np.diff(strays) > 0).all() and strays[0] > 0
    # no kink at the edge
    step = 1e-6 * (model.edge - model.middle)
    inner = (1.0 - stray_of(model, model.edge - step)) / step
    outer = (stray_of(model, model.edge + step) - 1.0) / step
    assert inner == pytest.approx(outer, rel=1e-3)


def test_typicality_ranks_a_capture_among_the_faults_own_vehicles(model):
    fault = model.data.fault_names.index("third")
    vehicles = np.unique(model.data.vehicle[model.data.fault == fault]).size
    assert typicality(model, fault, 1e6, 1.0) == 1.0
    assert typicality(model, fault, -1e6, 1.0) == pytest.approx(1 / (vehicles + 1))


def test_without_faults_there_is_one_door_less():
    model = fit_system(hum_data(members(good=12, faults=())))
    assert model.directions is None and model.along_door is None and model.namer is None
    found = placed(model, 201)
    assert (found.best, found.along_units, found.sure, found.typical) == (-1, 0.0, 0.0, 0.0)
    assert found.p_value >= 1 / 13 and np.isfinite(found.stray)


def test_three_good_vehicles_are_enough_for_a_model():
    model = fit_system(hum_data(members(good=3, faults=())))
    found = placed(model, 201)
    assert np.isfinite([found.total, found.stray, model.edge]).all()
    assert 0.25 <= found.p_value <= 1.0
