"""MAT v5 against scipy's writer, and files made to harm."""

from __future__ import annotations

import io
import struct
import tempfile
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import savemat

from refdb.captures import ReadOptions, read
from refdb.errors import CaptureError
from refdb.records import Channel
from tests.capture_files import put

TYPES = ["f8", "f4", "i1", "u1", "i2", "u2", "i4", "u4", "i8", "u8"]


def mat(variables: dict[str, Any], packed: bool = False) -> bytes:
    out = io.BytesIO()
    savemat(out, variables, do_compression=packed)
    return out.getvalue()


def refused(path: Path, options: ReadOptions | None = None) -> str:
    with pytest.raises(CaptureError) as caught:
        read(path, options)
    return str(caught.value)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(TYPES), st.integers(1, 8), st.integers(9, 60), st.booleans(), st.integers(0, 99)
)
def test_round_trip(dtype: str, channels: int, n: int, packed: bool, seed: int) -> None:
    block = np.random.default_rng(seed).integers(0, 100, (n, channels)).astype(dtype)
    with tempfile.TemporaryDirectory() as folder:
        whole = read(put(Path(folder), "a.mat", mat({"data": block, "fs": 1e3}, packed)))
        apart = {f"c{i}": block[:, i] for i in range(channels)} | {"t": np.arange(n) / 1e3}
        named = read(put(Path(folder), "b.mat", mat(apart, packed)))
    for capture in (whole, named):
        np.testing.assert_array_equal(capture.samples, block.T.astype(float))
        assert capture.rate_hz == 1000.0


@pytest.mark.parametrize("packed", [False, True])
def test_what_is_no_array_is_stepped_over(tmp_path: Path, packed: bool) -> None:
    variables = {
        "settings": {"range": 5, "deep": {"er": [1, 2]}},
        "cells": np.array([1, "two"], dtype=object),
        "names": ["u", "i"],
        "units": ["V ", "mA"],
        "data": np.arange(40.0).reshape(20, 2),
        "fs": 100,
    }
    capture = read(put(tmp_path, "a.mat", mat(variables, packed)))
    assert capture.channels == (Channel("u", "V"), Channel("i", "mA"))
    np.testing.assert_array_equal(capture.samples, np.arange(40.0).reshape(20, 2).T)


def test_version_7_3_is_named(tmp_path: Path) -> None:
    header = b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(124) + b"\x00\x02IM"
    path = put(tmp_path, "a.mat", header.ljust(512, b"\0") + b"\x89HDF\r\n\x1a\n" + b"\0" * 100)
    assert refused(path) == (
        f"{path}: expected MAT version 5, found version 7.3 (HDF5); "
        "save the arrays with MAT version 5 (for instance save -v6) again"
    )


def test_complex_numbers(tmp_path: Path) -> None:
    path = put(tmp_path, "a.mat", mat({"u": np.arange(9) * 1j, "fs": 10}))
    assert refused(path) == (
        f"{path}: expected real numbers in array 'u', found complex numbers; "
        "save plain numeric arrays"
    )


def test_nothing_to_read(tmp_path: Path) -> None:
    path = put(tmp_path, "a.mat", mat({"settings": {"range": 5}}))
    assert refused(path) == (
        f"{path}: expected arrays named by channel, or `data` and `fs`, found no numeric array; "
        "save one array per channel"
    )


def test_a_bomb_is_refused(tmp_path: Path) -> None:
    inner = struct.pack("<II", 14, 50_000_000) + b"\0" * 50_000_000
    packed = zlib.compress(inner)
    header = b"MATLAB 5.0 MAT-file".ljust(124) + b"\x00\x01IM"
    path = put(tmp_path, "a.mat", header + struct.pack("<II", 15, len(packed)) + packed)
    assert refused(path, ReadOptions(max_samples=1000)) == (
        f"{path}: expected an undamaged MAT file, found more unpacked bytes than the sample limit "
        "allows; save the arrays with MAT version 5 (for instance save -v6) again"
    )


def test_lengths_that_lie(tmp_path: Path) -> None:
    whole = bytearray(mat({"u": np.arange(100.0), "fs": 10}))
    struct.pack_into("<I", whole, 132, 2**31)
    path = put(tmp_path, "a.mat", bytes(whole))
    assert refused(path).startswith(f"{path}: expected an undamaged MAT file, found ")


@settings(max_examples=200, deadline=None)
@given(
    st.booleans(),
    st.lists(st.tuples(st.integers(0, 900), st.integers(0, 255)), min_size=1, max_size=5),
)
def test_any_damage_gives_a_capture_or_one_line(
    packed: bool, damage: list[tuple[int, int]]
) -> None:
    whole = bytearray(mat({"u": np.arange(50.0), "t": np.arange(50) / 10}, packed))
    for at, value in damage:
        whole[at % len(whole)] = value
    with tempfile.TemporaryDirectory() as folder:
        path = put(Path(folder), "a.mat", bytes(whole))
        try:
            assert np.isfinite(read(path).samples).all()
        except CaptureError as error:
            assert len(str(error).splitlines()) == 1
