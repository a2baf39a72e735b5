"""matching.dtw: distances, paths, tables, medoid and normalising against their slow twins."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from matching import dtw
from matching.dtw import band, gate, lanes, plain
from tests import naive
from tests.sizes import COMPILED, sized

examples = settings(deadline=None, max_examples=sized(60, 20))

# Small whole numbers make ties and constants common; the floats cover the rest.
WHOLE = st.integers(-3, 3).map(float)
REAL = st.floats(-1e6, 1e6, allow_nan=False, width=32)


@st.composite
def batches(draw):
    """A float64 array (N, C, L) of one kind of values."""
    shape = draw(st.integers(2, 5)), draw(st.integers(1, 3)), draw(st.integers(1, 20))
    values = draw(st.sampled_from([WHOLE, REAL, st.just(0.25)]))
    flat = draw(st.lists(values, min_size=int(np.prod(shape)), max_size=int(np.prod(shape))))
    return np.array(flat, dtype=np.float64).reshape(shape)


RADII = st.integers(0, 25)


# --- against the twins --------------------------------------------------------------------------


@examples
@given(batches(), RADII)
def test_distance_is_the_twins_to_the_last_bit(x, radius):
    # Visiting cells in another order changes no cell: cost + smallest of three, bit for bit.
    assert dtw.distance(x[0], x[1], radius) == naive.dtw(x[0], x[1], radius)


@examples
@given(batches(), RADII)
def test_matrix_is_the_twins_to_the_last_bit(x, radius):
    # Lanes hold other pairs, never other arithmetic.
    a, b = x[:2], x
    assert dtw.matrix(a, b, radius).tolist() == naive.dtw_matrix(a, b, radius)
    assert dtw.matrix(b, a, radius).tolist() == naive.dtw_matrix(b, a, radius)
    assert dtw.self_matrix(x, radius).tolist() == naive.dtw_matrix(x, x, radius)


@examples
@given(batches(), RADII)
def test_path_runs_inside_the_band_and_costs_the_distance(x, radius):
    # The path is a proof of the distance: adding up along it gives the same cost.
    a, b = x[0], x[1]
    path = dtw.path(a, b, radius)
    assert path.dtype == np.int64
    assert naive.is_path(path, a.shape[1], radius)
    assert naive.path_cost(a, b, path) == pytest.approx(naive.dtw_squared(a, b, radius), rel=1e-12)


@examples
@given(batches(), RADII)
def test_medoid_has_the_least_summed_distance(x, radius):
    # Sums of the same numbers in another order may differ in the last digits, so compare sums.
    table = naive.dtw_matrix(x, x, radius)
    sums = [sum(row) for row in table]
    assert sums[dtw.medoid(x, radius)] <= min(sums) * (1 + 1e-9)


@examples
@given(batches())
def test_znormalise_is_the_twins(x):
    # Means and spreads are summed in another order, hence not to the last bit.
    for row in x:
        comp, ref = dtw.znormalise(row), np.array(naive.znormalise(row))
        # Near the floor either side may call a channel constant: leave that line to its own test.
        spread = np.array([np.std(channel) for channel in row])
        edge = 1e-9 * np.abs(row).max(axis=1)
        assume(not ((spread > 0.5 * edge) & (spread < 2 * edge) & (edge > 0)).any())
        np.testing.assert_allclose(comp, ref, rtol=1e-6, atol=1e-6)


@examples
@given(batches(), RADII)
def test_envelope_is_the_twins(x, radius):
    # Windows grown by doubling cover the same samples as windows walked through.
    lower, upper = band.envelope(x[0], radius)
    for row, low, high in zip(x[0], lower, upper, strict=True):
        assert (low.tolist(), high.tolist()) == naive.envelope(row, radius)


@examples
@given(st.integers(1, 40), st.integers(0, 50), st.data())
def test_band_counts_its_cells(length, radius, data):
    # The compact form of the band holds what a full mask holds.
    mask = np.abs(np.subtract.outer(np.arange(length), np.arange(length))) <= radius
    assert band.band_cells(length, radius) == mask.sum()
    row = data.draw(st.integers(0, length - 1))
    start, stop = band.row_limits(length, radius, row)
    assert mask[row].nonzero()[0].tolist() == list(range(start, stop))


def test_large_tables_are_the_same_on_two_threads():
    # Above SMALL_WORK the table is shared out; every entry is still what one pair gives.
    n, length, radius = sized(150, 20), sized(512, 20), sized(40, 3)
    x = np.random.default_rng(0).standard_normal((n, 1, length))
    whole, half = dtw.matrix(x, x[:-1], radius), dtw.self_matrix(x, radius)
    assert (whole == half[:, :-1]).all()
    assert (half == half.T).all()
    for i, j in ((0, n - 1), (3, 7), (n - 1, 1)):
        assert half[i, j] == dtw.distance(x[i], x[j], radius)


def test_compiled_lanes_are_the_plain_loops():
    # The vector instructions, saturation included, do what the loops beside them say.
    rng = np.random.default_rng(3)
    query = rng.integers(-32768, 32767, 9).astype(np.int16)
    other = rng.integers(-32768, 32767, (9, plain.WIDE16)).astype(np.int16)
    other[:, :8] = query[:, None] + rng.integers(-40, 40, (9, 8))
    tables = []
    for sweep, add, least in (
        (lanes.sweep_i16, lanes.add_i16, lanes.least_i16),
        (plain.sweep_i16, plain.add_i16, plain.least_i16),
    ):

        def rows(query, other, table, extra, out, sweep=sweep, add=add, least=least):
            for i in range(query.shape[0]):
                start, stop = max(0, i - 2), min(9, i + 3)
                extra[:] = 0
                add(extra, other, query[i], start, stop)
                sweep(table, extra, other, query[i], start, stop)
                sweep(table, None, other, query[i], start, stop)
                table[0] = 32767
                least(table, out[i], start, stop)

        table = np.full((10, plain.WIDE16), plain.TOP16, dtype=np.int16)
        table[0] = 0
        out = np.zeros((9, plain.WIDE16), dtype=np.int16)
        _run(rows, sweep)(query, other, table, np.zeros_like(other), out)
        tables.append((table, out))
    assert (tables[0][0] == tables[1][0]).all()
    assert (tables[0][1] == tables[1][1]).all()
    assert (tables[1][1][:, :8] < plain.TOP16).any()


def test_compiled_codes_are_the_plain_loops():
    # Scaling, turning into lanes and excess over a corridor, at the edges of 16 bits too.
    rng = np.random.default_rng(4)
    x = rng.integers(-32768, 32768, (8, 64)).astype(np.int16)
    x[0, :4] = -32768, 32767, 0, -1
    found = []
    for units, turn, excess in (
        (lanes.units_i16, lanes.turn_i16, lanes.excess_i16),
        (plain.units_i16, plain.turn_i16, plain.excess_i16),
    ):

        def work(x, y, turned, sums, units=units, turn=turn, excess=excess):
            for row in range(8):
                centre, clip, factor = np.int16(-300), np.int16(8191), np.int16(21000 + row)
                units(x[row], centre, clip, np.int16(2), factor, y[row], 64)
            turn(y, turned, 8, 64)
            excess(x[0], x[1], x[2], x[3], sums, 2)

        y, turned = np.zeros_like(x), np.zeros((64, plain.WIDE16), dtype=np.int16)
        sums = np.zeros(2, dtype=np.float32)
        _run(work, units)(x, y, turned, sums)
        found.append((y, turned, sums))
    assert (found[0][0] == found[1][0]).all()
    assert (found[0][1] == found[1][1]).all()
    assert (found[1][1][:, 8:16] == found[1][0].T).all()
    np.testing.assert_allclose(found[0][2], found[1][2], rtol=1e-5)


def _run(loop, function):
    """The loop, compiled if the function it calls only exists compiled."""
    from numba import njit

    return njit(loop) if COMPILED and function.__module__ != plain.__name__ else loop


# --- properties ---------------------------------------------------------------------------------


@examples
@given(batches(), RADII)
def test_swapping_and_repeating(x, radius):
    # Swapping the arguments changes nothing; distance to itself is zero along the diagonal.
    a, b = x[0], x[1]
    assert dtw.distance(a, b, radius) == dtw.distance(b, a, radius)
    assert dtw.distance(a, a, radius) == 0.0
    assert (dtw.path(a, a, radius) == np.arange(a.shape[1])[:, None]).all()


@examples
@given(batches(), RADII)
def test_wider_bands_never_cost_more(x, radius):
    # Every path of a narrow band is a path of a wider one; radius 0 is the Euclidean distance.
    a, b = x[0], x[1]
    assert dtw.distance(a, b, radius + 1) <= dtw.distance(a, b, radius)
    assert dtw.distance(a, b, 0) == pytest.approx(np.sqrt(((a - b) ** 2).sum()), rel=1e-12)
    length = a.shape[1]
    assert dtw.distance(a, b, length - 1) == dtw.distance(a, b, length + 1000)


@examples
@given(batches(), RADII, st.integers(-8, 8))
def test_gain_scales_and_common_offset_does_not_matter(x, radius, power):
    # The level is kept: twice the signal is twice the distance; the same shift of both is none.
    a, b = x[0], x[1]
    gain = 2.0**power
    assert dtw.distance(gain * a, gain * b, radius) == gain * dtw.distance(a, b, radius)
    moved = dtw.distance(a + 64.0, b + 64.0, radius)
    assert moved == pytest.approx(dtw.distance(a, b, radius), rel=1e-6, abs=1e-6)


@examples
@given(batches())
def test_channels_share_one_path(x):
    # Dependent warping: a repeated channel doubles the cost, independent warping never costs more.
    a, b = x[0], x[1]
    both = dtw.distance(np.vstack([a, a]), np.vstack([b, b]), 3)
    assert both == pytest.approx(np.sqrt(2) * dtw.distance(a, b, 3), rel=1e-12)
    apart = sum(dtw.distance(p, q, 3) ** 2 for p, q in zip(a, b, strict=True))
    assert dtw.distance(a, b, 3) ** 2 >= apart * (1 - 1e-12)


@examples
@given(batches(), st.floats(0.5, 2.0), st.floats(-100, 100))
def test_znormalising_removes_gain_and_offset(x, gain, offset):
    # What is left after z-normalising has mean 0 and spread 1, whatever gain and offset were.
    assume(np.std(x, axis=-1).min() > 1e-3 * max(1.0, np.abs(x).max()))
    z = dtw.znormalise(x)
    np.testing.assert_allclose(z.mean(axis=-1), 0.0, atol=1e-9)
    np.testing.assert_allclose(z.std(axis=-1), 1.0, rtol=1e-9)
    np.testing.assert_allclose(dtw.znormalise(gain * x + offset), z, atol=1e-6)


def test_constants_become_zeros():
    # A dead line is no noise: below FLAT of the level nothing is blown up to spread 1.
    dead = np.full((1, 50), 12.6) + 1e-9 * np.sin(np.arange(50))
    assert (dtw.znormalise(dead) == 0.0).all()
    assert (dtw.znormalise(np.zeros(7)) == 0.0).all()
    alive = np.full((1, 50), 12.6) + 1e-6 * np.sin(np.arange(50))
    assert dtw.znormalise(alive).std() == pytest.approx(1.0)


def test_ties_prefer_the_diagonal():
    # All cells cost the same nothing: the path that prefers the diagonal is the shortest one.
    flat = np.zeros(6)
    assert dtw.path(flat, flat + 0.0, 5).tolist() == [[i, i] for i in range(6)]
    # Then the step in the first series: two equal ways around one expensive cell.
    found = dtw.path([0.0, 0.0, 1.0], [0.0, 1.0, 1.0], 2)
    assert found.tolist() == [[0, 0], [1, 0], [2, 1], [2, 2]]


def test_medoid_ties_go_to_the_lower_index():
    # Two equal members have equal sums, computed in mirrored columns.
    x = np.random.default_rng(5).standard_normal((6, 1, 12))
    x[4] = x[2]
    sums = dtw.self_matrix(x, 3).sum(axis=1)
    assert sums[4] == pytest.approx(sums[2])
    assert dtw.medoid(np.stack([x[2], x[4], x[0]]), 3) == 0


def test_inputs_survive():
    # Arrays in, arrays out: the caller's data is the same afterwards.
    x = np.random.default_rng(1).standard_normal((3, 2, 30))
    before = x.copy()
    dtw.distance(x[0], x[1], 4)
    dtw.path(x[0], x[1], 4)
    dtw.matrix(x, x, 4)
    dtw.medoid(x, 4)
    dtw.znormalise(x)
    assert (x == before).all()


def test_shapes_that_mean_the_same():
    # (L,) is one channel; lists and whole numbers are taken; an empty batch gives an empty table.
    assert dtw.distance([0, 1, 2], [[0, 1, 3]], 1) == 1.0
    assert dtw.matrix(np.zeros((0, 1, 4)), np.zeros((3, 1, 4)), 1).shape == (0, 3)
    assert dtw.znormalise([1.0, 2.0]).tolist() == [-1.0, 1.0]


# --- the gate -----------------------------------------------------------------------------------

BAD = float("nan")
REFUSED = {
    "nan": (
        lambda: dtw.distance([1.0, BAD], [1.0, 2.0], 1),
        "a: expected finite values within +-1e+15, found nan at channel 0, sample 1",
    ),
    "infinity": (
        lambda: dtw.path([1.0, 2.0], [[1.0, -np.inf]], 1),
        "b: expected finite values within +-1e+15, found -inf at channel 0, sample 1",
    ),
    "nan in a batch": (
        lambda: dtw.self_matrix(np.array([[[0.0, 1.0]], [[BAD, 1.0]]]), 1),
        "a: expected finite values within +-1e+15, found nan at series 1, channel 0, sample 0",
    ),
    "huge": (
        lambda: dtw.znormalise([1e16]),
        "x: expected finite values within +-1e+15, found 1e+16 at channel 0, sample 0",
    ),
    "lengths": (
        lambda: dtw.distance(np.zeros(5), np.zeros(6), 1),
        "b: expected 1 channel(s) of 5 sample(s) like a, found 1 channel(s) of 6 sample(s)",
    ),
    "channels": (
        lambda: dtw.matrix(np.zeros((1, 2, 5)), np.zeros((1, 1, 5)), 1),
        "b: expected 2 channel(s) of 5 sample(s) like a, found 1 channel(s) of 5 sample(s)",
    ),
    "dimensions": (
        lambda: dtw.distance(np.zeros((1, 1, 5)), np.zeros(5), 1),
        "a: expected a series of shape (L,) or (C, L) with at least one sample, "
        "found shape (1, 1, 5)",
    ),
    "empty": (
        lambda: dtw.distance([], [], 1),
        "a: expected a series of shape (L,) or (C, L) with at least one sample, found shape (0,)",
    ),
    "no batch": (
        lambda: dtw.medoid(np.zeros((4, 5)), 1),
        "a: expected series of shape (N, C, L) with at least one sample, found shape (4, 5)",
    ),
    "nobody": (
        lambda: dtw.medoid(np.zeros((0, 1, 5)), 1),
        "a: expected at least one series to choose a medoid from, found 0",
    ),
    "words": (
        lambda: dtw.distance(["x"], ["y"], 1),
        "a: expected an array of numbers, found dtype <U1",
    ),
    "ragged": (
        lambda: dtw.distance([[1.0], [1.0, 2.0]], [[1.0], [1.0, 2.0]], 1),
        "a: expected an array of numbers, found a ragged list",
    ),
    "negative radius": (
        lambda: dtw.distance([1.0], [1.0], -1),
        "radius: expected a whole number of samples >= 0, found -1",
    ),
    "broken radius": (
        lambda: dtw.distance([1.0], [1.0], 2.5),
        "radius: expected a whole number of samples >= 0, found 2.5",
    ),
    "true radius": (
        lambda: dtw.distance([1.0], [1.0], True),
        "radius: expected a whole number of samples >= 0, found True",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_the_gate_says_what_it_expected_and_found(name):
    # One gatekeeper, one sentence: tested word for word.
    call, text = REFUSED[name]
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == text


def test_the_limit_of_the_gate_is_taken():
    # Exactly LARGEST is inside.
    assert dtw.distance([gate.LARGEST], [-gate.LARGEST], 0) == 2e15


def test_importing_costs_no_numba():
    # The command line imports matching.dtw for its names; only a call may load the compiler.
    code = "import sys, matching.dtw as d; dir(d); assert 'numba' not in sys.modules; d.distance"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_unknown_names_are_refused():
    # The lazy package behaves like a plain one.
    with pytest.raises(AttributeError, match=r"module 'matching\.dtw' has no attribute 'nothing'"):
        _ = dtw.nothing
    assert "PackedIndex" in dir(dtw)
