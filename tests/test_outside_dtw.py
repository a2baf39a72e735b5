"""matching.dtw against the world outside: published counts, printed examples, other libraries.

The source stands beside each check; numbers that no document at hand confirms are marked MEMORY.
Data files come with the packages named and are never copied here.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from matching import dtw
from tests import naive
from tests.sizes import COMPILED, sized

UNBOUNDED = 10_000


# --- published 1-NN error counts ----------------------------------------------------------------


def _aeon_set(name):
    """(train series, labels, test series, labels) of a set that aeon ships."""
    import aeon.datasets

    folder = Path(aeon.datasets.__file__).parent / "data" / name
    sides = []
    for side in ("TRAIN", "TEST"):
        sides += aeon.datasets.load_from_ts_file(str(folder / f"{name}_{side}.ts"))
    return sides


def _trace():
    """The set Trace as tslearn ships it, channels first."""
    from tslearn.datasets import CachedDatasets

    train, train_label, test, test_label = CachedDatasets().load_dataset("Trace")
    return train.transpose(0, 2, 1), train_label, test.transpose(0, 2, 1), test_label


def _errors(data, radius):
    """Wrong labels of the nearest training series, through the packed index."""
    train, train_label, test, test_label = data
    index = dtw.PackedIndex.build(train, radius)
    some = len(test) if COMPILED else sized(0, 1 if radius else 20)
    nearest = [index.search(query, 1).ids[0] for query in test[:some]]
    return int((train_label[nearest] != test_label[:some]).sum())


def _agrees(found, published):
    """Exactly the published count; the few queries of a run without the compiler: no more."""
    return found == published if COMPILED else found <= published


@pytest.mark.parametrize(
    ("name", "euclid", "full", "of"),
    [("GunPoint", 13, 14, 150), ("ItalyPowerDemand", 46, 51, 1029), ("ArrowHead", 35, 52, 175)],
)
def test_ucr_error_counts(name, euclid, full, of):
    # UCR archive 2018 summary table: ED and DTW (w=100) error rates; counts of checks.md row 45.
    data = _aeon_set(name)
    assert len(data[3]) == of
    assert _agrees(_errors(data, 0), euclid)
    assert _agrees(_errors(data, UNBOUNDED), full)


def test_ucr_osuleaf_error_counts_from_memory():
    # MEMORY of the UCR archive 2018 summary table: ED 0.4793, DTW(w=100) 0.4091, w=7 % 0.3884.
    data = _aeon_set("OSULeaf")
    assert len(data[3]) == 242
    published = {0: 0.4793, UNBOUNDED: 0.4091, round(0.07 * 427): 0.3884}
    # Without the compiler one query of the wide bands takes a minute: Euclid only.
    for radius, error in list(published.items())[: sized(3, 1)]:
        assert _agrees(_errors(data, radius), round(error * 242))


def test_ucr_trace_errors():
    # UCR archive 2018 summary table: Trace ED 0.24, DTW (learned w=3) 0.01, DTW (w=100) 0.00.
    # w is in percent of the length there: 3 % of 275 samples is a radius of 8 (3 samples: 0.05).
    data = _trace()
    assert len(data[3]) == 100
    assert _agrees(_errors(data, 0), 24)
    assert _agrees(_errors(data, int(0.03 * 275)), 1)
    assert _agrees(_errors(data, UNBOUNDED), 0)


# --- printed examples ---------------------------------------------------------------------------


def test_the_triangle_inequality_fails():
    # Property: Jain, arXiv 1808.09964; Keogh; Lemire. Example computed in checks.md row 46.
    x, y, z = [0.0, 0, 0], [0.0, 0, 2], [0.0, 2, 2]
    distances = [dtw.distance(x, y, 2), dtw.distance(y, z, 2), dtw.distance(x, z, 2)]
    assert distances == [2.0, 0.0, np.sqrt(8.0)]


def test_the_relaxed_triangle_inequality_from_memory():
    # Existence: Lemire, arXiv 0807.1734; the tight form is MEMORY (checks.md row 47):
    # DTW(x,y) + DTW(y,z) >= DTW(x,z) / sqrt(min(2w + 1, n)).
    rng = np.random.default_rng(47)
    for _ in range(sized(1500, 60)):
        n, w = int(rng.integers(2, 16)), int(rng.integers(0, 6))
        x, y, z = np.cumsum(rng.standard_normal((3, n)), axis=1)
        detour = dtw.distance(x, y, w) + dtw.distance(y, z, w)
        assert detour >= dtw.distance(x, z, w) / np.sqrt(min(2 * w + 1, n)) * (1 - 1e-12)


def test_lb_keogh_is_a_lower_bound():
    # Keogh and Ratanamahatana 2005, Proposition 1; hand case of checks.md row 48 (squared costs).
    q, c = [0.0, 0, 1, 2, 1, 0, 0], [1.0, 3, 0, 0, 2, 1, 0]
    for w, bound, cost in ((0, 17, 17), (1, 6, 8), (2, 1, 6)):
        assert naive.lb_keogh_squared(q, c, w) == bound
        assert dtw.distance(q, c, w) ** 2 == pytest.approx(cost, rel=1e-12)
    rng = np.random.default_rng(48)
    for _ in range(sized(1500, 60)):
        n, w = int(rng.integers(1, 24)), int(rng.integers(0, 8))
        a, b = rng.standard_normal((2, n))
        bound = naive.lb_keogh_squared(a, b, w)
        assert bound <= dtw.distance(a, b, w) ** 2 * (1 + 1e-12)


def _symmetric_1978(x, y):
    """Summed cost with weight 2 for diagonal steps: the symmetric form of 1978."""
    table = {(-1, -1): 0.0}
    for i in range(len(x)):
        for j in range(len(y)):
            d = abs(x[i] - y[j])
            table[i, j] = min(
                table.get((i - 1, j - 1), np.inf) + 2 * d,
                table.get((i - 1, j), np.inf) + d,
                table.get((i, j - 1), np.inf) + d,
            )
    return table[len(x) - 1, len(y) - 1]


def test_our_cost_is_not_the_symmetric_form_of_1978_from_memory():
    # MEMORY of Sakoe and Chiba 1978 (checks.md row 49): weights 2/1/1, divided by N + M.
    # Ours has unit weights and no division, as row 45 needs; the two must not be mixed up.
    x, y = [1.0, 2, 3, 4], [1.0, 3, 3, 5]
    assert _symmetric_1978(x, y) / 8 == 0.375
    assert _symmetric_1978([0.0, 1, 2], [1.0, 2, 3]) / 6 == 0.5
    assert dtw.distance(x, y, 3) ** 2 == pytest.approx(2.0)


def test_conformal_example_on_our_distances():
    # Vovk's exam example, checks.md row 50: points as series of one sample and two channels,
    # score = distance to the nearest of the same class, p = share of scores at least as large.
    plus, minus = [(0.0, 0), (1, 0), (0, 1)], [(4.0, 4), (3, 4), (4, 3)]
    for point, p_plus, p_minus in (((1.0, 1), 1.0, 1 / 7), ((3.0, 3), 1 / 7, 1.0)):
        assert _p_value([*plus, point], minus) == pytest.approx(p_plus)
        assert _p_value([*minus, point], plus) == pytest.approx(p_minus)


def _p_value(own, other):
    """p of the last of own, among the scores of all."""
    scores = []
    for group in (other, own):
        table = dtw.self_matrix(np.array(group, dtype=float)[:, :, None], 0)
        np.fill_diagonal(table, np.inf)
        scores += table.min(axis=1).tolist()
    return sum(score >= scores[-1] for score in scores) / len(scores)


def test_conformal_validity_on_our_distances():
    # P(p <= eps) <= eps for exchangeable draws: Shafer and Vovk, JMLR 9 (2008); row 51.
    draws, n = sized(20_000, 300), 19
    rng = np.random.default_rng(51)
    series = rng.standard_normal((draws * (n + 1), 1, 8))
    scores = dtw.matrix(rng.standard_normal((1, 1, 8)), series, 2)[0].reshape(draws, n + 1)
    p = (scores >= scores[:, -1:]).sum(axis=1) / (n + 1)
    for eps in (0.05, 0.10, 0.20):
        assert (p <= eps).mean() <= eps + 3 * np.sqrt(eps * (1 - eps) / draws)


def test_scale_honesty():
    # checks.md row 52: z-normalised, a trace and twice the trace are the same to the last bit;
    # only the level-preserving distance tells 50 mV from 500 mV of ripple.
    time = np.linspace(0, 0.01, sized(500, 60))
    ripple = 0.025 * np.abs(np.sin(2 * np.pi * 600 * time))
    radius = 5
    assert dtw.distance(dtw.znormalise(ripple), dtw.znormalise(2 * ripple), radius) == 0.0
    assert dtw.distance(dtw.znormalise(ripple), dtw.znormalise(10 * ripple), radius) < 1e-9
    assert dtw.distance(ripple, 10 * ripple, radius) > 5 * np.linalg.norm(ripple)


# --- other libraries ----------------------------------------------------------------------------

CASES = [(1, 1, 0), (1, 40, 3), (2, 40, 5), (3, 25, 24), (1, 128, 12), (2, 60, 200)]


def _pair(channels, length, radius):
    rng = np.random.default_rng([channels, length, radius])
    length = min(length, sized(length, 20))
    return np.cumsum(rng.standard_normal((2, channels, length)), axis=-1), length


@pytest.mark.parametrize(("channels", "length", "radius"), CASES)
def test_tslearn_agrees(channels, length, radius):
    # tslearn: (L, C), radius as ours.
    from tslearn.metrics import dtw as theirs

    (a, b), _ = _pair(channels, length, radius)
    ref = theirs(a.T, b.T, global_constraint="sakoe_chiba", sakoe_chiba_radius=radius)
    assert dtw.distance(a, b, radius) == pytest.approx(ref, rel=1e-9)


@pytest.mark.parametrize(("channels", "length", "radius"), CASES)
def test_aeon_agrees(channels, length, radius):
    # aeon: squared, window as a share of the length that it rounds down.
    from aeon.distances import dtw_distance as theirs

    (a, b), n = _pair(channels, length, radius)
    ref = np.sqrt(theirs(a, b, window=min(1.0, (radius + 0.5) / n)))
    assert dtw.distance(a, b, radius) == pytest.approx(ref, rel=1e-9)


@pytest.mark.parametrize(("channels", "length", "radius"), CASES)
def test_dtaidistance_agrees(channels, length, radius):
    # dtaidistance: window one more than the radius; its pruned path returns wrong infinities on
    # some pairs, so use_pruning=False.
    from dtaidistance import dtw as theirs
    from dtaidistance import dtw_ndim

    (a, b), _ = _pair(channels, length, radius)
    if channels == 1:
        ref = theirs.distance(a[0], b[0], window=radius + 1, use_pruning=False)
    else:
        ref = dtw_ndim.distance(a.T, b.T, window=radius + 1, use_pruning=False)
    assert dtw.distance(a, b, radius) == pytest.approx(ref, rel=1e-9)


@pytest.mark.parametrize(("channels", "length", "radius"), CASES[1:4])
def test_the_shortest_way_through_a_graph_agrees(channels, length, radius):
    # Another algorithm altogether: cells as nodes, steps as edges, scipy's Dijkstra finds the way.
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import dijkstra

    (a, b), n = _pair(channels, length, radius)
    cost = ((a[:, :, None] - b[:, None, :]) ** 2).sum(axis=0)
    rows, columns, weights = [], [], []
    for i in range(n):
        for j in range(max(0, i - radius), min(n, i + radius + 1)):
            for p, q in ((i - 1, j - 1), (i - 1, j), (i, j - 1)):
                if p >= 0 and q >= 0 and abs(p - q) <= radius:
                    rows.append(p * n + q)
                    columns.append(i * n + j)
                    weights.append(cost[i, j])
    graph = coo_array((weights, (rows, columns)), shape=(n * n, n * n)).tocsr()
    ref = np.sqrt(cost[0, 0] + dijkstra(graph, indices=0)[-1])
    assert dtw.distance(a, b, radius) == pytest.approx(ref, rel=1e-9)
    index = dtw.PackedIndex.build(b[None], radius)
    assert index.search(a, 1).distances[0] == pytest.approx(ref, rel=1e-9)
