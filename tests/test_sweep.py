"""Sweeping long recordings: every event once, odds that hold, rhythms, and the whole job."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from matching.sweep.cut import POINTS, Batch, Cutter, segments
from matching.sweep.find import verdicts_of
from matching.sweep.good import good_spread
from matching.sweep.odd import running_median, score_all
from matching.sweep.rhythm import clusters, every_nth, rhythms, with_speed
from matching.sweep.tail import FIRST, SECOND, corrected, joint_p, tail_p
from matching.sweep.turn import train_of
from refdb.cards import find_card
from refdb.records import Channel
from tests.benchmarks.sweep_recording import Recording, make
from tests.builders_shop import bare_catalogue
from tests.test_cli_usage import run

DRAWS = 10_000
ALPHA = 0.05


@pytest.fixture(scope="module")
def recording() -> Recording:
    """Forty seconds of firings, four of them bad, two disturbed from outside."""
    bad = (("wide-gap", 0.9), ("open-secondary", 1.0), ("weak-coil", 0.8), ("no-spark-at-all", 1.0))
    return make(5, 40.0, bad=bad, nuisances=("bump-slow", "spike"))


def cut_in_blocks(recording: Recording, block: int, margin: int) -> np.ndarray:
    """Anchors (n,) of a recording cut block by block."""
    x = recording.samples[None] * recording.step
    cutter = Cutter(
        find_card("ignition-secondary"), (Channel("secondary", "kV"),), recording.rate_hz, "made"
    )
    blocks = ((a, x[:, a : a + block]) for a in range(0, x.shape[1], block))
    parts = [cutter.cut(segment) for segment in segments(blocks, margin)]
    for part in parts:
        assert part.grid.shape == (part.n, 1, POINTS) and np.isfinite(part.grid).all()
    return np.concatenate([part.anchor for part in parts])


# --- cutting


def test_segments_carry_their_neighbours():
    x = np.arange(100.0).reshape(2, 50)
    blocks = [(a, x[:, a : a + 20]) for a in (0, 20, 40)]
    got = list(segments(blocks, 5))
    assert [(s.at, s.core) for s in got] == [(0, (0, 20)), (15, (20, 40)), (35, (40, 50))]
    for s, stop in zip(got, (25, 45, 50), strict=True):
        np.testing.assert_array_equal(s.samples, x[:, s.at : stop])


@pytest.mark.parametrize("block", [150_001, 262_144, 700_000])
def test_every_event_once_wherever_the_borders_fall(recording, block):
    whole = cut_in_blocks(recording, recording.samples.size, 0)
    parts = cut_in_blocks(recording, block, block // 8)
    assert parts.size == whole.size
    assert np.max(np.abs(parts - whole)) <= 1.0


def test_time_stamps_are_true_to_one_sample(recording):
    missing = next(at for what, at in recording.bad if what.startswith("no-spark"))
    anchors = cut_in_blocks(recording, 262_144, 32_768)
    for at in recording.firings:
        near = float(np.min(np.abs(anchors - at)))
        assert (near > 1000.0) if at == missing else (near <= 1.0)


def test_a_border_upon_a_firing_neither_drops_nor_doubles_it(recording):
    edge = int(recording.firings[40])
    for block in range(edge - 2, edge + 3):
        anchors = cut_in_blocks(recording, block, block // 8)
        assert np.sum(np.abs(anchors - recording.firings[40]) <= 1.5) == 1


def test_running_median_is_the_plain_one_at_its_knots():
    x = np.random.default_rng(1).normal(size=(70, 3))
    got = running_median(x, half=7, stride=10)
    for k in range(0, 70, 10):
        np.testing.assert_allclose(got[k], np.median(x[max(k - 7, 0) : k + 8], axis=0))
    np.testing.assert_allclose(got[5], 0.5 * (got[0] + got[10]))


# --- the promise: P(any event listed | all exchangeable) <= alpha


@pytest.mark.parametrize("law", ["power", "lognormal", "gamma", "half-normal", "exponential"])
def test_the_promise_on_exchangeable_scores(law):
    # 10 000 recordings of 200 events whose scores are drawn from one distribution
    random = np.random.default_rng(7)
    draw = {
        "power": lambda n: (1.0 - random.random(n)) ** (-1.0 / 3.0),
        "lognormal": lambda n: np.exp(0.3 * random.normal(size=n)),
        "gamma": lambda n: np.sqrt(random.gamma(8.0, size=n)),
        "half-normal": lambda n: np.abs(random.normal(size=n)),
        "exponential": lambda n: random.exponential(size=n),
    }[law]
    alarms = sum(bool(corrected(joint_p([draw(200)], ALPHA)).min() <= ALPHA) for _ in range(DRAWS))
    assert alarms / DRAWS <= ALPHA + 3.0 * np.sqrt(ALPHA * (1 - ALPHA) / DRAWS)


def test_a_power_law_has_the_odds_it_says():
    # the predictive tail is exact for a power law: a new score's p-value is uniform
    random = np.random.default_rng(3)
    below = {0.05: 0, 0.01: 0, 0.001: 0}
    for _ in range(DRAWS):
        score = (1.0 - random.random(151)) ** (-1.0 / 2.5)
        keep = np.arange(151) > 0
        p = tail_p(score, SECOND, keep)[0]
        for level in below:
            below[level] += int(p <= level)
    for level, count in below.items():
        spread = np.sqrt(level * (1 - level) * DRAWS)
        assert abs(count - level * DRAWS) <= 4.0 * spread + 0.1 * level * DRAWS


@pytest.mark.parametrize("span", [FIRST, SECOND])
def test_p_values_fall_with_the_score(span):
    score = np.random.default_rng(2).gamma(5.0, size=300)
    p = tail_p(score, span, np.ones(300, bool))[np.argsort(score)]
    assert np.all(np.diff(p) <= 1e-12) and p.min() > 0 and p.max() <= 1.0


def test_missing_scores_and_too_few_events_say_nothing():
    score = np.append(np.random.default_rng(2).gamma(5.0, size=100), np.nan)
    assert tail_p(score, SECOND, np.ones(101, bool))[-1] == 1.0
    assert np.all(tail_p(np.append(np.ones(20), 99.0), SECOND, np.ones(21, bool)) == 1.0)


def test_correction_of_the_printed_example():
    # Benjamini and Hochberg (1995), their 15 p-values: four are rejected at 0.05 (MEMORY)
    p = np.array([0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240,
                  0.4262, 0.5719, 0.6528, 0.7590, 1.0])  # fmt: skip
    assert int(np.sum(corrected(p) <= 0.05)) == 4
    np.testing.assert_allclose(corrected(p[::-1])[::-1], corrected(p))


def made_events(random: np.random.Generator, n: int, jitter: float = 1.0) -> Batch:
    """Healthy events: jitter of edge, length and level, noise; slow drift of level and speed."""
    t = np.arange(POINTS) / POINTS
    edge = 0.2 + 0.01 * jitter * random.normal(size=n)
    length = 0.4 * (1 + 0.03 * jitter * random.normal(size=n))
    level = (1 + 0.05 * jitter * random.normal(size=n)) * (1 + 0.3 * np.arange(n) / n)
    wave = 1 / (1 + np.exp(-(t - edge[:, None]) / 0.01))
    wave -= 1 / (1 + np.exp(-(t - edge[:, None] - length[:, None]) / 0.01))
    grid = level[:, None] * wave + 0.02 * random.normal(size=(n, POINTS))
    wait = 1000.0 * (1 + 0.2 * np.arange(n) / n) * (1 + 0.01 * random.normal(size=n))
    anchor = np.cumsum(wait)
    strips = np.stack((np.zeros((n, 2, 1)), np.full((n, 2, 1), 0.02)), axis=-1)
    grid = grid[:, None].astype(np.float32)
    return Batch(anchor, anchor - 100, anchor + 300, grid, strips, np.array([0.02]))


def odds(batch: Batch) -> np.ndarray:
    """Corrected p-values (n,) of the events of one batch."""
    events, _, _ = score_all([batch])
    return verdicts_of(events, train_of(events.anchor), ALPHA).q


def test_the_promise_on_whole_exchangeable_recordings():
    # from waveforms, with drift: 250 recordings of 100 events, three views each
    random = np.random.default_rng(11)
    alarms = sum(bool(odds(made_events(random, 100)).min() <= ALPHA) for _ in range(250))
    assert alarms / 250 <= ALPHA + 3.0 * np.sqrt(ALPHA * (1 - ALPHA) / 250)


def test_one_odd_event_among_drifting_ones_is_found_and_only_it():
    batch = made_events(np.random.default_rng(4), 1000, 0.2)
    batch.grid[123, 0, 50:70] = 0.0
    assert np.flatnonzero(odds(batch) <= ALPHA).tolist() == [123]


def test_a_fifth_of_the_events_may_be_odd():
    batch = made_events(np.random.default_rng(6), 300, 0.2)
    batch.grid[::5, 0, 50:70] *= 0.3
    found = set(np.flatnonzero(odds(batch) <= ALPHA).tolist())
    assert found >= set(range(0, 300, 5))
    # of the listed ones at most alpha are false on average; 60 true ones, three deviations more
    assert len(found) - 60 <= 60 * ALPHA + 3.0 * np.sqrt(60 * ALPHA)


# --- the train and its rhythms


def test_missing_late_and_out_of_turn():
    random = np.random.default_rng(8)
    anchor = 100.0 * np.arange(200) + random.normal(0, 0.3, 200)
    anchor[150] += 30.0
    given = np.sort(np.append(np.delete(anchor, [60]), anchor[100] + 41.0))
    train = train_of(given)
    assert train.regular and train.due == 200
    assert train.missing.tolist() == [59]
    assert np.flatnonzero(~train.in_turn).tolist() == [100]
    late = np.nan_to_num(np.abs(train.late))
    assert int(late.argmax()) == 150 and train.late[150] == pytest.approx(30.0, abs=2.0)


def test_uneven_events_have_no_turn():
    train = train_of(np.cumsum(np.random.default_rng(1).exponential(size=300)))
    assert not train.regular and train.missing.size == 0 and train.in_turn.all()


def test_every_fourth_is_told_and_not_every_eighth():
    told = every_nth(np.array([1, 9, 13, 33, 49, 61, 77, 101]), "firing")
    assert told is not None and told.sentence.startswith(
        "8 of 8 share one place in every 4: each fourth firing"
    )


def test_clusters_and_speed():
    told = clusters(np.array([100, 101, 103, 500, 501, 502, 900, 902]), 2000, "firing")
    assert told is not None and "in clusters" in told.sentence
    every = np.linspace(5.0, 10.0, 1000)
    told = with_speed(np.array([9.1, 9.3, 9.4, 9.6, 9.8, 9.9]), every, "firing")
    assert told is not None and told.sentence.startswith("when the engine turns faster")
    assert with_speed(np.array([5.1, 6.0, 7.4, 8.0, 9.9]), every, "firing") is None


def test_chance_is_no_rhythm():
    # each of three tests errs in at most 1 of 100; 1 000 random lists
    random = np.random.default_rng(9)
    speed = np.linspace(5.0, 10.0, 2000)
    told = 0
    for _ in range(1000):
        slot = np.sort(random.choice(2000, 12, replace=False))
        told += bool(rhythms(slot, 2000, speed[slot], speed, "firing"))
    assert told / 1000 <= 0.03 + 3.0 * np.sqrt(0.03 * 0.97 / 1000)


def test_too_few_good_vehicles_make_no_spread():
    assert good_spread([], []) is None


# --- the whole job


def wav_or_npz(folder: Path, recording: Recording) -> Path:
    np.savez(folder / "long.npz", secondary=recording.samples, fs=recording.rate_hz)
    return folder / "long.npz"


def arguments(recording: Recording) -> tuple[str, ...]:
    return ("--system", "secondary", "--channels", "secondary=kV", "--scale", repr(recording.step))


@pytest.fixture
def shop(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(bare_catalogue(tmp_path / "shop.sqlite")))
    return tmp_path


def test_the_whole_job(capsys, shop, recording):
    wav_or_npz(shop, recording)
    code, out, err = run(
        capsys, "sweep", "long.npz", *arguments(recording), "--json-lines", "out.jsonl",
        "--picture", "out.png",
    )  # fmt: skip
    assert (code, err) == (1, "")
    assert out.startswith("4 of ") and "Benjamini and Hochberg" in out
    assert "compared with the recording itself only" in out
    lines = [json.loads(line) for line in Path("out.jsonl").read_text("ascii").splitlines()]
    head, events = lines[0], [one for one in lines if one["kind"] == "event"]
    assert head["schema"] == "straygauge.sweep/1" and head["n_samples"] == 2_000_000
    assert head["n_found"] == len(events) == len(recording.bad)
    interval = head["interval_s"] * recording.rate_hz
    for one, (what, at) in zip(events, recording.bad, strict=True):
        assert (one["what"] == "missing") == what.startswith("no-spark")
        near = 0.1 * interval if one["what"] == "missing" else 1.0
        assert abs(one["time_s"] * recording.rate_hz - at) <= near
        assert one["p_corrected"] <= 0.05 and one["unit"] in one["sentence"]
    reasons = " ".join(one["reason"] for one in lines if one["kind"] == "aside")
    assert "the line beside the event is off as well" in reasons and "out of turn" in reasons
    assert Path("out.png").read_bytes().startswith(b"\x89PNG")


def test_too_few_events_cannot_be_told(capsys, shop):
    short = make(5, 3.0, bad=(), nuisances=())
    wav_or_npz(shop, short)
    code, out, _ = run(capsys, "sweep", "long.npz", *arguments(short))
    assert code == 3
    assert out.startswith(f"Cannot say: {short.firings.size} firing(s) found, at least 30 are")


def test_nothing_strays(capsys, shop):
    calm = make(6, 20.0, bad=(), nuisances=())
    wav_or_npz(shop, calm)
    code, out, _ = run(capsys, "sweep", "long.npz", *arguments(calm), "--json")
    assert code == 0 and len(json.loads(out)) == 1


def test_a_wrong_alpha(capsys, shop):
    code, _, err = run(capsys, "sweep", "a.npz", "--system", "can-hs", "--alpha", "0.9")
    assert (code, err) == (
        2,
        "straygauge: sweep: expected --alpha above 0 and at most 0.5, found 0.9; 0.05 is usual\n",
    )


def test_listed_events_become_references(capsys, shop, recording):
    wav_or_npz(shop, recording)
    run(capsys, "sweep", "long.npz", *arguments(recording), "--json-lines", "out.jsonl")
    lines = [json.loads(line) for line in Path("out.jsonl").read_text("ascii").splitlines()]
    first = next(one for one in lines if one["kind"] == "event" and one["what"] == "shape")
    told = ("--label", "fault", "--fault", "seen-once", "--vehicle", "v1")
    number = str(first["event"])
    code, out, err = run(capsys, "add", "--from-sweep", "out.jsonl", "--events", number, *told)
    assert (code, err) == (0, "")
    assert out == (
        f"added #1: event {number}, seen-once, ignition-secondary / any family / any condition\n"
    )
    kept = json.loads(run(capsys, "show", "1", "--json")[1])
    assert kept["tags"] == {"event": number, "from": "sweep"}
    # the window of 12 ms and half as much on either side, at 50 kS/s
    assert kept["n_samples"] == 1200 and kept["note"] == first["sentence"]
    code, _, err = run(capsys, "add", "--from-sweep", "out.jsonl", "--events", number, *told)
    assert code == 2 and "the same samples are reference 1 already" in err
    code, _, err = run(capsys, "add", "--from-sweep", "out.jsonl", "--events", "1", *told)
    assert code == 2 and "expected events that the sweep lists" in err
    code, _, err = run(capsys, "add", "--from-sweep", "out.jsonl", "--events", "x", *told)
    assert code == 2 and err.endswith("write for instance --events 3,17\n")
