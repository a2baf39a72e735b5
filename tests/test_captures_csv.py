"""CSV in the dialects instruments write. All layouts here hold invented numbers."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refdb.captures import ReadOptions, read
from refdb.captures.csv_sniff import Hints, sniff
from refdb.records import Channel
from tests.capture_files import csv_text, put

V, A = "V", "A"
TIMES = [0.0, 1e-3, 2e-3, 3e-3, 4e-3, 5e-3]
HIGH = [2.5, 3.5, 3.25, 2.5, 2.25, 3.5]
LOW = [2.5, 1.5, 1.75, 2.5, 2.75, 1.5]

LAYOUTS: dict[str, tuple[str, float, tuple[Channel, ...]]] = {
    "time in s, units in brackets": (
        csv_text([TIMES, HIGH, LOW], above=["time (s),can_h (V),can_l (V)"]),
        1000.0,
        (Channel("can_h", V), Channel("can_l", V)),
    ),
    "time in ms by header": (
        csv_text([[0.0, 1.0, 2.0, 3.0, 4.0, 5.0], HIGH, LOW], above=["Time [ms],A [V],B [V]"]),
        1000.0,
        (Channel("a", V), Channel("b", V)),
    ),
    "time in us by suffix": (
        csv_text([[0.0, 1e3, 2e3, 3e3, 4e3, 5e3], HIGH, LOW], above=["t_us,u_V,i_A"]),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "time in ns by units row": (
        csv_text([[i * 1e6 for i in range(6)], HIGH, LOW], above=["x,1,2", "ns,Volt,Ampere"]),
        1000.0,
        (Channel("ch1", V), Channel("ch2", A)),
    ),
    "units row of words, titles are numbers": (
        csv_text([TIMES, HIGH, LOW], above=["x-axis,1,2", "second,Volt,Volt"]),
        1000.0,
        (Channel("ch1", V), Channel("ch2", V)),
    ),
    "numbers in engineering notation with sign": (
        csv_text(
            [
                ["-1.000000E-03", "+000.000E-06", "+1.000E-03", "2.000E-03", "3.0E-3", "4.E-03"],
                ["+2.500E+00", "3500.0E-03", "3.25", "+2.5", "2.25", "3.5"],
                [*map(str, LOW)],
            ],
            above=["x-axis,1,2", "second,Volt,Volt"],
        ),
        1000.0,
        (Channel("ch1", V), Channel("ch2", V)),
    ),
    "semicolon and decimal comma": (
        csv_text(
            [TIMES, HIGH, LOW],
            delimiter=";",
            decimal=",",
            fmt="{:.4f}",
            above=["Zeit (s);u (V);i (A)"],
        ),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "title, unit in one quoted cell": (
        csv_text([TIMES, HIGH, LOW], above=['"Time,s","CH1,V","CH2,mV"']),
        1000.0,
        (Channel("ch1", V), Channel("ch2", "mV")),
    ),
    "title, unit in cells of their own": (
        csv_text([TIMES, HIGH, LOW], above=["Time,s,CH1,V,CH2,mV"]),
        1000.0,
        (Channel("ch1", V), Channel("ch2", "mV")),
    ),
    "title, unit with a comma in a semicolon file": (
        csv_text([TIMES, HIGH, LOW], delimiter=";", above=["Time,s;CH1,V;CH2,mV"]),
        1000.0,
        (Channel("ch1", V), Channel("ch2", "mV")),
    ),
    "tab with preamble of colons": (
        csv_text(
            [HIGH, LOW],
            delimiter="\t",
            above=[
                "Instrument: bench",
                "Sample rate: 100 kS/s",
                "Coupling: DC",
                "",
                "u (V)\ti (A)",
            ],
        ),
        1e5,
        (Channel("u", V), Channel("i", A)),
    ),
    "comments, the last of them the titles": (
        csv_text([HIGH, LOW], above=["# made on the bench", "# dt: 1e-5", "# u (V), i (A)"]),
        1e5,
        (Channel("u", V), Channel("i", A)),
    ),
    "preamble of key,value": (
        csv_text(
            [HIGH, LOW],
            above=["Model,none", "Sample Interval,2.0E-6,s", "Vertical Units,V", "", "u1,u2"],
        ),
        500e3,
        (Channel("u1", V), Channel("u2", V)),
    ),
    "preamble of key,value with two columns and no titles": (
        csv_text([HIGH, LOW], above=["Sample rate,250000,Hz", "Units,V,A"]),
        250e3,
        (Channel("ch1", V), Channel("ch2", A)),
    ),
    "spaces between the columns": (
        csv_text([TIMES, HIGH, LOW], delimiter="   ", above=["  t(s)   u(V)   i(A)"]),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "blanks around the cells": (
        csv_text([TIMES, HIGH, LOW], delimiter=" , ", above=[" t (s) , u (V) , i (A) "]),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "every cell in quotes": (
        csv_text([TIMES, HIGH, LOW], above=['"t (s)","u (V)","i (A)"'], fmt='"{!r}"'),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "quotes, comma and decimal comma": (
        csv_text(
            [TIMES, HIGH, LOW], above=['"t (s)","u (V)","i (A)"'], fmt='"{:.3f}"', decimal=","
        ),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "a delimiter at the end of every row": (
        csv_text([TIMES, HIGH, LOW], above=["t (s),u (V),i (A),"], trailing=True),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "a running number before the time": (
        csv_text(
            [["0", "1", "2", "3", "4", "5"], TIMES, HIGH, LOW], above=["index,t (s),u (V),i (A)"]
        ),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "units within titles after a slash": (
        csv_text([TIMES, HIGH, LOW], above=["t / s,u / V,i / A"]),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "old line ends": (
        csv_text([TIMES, HIGH, LOW], above=["t (s),u (V),i (A)"], end="\r"),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "doubled line ends": (
        csv_text([TIMES, HIGH, LOW], above=["t (s),u (V),i (A)"], end="\r\r\n"),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "remarks below the table": (
        csv_text([TIMES, HIGH, LOW], above=["t (s),u (V),i (A)"]) + "# end of recording\n\n",
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "the time column last": (
        csv_text([HIGH, LOW, TIMES], above=["u (V),i (A),time (s)"]),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
    "a blank title over the time": (
        csv_text([TIMES, HIGH, LOW], above=[",u,i", "s,V,A"]),
        1000.0,
        (Channel("u", V), Channel("i", A)),
    ),
}


@pytest.mark.parametrize("name", LAYOUTS)
@pytest.mark.parametrize("bom", ["", "\ufeff"], ids=["plain", "bom"])
@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["lf", "crlf"])
def test_layouts_give_the_same_samples(tmp_path: Path, name: str, bom: str, end: str) -> None:
    text, rate, channels = LAYOUTS[name]
    if "\r" not in text:
        text = text.replace("\n", end)
    capture = read(put(tmp_path, "a.csv", bom + text))
    np.testing.assert_array_equal(capture.samples, [HIGH, LOW])
    assert capture.rate_hz == rate
    assert capture.channels == channels
    assert capture.overload is None
    assert [r for r in capture.remarks if "counts the rows" not in r] == []


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "latin-1", "utf-8"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    text = csv_text(
        [[0, 1, 2, 3], [1.5, 2.5, 3.5, 4.5]], above=["Gerät: Prüfstand", "t (µs),u (V)"]
    )
    capture = read(put(tmp_path, "a.csv", text, encoding))
    np.testing.assert_array_equal(capture.samples, [[1.5, 2.5, 3.5, 4.5]])
    assert capture.rate_hz == 1e6


def test_start_is_the_time_of_the_first_sample(tmp_path: Path) -> None:
    text = csv_text([[-2.0, -1.0, 0.0, 1.0], [1, 2, 3, 4]], above=["time (ms),u (V)"])
    assert read(put(tmp_path, "a.csv", text)).start_s == -2e-3


def test_a_column_without_title_and_unit_is_volts_and_says_so(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", csv_text([[0.0, 0.5, 1.0, 1.5], [1, 2, 3, 4]]))
    capture = read(path)
    assert capture.channels == (Channel("ch1", "V"),)
    assert capture.rate_hz == 2.0
    assert capture.remarks == (
        "no unit is given for ch1: taken as V",
        "the time column has no unit: taken as seconds; say --time-unit ms if it is not",
    )
    assert read(path, ReadOptions(time_unit="ms", channels="u=mV")).rate_hz == 2000.0


def test_a_rate_asked_for_tells_the_unit_of_an_unnamed_time_column(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", csv_text([[0.0, 2.5, 5.0, 7.5], [1, 2, 3, 4]]))
    capture = read(path, ReadOptions(sample_rate_hz=4e5, channels="u=V"))
    assert (capture.rate_hz, capture.remarks) == (4e5, ())


def test_the_rate_asked_for_wins_over_the_time_column_and_is_remarked(tmp_path: Path) -> None:
    text = csv_text([TIMES, HIGH], above=["t (s),u (V)"])
    capture = read(put(tmp_path, "a.csv", text), ReadOptions(sample_rate_hz=500.0))
    assert capture.rate_hz == 500.0
    assert capture.remarks == (
        "the time column says 1000 Hz, but 500 Hz was asked for and is used",
    )


def test_as_many_channels_named_as_columns_means_no_time_column(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", csv_text([[0.0, 0.5, 1.0, 1.5], [1, 2, 3, 4]]))
    capture = read(path, ReadOptions(channels="ramp=V,count=V", sample_rate_hz=10.0))
    np.testing.assert_array_equal(capture.samples, [[0.0, 0.5, 1.0, 1.5], [1, 2, 3, 4]])


def test_one_column_of_decimal_commas_is_told_by_its_title(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", "Spannung (V)\n0,25\n1,5\n-2,75\n")
    capture = read(path, ReadOptions(sample_rate_hz=10.0))
    np.testing.assert_array_equal(capture.samples, [[0.25, 1.5, -2.75]])
    assert capture.channels == (Channel("spannung", "V"),)


def test_eight_channels(tmp_path: Path) -> None:
    rows = [[float(10 * i + k % 2) for k in range(4)] for i in range(8)]
    capture = read(put(tmp_path, "a.csv", csv_text(rows)), ReadOptions(sample_rate_hz=10.0))
    np.testing.assert_array_equal(capture.samples, rows)


def test_physical_is_stored_times_scale_times_attenuation(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", csv_text([HIGH, LOW], above=["u (V),i (A)"]))
    options = ReadOptions(sample_rate_hz=10.0, scale=0.5, attenuation=10.0, invert=("I",))
    capture = read(path, options)
    np.testing.assert_array_equal(capture.samples, np.array([HIGH, LOW]) * 5 * [[1], [-1]])
    assert (capture.scale, capture.attenuation) == (0.5, 10.0)


def test_the_coupling_of_the_preamble_yields_to_what_is_asked(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", csv_text([HIGH], above=["Coupling: AC", "fs: 10", "u (V)"]))
    assert read(path).coupling == "ac"
    assert read(path, ReadOptions(coupling="dc")).coupling == "dc"


def test_names_asked_for_take_their_units_from_the_file(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", csv_text([TIMES, HIGH, LOW], above=["t (s),a (V),b (A)"]))
    channels = read(path, ReadOptions(channels="u,i")).channels
    assert channels == (Channel("u", "V"), Channel("i", "A"))


def test_the_same_names_in_another_order_stay_with_their_columns(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", csv_text([TIMES, HIGH, LOW], above=["t (s),can_h,can_l"]))
    capture = read(path, ReadOptions(channels="can_l=mV,can_h=V"))
    assert capture.channels == (Channel("can_h", "V"), Channel("can_l", "mV"))


@pytest.mark.parametrize(
    "mark", ["", "***", "OL", "over", "NaN", "Overload", "1.#INF", "clip", "-"]
)
def test_overload_marks_are_clipped_samples_never_gaps(tmp_path: Path, mark: str) -> None:
    rows = [0.0, 4.0, 5.0, mark, mark, 4.5, 0.5, -3.0, -4.0, mark, -3.5, 0.0]
    text = csv_text([[i * 1e-3 for i in range(12)], rows], above=["t (s),u (V)"])
    capture = read(put(tmp_path, "a.csv", text))
    assert capture.overload is not None
    assert np.flatnonzero(capture.overload[0]).tolist() == [3, 4, 9]
    np.testing.assert_array_equal(
        capture.samples[0], [0.0, 4.0, 5.0, 5.0, 5.0, 4.5, 0.5, -3.0, -4.0, -4.0, -3.5, 0.0]
    )
    assert capture.remarks == (
        "3 samples of channel u held no number: taken as clipped at the nearest rail",
    )


def test_a_signed_mark_names_its_rail(tmp_path: Path) -> None:
    rows = ["0.0", "-OL", "+OL", "-inf", "inf", "1.0", "-1.0", "-9.9E37"]
    text = csv_text([rows], above=["u (V)"])
    capture = read(put(tmp_path, "a.csv", text), ReadOptions(sample_rate_hz=10.0))
    np.testing.assert_array_equal(capture.samples, [[0, -1, 1, -1, 1, 1, -1, -1]])


def test_blank_lines_of_a_single_column_are_marks(tmp_path: Path) -> None:
    capture = read(put(tmp_path, "a.csv", "u (V)\n1\n2\n\n2\n0\n\n"), ReadOptions(sample_rate_hz=9))
    np.testing.assert_array_equal(capture.samples, [[1, 2, 2, 2, 0]])
    assert capture.overload is not None and capture.overload[0].tolist() == [0, 0, 1, 0, 0]


def test_an_inverted_mark_turns_with_its_channel(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", csv_text([["1.0", "2.0", "+OL", "0.0"]], above=["u (V)"]))
    capture = read(path, ReadOptions(sample_rate_hz=10.0, invert=("u",)))
    np.testing.assert_array_equal(capture.samples, [[-1, -2, -2, 0]])


@pytest.mark.parametrize(
    "tail", ["0.003,2.5", "0.003,2.5,", "0.003,2.5,1.", "0.003,,", "0.003,,\n", "0.0"]
)
def test_a_last_row_cut_off_is_left_out_and_said(tmp_path: Path, tail: str) -> None:
    text = csv_text([TIMES[:3], HIGH[:3], LOW[:3]], above=["t (s),u (V),i (A)"]) + tail
    capture = read(put(tmp_path, "a.csv", text))
    if tail.endswith("1."):  # nothing shows that this number is short
        assert capture.n_samples == 4
        return
    np.testing.assert_array_equal(capture.samples, [HIGH[:3], LOW[:3]])
    assert capture.remarks == ("the last row (line 5) is cut off and was left out",)


def test_a_number_cut_in_its_exponent_is_left_out(tmp_path: Path) -> None:
    text = csv_text([TIMES[:3], HIGH[:3]], above=["t (s),u (V)"]) + "0.003,2.5E-"
    capture = read(put(tmp_path, "a.csv", text))
    assert capture.n_samples == 3


def test_a_last_row_without_line_end_counts(tmp_path: Path) -> None:
    text = csv_text([TIMES, HIGH], above=["t (s),u (V)"], last_end=False)
    assert read(put(tmp_path, "a.csv", text)).n_samples == 6


def test_marks_first_seen_far_below_the_start(tmp_path: Path) -> None:
    n = 20_000
    values: list[float | str] = [math.sin(i / 50) for i in range(n)]
    values[15_000] = "  ***"
    text = csv_text([[i / 1000 for i in range(n)], values], above=["t (s),u (V)"])
    capture = read(put(tmp_path, "a.csv", text))
    assert capture.overload is not None and np.flatnonzero(capture.overload[0]).tolist() == [15_000]


def test_a_preamble_longer_than_the_first_look(tmp_path: Path) -> None:
    above = [f"Setting {i}: some text to fill the line with, number {i}" for i in range(3000)]
    text = csv_text([TIMES, HIGH], above=[*above, "t (s),u (V)"])
    np.testing.assert_array_equal(read(put(tmp_path, "a.csv", text)).samples, [HIGH])


def test_the_product_is_never_asked(tmp_path: Path) -> None:
    """The same table under any suffix, or none, reads the same."""
    text = csv_text([TIMES, HIGH], above=["t (s),u (V)"])
    for name in ("a.csv", "a.txt", "a", "a.wav", "a.npz", "a[1]*.csv", "a.parquet"):
        np.testing.assert_array_equal(read(put(tmp_path, name, text)).samples, [HIGH])


DELIMITERS = st.sampled_from([(",", "."), (";", ","), (";", "."), ("\t", "."), ("\t", ",")])
FINITE = st.floats(-1e6, 1e6, allow_subnormal=False)


@settings(max_examples=150, deadline=None)
@given(
    data=st.data(),
    channels=st.integers(1, 8),
    n=st.integers(2, 40),
    dialect=DELIMITERS,
    end=st.sampled_from(["\n", "\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    with_time=st.booleans(),
    with_header=st.booleans(),
)
def test_round_trip(
    data: st.DataObject,
    channels: int,
    n: int,
    dialect: tuple[str, str],
    end: str,
    encoding: str,
    with_time: bool,
    with_header: bool,
) -> None:
    """Whatever is written in any dialect comes back equal to the last bit."""
    rows = data.draw(
        st.lists(st.lists(FINITE, min_size=n, max_size=n), min_size=channels, max_size=channels)
    )
    columns = [[i * 0.001 for i in range(n)], *rows] if with_time else rows
    delimiter, decimal = dialect
    titles = [f"c{i} (V)" for i in range(channels)]
    above = [delimiter.join(["time (s)", *titles] if with_time else titles)] if with_header else []
    text = csv_text(columns, delimiter=delimiter, decimal=decimal, above=above, end=end)
    options = ReadOptions(
        sample_rate_hz=None if with_time else 1000.0,
        channels=",".join(f"c{i}=V" for i in range(channels)),
    )
    with tempfile.TemporaryDirectory() as folder:
        capture = read(put(Path(folder), "a.csv", text, encoding), options)
    np.testing.assert_array_equal(capture.samples, rows)
    assert capture.rate_hz == 1000.0
    assert capture.overload is None


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=300))
def test_sniffing_any_text_gives_a_table_or_one_line(text: str) -> None:
    from refdb.errors import CaptureError

    try:
        table = sniff("f", text, True, Hints())
    except CaptureError as error:
        assert len(str(error).splitlines()) == 1
    else:
        assert table.dialect.columns >= 1
