"""Fit to judge? Every finding word for word, each threshold from both sides, check 19."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from matching import fitness
from matching.answer import Finding
from matching.fitness import Peers, assess, looks_coupled, si
from matching.fitness_figures import rail_share
from matching.profile import inspect
from refdb.captures import ReadOptions, read
from refdb.cards import parse_card
from tests.builders_hum import HUM_TOML, hum_capture, hum_card, hum_profile

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")
CARD = hum_card()
NONE = Peers((), (), None)
TWO_TEXT = HUM_TOML.replace(
    "[conditions]", '[[channels]]\nrole = "other"\nunit = "A"\n[conditions]'
)


def peers(good=6, faults=(), coupling="dc", **changes) -> Peers:
    """Good hums and faulty ones; changes: figures that all good ones have instead."""
    fits = [hum_profile(seed).fit | changes for seed in range(good)]
    return Peers(tuple(fits), tuple(faults), coupling)


def seen(seed=77, **fit):
    """An inspected hum whose figures read `fit` instead."""
    events = {"n_events": fit.pop("events")} if "events" in fit else {}
    facts = {k: fit.pop(k) for k in ("duration_s", "coupling", "attenuation", "remarks")
             if k in fit}  # fmt: skip
    got = inspect(CARD, hum_capture(seed), {})
    profile = replace(got.profile, fit=dict(got.profile.fit) | fit, **events)
    return replace(got, profile=profile, **facts)


def codes(found) -> list[str]:
    return [f.code for f in found]


def only(found) -> Finding:
    (one,) = found
    return one


def test_a_good_capture_has_nothing_to_say_against_it():
    assert assess(CARD, seen(), peers()) == ()
    assert assess(CARD, seen(), NONE) == ()


# --- every code, word for word --------------------------------------------------------------------


def test_rate_too_low():
    assert only(assess(CARD, seen(rate_hz=999.0), NONE)) == Finding(
        "rate-too-low", "blocking",
        "sampled at 999 S/s, Mains hum needs at least 1 kS/s: record again at a higher rate",
    )  # fmt: skip
    assert assess(CARD, seen(rate_hz=1000.0), NONE) == ()


def test_rate_too_low_for_what_the_references_show():
    fast = peers(rate_hz=100_000.0)
    least = fitness.SLOW_SHARE * 100_000.0
    assert codes(assess(CARD, seen(rate_hz=least), fast)) == []
    assert only(assess(CARD, seen(rate_hz=0.9 * least), fast)).message == (
        "sampled at 27 kS/s, Mains hum needs at least 30 kS/s: record again at a higher rate"
    )


def test_rate_limits():
    quick = replace(CARD.measurements[0], name="edge", needs_rate_hz=1e6)
    quicker = replace(CARD.measurements[0], name="burst", needs_rate_hz=2.5e6)
    card = replace(CARD, measurements=(*CARD.measurements, quick, quicker))
    assert only(assess(card, seen(), NONE)) == Finding(
        "rate-limits", "limiting",
        "sampled at 4 kS/s: edge, burst cannot be judged; record at 2.5 MS/s or more to judge them",
    )  # fmt: skip
    assert assess(card, seen(rate_hz=2.5e6), NONE) == ()


def test_too_short():
    assert only(assess(CARD, seen(duration_s=0.049), NONE)) == Finding(
        "too-short", "blocking",
        "49 ms recorded, Mains hum needs at least 50 ms: record longer",
    )  # fmt: skip
    assert assess(CARD, seen(duration_s=0.05), NONE) == ()


def test_too_short_beside_the_references_and_without_events():
    least = fitness.SHORT_SHARE * 0.3
    short = {"duration_s": 0.99 * least, "events": 1}
    assert codes(assess(CARD, seen(**short), peers())) == ["too-short"]
    assert codes(assess(CARD, seen(**(short | {"events": 2})), peers())) == []
    assert codes(assess(CARD, seen(duration_s=1.01 * least, events=1), peers())) == ["few-events"]


def test_few_events():
    assert only(assess(CARD, seen(events=1), peers())) == Finding(
        "few-events", "limiting",
        "found 1 cycle(s), expected at least 2: record longer, or the signal itself lacks them",
    )  # fmt: skip


@pytest.mark.parametrize(("have", "want"), [("ac", "dc"), ("dc", "ac")])
def test_coupling(have, want):
    wrong = only(assess(CARD, seen(coupling=have), peers(coupling=want)))
    assert wrong == Finding(
        "coupling", "blocking",
        f"recorded {have.upper()} coupled, the references are {want.upper()} coupled: record again "
        f"with {want.upper()} coupling",
    )  # fmt: skip
    assert assess(CARD, seen(coupling=want), peers(coupling=want)) == ()
    assert assess(CARD, seen(coupling=None), peers(coupling=want)) == ()
    # without references the card decides
    assert codes(assess(replace(CARD, coupling=want), seen(coupling=have), NONE)) == ["coupling"]
    assert assess(CARD, seen(coupling=have), NONE) == ()


RAISED = {"mean:hum": 14.0, "low:hum": 13.0, "high:hum": 15.0, "swing:hum": 2.0}
CENTRED = {"mean:hum": 0.01, "low:hum": -1.0, "high:hum": 1.0, "swing:hum": 2.0}


def test_coupling_looks_ac():
    assert only(assess(CARD, seen(**CENTRED), peers(**RAISED))) == Finding(
        "coupling-looks", "blocking",
        "channel hum looks AC coupled (mean 0.01) while the references are DC coupled: check the "
        "input's coupling and record again",
    )  # fmt: skip


def test_coupling_looks_dc():
    far = RAISED | {"mean:hum": 14.0}
    assert only(assess(CARD, seen(**far), peers(**CENTRED))) == Finding(
        "coupling-looks", "blocking",
        "channel hum looks DC coupled (mean 14) while the references are AC coupled: check the "
        "input's coupling and record again",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("mine", "theirs", "looks"),
    [
        (CENTRED, RAISED, "AC"),
        (RAISED, RAISED, ""),
        (CENTRED, CENTRED, ""),
        (RAISED, CENTRED, "DC"),
        # a mean that is not quite lost, from both sides of the threshold
        (CENTRED | {"mean:hum": 0.999 * fitness.AC_CENTRE * 14.0}, RAISED, "AC"),
        (CENTRED | {"mean:hum": 1.001 * fitness.AC_CENTRE * 14.0}, RAISED, ""),
        # one that does not reach below the references
        (CENTRED | {"low:hum": 13.0 - 0.999 * fitness.AC_SHIFT * 14.0}, RAISED, ""),
        # five times what swings, not quite and a little more
        (RAISED | {"mean:hum": 0.999 * fitness.DC_EXCESS * 2.0}, CENTRED, ""),
        (RAISED | {"mean:hum": 1.001 * fitness.DC_EXCESS * 2.0}, CENTRED, "DC"),
    ],
)  # fmt: skip
def test_looks_coupled(mine, theirs, looks):
    fit = seen(**mine).profile.fit
    assert looks_coupled("hum", fit, peers(**theirs)) == looks
    assert looks_coupled("hum", fit, NONE) == ""
    # the same in a known fault: then it says something about the car
    fault = hum_profile(1).fit | mine
    assert looks_coupled("hum", fit, peers(faults=(fault,), **theirs)) == ""
    # in another context levels may rightly differ
    assert looks_coupled("hum", fit, replace(peers(**theirs), exact=False)) == ""


DEAD = {"swing:hum": 0.011, "mean:hum": 0.0, "low:hum": -0.005, "high:hum": 0.006,
        "noise:hum": 0.0015}  # fmt: skip


def test_dead():
    assert only(assess(CARD, seen(**DEAD), peers())) == Finding(
        "dead", "blocking",
        "channel hum shows no signal (swing 0.011 V): check the probe, the ground and the channel, "
        "then record again",
    )  # fmt: skip


def test_dead_without_references_is_what_the_card_says():
    card = replace(CARD, fitness=replace(CARD.fitness, min_swing=0.02))
    assert codes(assess(card, seen(**DEAD), NONE)) == ["dead"]
    assert codes(assess(card, seen(**(DEAD | {"swing:hum": 0.02001})), NONE)) == []


def test_dead_is_below_a_share_of_the_smallest_good_swing():
    smallest = min(hum_profile(s).fit["swing:hum"] for s in range(6))
    for share, found in ((0.999, ["dead"]), (1.001, [])):
        swing = share * fitness.DEAD_SHARE * smallest
        assert codes(assess(CARD, seen(**(DEAD | {"swing:hum": swing, "noise:hum": 1e-6})),
                            peers())) == found  # fmt: skip


def test_a_fault_as_flat_as_the_capture_makes_it_a_finding_about_the_car():
    assert codes(assess(CARD, seen(**DEAD), peers(faults=(hum_profile(1).fit | DEAD,)))) == []
    # but not one that is as flat at another level
    other = hum_profile(1).fit | DEAD | {"mean:hum": 5.0}
    assert codes(assess(CARD, seen(**DEAD), peers(faults=(other,)))) == ["dead"]


@pytest.mark.parametrize("side", ["top", "bottom"])
def test_clipped(side):
    shares = {f"{side}_share:hum": 0.031, f"{side}_run:hum": 6.0}
    assert only(assess(CARD, seen(attenuation=10.0, **shares), peers())) == Finding(
        "clipped", "blocking",
        f"channel hum is clipped at its {side} (3.1 % of the samples): use a larger attenuation "
        "than x10 and record again",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("share", "run", "found"),
    [
        (fitness.RAIL_SHARE, 50.0, []), (1.01 * fitness.RAIL_SHARE, 50.0, ["clipped"]),
        (0.2, 2.99, []), (0.2, 3.0, ["clipped"]),
    ],
)  # fmt: skip
def test_clipped_by_how_much_and_how_long(share, run, found):
    mine = {"top_share:hum": share, "top_run:hum": run}
    none = {"top_share:hum": 0.0, "top_run:hum": 0.0}
    assert codes(assess(CARD, seen(**mine), peers(**none))) == found
    assert codes(assess(CARD, seen(**mine), NONE)) == found


def test_what_references_do_themselves_is_no_clipping():
    """A digital line dwells on its rails."""
    square = {"top_share:hum": 0.45, "top_run:hum": 50.0}
    assert codes(assess(CARD, seen(**square), peers(**square))) == []


def test_clipped_as_the_instrument_marked():
    marked = seen(overload_share=0.013, attenuation=2.0)
    assert only(assess(CARD, marked, peers())) == Finding(
        "clipped", "blocking",
        "the instrument marked 1.3 % of samples as overload: use a larger attenuation than x2 and "
        "record again",
    )  # fmt: skip
    assert assess(CARD, seen(overload_share=fitness.RAIL_SHARE), peers()) == ()


def test_overload_of_two_channels_is_said_once():
    card = parse_card(TWO_TEXT, "two.toml")
    wave = hum_capture(1).samples[0]
    marks = np.zeros((2, wave.size), bool)
    marks[:, :100] = True
    channels = (hum_capture(1).channels[0], replace(hum_capture(1).channels[0], name="other",
                                                    unit="A"))  # fmt: skip
    capture = hum_capture(1, samples=np.stack([wave, wave]), channels=channels, overload=marks)
    assert codes(assess(card, inspect(card, capture, {}), NONE)) == ["clipped"]


def test_noisy():
    loud = seen(**{"noise:hum": 0.3})
    most = max(hum_profile(s).fit["noise:hum"] for s in range(6))
    assert only(assess(CARD, loud, peers())) == Finding(
        "noisy", "limiting",
        f"channel hum has 0.3 V of noise, the references at most {most:.3g} V: small features are "
        "hidden; check ground and lead",
    )  # fmt: skip
    assert assess(CARD, loud, peers(good=2)) == ()
    assert assess(CARD, seen(**{"noise:hum": 3.9 * most}), peers()) == ()


def test_time_axis():
    found = assess(CARD, seen(remarks=("3 gaps in the time column",)), peers())
    assert found == (Finding("time-axis", "limiting", "3 gaps in the time column"),)


def test_blocking_findings_come_first():
    found = assess(CARD, seen(events=1, remarks=("a", "b"), rate_hz=10.0), peers())
    assert codes(found) == ["rate-too-low", "few-events", "time-axis", "time-axis"]


# --- through the whole path -----------------------------------------------------------------------


@pytest.mark.parametrize("bits", [8, 12])
def test_check_19_a_100_v_kick_at_x20_is_flagged_clipped(tmp_path, bits):
    """Check 19 (DERIVED): native +-5 V, at x20 full scale is 100 V and one code of 8 bits 781.25
    mV; a coil's kick beyond that sits on the rail and must be called clipped."""
    half = 2 ** (bits - 1)
    code = 5.0 / half
    assert 20.0 * code * 1000 == pytest.approx({8: 781.25, 12: 48.828125}[bits])
    t = np.arange(4000) / 1e5
    volts = 14.0 + np.where(t % 0.004 < 0.0005, 130.0, 0.0) * np.exp(-(t % 0.004) / 2e-3)
    stored = np.clip(np.round(volts / 20.0 / code), -half, half - 1) * code
    (tmp_path / "kick.csv").write_text("hum (V)\n" + "".join(f"{v:.6f}\n" for v in stored))
    got = read(tmp_path / "kick.csv", ReadOptions(sample_rate_hz=1e5, attenuation=20.0))
    assert got.samples.max() == pytest.approx(20.0 * (half - 1) * code)
    found = only(f for f in assess(CARD, inspect(CARD, got, {}), NONE) if "top" in f.message)
    assert found.code == "clipped"
    assert found.severity == "blocking"
    assert found.message.endswith("use a larger attenuation than x20 and record again")
    # at x100 nothing touches the upper rail
    stored = np.round(volts / 100.0 / code) * code
    (tmp_path / "kick.csv").write_text("hum (V)\n" + "".join(f"{v:.6f}\n" for v in stored))
    got = read(tmp_path / "kick.csv", ReadOptions(sample_rate_hz=1e5, attenuation=100.0))
    assert not any("at its top" in f.message for f in assess(CARD, inspect(CARD, got, {}), NONE))


@pytest.mark.parametrize("level", [0.3, 0.6, 0.9])
def test_a_clipped_hum_is_seen_as_such(level):
    clipped = np.clip(hum_capture(1).samples, -10.0, level)
    assert "clipped" in codes(assess(CARD, inspect(CARD, hum_capture(1, samples=clipped), {}),
                                     peers()))  # fmt: skip


# --- figures and words ----------------------------------------------------------------------------


def test_rail_share_and_run_by_hand():
    x = np.array([5.0, 5, 5, 1, 2, 5, 5, 0])
    assert rail_share(x, 5.0) == (5 / 8, 2.5)
    assert rail_share(x, 0.0) == (1 / 8, 1.0)
    assert rail_share(x, 9.0) == (0.0, 0.0)


def test_figures_of_a_hum():
    fit = hum_profile(3).fit
    capture = hum_capture(3).samples[0]
    assert fit["rate_hz"] == 4000.0 and fit["duration_s"] == pytest.approx(0.3)
    assert fit["mean:hum"] == pytest.approx(capture.mean())
    assert fit["noise:hum"] == pytest.approx(0.01, rel=0.2)
    assert fit["top_share:hum"] == pytest.approx(1 / 1200) and fit["top_run:hum"] == 1.0
    assert fit["swing:hum"] == pytest.approx(np.ptp(np.quantile(capture, [0.001, 0.999])))


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.0, "0 "), (1.0, "1 "), (125_000.0, "125 k"), (999.0, "999 "), (999.4, "999 "),
     (999.6, "1 k"), (999_960.0, "1 M"), (2.5e6, "2.5 M"), (0.05, "50 m"), (2e-6, "2 u"),
     (3e-9, "3e-09 "), (-1500.0, "-1.5 k")],
)  # fmt: skip
def test_si(value, said):
    assert si(value) == said
