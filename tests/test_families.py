"""Engine families: speeds, cylinders, identifiers, what a record may say. Checks 29-32, 40, 41."""

from __future__ import annotations

import json
import math

import pytest

from matching.families import (
    checked_family,
    companion,
    crank_rpm,
    cylinder_name,
    family_readings,
    firing_intervals,
    firing_rate_hz,
    pump_rpm,
    ripples_per_turn,
    tooth_count,
)
from refdb.bench_records import Family
from refdb.cards import shipped_cards
from refdb.catalogue import Catalogue
from refdb.errors import CatalogueError
from refdb.identifiers import checked_vin, parse_epa_family, veiled, vin_check_digit, vin_part
from tests.builders_catalogue import capture, said
from tests.builders_shop import bare_catalogue
from tests.test_cli_usage import run

BRISK = Family(
    "brisk-4", 4, (1, 3, 4, 2), crank_wheel="60-2", alternator_poles=12, pulley_ratio=2.5,
    pump_segments=8,
)  # fmt: skip


@pytest.mark.parametrize(("ratio", "per_turn"), [(2.5, 90.0), (2.8, 100.8)])
def test_check_29_ripples_a_turn(ratio, per_turn):
    # checks.md row 29 (DERIVED): 6 x pole pairs x pulley ratio; 3750 Hz at 2.5 is 2500 rpm
    one = Family("x", alternator_poles=12, pulley_ratio=ratio)
    assert ripples_per_turn(one) == pytest.approx(per_turn)
    assert crank_rpm(per_turn * 2500 / 60, one) == pytest.approx(2500.0)
    assert crank_rpm(3750.0, BRISK) == pytest.approx(2500.0)


def test_check_30_pump():
    # checks.md row 30 (DERIVED; the 20-ripple rule SEEN)
    assert pump_rpm(800.0, 8, 20) == pytest.approx(6000.0)
    assert pump_rpm(800.0, 8, 19) is None


@pytest.mark.parametrize(("n", "degrees"), [(3, 240), (4, 180), (5, 144), (6, 120), (8, 90)])
def test_check_31_firing_intervals(n, degrees):
    # checks.md row 31 (DERIVED): 720/n, rate n rpm / 120
    assert firing_intervals(Family("x", n)) == pytest.approx((degrees,) * n)
    assert firing_rate_hz(4, 800.0) == pytest.approx(26.667, abs=1e-3)
    assert firing_rate_hz(6, 200.0) == pytest.approx(10.0)


def test_an_odd_fire_engine_keeps_its_own_intervals():
    odd = (150.0, 90.0, 150.0, 90.0, 150.0, 90.0)
    assert firing_intervals(checked_family(Family("x", 6, firing_intervals=odd))) == odd


def test_check_32_wheels():
    # checks.md row 32 (DERIVED)
    assert tooth_count("60-2") == (60, 2) and tooth_count("36-1") == (36, 1)
    assert tooth_count("2-60") is None and tooth_count("sixty") is None


def test_the_cylinder_is_named_only_with_a_720_degree_reference():
    assert [cylinder_name(k, BRISK, "720") for k in (1, 2, 5)] == [
        "cylinder 1", "cylinder 3", "cylinder 1",
    ]  # fmt: skip
    assert cylinder_name(2, BRISK, "360") == "cylinder 3 or its companion 2"
    assert cylinder_name(3, BRISK, "none") == "3rd after the start of the recording"
    assert cylinder_name(11, Family("x"), "720") == "11th after the trigger"
    assert companion(1, (1, 3, 4, 2)) == 4 and companion(1, (1, 2, 3)) is None


def test_readings_say_what_is_missing():
    card = shipped_cards()["alternator-ripple"]
    name = next(m.name for m in card.measurements if m.function == "ripple-frequency")
    (reading,) = family_readings(card, {name: 3750.0}, 1.0, BRISK)
    assert (reading.name, reading.unit, reading.state) == ("crank-speed", "rpm", "not-judged")
    assert reading.value == pytest.approx(2500.0)
    (reading,) = family_readings(card, {name: 3750.0}, 1.0, Family("lark-3"))
    assert reading.value is None
    assert reading.text == "lark-3 has no alternator poles and pulley ratio on record"
    assert family_readings(card, {name: math.nan}, 1.0, BRISK) == ()


# --- identifiers ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("vin", "digit"),
    [
        ("1G4AH59H?5G118341", "4"),  # 49 CFR 565.15(c), SEEN
        ("1J9RP1A3?A1644345", "6"),  # NHTSA outline, SEEN
        ("1M8GDM9A?KP042788", "X"),
        ("11111111?11111111", "1"),
    ],
)
def test_check_40_vin(vin, digit):
    assert vin_check_digit(vin.replace("?", "0")) == digit
    right = vin.replace("?", digit)
    assert checked_vin(right.lower()) == right


@pytest.mark.parametrize(
    ("vin", "text"),
    [
        ("1G4AH59H45G118331", "VIN: expected check digit 0 at place 9 (49 CFR 565), found 4; "),
        ("1G4AH59H45G11834", "VIN: expected 17 characters, found 16; "),
        ("1G4AH59H45G11834I", "VIN: expected digits and letters without I, O and Q, found 'I' "),
        ("1G4OH59H45G118341", "VIN: expected digits and letters without I, O and Q, found 'O' "),
    ],
)
def test_check_40_wrong_vins(vin, text):
    with pytest.raises(CatalogueError) as caught:
        checked_vin(vin)
    if "331" in vin:  # row 40: sum 408 leaves 1
        text = text.replace("digit 0", f"digit {408 % 11}")
    assert str(caught.value).startswith(text) and vin not in str(caught.value)


def test_check_41_epa_family():
    # checks.md row 41 (SEEN epa.gov)
    one = parse_epa_family("RZZZV02.0A1B")
    assert (one.years, one.maker, one.sector, one.litres) == ((2024,), "ZZZ", "V", 2.0)
    assert parse_epa_family("SZZZV0350A1B").years == (2025,)
    assert parse_epa_family("YZZZV0350A1B").years == (2030,)
    assert parse_epa_family("AZZZV0350A1B").litres is None
    assert parse_epa_family("1ZZZV0350A1B").years == (2001, 2031)
    for wrong in ("RZZZV02.0A1", "IZZZV02.0A1B", "0ZZZV02.0A1B", "RZZZVXXXXA1B"):
        with pytest.raises(CatalogueError, match="EPA family"):
            parse_epa_family(wrong)


def test_a_vin_is_veiled_and_the_same_car_known_again():
    salt, vin = b"s" * 32, "1G4AH59H45G118341"
    text = veiled(f"cars/{vin}.csv", salt)
    assert "118341" not in text and vin_part(vin) in text
    assert veiled(vin.lower(), salt) == veiled(vin, salt) != veiled(vin, b"t" * 32)
    assert veiled("0123456789abcdef" * 4, salt) == "0123456789abcdef" * 4


def test_no_vin_reaches_the_file(tmp_path):
    vin = "1G4AH59H45G118341"
    with Catalogue.open(tmp_path / "c.sqlite") as catalogue:
        with catalogue.write() as unit:
            new = said(vin, note=f"car {vin}", tags={"vin": vin})
            unit.add(capture(1, source=f"{vin}.csv"), new, why=f"of {vin}")
            unit.add(capture(2), said(vin))
            unit.commit()
        assert len({r.vehicle for r in catalogue.references()}) == 1, "one car stays one car"
        assert catalogue.verify() == []
    data = b"".join(file.read_bytes() for file in tmp_path.iterdir())
    assert vin.encode() not in data and b"118341" not in data


# --- records -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (["--firing-order", "1-3-3-2"], "expected each cylinder once in --firing-order, found "),
        (["--cylinders", "3"], "expected 3 cylinders in --firing-order, found 4; "),
        (["--firing-intervals", "180-180-180-170"], "expected firing intervals above 0 that add "),
        (["--firing-intervals", "360-360"], "expected 4 firing intervals, found 2; "),
        (["--alternator-poles", "7"], "expected an even number of --alternator-poles, found 7; "),
        (["--pulley-ratio", "0"], "expected --pulley-ratio above 0, found 0; "),
        (["--crank-wheel", "big"], "expected --crank-wheel N-M, found 'big'; "),
    ],
)
def test_records_that_contradict_themselves(capsys, tmp_path, monkeypatch, options, text):
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(bare_catalogue(tmp_path / "c.sqlite")))
    base = [] if "--firing-order" in options else ["--firing-order", "1-3-4-2"]
    code, out, err = run(capsys, "families", "add", "harbour-6", *base, *options)
    assert (code, out) == (2, "")
    assert err.startswith(f"straygauge: family 'harbour-6': {text}") and err.count("\n") == 1


def test_the_life_of_a_family(capsys, tmp_path, monkeypatch):
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(tmp_path / "c.sqlite"))
    assert run(capsys, "families", "list")[1] == "0 families\n"
    assert list(tmp_path.iterdir()) == []
    add = ["families", "add", "brisk-4", "--cylinders", "4", "--firing-order", "1-3-4-2"]
    assert run(capsys, *add)[0] == 0
    # what is not given again stays
    code, out, _ = run(
        capsys,
        "families",
        "add",
        "brisk-4",
        "--crank-wheel",
        "60-2",
        "--vin",
        "1G4AH59H45G118341",
        "--epa-family",
        "rzzzv02.0a1b",
        "--json",
    )
    assert code == 0
    kept = json.loads(out)
    assert kept["firing_order"] == [1, 3, 4, 2] and kept["crank_wheel"] == "60-2"
    assert kept["vin_part"] == "1G4AH59H5G" and len(kept["vin_hash"]) == 16
    assert "brisk-4" in run(capsys, "families", "list")[1]
    assert "not known, and then not computed with: firing intervals, " in run(
        capsys, "families", "show", "brisk-4"
    )[1]  # fmt: skip
    assert run(capsys, "families", "show", "brisk-5")[2] == (
        "straygauge: family 'brisk-5': expected one on record, found none of that name; nearest: "
        "brisk-4; `straygauge families add` makes one\n"
    )
    assert run(capsys, "families", "add", "x", "--firing-order", "1-x")[2] == (
        "straygauge: families: expected --firing-order as numbers joined by hyphens, found "
        "'1-x'; write for instance 1-3-4-2\n"
    )
