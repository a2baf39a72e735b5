"""Plans for every system; attenuation, droop and rate against their closed forms."""

from __future__ import annotations

import json

import pytest

from matching.plan import (
    attenuation_for,
    droop,
    make_plan,
    measurable,
    plan_json,
    quantisation_step,
    record_length,
    wanted_rate,
)
from refdb.bench_records import BenchReading, Family, Instrument
from refdb.cards import shipped_cards
from tests.test_cli_usage import run

BOX = Instrument(
    "box-a", 5.0, 12, {1: 1e6, 2: 5e5}, 1e6, 1.0, (1.0, 4.0, 10.0, 20.0, 100.0)
)  # fmt: skip
BRISK = Family(
    "brisk-4", 4, (1, 3, 4, 2), crank_wheel="60-2", alternator_poles=12, pulley_ratio=2.5,
    pump_segments=8,
)  # fmt: skip
CARDS = shipped_cards()


@pytest.mark.parametrize("factor", [(1, 5), (4, 20), (10, 50), (20, 100), (100, 500)])
def test_check_19_attenuation_table(factor):
    # checks.md row 19 (DERIVED): native +/-5 V; the step at 8 bit, x20 and at 12 bit, x4
    times, volts = factor
    assert attenuation_for(volts / 1.2, 5.0, BOX.attenuators) == times
    assert attenuation_for(volts / 1.2 * 1.001, 5.0, BOX.attenuators) != times
    assert quantisation_step(5.0, 20.0, 8) == pytest.approx(0.78125)
    assert quantisation_step(5.0, 4.0, 12) == pytest.approx(9.765625e-3)


def test_check_19_a_kick_of_100_v_does_not_fit_x20():
    plan = make_plan(CARDS["injector-voltage"], instrument=BOX)
    assert plan.ranges[0].factor == 100.0
    small = Instrument("box-b", 5.0, 8, {1: 1e6}, attenuators=(1.0, 20.0))
    choice = make_plan(CARDS["injector-voltage"], instrument=small).ranges[0]
    assert choice.factor is None
    assert choice.text == (
        "none fits: x20 reaches 100 V, 120 V are needed; use a larger attenuator"
    )


@pytest.mark.parametrize(("seconds", "lost"), [(0.010, 0.06090), (0.100, 0.46651)])
def test_check_23_droop(seconds, lost):
    # checks.md row 23 (DERIVED): 1 - exp(-2 pi fc t), fc = 1 Hz
    assert droop(1.0, seconds) == pytest.approx(lost, abs=1e-5)


def test_droop_is_told_for_the_instrument():
    text = make_plan(CARDS["can-hs"], instrument=BOX).coupling_text
    assert "(1 Hz corner) lets a level sag by 6.09 % in the slowest cycle (10 ms)" in text


@pytest.mark.parametrize("name", sorted(CARDS))
def test_every_system_has_a_plan(name):
    card = CARDS[name]
    quiet = BenchReading("box-a", "", "quiet", "a", 1.0, 1e6, 1000, 1e-3, 0.0, 0.0, 2e-3, 10.0)
    for instrument in (None, BOX):
        plan = make_plan(
            card, engine_family="brisk-4", family=BRISK, instrument=instrument, reading=quiet
        )
        assert plan.connect and plan.conditions and plan.trigger and plan.cautions
        assert plan.peak_source and plan.family
        assert plan.rate_hz * card.plan.shortest_feature_s <= 10.0 * 1.0001 or (
            plan.rate_hz == wanted_rate(card)
        )
        assert plan.length_s >= card.plan.slowest_cycle_s
        assert plan.length_s >= card.fitness.min_duration_s
        for one in plan.ranges:
            if one.factor is not None:
                assert BOX.range_v * one.factor >= 1.2 * one.peak * (
                    1e-3 if one.unit == "mV" else 1
                )
        json.dumps(plan_json(plan), allow_nan=False)
    slow = {m.name for m in card.measurements} - set(measurable(card, BOX))
    told = " ".join(make_plan(card, instrument=BOX).cannot_show)
    assert all(one in told for one in slow) or "anything" in told


def test_length_is_one_cycle_where_nothing_repeats():
    assert record_length(CARDS["parasitic-draw"]) == 1200.0
    assert record_length(CARDS["alternator-ripple"]) == pytest.approx(0.4)


def test_too_few_channels_and_too_slow():
    one = Instrument("box-c", 5.0, 8, {1: 1e4})
    assert make_plan(CARDS["can-hs"], instrument=one).cannot_show[0] == (
        "anything: it needs 2 channels at once, this instrument has fewer"
    )
    two = Instrument("box-d", 5.0, 8, {2: 1e4})
    assert make_plan(CARDS["can-hs"], instrument=two).cannot_show[0] == (
        "anything: at 10 kS/s it cannot be judged, 50 kS/s is the least"
    )
    assert measurable(CARDS["can-hs"], one) == measurable(CARDS["can-hs"], two) == ()


def test_a_clamp_is_chosen_by_its_output():
    choice = make_plan(CARDS["starter-current"], instrument=BOX).ranges[0]
    assert choice.factor is None
    assert choice.ratios[1.0] == pytest.approx(5.0 / (1.2 * 900.0))  # V per A


@pytest.mark.parametrize("name", sorted(CARDS))
def test_one_screen(capsys, tmp_path, monkeypatch, name):
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(tmp_path / "none.sqlite"))
    code, out, err = run(capsys, "plan", name, "--engine-family", "lark-3")
    assert (code, err) == (0, "") and len(out.splitlines()) <= 32
    assert "lark-3 is not on record" in out and "Take care" in out
    assert not list(tmp_path.iterdir()), "planning makes no catalogue"


def test_wrong_words(capsys, tmp_path, monkeypatch):
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(tmp_path / "none.sqlite"))
    assert run(capsys, "plan", "can-hs", "--instrument", "box-z")[::2] == (
        2,
        "straygauge: instrument 'box-z': expected one on record, found none of that name; there "
        "is none yet; `straygauge instrument add` makes one\n",
    )
    assert run(capsys, "plan", "canhs")[0] == 2
    code, out, _ = run(capsys, "plan", "tps", "--json")
    assert code == 0 and json.loads(out)["schema"] == "straygauge.plan/1"
