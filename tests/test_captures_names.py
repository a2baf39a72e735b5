"""Words beside the numbers: titles, units, rates."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refdb.captures.names import (
    is_index_title,
    is_time_title,
    rate_of,
    split_unit,
    time_factor,
    time_unit_hint,
    unit_hint,
)
from refdb.captures.options import clean_name
from refdb.captures.words import shown


@pytest.mark.parametrize(
    ("title", "name", "unit"),
    [
        ("CH1 (V)", "CH1", "V"),
        ("CH1 [mV]", "CH1", "mV"),
        ("CH1(V)", "CH1", "V"),
        ("Time,s", "Time", "s"),
        ("t_us", "t", "us"),
        ("time_ms", "time", "ms"),
        ("i / A", "i", "A"),
        ("air flow g/s", "air flow", "g/s"),
        ("pressure in bar", "pressure", "bar"),
        ("can_h_V", "can_h", "V"),
        ("Volt", "", "Volt"),
        ("channel A", "channel A", None),
        ("CH_A", "CH_A", None),
        ("probe 1", "probe 1", None),
        ("crank", "crank", None),
        ("burn time (ms)", "burn time", "ms"),
        ("dwell_ms", "dwell_ms", None),
        ("u (furlong)", "u", "furlong"),
        ("", "", None),
    ],
)
def test_titles(title: str, name: str, unit: str | None) -> None:
    assert split_unit(title) == (name, unit)


@pytest.mark.parametrize(
    "title", ["t", "Time", "time (ms)", "x-axis", "t_us", "Zeit / s", "second"]
)
def test_time_titles(title: str) -> None:
    assert is_time_title(title)


@pytest.mark.parametrize("title", ["t (V)", "temp", "ch1", "times", "V", "index"])
def test_titles_of_no_time(title: str) -> None:
    assert not is_time_title(title)


@pytest.mark.parametrize(
    ("key", "value", "rate"),
    [
        ("Sample rate", "100 kS/s", 1e5),
        ("sample rate", "100kSa/s", 1e5),
        ("Sampling Rate", "1.25 MS/s", 1.25e6),
        ("Sample Frequency (kHz)", "12.5", 12500.0),
        ("sample_rate_hz", "250000", 250e3),
        ("sample_rate_khz", "250", 250e3),
        ("fs", "44100", 44100.0),
        ("fs [Hz]", "44100", 44100.0),
        ("Samplerate", "500000,Hz", 500e3),
        ("Samplerate", "Hz,500000", 500e3),
        ("dt", "1e-5", 1e5),
        ("Sample Interval", "2.0E-6,s", 500e3),
        ("Sample interval", "2,5 µs", 4e5),
        ("Sampling period [us]", "4", 250e3),
        ("Increment", "8e-6", 125e3),
        ("dt", "0", 0.0),
        ("Rate", "none", None),
        ("Heart rate", "100", None),
        ("Temperature", "20", None),
    ],
)
def test_rates(key: str, value: str, rate: float | None) -> None:
    assert rate_of(key, value) == rate


def test_hints() -> None:
    assert unit_hint("Vertical Units", "V,mV") == ["V", "mV"]
    assert unit_hint("Units", "seconds") is None
    assert time_unit_hint("Horizontal Units", "ms") == "ms"
    assert time_unit_hint("Horizontal Units", "V") is None
    assert is_index_title("Sample") and not is_index_title("Sampled")


@pytest.mark.parametrize(
    ("word", "factor"), [("s", 1.0), ("msec", 1e-3), ("µs", 1e-6), ("ns", 1e-9)]
)
def test_units_of_time(word: str, factor: float) -> None:
    assert time_factor(word) == time_factor(f" ({word.upper()}) ") == factor
    assert time_factor("V") is None


@given(st.text())
def test_names_are_one_clean_word(text: str) -> None:
    name = clean_name(text)
    assert len(name.split()) <= 1 and name.isprintable() and len(name) <= 64


@given(st.text())
def test_shown_is_one_printable_line(text: str) -> None:
    assert shown(text).isprintable()
    if text.isprintable():
        assert shown(text) == text


@given(st.text(), st.text())
def test_no_text_breaks_the_reading_of_words(key: str, value: str) -> None:
    split_unit(key)
    rate_of(key, value)
    unit_hint(key, value)
