"""Units as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refdb.errors import CaptureError
from refdb.units import UNITS, canonical_unit, dimension, factor


@pytest.mark.parametrize(
    ("written", "unit"),
    [
        ("V", "V"), (" volts ", "V"), ("V DC", "V"), ("mv", "mV"), ("KV", "kV"), ("µV", "uV"),
        ("μA", "uA"), ("Amps", "A"), ("milliampere", "mA"), ("°C", "degC"), ("Ω", "Ohm"),
        ("\u2126", "Ohm"), ("RPM", "rpm"), ("1/min", "rpm"), ("KPA", "kPa"), ("percent", "%"),
        ("au", "a.u."), ("counts", "a.u."),
    ],
)  # fmt: skip
def test_spellings(written: str, unit: str) -> None:
    assert canonical_unit(written) == unit


@pytest.mark.parametrize("unit", UNITS)
def test_every_unit_is_its_own_spelling(unit: str) -> None:
    assert canonical_unit(unit) == unit
    assert factor(unit, unit) == 1.0


def test_an_unknown_unit_is_refused_on_one_line() -> None:
    with pytest.raises(CaptureError) as caught:
        canonical_unit("fur\nlong")
    assert str(caught.value) == (
        f"unit 'fur\\nlong': expected one of {', '.join(UNITS)}; write the channel as name=unit"
    )


def test_factors() -> None:
    assert factor("kV", "V") == 1000.0
    assert factor("mV", "kV") == pytest.approx(1e-6)
    assert factor("bar", "kPa") == pytest.approx(100.0)
    assert dimension("psi") == dimension("bar") == "pressure"


def test_an_uncalibrated_pickup_is_never_volts() -> None:
    with pytest.raises(CaptureError) as caught:
        factor("a.u.", "V")
    assert str(caught.value) == (
        "unit 'a.u.': expected a voltage such as V, found a uncalibrated; "
        "correct the channel's unit"
    )


@given(st.sampled_from(sorted(UNITS)), st.sampled_from(sorted(UNITS)))
def test_there_and_back_is_one(a: str, b: str) -> None:
    if dimension(a) == dimension(b):
        assert factor(a, b) * factor(b, a) == pytest.approx(1.0)
