"""Reading in blocks gives what reading the whole gives."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import textwrap
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refdb.captures import ReadOptions, open_blocks, read
from refdb.errors import CaptureError
from tests.capture_files import csv_text, put, wav_bytes


def joined(path: Path, options: ReadOptions, block: int) -> np.ndarray:
    blocks = open_blocks(path, options, block)
    parts, expected = [], 0
    for at, part in blocks:
        assert at == expected and part.dtype == np.float64
        assert part.shape[1] == block or at + part.shape[1] >= 2
        expected += part.shape[1]
        parts.append(part)
    assert all(part.shape[1] == block for part in parts[:-1])
    assert blocks.n_samples in (None, expected)
    return np.concatenate(parts, axis=1)


def write(folder: Path, form: str, block: np.ndarray) -> Path:
    n = len(block)
    names = {f"c{i}": block[:, i] for i in range(block.shape[1])}
    if form in ("i16", "i24", "f32"):
        return put(folder, "a.wav", wav_bytes(block, 1000, form))
    if form == "csv":
        text = csv_text([np.arange(n) / 1000, *block.T.astype(float)], fmt="{:.4f}")
        return put(folder, "a.csv", "t (s)," + ",".join(names) + "\n" + text)
    if form == "csv utf-16":
        text = csv_text([*block.T.astype(float)], delimiter=";", decimal=",", fmt="{:.4f}")
        return put(folder, "a.csv", "fs: 1000\n" + ";".join(names) + "\n" + text, "utf-16")
    path = folder / ("a.npy" if form.startswith("npy") else "a.npz")
    order = np.asfortranarray(block) if form.endswith("F") else np.ascontiguousarray(block)
    if form.startswith("npy"):
        np.save(path, order)
    elif form.startswith("npz named"):
        (np.savez_compressed if "packed" in form else np.savez)(
            path, **names, t=np.arange(n) / 1000
        )
    elif form.startswith("npz wide"):
        np.savez(path, data=np.ascontiguousarray(block.T), fs=1000)
    else:
        (np.savez_compressed if "packed" in form else np.savez)(path, data=order, fs=1000)
    return path


FORMS = [
    "i16", "i24", "f32", "csv", "csv utf-16", "npy", "npy F", "npz", "npz F", "npz packed",
    "npz named", "npz named packed", "npz wide",
]  # fmt: skip


@settings(max_examples=120, deadline=None)
@given(
    st.sampled_from(FORMS),
    st.integers(1, 4),
    st.integers(20, 3000),
    st.integers(1, 3500),
    st.integers(0, 999),
)
def test_blocks_are_the_whole(form: str, channels: int, n: int, size: int, seed: int) -> None:
    block = np.random.default_rng(seed).integers(-3000, 3000, (n, channels))
    names = ",".join(f"c{i}=V" for i in range(channels))
    options = ReadOptions(
        channels=names, scale=0.5, attenuation=10, invert=("c0",), sample_rate_hz=1000.0
    )
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder), form, block)
        whole = read(path, options)
        np.testing.assert_array_equal(joined(path, options, size), whole.samples)
        blocks = open_blocks(path, options, size)
    assert (blocks.rate_hz, blocks.channels) == (whole.rate_hz, whole.channels)
    assert blocks.start_s == whole.start_s


def test_blocks_can_be_read_again(tmp_path: Path) -> None:
    path = put(tmp_path, "a.wav", wav_bytes(np.arange(100).reshape(50, 2), 1000))
    blocks = open_blocks(path, block=20)
    assert [at for at, _ in blocks] == [at for at, _ in blocks] == [0, 20, 40]


def test_marks_in_blocks(tmp_path: Path) -> None:
    values: list[float | str] = [0.0, 5.0, "OL", 1.0, -5.0, "OL", "OL", -4.0]
    path = put(tmp_path, "a.csv", csv_text([values], above=["fs: 10", "u (V)"]))
    masks = []
    blocks = open_blocks(path, block=3)
    parts = []
    for _, part in blocks:
        parts.append(part)
        masks.append(blocks.overload)
    np.testing.assert_array_equal(np.concatenate(parts, axis=1), read(path).samples)
    assert [None if m is None else m.tolist() for m in masks] == [
        [[False, False, True]],
        [[False, False, True]],
        [[True, False]],
    ]


def test_a_ragged_row_deep_in_the_file_names_its_line(tmp_path: Path) -> None:
    n = 30_000
    rows = [f"{i / 1000:.3f},1.0,2.0" for i in range(n)]
    rows[25_000] = "25.000,1.0"
    path = put(tmp_path, "a.csv", "t (s),u (V),i (A)\n" + "\n".join(rows) + "\n")
    with pytest.raises(CaptureError) as caught:
        for _ in open_blocks(path, block=1000):
            pass
    assert str(caught.value) == (
        f"{path}: expected 3 cells in every row, found 2 in line 25002; "
        "repair that row or save the recording again"
    )


def test_a_gap_deep_in_the_file_is_remarked(tmp_path: Path) -> None:
    rows = [f"{i / 1000 + (i > 250_000):.3f},1.0" for i in range(300_000)]
    path = put(tmp_path, "a.csv", "t (s),u (V)\n" + "\n".join(rows) + "\n")
    blocks = open_blocks(path)
    for _ in blocks:
        pass
    assert len(blocks.remarks) == 1
    assert "time has 1 gap of more than 5 steps" in blocks.remarks[0]


def test_a_format_without_blocks(tmp_path: Path) -> None:
    path = put(tmp_path, "a.mat", b"MATLAB 5.0 MAT-file".ljust(124) + b"\x00\x01IM")
    with pytest.raises(CaptureError) as caught:
        open_blocks(path)
    assert str(caught.value) == (
        f"{path}: expected a format that can be read in blocks (CSV, WAV, NPZ, NPY), found MAT; "
        "save the recording as WAV or NPZ"
    )


@pytest.mark.parametrize("form", ["wav", "npz", "csv"])
def test_memory_stays_bounded(tmp_path: Path, form: str) -> None:
    """A recording of 200 MB in memory is read with far less, counted in a process of its own."""
    n = 6_000_000
    codes = (np.arange(2 * n) % 1000).reshape(n, 2).astype(np.int16)
    if form == "wav":
        path = put(tmp_path, "a.wav", wav_bytes(codes, 1000))
    elif form == "npz":
        path = tmp_path / "a.npz"
        np.savez(path, data=codes, fs=1000)
    else:
        lines = "".join(f"{i}.5,{i}\n" for i in range(1000))
        path = put(tmp_path, "a.csv", "fs: 1000\na,b\n" + lines * (n // 1000))
    script = """
        import sys
        from refdb.captures import open_blocks
        def peak():
            # VmHWM, not ru_maxrss: the latter starts at what the parent had at the fork
            rows = open("/proc/self/status").read().split("\\n")
            return int(next(r for r in rows if r.startswith("VmHWM")).split()[1]) / 1024
        import numpy, polars
        before = peak()
        total = sum(part.shape[1] for _, part in open_blocks(sys.argv[1]))
        print(total, peak() - before)
    """
    root = Path(__file__).parent.parent
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script), str(path)],
        capture_output=True, text=True, check=True, cwd=root,
    )  # fmt: skip
    total, grown = done.stdout.split()
    assert int(total) == n
    assert float(grown) < 120
