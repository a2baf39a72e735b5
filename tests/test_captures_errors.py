"""What a person is told, word for word. Every text is one line that names the file."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refdb.captures import ReadOptions, open_blocks, read
from refdb.errors import CaptureError
from refdb.units import UNITS
from tests.capture_files import csv_text, put

TABLE = csv_text([[0.0, 1.0, 2.0], [1, 2, 3], [4, 5, 6]], above=["t (ms),u (V),i (A)"])
BARE = csv_text([[1, 2, 3]], above=["u (V)"])


def refused(path: Path | str, options: ReadOptions | None = None) -> str:
    """The text after the name of the file; that the text is one line is checked here."""
    with pytest.raises(CaptureError) as caught:
        read(path, options)
    said = str(caught.value)
    assert len(said.splitlines()) == 1
    name, _, rest = said.partition(": expected ")
    assert name.isprintable()
    return "expected " + rest


CONTENTS: dict[str, tuple[str | bytes, str]] = {
    "empty": ("", "expected a recording, found an empty file; save the recording again"),
    "blank": (
        "\n \n\r\n",
        "expected a table of numbers, found only blank lines; save the recording again",
    ),
    "prose": (
        "Dear customer,\nyour car is ready.\n",
        "expected a table of numbers, found no line of numbers; it begins 'Dear customer,'; "
        "save the recording as CSV with one row per sample",
    ),
    "titles only": (
        "t (s),u (V)\n",
        "expected a table of numbers, found no line of numbers; it begins 't (s),u (V)'; "
        "save the recording as CSV with one row per sample",
    ),
    "control characters": (
        "a\x1b[31m,b\x00\n1,2\n",
        "expected text, found byte 0x1b at byte 1; save the recording as CSV in UTF-8",
    ),
    "binary": (
        b"\x00\x01\x02\x03\x80\x81",
        "expected text, found byte 0x00 at byte 0; save the recording as CSV in UTF-8",
    ),
    "utf-8 that is none": (
        b"\xef\xbb\xbft (s),u (\xb5V)\n0,1\n1,2\n",
        "expected utf-8 text, found a byte that is none at byte 12; "
        "save the recording as CSV in UTF-8",
    ),
    "utf-16 cut in a character": (
        "t (s),u (V)\n0,1\n1,2\n".encode("utf-16")[:-1],
        "expected utf-16-le text, found a byte that is none at byte 40; "
        "save the recording as CSV in UTF-8",
    ),
    "ragged, short": (
        "t (s),u (V),i (A)\n0,1,2\n1,2\n2,3,4\n",
        "expected 3 cells in every row, found 2 in line 3; "
        "repair that row or save the recording again",
    ),
    "ragged, long": (
        "# note\nt (s),u (V),i (A)\n0,1,2\n1,2,3\n2,3,4,5\n3,4,5\n",
        "expected 3 cells in every row, found 4 in line 5; "
        "repair that row or save the recording again",
    ),
    "ragged, last and long": (
        "t (s),u (V)\n0,1\n1,2\n2,3,4\n",
        "expected 2 cells in every row, found 3 in line 4; "
        "repair that row or save the recording again",
    ),
    "titles that do not fit": (
        "time,a,b\n0,1\n1,2\n2,4\n",
        "expected 2 titles as in the rows of numbers, found 3 in line 1; "
        "make the title row and the rows alike",
    ),
    "one row": (
        "t (s),u (V)\n0,1\n",
        "expected at least 2 samples, found 1 sample; save more of the recording",
    ),
    "time alone": (
        "0.0\n0.1\n0.2\n",
        "expected a sample rate, found neither a time column nor a stated rate; "
        "give it with --rate, for instance --rate 100000",
    ),
    "a channel of marks": (
        "t (s),u (V),i (A)\n0,1,OL\n1,2,OL\n2,3,OL\n",
        "expected numbers in channel 'i', found none in 3 samples; "
        "check the probe and the range, or save the file without that channel",
    ),
    "a stated rate of zero": (
        "Sample rate: 0 Hz\nu (V)\n1\n2\n3\n",
        "expected a sample rate from 0.001 Hz to 1e+11 Hz, found 0 Hz in the file; "
        "give the true rate with --rate",
    ),
    "a time axis nobody has": (
        "t (s),u (V)\n0,1\n1e7,2\n2e7,3\n",
        "expected a sample rate from 0.001 Hz to 1e+11 Hz, found 1e-07 Hz by the time column; "
        "give the true rate with --rate",
    ),
    "time that stands": (
        "t (s),u (V)\n1,1\n1,2\n1,3\n",
        "expected a time column that runs forward, found a median step of 0; "
        "give the rate with --rate and name all columns with --channels",
    ),
    "nine channels": (
        csv_text([[2, 2, 3]] * 9),
        "expected at most 8 channels, found 9; save fewer columns",
    ),
    "sixty-four channels": (
        csv_text([[2, 2, 3]] * 64),
        "expected at most 8 channels, found 64; save fewer columns",
    ),
}


@pytest.mark.parametrize("name", CONTENTS)
def test_files(tmp_path: Path, name: str) -> None:
    content, said = CONTENTS[name]
    assert refused(put(tmp_path, "a.csv", content)) == said


def test_bytes_of_no_known_format(tmp_path: Path) -> None:
    assert refused(put(tmp_path, "a.bin", b"\x00\x01\x02\x03\x80\x81\x82\x83\x84")) == (
        "expected a capture file (CSV, WAV, NPZ, NPY, MAT, Parquet, Arrow, MDF4), found bytes "
        "00 01 02 03 80 81 82 83; save the recording in one of these formats"
    )


OPTIONS: dict[str, tuple[str, ReadOptions, str]] = {
    "channel count, too few": (
        TABLE,
        ReadOptions(channels="u=V"),
        "expected 1 channel (u), found 2 (u, i); "
        "name every channel of the file with --channels, in its order",
    ),
    "channel count, too many": (
        BARE,
        ReadOptions(channels="u=V,i=A", sample_rate_hz=10),
        "expected 2 channels (u, i), found 1 (u); "
        "name every channel of the file with --channels, in its order",
    ),
    "unknown unit": (
        TABLE,
        ReadOptions(channels="u=V,i=furlong"),
        f"expected a known unit for channel 'i', found 'furlong'; write one of {', '.join(UNITS)}",
    ),
    "no name": (
        TABLE,
        ReadOptions(channels="u=V,=A"),
        "expected channels as name=unit,name=unit, found 'u=V,=A'; "
        "write for instance can_h=V,can_l=V",
    ),
    "no unit after the sign": (
        TABLE,
        ReadOptions(channels="u=V,i="),
        "expected channels as name=unit,name=unit, found 'u=V,i='; "
        "write for instance can_h=V,can_l=V",
    ),
    "a name twice": (
        TABLE,
        ReadOptions(channels="u=V,U=A"),
        "expected every channel name once, found 'u' 2 times; give each channel its own name",
    ),
    "nine names": (
        TABLE,
        ReadOptions(channels=",".join(f"c{i}=V" for i in range(9))),
        "expected at most 8 channels, found 9 named; name fewer",
    ),
    "a name without unit anywhere": (
        "fs: 10\n1\n2\n3\n",
        ReadOptions(channels="u"),
        "expected a unit for channel 'u', found none in the file; "
        "write --channels u=V, with the unit it has",
    ),
    "negative rate": (
        TABLE,
        ReadOptions(sample_rate_hz=-5.0),
        "expected a sample rate from 0.001 Hz to 1e+11 Hz, found -5 Hz asked for; "
        "give the true rate with --rate",
    ),
    "rate of zero": (
        TABLE,
        ReadOptions(sample_rate_hz=0.0),
        "expected a sample rate from 0.001 Hz to 1e+11 Hz, found 0 Hz asked for; "
        "give the true rate with --rate",
    ),
    "absurd rate": (
        TABLE,
        ReadOptions(sample_rate_hz=1e12),
        "expected a sample rate from 0.001 Hz to 1e+11 Hz, found 1e+12 Hz asked for; "
        "give the true rate with --rate",
    ),
    "rate that is none": (
        TABLE,
        ReadOptions(sample_rate_hz=float("nan")),
        "expected a sample rate from 0.001 Hz to 1e+11 Hz, found nan Hz asked for; "
        "give the true rate with --rate",
    ),
    "scale of zero": (
        TABLE,
        ReadOptions(scale=0.0),
        "expected a scale other than zero, found 0; "
        "give physical units per stored unit with --scale",
    ),
    "negative attenuation": (
        TABLE,
        ReadOptions(attenuation=-10.0),
        "expected an attenuation above zero, found -10; "
        "give the probe's factor, for instance --attenuation 10",
    ),
    "coupling": (
        TABLE,
        ReadOptions(coupling="gnd"),  # type: ignore[arg-type]
        "expected coupling ac or dc, found 'gnd'; give --coupling ac|dc",
    ),
    "time unit": (
        TABLE,
        ReadOptions(time_unit="hours"),
        "expected a time unit s, ms, us or ns, found 'hours'; give for instance --time-unit ms",
    ),
    "inverting what is not there": (
        TABLE,
        ReadOptions(invert=("can_h",)),
        "expected --invert to name one of u, i, found 'can_h'; correct the name",
    ),
    "sample limit": (
        TABLE,
        ReadOptions(max_samples=5),
        "expected at most 5 samples, found 6 (2 channels x 3); "
        "cut the recording or raise --max-samples",
    ),
    "no limit": (
        TABLE,
        ReadOptions(max_samples=0),
        "expected a sample limit of 1 or more, found 0; give a larger --max-samples",
    ),
}


@pytest.mark.parametrize("name", OPTIONS)
def test_options(tmp_path: Path, name: str) -> None:
    content, options, said = OPTIONS[name]
    assert refused(put(tmp_path, "a.csv", content), options) == said


def test_missing_file_and_folder(tmp_path: Path) -> None:
    missing = tmp_path / "none.csv"
    with pytest.raises(CaptureError) as caught:
        read(missing)
    assert str(caught.value) == (
        f"{missing}: expected a capture file, found no such file; check the path"
    )
    assert refused(tmp_path) == "expected a capture file, found a directory; name a file in it"
    assert refused(tmp_path / "a.csv" / "b").startswith("expected a capture file, found no such")
    long = tmp_path / ("x" * 300)
    assert refused(long) == "expected a capture file, found a name that is too long; check the path"
    assert refused("a\0b") == ("expected a file name, found a null character in it; check the path")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_no_permission(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", TABLE)
    path.chmod(0)
    assert refused(path) == (
        "expected a readable file, found no permission; allow reading it, or copy it"
    )


def test_permission_denied_by_the_system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = put(tmp_path, "a.csv", TABLE)

    def deny(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", deny)
    assert refused(path) == (
        "expected a readable file, found no permission; allow reading it, or copy it"
    )


def test_a_pipe_is_no_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.csv")
    assert refused(tmp_path / "a.csv") == (
        "expected a capture file, found a device or pipe; save the recording to a file"
    )


@pytest.mark.parametrize(
    "name", ["new\nline.csv", "bell\x07.csv", "esc\x1b[2J.csv", b"\xff\xfe.csv"]
)
def test_names_that_would_break_the_line(tmp_path: Path, name: str | bytes) -> None:
    path = tmp_path / os.fsdecode(name)
    assert refused(path).startswith("expected a capture file, found no such file")
    put(tmp_path, path.name, TABLE)
    capture = read(path)
    assert capture.source.isprintable()
    capture.source.encode("utf-8")


def test_names_and_titles_lose_control_characters(tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", 't (s),"u\x0c\x85;<b> (V)",u\n0,1,2\n1,2,3\n2,3,4\n')
    names = [channel.name for channel in read(path).channels]
    assert names == ["u_b", "u"]


def test_blocks_refuse_with_the_same_words(tmp_path: Path) -> None:
    for name in ("empty", "prose", "control characters", "binary", "utf-8 that is none"):
        content, said = CONTENTS[name]
        path = put(tmp_path, "a.csv", content)
        with pytest.raises(CaptureError) as caught:
            open_blocks(path)
        assert str(caught.value) == f"{path}: {said}"


def test_nothing_heavy_is_loaded_by_importing() -> None:
    import subprocess
    import sys

    script = (
        "import sys, refdb.captures; "
        "print([m for m in ('polars', 'scipy', 'pyarrow', 'asammdf') if m in sys.modules])"
    )
    root = Path(__file__).parent.parent
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=root)
    assert done.stdout.strip() == "[]", done.stderr


def test_extreme_numbers(tmp_path: Path) -> None:
    """Denormals are numbers; 1e300 is an overload; a constant channel is a channel."""
    rows = ["5e-324", "1e300", "1e-320", "0", "-1e300", "1.0"]
    capture = read(
        put(tmp_path, "a.csv", csv_text([rows, ["7"] * 6])), ReadOptions(sample_rate_hz=9)
    )
    np.testing.assert_array_equal(capture.samples[0], [5e-324, 1.0, 1e-320, 0.0, 0.0, 1.0])
    np.testing.assert_array_equal(capture.samples[1], [7.0] * 6)


CELLS = st.sampled_from(
    ["1", "-2.5", "3e5", "", "OL", "inf", "nan", "1,5", "0x1f", "1_0", "é", "\t", '"', "'", "#",
     "--", "1e999", "9.9E37", "t (s)", "V", "dt: 1", "\r", "\0", ";", "12:30:01", "2031-05-06"]
)  # fmt: skip


@settings(max_examples=400, deadline=None)
@given(
    st.lists(st.lists(CELLS, max_size=5), max_size=12),
    st.sampled_from([",", ";", "\t", " ", ", "]),
    st.sampled_from(["utf-8", "utf-16", "latin-1"]),
    st.integers(0, 3),
)
def test_any_table_gives_a_capture_or_one_line(
    rows: list[list[str]], delimiter: str, encoding: str, cut: int
) -> None:
    content = "\n".join(delimiter.join(row) for row in rows).encode(encoding)
    with tempfile.TemporaryDirectory() as folder:
        path = put(Path(folder), "a.csv", content[: len(content) - cut])
        for options in (ReadOptions(), ReadOptions(sample_rate_hz=10.0)):
            try:
                capture = read(path, options)
            except CaptureError as error:
                assert len(str(error).splitlines()) == 1
            else:
                assert np.isfinite(capture.samples).all() and capture.n_samples >= 2
                assert all(r.isprintable() for r in capture.remarks)
                assert all(c.name.isprintable() and c.name for c in capture.channels)
                parts = [part for _, part in open_blocks(path, options, 3)]
                if capture.overload is None:
                    np.testing.assert_array_equal(np.concatenate(parts, axis=1), capture.samples)


@settings(max_examples=300, deadline=None)
@given(st.binary(min_size=1, max_size=400))
def test_any_bytes_give_a_capture_or_one_line(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = put(Path(folder), "a", content)
        try:
            read(path, ReadOptions(sample_rate_hz=10.0))
        except CaptureError as error:
            assert len(str(error).splitlines()) == 1
