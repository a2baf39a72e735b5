"""MDF4 through asammdf, which is optional: without it, one line says how to get it."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from refdb.captures import ReadOptions, read
from refdb.errors import CaptureError
from refdb.records import Channel
from tests.capture_files import put

present = importlib.util.find_spec("asammdf") is not None


def test_without_asammdf_one_line_names_the_extra(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "asammdf", None)
    path = put(tmp_path, "a.mf4", b"MDF     4.10    " + b"\0" * 200)
    with pytest.raises(CaptureError) as caught:
        read(path)
    assert str(caught.value) == (
        f"{path}: expected the optional MDF reader, found no asammdf installed; "
        "run: pip install 'straygauge[mdf]'"
    )


@pytest.fixture
def measurement(tmp_path: Path) -> Path:
    """Three groups: two fast channels, one slow one, twelve that are too many."""
    asammdf = pytest.importorskip("asammdf")
    signal = asammdf.Signal
    t, slow = np.arange(1000) * 1e-4, np.arange(50) * 1e-2
    file = asammdf.MDF(version="4.10")
    file.append(
        [
            signal(np.sin(t), t, name="I_Pump", unit="A"),
            signal((t * 1e4).astype("i2"), t, name="U_Bat", unit="mV"),
        ]
    )
    file.append([signal(slow * 3, slow, name="Coolant", unit="°C")])
    file.append([signal(np.arange(20.0) + i, np.arange(20) * 0.1, name=f"n{i}") for i in range(12)])
    file.save(tmp_path / "a.mf4", overwrite=True)
    return tmp_path / "a.mf4"


@pytest.mark.skipif(not present, reason="asammdf is optional")
def test_the_group_with_most_samples_is_read(measurement: Path) -> None:
    capture = read(measurement)
    assert capture.channels == (Channel("i_pump", "A"), Channel("u_bat", "mV"))
    assert capture.rate_hz == 1e4
    np.testing.assert_array_equal(capture.samples[1], (np.arange(1000) * 1e-4 * 1e4).astype("i2"))


@pytest.mark.skipif(not present, reason="asammdf is optional")
def test_channels_named_are_found_in_their_group(measurement: Path) -> None:
    assert read(measurement, ReadOptions(channels="coolant")).channels == (
        Channel("coolant", "degC"),
    )
    capture = read(measurement, ReadOptions(channels="n3=V,n1=V"))
    np.testing.assert_array_equal(capture.samples[:, 0], [3.0, 1.0])


@pytest.mark.skipif(not present, reason="asammdf is optional")
def test_a_damaged_measurement(measurement: Path) -> None:
    measurement.write_bytes(measurement.read_bytes()[:900])
    with pytest.raises(CaptureError, match="expected an undamaged MDF4 file, found "):
        read(measurement)
