"""Parquet, Arrow and Feather."""

from __future__ import annotations

import datetime
import io
import tempfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refdb.captures import ReadOptions, read
from refdb.errors import CaptureError
from refdb.records import Channel
from tests.capture_files import put


def written(frame: pl.DataFrame, kind: str) -> bytes:
    out = io.BytesIO()
    if kind == "parquet":
        frame.write_parquet(out)
    elif kind == "arrow":
        frame.write_ipc(out)
    elif kind == "feather":
        frame.write_ipc(out, compression="zstd")
    else:
        frame.write_ipc_stream(out)
    return out.getvalue()


KINDS = ["parquet", "arrow", "feather", "arrows"]
DTYPES = [pl.Float64, pl.Float32, pl.Int8, pl.Int16, pl.Int32, pl.Int64, pl.UInt8, pl.UInt32]


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(KINDS),
    st.sampled_from(DTYPES),
    st.integers(1, 8),
    st.integers(2, 60),
    st.booleans(),
)
def test_round_trip(
    kind: str, dtype: type[pl.DataType], channels: int, n: int, with_time: bool
) -> None:
    block = np.random.default_rng(n).integers(0, 100, (n, channels))
    time = [pl.Series("t_ms", np.arange(n) / 4)] if with_time else []
    series = [pl.Series(f"c{i} (V)", block[:, i], dtype=dtype) for i in range(channels)]
    content = written(pl.DataFrame([*time, *series]), kind)
    with tempfile.TemporaryDirectory() as folder:
        path = put(Path(folder), f"a.{kind}", content)
        capture = read(path, ReadOptions(sample_rate_hz=None if with_time else 4000.0))
    np.testing.assert_array_equal(capture.samples, block.T)
    assert capture.rate_hz == 4000.0
    assert capture.channels == tuple(Channel(f"c{i}", "V") for i in range(channels))


@pytest.mark.parametrize("kind", KINDS)
def test_missing_values_are_marks_and_text_is_left_out(tmp_path: Path, kind: str) -> None:
    frame = pl.DataFrame(
        {"time": [0.0, 0.5, 1.0, 1.5], "u_V": [1.0, None, 3.0, float("inf")], "note": list("abcd")}
    )
    capture = read(put(tmp_path, f"a[1].{kind}", written(frame, kind)))
    np.testing.assert_array_equal(capture.samples, [[1.0, 3.0, 3.0, 3.0]])
    assert capture.rate_hz == 2.0


def test_clock_time_as_time(tmp_path: Path) -> None:
    start = datetime.datetime(2031, 5, 6, 7, 8, 9)
    when = [start + datetime.timedelta(microseconds=20 * i) for i in range(100)]
    frame = pl.DataFrame({"when": when, "u_V": np.arange(100.0)})
    capture = read(put(tmp_path, "a.parquet", written(frame, "parquet")))
    assert (capture.rate_hz, capture.start_s) == (50_000.0, 0.0)


def test_single_precision_time_is_not_jitter(tmp_path: Path) -> None:
    time = (np.arange(50_000) * 1e-5).astype(np.float32)
    frame = pl.DataFrame({"t": time, "u_V": np.arange(50_000)})
    capture = read(put(tmp_path, "a.parquet", written(frame, "parquet")))
    assert capture.rate_hz == pytest.approx(1e5, rel=1e-6)
    assert capture.remarks == ()


def test_refusals(tmp_path: Path) -> None:
    def refused(name: str, content: bytes, options: ReadOptions | None = None) -> str:
        path = put(tmp_path, name, content)
        with pytest.raises(CaptureError) as caught:
            read(path, options)
        return str(caught.value).removeprefix(f"{path}: ")

    frame = pl.DataFrame({f"c{i}": [1.0, 2.0] for i in range(10)})
    assert refused("a.parquet", written(frame, "parquet")) == (
        "expected at most 8 channels and a time column, found 10 numeric columns; "
        "save fewer columns"
    )
    text = pl.DataFrame({"a": ["x", "y"], "b": ["x", "y"]})
    assert refused("b.parquet", written(text, "parquet")) == (
        "expected numeric columns, found a String, b String; save one numeric column per channel"
    )
    two = pl.DataFrame({"a": [1.0, 2.0], "b": [1.0, 2.0]})
    for kind in KINDS:
        assert refused(f"c.{kind}", written(two, kind), ReadOptions(max_samples=3)) == (
            "expected at most 3 samples, found 4 (2 columns x 2); "
            "cut the recording or raise --max-samples"
        )
    assert refused("d.feather", b"FEA1" + b"\0" * 100) == (
        "expected Feather version 2 (Arrow), found version 1; "
        "save the table again as Parquet or Arrow"
    )
    for kind in KINDS:
        whole = written(two, kind)
        cut = refused(f"e.{kind}", whole[: len(whole) // 2])
        assert cut.startswith("expected an undamaged table file, found ")


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from(KINDS),
    st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 255)), min_size=1, max_size=4),
)
def test_any_damage_gives_a_capture_or_one_line(kind: str, damage: list[tuple[int, int]]) -> None:
    frame = pl.DataFrame({"t_s": np.arange(50) / 10, "u_V": np.arange(50.0)})
    whole = bytearray(written(frame, kind))
    for at, value in damage:
        whole[at % len(whole)] = value
    with tempfile.TemporaryDirectory() as folder:
        path = put(Path(folder), "a", bytes(whole))
        try:
            assert np.isfinite(read(path).samples).all()
        except CaptureError as error:
            assert len(str(error).splitlines()) == 1
