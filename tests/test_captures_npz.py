"""NPZ and NPY: both layouts, and archives made to harm."""

from __future__ import annotations

import io
import pickle
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from refdb.captures import ReadOptions, read
from refdb.errors import CaptureError
from refdb.records import Channel
from tests.capture_files import put

REAL = st.one_of(
    hnp.integer_dtypes(), hnp.unsigned_integer_dtypes(), hnp.floating_dtypes(sizes=(32, 64))
)


def refused(path: Path, options: ReadOptions | None = None) -> str:
    with pytest.raises(CaptureError) as caught:
        read(path, options)
    return str(caught.value)


@settings(max_examples=100, deadline=None)
@given(st.data(), REAL, st.integers(1, 8), st.integers(9, 60), st.booleans(), st.booleans())
def test_round_trip_of_any_type_and_length(
    data: st.DataObject, dtype: np.dtype[Any], channels: int, n: int, packed: bool, fortran: bool
) -> None:
    finite = {"allow_nan": False, "allow_infinity": False} if dtype.kind == "f" else {}
    elements = hnp.from_dtype(dtype, **finite)
    block = data.draw(hnp.arrays(dtype, (n, channels), elements=elements))
    block = np.where(np.abs(block.astype(float)) < 1e37, block, 0).astype(dtype)
    block = np.asfortranarray(block) if fortran else block
    save = np.savez_compressed if packed else np.savez
    with tempfile.TemporaryDirectory() as folder:
        save(Path(folder) / "a.npz", data=block, fs=1000.0)
        whole = read(Path(folder) / "a.npz")
        save(Path(folder) / "b.npz", **{f"c{i}": block[:, i] for i in range(channels)}, fs=1000)
        apart = read(Path(folder) / "b.npz")
        np.save(Path(folder) / "c.npy", block)
        alone = read(Path(folder) / "c.npy", ReadOptions(sample_rate_hz=1000.0))
    for capture in (whole, apart, alone):
        np.testing.assert_array_equal(capture.samples, block.T.astype(float))
        assert capture.rate_hz == 1000.0
    assert whole.sha256 == apart.sha256 == alone.sha256


def test_named_arrays_with_time(tmp_path: Path) -> None:
    time = np.arange(100) * 2e-6 - 1e-4
    np.savez(tmp_path / "a.npz", t=time, can_h_V=np.arange(100), i_mA=np.arange(100) * 2)
    capture = read(tmp_path / "a.npz")
    assert capture.channels == (Channel("can_h", "V"), Channel("i", "mA"))
    assert (capture.rate_hz, capture.start_s, capture.remarks) == (5e5, -1e-4, ())


@pytest.mark.parametrize(
    ("setting", "rate"),
    [({"fs": 250.0}, 250.0), ({"sample_rate_hz": [250]}, 250.0), ({"dt": 0.004}, 250.0)],
)
def test_rates_as_they_are_called(tmp_path: Path, setting: dict[str, Any], rate: float) -> None:
    np.savez(tmp_path / "a.npz", data=np.arange(20.0), **setting)
    assert read(tmp_path / "a.npz").rate_hz == rate


def test_scales_multiply(tmp_path: Path) -> None:
    block = np.arange(40).reshape(20, 2)
    options = ReadOptions(scale=2.0, attenuation=10.0)
    np.savez(tmp_path / "a.npz", data=block, fs=10, scale=0.5)
    capture = read(tmp_path / "a.npz", options)
    np.testing.assert_array_equal(capture.samples, block.T * 10.0)
    assert capture.scale == 1.0
    np.savez(tmp_path / "b.npz", data=block, fs=10, scale=[0.5, 0.25])
    np.testing.assert_array_equal(
        read(tmp_path / "b.npz", options).samples, block.T * [[10.0], [5.0]]
    )


def test_names_and_units_as_text(tmp_path: Path) -> None:
    block = np.arange(40).reshape(20, 2)
    np.savez(tmp_path / "a.npz", data=block, fs=10, names=["u", "i"], units=np.array([b"V", b"A"]))
    assert read(tmp_path / "a.npz").channels == (Channel("u", "V"), Channel("i", "A"))


def test_channels_by_samples_is_turned(tmp_path: Path) -> None:
    block = np.arange(40).reshape(2, 20)
    np.savez(tmp_path / "a.npz", data=block, fs=10)
    np.testing.assert_array_equal(read(tmp_path / "a.npz").samples, block)


def test_nan_and_infinities_are_marks(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", u=[0.0, np.nan, 1.0, -np.inf, 9.9e37, -1.0], fs=10)
    capture = read(tmp_path / "a.npz")
    np.testing.assert_array_equal(capture.samples, [[0.0, 1.0, 1.0, -1.0, 1.0, -1.0]])
    assert capture.overload is not None
    assert capture.overload.tolist() == [[False, True, False, True, True, False]]


def test_a_pickle_is_never_loaded(tmp_path: Path) -> None:
    class Trap:
        def __reduce__(self) -> tuple[Any, ...]:
            return (Path(tmp_path / "sprung").touch, ())

    np.savez(tmp_path / "a.npz", u=np.array([Trap()], dtype=object), fs=10)
    path = tmp_path / "a.npz"
    assert refused(path) == (
        f"{path}: expected plain numbers in array 'u', found pickled objects, which are never "
        "loaded; save numeric arrays only"
    )
    bare = put(tmp_path, "b.npy", pickle.dumps(Trap()))
    assert "expected a" in refused(bare)
    assert not (tmp_path / "sprung").exists()


def npy(shape: str, descr: str = "<f8", data: bytes = b"") -> bytes:
    header = f"{{'descr': '{descr}', 'fortran_order': False, 'shape': {shape}, }}".ljust(117) + "\n"
    return b"\x93NUMPY\x01\x00" + len(header).to_bytes(2, "little") + header.encode() + data


def test_a_count_that_lies(tmp_path: Path) -> None:
    path = put(tmp_path, "a.npy", npy("(1000000000,)", data=b"\0" * 80))
    assert refused(path, ReadOptions(sample_rate_hz=10.0)) == (
        f"{path}: expected 8000000000 bytes of samples in array 'data' as its header says, "
        "found 80; the file was cut off or damaged: save it again"
    )


@pytest.mark.parametrize(
    "content",
    [
        npy("(-5,)", data=b"\0" * 80),
        npy("(1e3,)", data=b"\0" * 80),
        npy("(__import__('os'),)", data=b"\0" * 80),
        npy("(" * 200, data=b"\0" * 80),
        npy("(10,)", "|O", b"\0" * 80),
        npy("(10,)", "<c8", b"\0" * 80),
        npy("(10,)", "<M8[s]", b"\0" * 80),
        npy("()", data=b"\0" * 80),
        npy("(0, 9)", data=b""),
        npy("(2, 2, 2)", data=b"\0" * 80),
        b"\x93NUMPY\x09\x00",
        b"\x93NUMPY",
        b"PK\x05\x06" + b"\0" * 18,
        b"PK\x03\x04" + b"\xff" * 50,
    ],
)
def test_headers_made_to_harm(tmp_path: Path, content: bytes) -> None:
    path = put(tmp_path, "a.npy", content)
    said = refused(path, ReadOptions(sample_rate_hz=10.0))
    assert len(said.splitlines()) == 1 and said.startswith(f"{path}: expected ")


def test_a_bomb_is_refused_unpacked_by_nobody(tmp_path: Path) -> None:
    member = npy("(50000000,)")
    with zipfile.ZipFile(tmp_path / "a.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        with archive.open("u.npy", "w") as out:
            out.write(member)
            for _ in range(400):
                out.write(b"\0" * 1_000_000)
        archive.writestr("fs.npy", npy("()", data=np.float64(10).tobytes()))
    path = tmp_path / "a.npz"
    assert refused(path).startswith(f"{path}: expected arrays packed at most 250 to 1, found 1")
    path = tmp_path / "b.npz"
    np.savez_compressed(path, u=np.zeros(1000), fs=10)
    assert refused(path, ReadOptions(max_samples=999)) == (
        f"{path}: expected at most 999 samples, found 1001 announced; "
        "cut the recording or raise --max-samples"
    )


def test_too_many_members_and_strange_ones(tmp_path: Path) -> None:
    many = tmp_path / "a.npz"
    np.savez(many, **{f"a{i}": np.zeros(3) for i in range(65)})
    assert refused(many) == f"{many}: expected at most 64 arrays, found 65; save fewer arrays"
    odd = tmp_path / "b.npz"
    with zipfile.ZipFile(odd, "w") as archive:
        archive.writestr("../../etc/x\n", "text")
    assert refused(odd) == (
        f"{odd}: expected only .npy arrays in the archive, found '../../etc/x\\n'; "
        "save the recording again with numpy.savez"
    )


def test_a_flipped_byte_is_noticed(tmp_path: Path) -> None:
    content = io.BytesIO()
    np.savez(content, u=np.arange(1000.0), fs=10)
    whole = bytearray(content.getvalue())
    whole[1000] ^= 1
    path = put(tmp_path, "a.npz", bytes(whole))
    assert refused(path).startswith(f"{path}: expected undamaged array 'u', found 'Bad CRC-32")


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 700), st.integers(0, 255)), min_size=1, max_size=5))
def test_any_damage_gives_a_capture_or_one_line(damage: list[tuple[int, int]]) -> None:
    content = io.BytesIO()
    np.savez_compressed(content, u=np.arange(50.0), fs=10)
    whole = bytearray(content.getvalue())
    for at, value in damage:
        whole[at % len(whole)] = value
    with tempfile.TemporaryDirectory() as folder:
        path = put(Path(folder), "a.npz", bytes(whole))
        try:
            assert np.isfinite(read(path).samples).all()
        except CaptureError as error:
            assert len(str(error).splitlines()) == 1
