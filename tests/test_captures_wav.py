"""WAV: codes as stored, headers that lie."""

from __future__ import annotations

import struct
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from refdb.captures import ReadOptions, read
from refdb.errors import CaptureError
from refdb.records import Channel
from tests.capture_files import chunk, put, wav_bytes

RANGES = {"u8": 2**7, "i16": 2**15, "i24": 2**23, "i32": 2**31, "f32": 2**20, "f64": 2**40}


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(sorted(RANGES)), st.integers(1, 8), st.integers(2, 50), st.integers(0, 2**32)
)
def test_round_trip(coding: str, channels: int, n: int, seed: int) -> None:
    """The stored value is the integer code for PCM, the float itself for float."""
    full = RANGES[coding]
    codes = np.random.default_rng(seed).integers(-full, full, (n, channels))
    codes[0], codes[1] = -full, full - 1
    with tempfile.TemporaryDirectory() as folder:
        path = put(Path(folder), "a.wav", wav_bytes(codes, 8000, coding))
        capture = read(path, ReadOptions(scale=0.25))
    np.testing.assert_array_equal(capture.samples, codes.T * 0.25)
    assert capture.rate_hz == 8000.0


def test_the_same_as_an_outside_writer(tmp_path: Path) -> None:
    codes = np.random.default_rng(0).integers(-(2**15), 2**15, (500, 2)).astype(np.int16)
    wavfile.write(tmp_path / "a.wav", 44100, codes)
    np.testing.assert_array_equal(read(tmp_path / "a.wav").samples, codes.T)


def test_a_code_is_no_voltage_until_someone_says_so(tmp_path: Path) -> None:
    path = put(tmp_path, "a.wav", wav_bytes(np.ones((4, 2)), 8000))
    capture = read(path)
    assert capture.channels == (Channel("ch1", "a.u."), Channel("ch2", "a.u."))
    assert capture.remarks == ("no unit is given for ch1, ch2: taken as a.u.",)
    assert read(path, ReadOptions(channels="a=V,b=mV")).remarks == ()


def test_other_chunks_are_stepped_over(tmp_path: Path) -> None:
    extra = chunk(b"LIST", b"INFOx") + chunk(b"junk", b"\0" * 40)
    path = put(tmp_path, "a.wav", wav_bytes(np.arange(8).reshape(4, 2), 8000, extra=extra))
    np.testing.assert_array_equal(read(path).samples, np.arange(8).reshape(4, 2).T)


def test_extensible_and_rf64(tmp_path: Path) -> None:
    codes = np.arange(-4, 4).reshape(4, 2).astype("<i2")
    form = struct.pack("<HHIIHH", 0xFFFE, 2, 8000, 32000, 4, 16) + struct.pack("<HHI", 22, 16, 3)
    form += struct.pack("<H", 1) + b"\0" * 14
    data = codes.tobytes()
    sizes = chunk(b"ds64", struct.pack("<QQQI", 100, len(data), 4, 0))
    body = b"WAVE" + sizes + chunk(b"fmt ", form) + chunk(b"data", data, 0xFFFFFFFF)
    path = put(tmp_path, "a.wav", b"RF64" + struct.pack("<I", 0xFFFFFFFF) + body)
    np.testing.assert_array_equal(read(path).samples, codes.T)


def test_a_file_cut_off_gives_what_is_there_and_says_so(tmp_path: Path) -> None:
    whole = wav_bytes(np.arange(200).reshape(100, 2), 8000)
    capture = read(put(tmp_path, "a.wav", whole[:-50]), ReadOptions(channels="a=V,b=V"))
    assert capture.n_samples == 87
    assert capture.remarks == (
        "the file announces 400 bytes of samples but holds 350: it was cut off",
    )


def test_a_recorder_that_never_closed_its_file(tmp_path: Path) -> None:
    whole = bytearray(wav_bytes(np.arange(200).reshape(100, 2), 8000))
    at = whole.index(b"data") + 4
    whole[at : at + 4] = b"\xff" * 4
    assert read(put(tmp_path, "a.wav", bytes(whole))).n_samples == 100


def _with(offset: int, form: str, value: int) -> bytes:
    whole = bytearray(wav_bytes(np.arange(200).reshape(100, 2), 8000))
    struct.pack_into(form, whole, offset, value)
    return bytes(whole)


LIES = {
    "coding": (
        _with(20, "<H", 85),
        "expected PCM of 8, 16, 24 or 32 bits or float of 32 or 64, found coding 85 with 16 bits",
    ),
    "no channel": (_with(22, "<H", 0), "expected 1 to 8 channels, found 0"),
    "many channels": (_with(22, "<H", 65535), "expected 1 to 8 channels, found 65535"),
    "frame": (_with(32, "<H", 9), "expected frames of 4 bytes, found 9 in the WAV header"),
    "bits": (
        _with(34, "<H", 12),
        "expected PCM of 8, 16, 24 or 32 bits or float of 32 or 64, found coding 1 with 12 bits",
    ),
    "format": (
        _with(16, "<I", 4_000_000_000),
        "expected a WAV format and data, found no data chunk",
    ),
    "short format": (
        b"RIFF\0\0\0\0WAVE" + chunk(b"fmt ", b"\1\0"),
        "expected a WAV format of 16 bytes or more, found 2 bytes",
    ),
    "nothing": (b"RIFF\0\0\0\0WAVE", "expected a WAV format and data, found no format chunk"),
    "data first": (
        b"RIFF\0\0\0\0WAVE" + chunk(b"data", b"\1\0"),
        "expected a WAV format before the data, found none",
    ),
}


@pytest.mark.parametrize("name", LIES)
def test_headers_that_lie(tmp_path: Path, name: str) -> None:
    content, said = LIES[name]
    path = put(tmp_path, "a.wav", content)
    with pytest.raises(CaptureError) as caught:
        read(path)
    assert str(caught.value) == f"{path}: {said}; save the recording as PCM or float WAV again"


def test_a_rate_of_zero(tmp_path: Path) -> None:
    path = put(tmp_path, "a.wav", _with(24, "<I", 0))
    with pytest.raises(CaptureError) as caught:
        read(path)
    assert str(caught.value) == (
        f"{path}: expected a sample rate from 0.001 Hz to 1e+11 Hz, found 0 Hz in the file; "
        "give the true rate with --rate"
    )
    assert read(path, ReadOptions(sample_rate_hz=10.0)).rate_hz == 10.0


def test_the_limit_holds_before_anything_is_read(tmp_path: Path) -> None:
    path = put(tmp_path, "a.wav", wav_bytes(np.arange(200).reshape(100, 2), 8000))
    with pytest.raises(CaptureError) as caught:
        read(path, ReadOptions(max_samples=199))
    assert str(caught.value) == (
        f"{path}: expected at most 199 samples, found 200 (2 channels x 100); "
        "cut the recording or raise --max-samples"
    )


def test_one_sample(tmp_path: Path) -> None:
    path = put(tmp_path, "a.wav", wav_bytes(np.ones((1, 1)), 8000))
    with pytest.raises(CaptureError) as caught:
        read(path)
    assert str(caught.value) == (
        f"{path}: expected at least 2 samples, found 1 sample; save more of the recording"
    )


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 255)), max_size=6), st.integers(0, 500)
)
def test_any_damage_gives_a_capture_or_one_line(damage: list[tuple[int, int]], cut: int) -> None:
    whole = bytearray(wav_bytes(np.arange(200).reshape(100, 2), 8000))
    for at, value in damage:
        whole[at] = value
    with tempfile.TemporaryDirectory() as folder:
        path = put(Path(folder), "a.wav", bytes(whole[: len(whole) - cut]) or b"x")
        try:
            assert np.isfinite(read(path).samples).all()
        except CaptureError as error:
            assert len(str(error).splitlines()) == 1
