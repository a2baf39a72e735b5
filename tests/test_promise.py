"""The promise P(p <= alpha) <= alpha for good vehicles: by simulation through our own p-value code,
and by leaving vehicles out of the simulated starter references."""

from __future__ import annotations

from math import floor, sqrt

import numpy as np
import pytest

from matching.audit import one_per_vehicle
from matching.consult.audit import audit_shelf
from matching.model.conformal import p_value, per_vehicle, smallest
from matching.model.data import one_more
from matching.model.system import place
from tests.builders_audit import changed, starter_shelf

ALPHAS = (0.05, 0.10, 0.20)


def most(alpha: float, n: int) -> float:
    """The largest share of n draws that chance may give: alpha and three standard errors."""
    return alpha + 3.0 * sqrt(alpha * (1.0 - alpha) / n)


# --- a worked example -------------------------------------------------------------------------

PLUS = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
MINUS = np.array([[4.0, 4.0], [3.0, 4.0], [4.0, 3.0]])


def nearest_alike(points: np.ndarray) -> np.ndarray:
    """Distance of each point to the nearest other one of its class."""
    apart = np.linalg.norm(points[:, None] - points[None, :], axis=2)
    np.fill_diagonal(apart, np.inf)
    return apart.min(axis=1)


def p_as(test: tuple[float, float], own: np.ndarray, other: np.ndarray) -> float:
    """p-value of the test point put into the class `own`."""
    mine = nearest_alike(np.vstack([own, test]))
    return p_value(np.concatenate([mine[:-1], nearest_alike(other)]), mine[-1])


def test_check_50_worked_example_of_a_conformal_p_value():
    """Check 50, SEEN: p = #{alpha_i >= alpha_(N+1)} / (N + 1), an examination example of Royal
    Holloway; Shafer and Vovk, JMLR 9 (2008)."""
    assert p_as((1.0, 1.0), PLUS, MINUS) == 1.0
    assert p_as((1.0, 1.0), MINUS, PLUS) == pytest.approx(1.0 / 7.0, abs=1e-12)
    assert p_as((3.0, 3.0), MINUS, PLUS) == 1.0
    assert p_as((3.0, 3.0), PLUS, MINUS) == pytest.approx(1.0 / 7.0, abs=1e-12)


@pytest.mark.parametrize("n", [1, 9, 19, 30])
def test_no_p_value_is_below_one_over_n_plus_one(n):
    """Check 50, SEEN: with 9 references nothing can be called odd at 5 %, with 19 just so."""
    others = np.arange(float(n))
    assert p_value(others, np.inf) == smallest(n) == 1.0 / (n + 1)
    assert p_value(others, -np.inf) == 1.0
    assert (smallest(n) > 0.05) == (n < 19)


def test_a_tie_is_no_reason_for_suspicion():
    assert p_value(np.array([1.0, 2.0, 2.0, 3.0]), 2.0) == 4.0 / 5.0


# --- the promise ------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [4, 19, 30])
@pytest.mark.parametrize("spread", ["normal", "heavy", "ties"])
def test_check_51_the_promise_holds_on_exchangeable_draws(n, spread):
    """Check 51, SEEN: P(p <= eps) <= eps, here over 20 000 draws whatever the scores' spread."""
    draws = 20_000
    rng = np.random.default_rng([51, n])
    scores = {
        "normal": rng.standard_normal((draws, n + 1)),
        "heavy": rng.standard_cauchy((draws, n + 1)),
        "ties": rng.integers(0, 6, (draws, n + 1)).astype(float),
    }[spread]
    p = np.array([p_value(row[1:], row[0]) for row in scores])
    for alpha in ALPHAS:
        assert np.mean(p <= alpha) <= most(alpha, draws)
        exact = floor(alpha * (n + 1) + 1e-9) / (n + 1)
        if spread != "ties":
            assert abs(np.mean(p <= alpha) - exact) <= most(exact, draws) - exact
        else:
            assert np.mean(p <= alpha) <= most(exact, draws)


def test_the_vehicle_is_the_unit():
    """Two captures of one vehicle count once, and the odder one counts."""
    values = np.array([1.0, 5.0, 2.0, 2.0, 3.0])
    vehicle = np.array([7, 7, 2, 2, 4])
    assert per_vehicle(values, vehicle).tolist() == [2.0, 3.0, 5.0]
    once = per_vehicle(values[[1, 2, 4]], vehicle[[1, 2, 4]])
    assert p_value(per_vehicle(values, vehicle), 4.0) == p_value(once, 4.0) == 2.0 / 4.0


def test_check_51_ranking_captures_instead_of_vehicles_would_break_it():
    """Check 51: with one car on both sides the guarantee is void. Each of 20 cars gives 5 captures;
    a car is judged by its oddest one, as a library of captures would tempt one to."""
    draws, cars, each, alpha = 10_000, 20, 5, 0.05
    rng = np.random.default_rng(511)
    scores = rng.standard_normal((draws, cars, 1)) + rng.standard_normal((draws, cars, each))
    vehicle = np.repeat(np.arange(cars - 1), each)
    by_vehicle, by_capture = [], []
    for new, known in zip(scores[:, 0].max(axis=1), scores[:, 1:].reshape(draws, -1), strict=True):
        by_vehicle.append(p_value(per_vehicle(known, vehicle), new))
        by_capture.append(p_value(known, new))
    assert np.mean(np.array(by_vehicle) <= alpha) <= most(alpha, draws)
    assert np.mean(np.array(by_capture) <= alpha) > 2 * alpha


# --- on the starter references ----------------------------------------------------------------

STARTERS = ("vref-5v", "parasitic-draw")
GROUPS = 4


def left_out_p_values(system: str) -> list[float]:
    """p of every good simulated vehicle by a model that was fitted without it: the whole way that
    a capture goes, a group of vehicles at a time."""
    shelf = starter_shelf(system)
    goods = list(dict.fromkeys(r.vehicle for r in shelf.references if r.label == "good"))
    found = []
    for group in (set(goods[g::GROUPS]) for g in range(GROUPS)):
        rest = changed(shelf, lambda r, out=group: None if r.vehicle in out else r)
        for r in shelf.references:
            if r.vehicle not in group:
                continue
            profile = shelf.profiles[r.id]
            footing = rest.footing(r.context, (profile.roles, profile.units), r.coupling)
            assert footing.level == "exact" and footing.model is not None
            row = one_more(footing.model.data, profile, footing.index)
            found.append(place(footing.model, row).p_value)
    return found


def test_the_promise_on_starter_references_left_out_of_the_fit():
    """Nothing in the model has seen the vehicle that is placed: neither spread, directions nor
    ranks. Over all of these systems' good vehicles; each alone is too few to tell 5 % from 15 %."""
    p = np.concatenate([left_out_p_values(system) for system in STARTERS])
    assert p.size >= 52
    for alpha in ALPHAS:
        assert np.mean(p <= alpha) <= most(alpha, p.size)


@pytest.mark.parametrize("system", STARTERS)
def test_the_promise_by_leaving_one_vehicle_out(system):
    """As the audit counts: each good vehicle ranked among the others' left-out totals."""
    rows, thin = audit_shelf(starter_shelf(system))
    p = np.array([r.p_value for r in one_per_vehicle(rows) if not r.fault])
    assert not thin and p.size >= 25
    assert all(np.mean(p <= alpha) <= alpha for alpha in ALPHAS)
