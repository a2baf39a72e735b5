"""Instruments: figures against closed forms, their life in the catalogue, their part in a check."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from matching.consult.bench import compare_instruments
from matching.fitness import Peers
from matching.fitness_instrument import with_instrument
from matching.instrument_figures import (
    bits_from_sinad,
    effective_bits,
    ideal_sinad_db,
    quiet_figures,
    sine_fit,
)
from matching.profile import inspect
from refdb.bench_records import Bench, BenchReading, Instrument
from refdb.cards import shipped_cards
from refdb.catalogue import Catalogue
from refdb.records import Capture, Channel
from tests.builders_shop import bare_catalogue, ripple_csv, straygauge
from tests.test_cli_usage import run

BOX = Instrument("box-a", 5.0, 12, {1: 1e6, 2: 5e5}, 1e6, 1.0, (1.0, 10.0, 100.0))


# --- figures -------------------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "ideal"), [(8, 49.92), (12, 74.00)])
def test_check_18_ideal_sinad(bits, ideal):
    # checks.md row 18 (SEEN, Analog Devices MT-001): 6.02 N + 1.76 dB, tolerance 0.3 dB
    assert ideal_sinad_db(bits) == pytest.approx(ideal, abs=0.01)
    step = 2.0 / 2**bits
    t = np.arange(100_000)
    x = np.round(0.999 * np.sin(2 * np.pi * 0.0123457 * t + 0.3) / step) * step
    fit = sine_fit(x, 1.0)
    assert fit.sinad_db == pytest.approx(ideal, abs=0.3)
    assert effective_bits(2.0, fit.residual_rms) == pytest.approx(bits, abs=0.05)
    assert bits_from_sinad(ideal) == pytest.approx(bits, abs=0.01)


def test_check_18_quantisation_noise():
    # checks.md row 18: q / sqrt(12) = 0.288675 q over a million uniform samples, 0.5 %
    x = np.random.default_rng(1).uniform(-50.0, 50.0, 1_000_000)
    rms = float(np.sqrt(np.mean((np.round(x) - x) ** 2)))
    assert rms == pytest.approx(0.288675, rel=0.005)


@pytest.mark.parametrize("cycles", [3.4, 17.73, 1000.21])
def test_four_parameters_are_found(cycles):
    n, rate = 8192, 1e5
    hz = cycles * rate / n
    t = np.arange(n) / rate
    noise = 1e-3 * np.random.default_rng(2).standard_normal(n)
    fit = sine_fit(1.7 * np.cos(2 * np.pi * hz * t + 0.9) + 0.25 + noise, rate)
    # four standard errors of the least-squares estimates (their Cramer-Rao bounds)
    sigma = 1e-3
    assert fit.amplitude == pytest.approx(1.7, abs=4 * sigma * math.sqrt(2 / n))
    assert fit.offset == pytest.approx(0.25, abs=4 * sigma / math.sqrt(n))
    hz_error = sigma / 1.7 * math.sqrt(24 / n) / (2 * math.pi * n / rate)
    assert fit.frequency_hz == pytest.approx(hz, abs=5 * hz_error)
    assert fit.phase == pytest.approx(0.9, abs=5 * sigma / 1.7 * math.sqrt(8 / n))
    assert fit.residual_rms == pytest.approx(sigma, rel=0.05)


def test_quiet_figures_find_drift_and_offset():
    t = np.arange(60_000) / 1000.0
    noise = 2e-3 * np.random.default_rng(3).standard_normal(t.size)
    figures = quiet_figures(0.01 + 0.005 * (t - t.mean()) / 60.0 + noise, 1000.0)
    assert figures.noise_rms == pytest.approx(2e-3, rel=0.02)
    assert figures.offset == pytest.approx(0.01, abs=5e-5)
    assert figures.drift_per_min == pytest.approx(0.005, abs=2e-4)


# --- the record ----------------------------------------------------------------------------


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(bare_catalogue(tmp_path / "c.sqlite")))
    return tmp_path


ADD = ("instrument", "add", "box-a", "--range", "5", "--bits", "12", "--max-rate", "1=1e6",
       "--max-rate", "2=5e5", "--ac-corner", "1", "--attenuator", "10",
       "--attenuator", "100")  # fmt: skip


def csv(place, volts, rate=10_000.0) -> None:
    rows = "".join(f"{i / rate:.6f},{v:.8f}\n" for i, v in enumerate(volts))
    place.write_text("time (s),a (V)\n" + rows, "utf-8")


def test_the_life_of_an_instrument(capsys, here):
    assert run(capsys, *ADD)[0] == 0
    step = 10.0 / 4096
    random = np.random.default_rng(4)
    quiet = np.round((0.02 + 3 * step * random.standard_normal(20_000)) / step) * step
    csv(here / "quiet.csv", quiet)
    code, out, err = run(capsys, "instrument", "measure", "quiet.csv", "--instrument", "box-a",
                         "--json")  # fmt: skip
    assert (code, err) == (0, "")
    (reading,) = json.loads(out)
    assert reading["kind"] == "quiet" and reading["at"]
    assert reading["noise_rms_v"] == pytest.approx(math.hypot(3, 12**-0.5) * step, rel=0.03)
    assert reading["step_v"] == pytest.approx(step, rel=1e-3)
    assert reading["offset_v"] == pytest.approx(0.02, abs=1e-3)
    t = np.arange(20_000) / 1e4
    sine = np.round(4.9 * np.sin(2 * np.pi * 57.3 * t) / step) * step
    csv(here / "sine.csv", 10.0 * sine)
    run(capsys, "instrument", "measure", "sine.csv", "--instrument", "box-a", "--attenuation", "1")
    assert run(capsys, "instrument", "measure", "sine.csv", "--instrument", "box-a")[0] == 0
    code, out, _ = run(capsys, "instrument", "show", "box-a", "--json")
    held = json.loads(out)
    assert len(held["readings"]) == 3
    assert held["readings"][0]["kind"] == "sine"
    assert held["readings"][0]["sine_hz"] == pytest.approx(57.3, abs=1e-4)
    assert "box-a" in run(capsys, "instrument", "list")[1]
    run(capsys, *ADD, "--note", "new leads")
    with Catalogue.open(here / "c.sqlite") as catalogue:
        (bench,) = catalogue.benches()
        assert bench.instrument.note == "new leads" and len(bench.readings) == 3
        assert bench.instrument.attenuators == (1.0, 10.0, 100.0)
        assert bench.latest_quiet is not None and catalogue.verify() == []


def test_attenuation_is_taken_out(capsys, here):
    run(capsys, *ADD)
    t = np.arange(20_000) / 1e4
    step = 10.0 / 4096
    sine = np.round(4.9 * np.sin(2 * np.pi * 57.3 * t) / step) * step
    csv(here / "s.csv", sine)  # the file stores volts at the input, x10 was in front of it
    out = run(capsys, "instrument", "measure", "s.csv", "--instrument", "box-a",
              "--attenuation", "10", "--json")[1]  # fmt: skip
    (reading,) = json.loads(out)
    assert reading["sine_v"] == pytest.approx(4.9, rel=1e-3)
    assert reading["effective_bits"] == pytest.approx(12.0, abs=0.05)


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["add", "b"], "instrument 'b': expected --range V, found none; see its data sheet"),
        (["add", "b", "--range", "5", "--bits", "12"],
         "instrument 'b': expected --max-rate N=HZ, found none; write for instance --max-rate "
         "1=1e6"),
        (["add", "b", "--range", "5", "--bits", "12", "--max-rate", "fast"],
         "instrument 'b': expected --max-rate N=HZ, found 'fast'; write for instance --max-rate "
         "1=1e6"),
        (["add", "b", "--range", "-5", "--bits", "12", "--max-rate", "1=1e6"],
         "instrument 'b': expected --range above 0, found -5; give volts of its bare input, for "
         "instance 5"),
        (["add", "b", "--range", "5", "--bits", "64", "--max-rate", "1=1e6"],
         "instrument 'b': expected --bits from 4 to 32, found 64; see its data sheet"),
        (["measure", "a.csv"],
         "a.csv: expected --instrument, found none; name the one that recorded it"),
        (["compare", "box-a"], "instrument compare: expected NAME NAME, found box-a"),
        (["show", "box-b"],
         "instrument 'box-b': expected one on record, found none of that name; there is none "
         "yet; `straygauge instrument add` makes one"),
    ],
)  # fmt: skip
def test_wrong_words(capsys, here, arguments, text):
    assert run(capsys, "instrument", *arguments) == (2, "", f"straygauge: {text}\n")


def test_a_clamp_is_not_measured(capsys, here):
    run(capsys, *ADD)
    csv(here / "a.csv", np.zeros(100))
    assert run(capsys, "instrument", "measure", "a.csv", "--instrument", "box-a",
               "--channels", "a=A")[2] == (
        "straygauge: a.csv: expected channel 'a' in volts, found A; take the clamp off, or say "
        "--channels 'a=V'\n"
    )  # fmt: skip


def test_two_are_compared(capsys, here):
    run(capsys, *ADD)
    run(capsys, "instrument", "add", "box-b", "--range", "5", "--bits", "8",
        "--max-rate", "2=2e7")  # fmt: skip
    cards = shipped_cards()
    found = {one.system: one for one in compare_instruments("box-a", "box-b")}
    assert set(found) == set(cards)
    bus = found["can-hs"]
    assert set(bus.only_b) == {
        m.name for m in cards["can-hs"].measurements if m.needs_rate_hz > 5e5
    }
    assert bus.only_a == ()
    code, out, _ = run(capsys, "instrument", "compare", "box-a", "box-b")
    assert code == 0 and "box-b: rise, fall" in out
    assert json.loads(run(capsys, "instrument", "compare", "box-a", "box-b", "--json")[1])


# --- its part in a check -------------------------------------------------------------------

CARD = shipped_cards()["vref-5v"]


def seen(volts, attenuation=1.0, rate=1e4):
    samples = np.asarray(volts, dtype=np.float64)[None, :]
    capture = Capture(
        samples, rate, (Channel("vref", "V"),), "dc", attenuation, 1.0, "a.csv", "0" * 64
    )
    return inspect(CARD, capture, {})


def codes(inspection, bench, peers=None):
    peers = peers or Peers((), (), None)
    return [(f.code, f.severity) for f in with_instrument((), CARD, inspection, peers, bench)]


def level(volts, sigma=0.01, n=4000):
    return volts + sigma * np.random.default_rng(5).standard_normal(n)


def peers_at(*means, swing=0.1):
    return Peers(tuple({"mean:vref": m, "swing:vref": swing} for m in means), (), "dc")


def quiet(**changes):
    facts = {"noise_rms_v": 1e-4, "offset_v": 0.0, "drift_v_per_min": 0.0}
    reading = BenchReading(
        "box-a", "2026-01-01T00:00:00+00:00", "quiet", "a", 1.0, 1e4, 1000, step_v=2e-3,
        effective_bits=11.0, **(facts | changes),
    )  # fmt: skip
    return Bench(BOX, (reading,))


def test_nothing_known_adds_nothing():
    assert codes(seen(level(4.0)), None) == []
    assert codes(seen(level(4.0)), Bench(BOX)) == []


def test_clipping_at_the_known_range():
    inspection = seen(np.minimum(level(4.998, 0.05), 5.0))
    assert codes(inspection, Bench(BOX)) == [("clipped", "blocking")]
    assert codes(replace(inspection, attenuation=10.0), Bench(BOX)) == []
    assert codes(seen(level(14.0)), Bench(BOX)) == [("instrument-range", "limiting")]


def test_rate_beyond_the_instrument():
    assert codes(seen(level(4.0), rate=2e6), Bench(BOX)) == [("instrument-rate", "limiting")]


def test_noise_and_step_against_the_feature():
    inspection, peers = seen(level(4.0)), peers_at(4.9, 5.0, 5.1, swing=0.1)
    assert codes(inspection, quiet(noise_rms_v=0.006), peers) == [("instrument-noise", "limiting")]
    assert codes(inspection, quiet(noise_rms_v=0.004), peers) == []
    coarse = Bench(replace(BOX, bits=8))
    assert codes(inspection, coarse, peers) == [("instrument-step", "limiting")]


def test_drift_and_offset_against_the_level():
    inspection, peers = seen(level(4.0)), peers_at(4.99, 5.0, 5.01)  # 0.4 s; spread 0.0148 V
    assert codes(inspection, quiet(offset_v=0.02), peers) == [("instrument-offset", "limiting")]
    assert codes(inspection, quiet(offset_v=0.01), peers) == []
    assert codes(inspection, quiet(drift_v_per_min=3.0), peers) == [
        ("instrument-drift", "limiting")
    ]


def test_check_takes_the_instrument_and_the_family(capsys, here):
    run(capsys, *ADD)
    run(capsys, "families", "add", "brisk-4", "--alternator-poles", "12", "--pulley-ratio", "2.5")
    for seed in range(4):
        ripple_csv(here / "a.csv", seed)
        done = straygauge(
            here, "add", "a.csv", "-s", "alternator-ripple", "-f", "brisk-4", "-c", "idle",
            "--label", "good", "--vehicle", f"v{seed}",
        )  # fmt: skip
        assert done[0] == 0, done
    ripple_csv(here / "b.csv", 9)
    asked = ("check", "b.csv", "-s", "alternator-ripple", "-f", "brisk-4", "-c", "idle")
    code, out, err = straygauge(here, *asked, "--instrument", "box-a", "--attenuation", "100",
                                "--json")  # fmt: skip
    answer = json.loads(out)
    assert err == "" and "instrument-step" in {f["code"] for f in answer["fitness"]}
    (speed,) = [m for m in answer["measurements"] if m["name"] == "crank-speed"]
    assert speed["source"] == "family record" and speed["state"] == "not-judged"
    (ripple,) = [m for m in answer["measurements"] if m["name"] == "ripple-frequency"]
    assert speed["value"] == pytest.approx(ripple["value"] * 60 / 90, rel=1e-3)
    (here / "m.csv").write_text(
        "path,system,engine_family,condition\nb.csv,alternator-ripple,brisk-4,idle\n", "utf-8"
    )
    code, out, err = straygauge(here, "check", "--manifest", "m.csv", "--instrument", "box-a",
                                "--json-lines", "-")  # fmt: skip
    assert (code, err) == (0, "") and "crank-speed" in out
    assert straygauge(here, *asked, "--instrument", "box-z")[::2] == (
        2,
        "straygauge: instrument 'box-z': expected one on record, found none of that name; "
        "nearest: box-a; `straygauge instrument add` makes one\n",
    )
    assert "From the engine family's record" in straygauge(here, *asked)[1]
