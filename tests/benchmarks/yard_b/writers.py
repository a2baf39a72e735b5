"""Capture files in mixed formats. Each writer returns the cells that make its file readable.

The rule the cells obey: physical value = stored value x scale x attenuation, where a ``scale``
inside an NPZ or MAT file counts as part of the stored value. WAV int16 is stored as plain
integers, -32768..32767.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.io import savemat, wavfile

from .common import Rng
from .instrument import Recorded

Cells = dict[str, str]


@dataclass(frozen=True)
class Sheet:
    """A recording with the names it will be filed under."""

    recorded: Recorded
    channels: tuple[tuple[str, str], ...]

    @property
    def fs(self) -> float:
        return self.recorded.settings.fs

    @property
    def per_volt(self) -> float:
        return self.recorded.settings.sensor.per_volt

    @property
    def attenuation(self) -> float:
        return self.recorded.settings.attenuation

    def physical(self) -> NDArray[np.float64]:
        return self.recorded.codes * (self.recorded.lsb * self.per_volt * self.attenuation)

    def railed(self) -> NDArray[np.bool_]:
        top = 2 ** (self.recorded.settings.instrument.bits - 1)
        codes = self.recorded.codes
        return (codes >= top - 1) | (codes <= -top)


def number(x: float) -> str:
    return "" if x == 1 else f"{x:.9g}"


def cells(fs: float | None, scale: float, attenuation: float) -> Cells:
    return {
        "sample_rate_hz": "" if fs is None else f"{fs:.10g}",
        "scale": number(scale),
        "attenuation": number(attenuation),
    }


def integers(sheet: Sheet) -> NDArray[np.signedinteger]:
    return sheet.recorded.codes.astype(
        np.int8 if sheet.recorded.settings.instrument.bits <= 8 else np.int16
    )


def write_npz(path: Path, sheet: Sheet, rng: Rng) -> Cells:
    codes = integers(sheet)
    lsb = sheet.recorded.lsb
    if rng.random() < 0.6:
        np.savez_compressed(path, data=codes, fs=np.float64(sheet.fs), scale=np.float64(lsb))
        return cells(None, sheet.per_volt, sheet.attenuation)
    # The other habit: no scale inside, everything in the manifest, attenuation folded in or not.
    np.savez_compressed(path, data=codes, fs=np.float64(sheet.fs))
    if rng.random() < 0.5:
        return cells(None, lsb * sheet.per_volt, sheet.attenuation)
    return cells(sheet.fs, lsb * sheet.per_volt * sheet.attenuation, 1)


def write_npy(path: Path, sheet: Sheet, rng: Rng) -> Cells:
    codes = integers(sheet)
    flat = codes.shape[1] == 1 and rng.random() < 0.5
    if rng.random() < 0.7:
        np.save(path, codes[:, 0] if flat else codes)
        return cells(sheet.fs, sheet.recorded.lsb * sheet.per_volt, sheet.attenuation)
    volts = (codes * sheet.recorded.lsb).astype(np.float32)
    np.save(path, volts[:, 0] if flat else volts)
    return cells(sheet.fs, sheet.per_volt, sheet.attenuation)


def write_mat(path: Path, sheet: Sheet, rng: Rng) -> Cells:
    codes = integers(sheet).astype(np.int16)
    lsb = sheet.recorded.lsb
    if rng.random() < 0.5:
        savemat(path, {"data": codes, "fs": float(sheet.fs), "scale": float(lsb)})
        out = cells(None, sheet.per_volt, sheet.attenuation)
    else:
        named = {name: codes[:, i : i + 1] for i, (name, _) in enumerate(sheet.channels)}
        savemat(path, named)
        out = cells(sheet.fs, lsb * sheet.per_volt, sheet.attenuation)
    # The format's free-text header carries the wall clock; overwrite it so that a seed gives the
    # same bytes.
    with path.open("r+b") as handle:
        handle.write(b"MATLAB 5.0 MAT-file, yard_b".ljust(116))
    return out


def write_wav16(path: Path, sheet: Sheet, rng: Rng) -> Cells:
    # The codes are shifted up to fill 16 bits, as recorders do.
    shift = 16 - sheet.recorded.settings.instrument.bits
    codes = (sheet.recorded.codes << shift).astype(np.int16)
    wavfile.write(path, int(sheet.fs), codes)
    return cells(None, sheet.recorded.lsb / 2**shift * sheet.per_volt, sheet.attenuation)


def write_wavf(path: Path, sheet: Sheet, rng: Rng) -> Cells:
    full = sheet.recorded.settings.instrument.full
    wavfile.write(
        path, int(sheet.fs), (sheet.recorded.codes * (sheet.recorded.lsb / full)).astype(np.float32)
    )
    return cells(None, full * sheet.per_volt, sheet.attenuation)


@dataclass(frozen=True)
class Dialect:
    separator: str
    comma: bool
    time: str  # "", "s", "ms", "us"
    header: bool
    units: bool
    preamble: bool
    bom: bool
    eol: str


DIALECTS = (
    Dialect(",", False, "s", True, False, False, False, "\n"),
    Dialect(",", False, "ms", True, True, False, False, "\r\n"),
    Dialect("\t", False, "us", True, True, True, False, "\n"),
    Dialect(";", True, "ms", True, True, False, True, "\r\n"),
    Dialect(";", True, "s", True, False, True, False, "\r\n"),
    Dialect(",", False, "", False, False, False, False, "\n"),
    Dialect("\t", False, "", True, False, True, False, "\n"),
    Dialect(";", True, "", True, True, False, False, "\n"),
    Dialect(",", False, "us", True, True, True, False, "\n"),
)
TIME_FACTOR = {"s": 1.0, "ms": 1e3, "us": 1e6}
OVERLOAD = ("", "OL", "***")


def decimals_for(step: float) -> int:
    """Decimals that keep a quantisation step visible, as instruments print them."""
    return int(np.clip(np.ceil(-np.log10(step)) + 1, 1, 7))


def text_columns(
    sheet: Sheet, values: NDArray[np.float64], dialect: Dialect, marks: str | None
) -> list[list[str]]:
    columns = []
    if dialect.time:
        factor = TIME_FACTOR[dialect.time]
        places = decimals_for(factor / sheet.fs / 10)
        columns.append(
            [f"{x:.{places}f}" for x in (np.arange(len(values)) * (factor / sheet.fs)).tolist()]
        )
    step = float(np.ptp(values)) / max(np.ptp(sheet.recorded.codes), 1) or 1e-3
    places = decimals_for(step)
    railed = sheet.railed()
    for i in range(values.shape[1]):
        text = [f"{x:.{places}f}" for x in values[:, i].tolist()]
        if marks is not None:
            for k in np.flatnonzero(railed[:, i]):
                text[k] = marks
        columns.append(text)
    if dialect.comma:
        columns = [[x.replace(".", ",") for x in column] for column in columns]
    return columns


def head_lines(sheet: Sheet, dialect: Dialect) -> list[str]:
    lines = []
    if dialect.preamble:
        lines += [
            "Instrument: bench recorder",
            f"Points: {len(sheet.recorded.codes)}",
            "# saved by workshop",
        ]
    names = [name for name, _ in sheet.channels]
    if dialect.header:
        lines.append(dialect.separator.join((["time"] if dialect.time else []) + names))
    if dialect.units:
        units = [f"({unit})" for _, unit in sheet.channels]
        lines.append(
            dialect.separator.join(([f"({dialect.time})"] if dialect.time else []) + units)
        )
    return lines


def write_csv(path: Path, sheet: Sheet, rng: Rng) -> Cells:
    # One column with decimal commas and no separator cannot be told from two columns: nobody is
    # served by that.
    choices = [d for d in DIALECTS if d.time or not d.comma or len(sheet.channels) > 1]
    dialect = choices[int(rng.integers(len(choices)))]
    # A units row names the physical unit, so such files hold finished values; others may hold volts
    # at the plug.
    finished = dialect.units or rng.random() < 0.4
    values = sheet.physical() if finished else sheet.recorded.codes * sheet.recorded.lsb
    marks = (
        OVERLOAD[int(rng.integers(len(OVERLOAD)))]
        if rng.random() < 0.3 and sheet.railed().any()
        else None
    )
    if marks == "" and not dialect.time and len(sheet.channels) == 1:
        marks = "OL"  # a blank cell would be a blank line
    lines = head_lines(sheet, dialect)
    lines += map(
        dialect.separator.join, zip(*text_columns(sheet, values, dialect, marks), strict=True)
    )
    body = dialect.eol.join(lines) + dialect.eol
    path.write_bytes((b"\xef\xbb\xbf" if dialect.bom else b"") + body.encode())
    fs = None if dialect.time else sheet.fs
    return cells(fs, 1, 1) if finished else cells(fs, sheet.per_volt, sheet.attenuation)


WRITERS = {
    "npz": (".npz", write_npz),
    "npy": (".npy", write_npy),
    "mat": (".mat", write_mat),
    "wav16": (".wav", write_wav16),
    "wavf": (".wav", write_wavf),
    "csv": (".csv", write_csv),
}
# Text is some ten times the size of packed codes: long recordings are not kept as text.
CSV_LIMIT = 45_000


def write(stem: Path, sheet: Sheet, rng: Rng) -> tuple[Path, Cells]:
    """Write in one of the instrument's own formats; returns the file's path and its manifest
    cells.
    """
    formats = sheet.recorded.settings.instrument.formats
    choices = [f for f in formats if f != "csv" or sheet.recorded.codes.size <= CSV_LIMIT]
    if "csv" in choices and rng.random() < 0.25:  # text is what most people send
        choices = ["csv"]
    suffix, writer = WRITERS[choices[int(rng.integers(len(choices)))]]
    path = stem.with_name(stem.name + suffix)
    out = writer(path, sheet, rng)
    return path, out
