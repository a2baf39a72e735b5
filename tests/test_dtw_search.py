"""The packed index: the search is brute force, faster; the file is whole, current or refused."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matching import dtw
from matching.dtw import bounds, packed, plain, search, tables
from matching.dtw.band import envelope
from tests import naive
from tests.sizes import sized

examples = settings(deadline=None, max_examples=sized(60, 12))


def family(rng, n, channels, length, kind):
    """n references that resemble each other in one of the ways that make searching hard."""
    time_axis = np.linspace(0, 6, length)
    x = np.sin(time_axis + rng.uniform(0, 3, (n, channels, 1)))
    x += 0.1 * rng.standard_normal(x.shape)
    if kind == "ties":
        x = np.round(x)
    elif kind == "copies":
        x[n // 2 :] = x[: n - n // 2]
    elif kind == "constants":
        x[::2] = rng.integers(-2, 3, (len(x[::2]), channels, 1))
    elif kind == "offset":
        x += 1e6
    elif kind == "huge and tiny":
        x *= 10.0 ** rng.integers(-12, 14, (n, 1, 1))
    elif kind == "zero":
        x[:] = 0.0
    elif kind == "spike":
        x[:, :, length // 2] += 1e5
    return x


KINDS = ["plain", "ties", "copies", "constants", "offset", "huge and tiny", "zero", "spike"]


@st.composite
def searches(draw):
    """(references, query, radius, k) of any kind; the query is new, a member or a dead line."""
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    n, channels = draw(st.integers(1, sized(150, 40))), draw(st.integers(1, 3))
    length = draw(st.integers(1, sized(70, 20)))
    refs = family(rng, n, channels, length, draw(st.sampled_from(KINDS)))
    query = family(rng, 1, channels, length, draw(st.sampled_from(KINDS)))[0]
    query = draw(st.sampled_from([query, refs[n // 2].copy(), refs[0] * 1.001]))
    return refs, query, draw(st.integers(0, length + 3)), draw(st.integers(1, min(n, 12)))


def brute(refs, query, radius, k):
    """The answer by computing everything with our own exact kernel."""
    distances = dtw.matrix(query[None], refs, radius)[0]
    ids = np.lexsort((np.arange(len(refs)), distances))[:k]
    return ids.tolist(), distances[ids].tolist()


# --- the search ---------------------------------------------------------------------------------


@examples
@given(searches(), st.sampled_from([1, 2]))
def test_search_is_brute_force(case, threads):
    # No stage rules out a neighbour: ids, float64 distances and the order of ties are the same.
    # The warm start is kept small, or it alone would find everything among so few.
    refs, query, radius, k = case
    with mock.patch.object(search, "WARM", 1), mock.patch.object(search, "SMALL", 0):
        found = dtw.PackedIndex.build(refs, radius).search(query, k, threads)
    assert (found.ids.tolist(), found.distances.tolist()) == brute(refs, query, radius, k)


@examples
@given(searches(), st.integers(0, 99))
def test_search_is_brute_force_from_any_start(case, seed):
    # Whoever is warped first, however far, the stages after it lose nobody.
    refs, query, radius, k = case
    rng = np.random.default_rng(seed)

    def anybody(means, centre, weight, ids, out):
        out[:] = rng.random(len(out))

    with (
        mock.patch.object(bounds, "segment_distances", anybody),
        mock.patch.object(search, "WARM", 1),
    ):
        found = dtw.PackedIndex.build(refs, radius).search(query, k)
    assert (found.ids.tolist(), found.distances.tolist()) == brute(refs, query, radius, k)


@pytest.mark.parametrize("factor", [-1e6, -3.0, 0.5, 3.0, 1e6])
def test_queries_of_another_level_stay_exact(factor):
    # Far outside the coded range everything is clipped: slower, never wrong.
    rng = np.random.default_rng(12)
    n, length = sized(400, 60), sized(100, 12)
    refs = family(rng, n, 1, length, "plain")
    index = dtw.PackedIndex.build(refs, 4)
    for query in (refs[5] + factor, refs[5] * factor):
        with mock.patch.object(search, "WARM", 1):
            found = index.search(query, 3)
        assert (found.ids.tolist(), found.distances.tolist()) == brute(refs, query, 4, 3)


def test_a_spike_beyond_the_codes_is_no_excess_around_it():
    # Widening a clipped envelope must not wrap round: it would rule out the true neighbour.
    rng = np.random.default_rng(13)
    n, length = sized(300, 60), sized(100, 20)
    refs = family(rng, n, 1, length, "plain")
    index = dtw.PackedIndex.build(refs, 4)
    for sign in (1.0, -1.0):
        for i in range(3, n, n // 5):
            query = refs[i].copy()
            query[0, length // 2] = sign * 1.3 * tables.FAR * index._tables.step
            with (
                mock.patch.object(bounds, "segment_distances", lambda *a: a[-1].fill(0.0)),
                mock.patch.object(search, "WARM", 1),
            ):
                found = index.search(query, 2)
            assert (found.ids.tolist(), found.distances.tolist()) == brute(refs, query, 4, 2)


def test_search_is_the_slow_twin():
    # Brute force above uses our kernel; here nothing of ours is on the other side.
    rng = np.random.default_rng(8)
    refs, query = family(rng, 30, 2, 12, "ties"), family(rng, 1, 2, 12, "ties")[0]
    found = dtw.PackedIndex.build(refs, 2).search(query, 7)
    assert list(zip(found.distances, found.ids, strict=True)) == naive.top_k(refs, query, 7, 2)


@pytest.mark.parametrize("kind", ["plain", "copies", "spike"])
def test_large_searches_prune_and_stay_exact(kind):
    # Many references on both threads: most never reach a warping, and nobody is lost.
    rng = np.random.default_rng(4)
    n, length, radius = sized(6000, 70), sized(256, 16), sized(13, 2)
    refs = family(rng, n, 1, length, kind)
    index = dtw.PackedIndex.build(refs, radius)
    for query in [*family(rng, 3, 1, length, kind), refs[n // 3]]:
        expected = brute(refs, query, radius, 5)
        for threads in (1, 2):
            found = index.search(query, 5, threads)
            assert (found.ids.tolist(), found.distances.tolist()) == expected
    stats = found.stats
    assert stats.references == n
    assert 1.0 >= stats.sieved >= stats.both_ways >= stats.keogh >= stats.warped >= 0.0
    assert 0.0 < stats.exact <= 1.0
    assert stats.seconds > 0.0
    assert stats.warped < sized(50, 100) / 100


def test_other_threads_may_search_the_same_index():
    # A search keeps its work arrays to itself.
    rng = np.random.default_rng(9)
    refs = family(rng, sized(2000, 50), 1, sized(128, 10), "plain")
    index, queries = dtw.PackedIndex.build(refs, 5), family(rng, 8, 1, refs.shape[2], "plain")
    expected = [brute(refs, query, 5, 3) for query in queries]
    found: list = [None] * len(queries)

    def ask(i):
        answer = index.search(queries[i], 3)
        found[i] = (answer.ids.tolist(), answer.distances.tolist())

    from matching.dtw.pairs import share

    share([lambda i=i: ask(i) for i in range(len(queries))])
    assert found == expected


def test_inputs_survive_a_search():
    # Neither the references nor the query are changed.
    rng = np.random.default_rng(2)
    refs, query = family(rng, 40, 1, 20, "plain"), family(rng, 1, 1, 20, "plain")[0]
    before, asked = refs.copy(), query.copy()
    dtw.PackedIndex.build(refs, 3).search(query, 4)
    assert (refs == before).all()
    assert (query == asked).all()


# --- the bounds ---------------------------------------------------------------------------------


@examples
@given(searches())
def test_bounds_follow_each_other(case):
    # Segment bound <= LB_Keogh <= DTW: each stage is allowed to rule out what it rules out.
    refs, query, radius, _ = case
    for ref in refs[:5]:
        keogh = naive.lb_keogh_squared(query, ref, radius)
        assert naive.segment_bound_squared(query, ref, radius, 8) <= keogh * (1 + 1e-9) + 1e-9
        exact = dtw.distance(query, ref, min(radius, ref.shape[1] - 1)) ** 2
        assert keogh <= exact * (1 + 1e-9) + 1e-9


@examples
@given(searches())
def test_compiled_bounds_are_just_below_the_twins(case):
    # What rounding is given away is given away downwards, and is small.
    refs, query, radius, _ = case
    t = tables.pack(refs, radius)
    corridor = search._Search(t, query, 1).corridor
    chunks = t.codes.shape[3] // plain.CHUNK
    total = np.empty(len(refs), dtype=np.float32)
    rest = np.empty((len(refs), chunks + 1), dtype=np.float32)
    ids = np.arange(len(refs))
    safe, limit = np.float32(1 - 2.0**-23 * (query.size + 16)), np.float32(3e38)
    kept = bounds.keogh_both(corridor, t.codes, t.radius, ids, limit, safe, total, rest)
    assert kept == len(refs)
    codes = np.concatenate([refs, query[None]]) - t.offset[:, None]
    inside = np.ptp(codes) < 32000 * t.step
    for n in range(min(kept, 8)):
        one, other = refs[n], query
        exact = max(
            naive.lb_keogh_squared(other, one, radius), naive.lb_keogh_squared(one, other, radius)
        )
        found = float(total[n]) ** 0.5 * t.step
        assert found <= exact**0.5 * (1 + 1e-12)
        assert (np.diff(rest[n]) <= 0).all()
        if inside:  # what is clipped or saturates is allowed to be lost
            given_away = 3 * query.size**0.5 * t.step
            assert exact**0.5 <= found * (1 + 1e-4) + given_away


@given(st.integers(1, 500), st.integers(1, 500), st.integers(0, 99))
@examples
def test_low_cut_lets_enough_through(n, want, seed):
    # The histogram's edge may let more through, never fewer.
    want = min(n, want)
    values = np.random.default_rng(seed).exponential(10.0, n).astype(np.float32)
    values[: n // 3] = 0.0
    cut = bounds.low_cut(values, want)
    assert (values <= cut).sum() >= want
    assert bounds.at_most(values, cut).tolist() == np.flatnonzero(values <= cut).tolist()


@examples
@given(searches())
def test_codes_are_right_to_a_step(case):
    # value = offset + step * code to half a step, envelopes too; what lies far out is clipped.
    refs, _, radius, _ = case
    t = tables.pack(refs, radius)
    lower, upper = envelope(refs, t.radius)
    offset, length = t.offset[:, None], refs.shape[2]
    for part, value in ((tables.PROFILE, refs), (tables.LOWER, lower), (tables.UPPER, upper)):
        code = t.codes[:, part, :, :length].astype(float)
        decoded = offset + t.step * code
        rounding = 1e-12 * np.abs(value).max()
        assert (np.abs(decoded - value) <= 0.5 * t.step + rounding)[np.abs(code) < tables.FAR].all()
        assert (np.sign(value - decoded) * np.sign(code) >= 0)[np.abs(code) == tables.FAR].all()


# --- the file -----------------------------------------------------------------------------------


@pytest.fixture
def saved(tmp_path):
    """(path, index) of a small index saved for revision r7."""
    refs = family(np.random.default_rng(6), 60, 2, 30, "plain")
    index = dtw.PackedIndex.build(refs, 4)
    path = tmp_path / "index.packed"
    index.save(path, "r7")
    return path, index


def test_a_saved_index_answers_the_same(saved):
    # Out and in again: every array, and so every answer, is the same.
    path, index = saved
    opened = dtw.PackedIndex.open(path, "r7")
    opened.verify()
    index.verify()
    assert (len(opened), opened.shape, opened.radius) == (60, (60, 2, 30), 4)
    query = index._tables.refs[7] + 0.01
    a, b = index.search(query, 5), opened.search(query, 5)
    assert (a.ids == b.ids).all()
    assert (a.distances == b.distances).all()
    assert os.listdir(path.parent) == [path.name]


def test_a_stale_index_is_refused(saved):
    # The catalogue is the truth: an index of another revision is no index.
    path, _ = saved
    with pytest.raises(dtw.UnusableIndex) as caught:
        dtw.PackedIndex.open(path, "r8")
    assert str(caught.value) == (
        f"{path}: expected a packed index of catalogue revision 'r8', found revision 'r7'"
    )


def _flip(data: bytearray, at: int) -> bytes:
    data[at] ^= 1
    return bytes(data)


DAMAGE = {
    "empty": (lambda d: b"", "an empty file"),
    "short": (lambda d: bytes(d[:10]), "a file that is no packed index"),
    "other file": (lambda d: b"RIFF" + bytes(d[4:]), "a file that is no packed index"),
    "header": (lambda d: _flip(d, 40), "a header with another checksum"),
    "header length": (lambda d: _flip(d, 15), "a header that does not fit"),
    "truncated": (lambda d: bytes(d[:-64]), "{size} bytes instead of {whole}"),
    "first array": (
        lambda d: _flip(d, packed.ROOM),
        "array refs with another checksum at its ends",
    ),
    "blank": (
        lambda d: bytes(d[: packed.ROOM]) + bytes(len(d) - packed.ROOM),
        "array refs with another checksum at its ends",
    ),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_damage_is_refused_on_opening(saved, name):
    # Whatever befell the file, the caller gets one exception and builds it anew.
    path, _ = saved
    change, found = DAMAGE[name]
    whole = path.stat().st_size
    path.write_bytes(change(bytearray(path.read_bytes())))
    with pytest.raises(dtw.UnusableIndex) as caught:
        dtw.PackedIndex.open(path, "r7")
    found = found.format(size=path.stat().st_size, whole=whole)
    assert str(caught.value) == f"{path}: expected an undamaged packed index, found {found}"


def test_other_versions_and_missing_files_are_refused(saved):
    # Also what a newer or older program wrote, and what is not there at all.
    path, _ = saved
    path.write_bytes(_flip(bytearray(path.read_bytes()), 8))
    with pytest.raises(dtw.UnusableIndex) as caught:
        dtw.PackedIndex.open(path, "r7")
    assert str(caught.value) == f"{path}: expected format version 1, found 0"
    path.unlink()
    with pytest.raises(dtw.UnusableIndex) as caught:
        dtw.PackedIndex.open(path, "r7")
    assert str(caught.value) == f"{path}: expected a packed index, found no file"
    with pytest.raises(dtw.UnusableIndex, match="expected a readable packed index, found"):
        dtw.PackedIndex.open(path.parent, "r7")


def test_damage_in_the_middle_is_found_by_verify(tmp_path):
    # Opening is quick and looks at both ends of each array; verify reads every byte.
    refs = family(np.random.default_rng(6), 200, 1, 64, "plain")
    path = tmp_path / "index.packed"
    dtw.PackedIndex.build(refs, 4).save(path, "r1")
    path.write_bytes(_flip(bytearray(path.read_bytes()), packed.ROOM + refs.nbytes // 2))
    opened = dtw.PackedIndex.open(path, "r1")
    with pytest.raises(dtw.UnusableIndex, match=r"found array refs with another checksum$"):
        opened.verify()


def test_a_failed_save_leaves_the_old_file(saved, monkeypatch):
    # The new file appears whole or not at all, and nothing is left lying about.
    path, index = saved
    before = path.read_bytes()

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        index.save(path, "r8")
    assert path.read_bytes() == before
    assert os.listdir(path.parent) == [path.name]


def test_opening_takes_under_a_millisecond_and_no_compiler(saved):
    # The start of every check: memory-mapped, header and ends checked, numba not imported.
    path, _ = saved
    code = (
        "import sys; from matching.dtw import PackedIndex; "
        f"PackedIndex.open({str(path)!r}, 'r7'); assert 'numba' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
    took = []
    for _ in range(50):
        began = time.perf_counter()
        dtw.PackedIndex.open(path, "r7")
        took.append(time.perf_counter() - began)
    assert min(took) < 1e-3


REFUSED = {
    "no references": (
        lambda index: dtw.PackedIndex.build(np.zeros((0, 1, 5)), 1),
        "refs: expected at least one series, found 0",
    ),
    "nan": (
        lambda index: dtw.PackedIndex.build(np.array([[[np.nan, 0.0]]]), 1),
        "refs: expected finite values within +-1e+15, found nan at series 0, channel 0, sample 0",
    ),
    "shape": (
        lambda index: index.search(np.zeros(30), 1),
        "query: expected 2 channel(s) of 30 sample(s) like the references, "
        "found 1 channel(s) of 30 sample(s)",
    ),
    "k": (
        lambda index: index.search(np.zeros((2, 30)), 61),
        "k: expected a whole number from 1 to 60, found 61",
    ),
    "no k": (
        lambda index: index.search(np.zeros((2, 30)), 0),
        "k: expected a whole number from 1 to 60, found 0",
    ),
    "threads": (
        lambda index: index.search(np.zeros((2, 30)), 1, threads=3),
        "threads: expected a whole number from 1 to 2, found 3",
    ),
    "revision": (
        lambda index: index.save("never", "x" * 9000),
        "revision: expected a short text, found 9000 characters",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_the_gate_of_the_index(saved, name, tmp_path, monkeypatch):
    # Expected and found, word for word.
    monkeypatch.chdir(tmp_path)
    call, text = REFUSED[name]
    with pytest.raises(ValueError) as caught:
        call(saved[1])
    assert str(caught.value) == text
