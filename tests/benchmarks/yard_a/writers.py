"""File formats of the yard. Each writer returns what its manifest row must say.

Rule for every format: physical = stored x scale x attenuation, where an NPZ's own ``scale``
multiplies as well and a WAV's stored value is its 16-bit integer.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy.io import wavfile

from .core import Array, Rng, System
from .instrument import Recording

Row = dict[str, str]
ROW_LIMIT_CSV = 70_000
ROW_LIMIT_FLOAT = 160_000


def write(
    base: Path, recording: Recording, system: System, rng: Rng, marks: bool
) -> tuple[Path, Row]:
    """Write in one of the formats this instrument could offer; ``marks``: show overloads."""
    writer = _choose(recording, rng, marks)
    path, row = writer(base, recording, system, rng)
    row["channels"] = ",".join(f"{name}={unit}" for name, unit in system.channels)
    row["coupling"] = recording.coupling
    return path, row


def _choose(recording: Recording, rng: Rng, marks: bool) -> Callable[..., tuple[Path, Row]]:
    n = len(recording.codes)
    options: list[tuple[Callable[..., tuple[Path, Row]], float]] = [(_npz_codes, 3.0)]
    if recording.instrument == "audio16":
        options = [(_wav, 4.0), (_npz_codes, 1.0)]
    elif recording.fs == round(recording.fs) and recording.fs >= 1:
        options.append((_wav, 0.8))
    if n <= ROW_LIMIT_FLOAT:
        options.append((_npz_float, 1.2))
    if n <= ROW_LIMIT_CSV:
        options += [(_csv_comma, 0.7), (_csv_german, 0.6), (_csv_preamble, 0.6), (_csv_units, 0.6)]
        if marks:
            options.append((_csv_marked, 3.0))
    weights = np.array([w for _, w in options])
    return options[rng.choice(len(options), p=weights / weights.sum())][0]


def _number(value: float) -> str:
    return "" if value == 1 else f"{value:.9g}"


def _rate(recording: Recording) -> str:
    return f"{recording.fs:.9g}"


def _row(recording: Recording, rate: str, scale: float, attenuation: float) -> Row:
    return {"sample_rate_hz": rate, "scale": _number(scale), "attenuation": _number(attenuation)}


# --- binary -------------------------------------------------------------------------------


def _npz_codes(base: Path, rec: Recording, system: System, rng: Rng) -> tuple[Path, Row]:
    path = base.with_suffix(".npz")
    codes = rec.codes.astype(np.int8) if rec.full_code < 128 else rec.codes
    np.savez_compressed(
        path, data=codes, fs=np.float64(rec.fs), scale=np.float64(rec.volts_per_code)
    )
    return path, _row(rec, rng.choice(["", _rate(rec)]), rec.probe, rec.attenuation)


def _npz_float(base: Path, rec: Recording, system: System, rng: Rng) -> tuple[Path, Row]:
    path = base.with_suffix(".npz")
    values, scale, attenuation = _values(rec, physical=bool(rng.integers(2)))
    arrays = {name: values[:, k].astype(np.float32) for k, (name, _) in enumerate(system.channels)}
    arrays["t"] = np.round(np.arange(len(values)) / rec.fs, 12)
    np.savez_compressed(path, **arrays)  # type: ignore[arg-type]
    return path, _row(rec, "", scale, attenuation)


def _wav(base: Path, rec: Recording, system: System, rng: Rng) -> tuple[Path, Row]:
    path = base.with_suffix(".wav")
    shift = 32768 // (rec.full_code + 1)
    codes = (rec.codes.astype(np.int32) * shift).astype(np.int16)
    # The upper rail of a shorter converter is the upper rail of the file too.
    codes[rec.codes >= rec.full_code] = 32767
    wavfile.write(path, int(rec.fs), codes[:, 0] if codes.shape[1] == 1 else codes)
    scale = rec.volts_per_code / shift * rec.probe
    return path, _row(rec, rng.choice(["", _rate(rec)]), scale, rec.attenuation)


def _values(rec: Recording, physical: bool) -> tuple[Array, float, float]:
    """Volts at the input with scale and attenuation left to apply, or the finished figure."""
    volts = rec.codes * rec.volts_per_code
    if physical:
        return volts * rec.probe * rec.attenuation, 1.0, 1.0
    return volts, rec.probe, rec.attenuation


# --- text ---------------------------------------------------------------------------------


def _digits(rec: Recording, factor: float) -> int:
    return int(np.clip(np.ceil(-np.log10(rec.volts_per_code * factor)) + 1, 1, 7))


def _table(times: Array, values: Array, sep: str, time_digits: int, digits: int) -> str:
    line = sep.join([f"%.{time_digits}f"] + [f"%.{digits}f"] * values.shape[1]) + "\n"
    block = np.column_stack([times, values])
    return (line * len(block)) % tuple(block.ravel())


def _body(
    rec: Recording, unit: float, physical: bool, sep: str, start: float = 0.0
) -> tuple[str, float, float]:
    """Numeric rows with time in ``unit`` seconds."""
    values, scale, attenuation = _values(rec, physical)
    factor = rec.probe * rec.attenuation if physical else 1.0
    times = (np.arange(len(values)) / rec.fs + start) / unit
    time_digits = int(max(3, np.ceil(np.log10(rec.fs * unit)) + 2))
    return _table(times, values, sep, time_digits, _digits(rec, factor)), scale, attenuation


def _names(system: System) -> list[str]:
    return [name for name, _ in system.channels]


def _csv_comma(base: Path, rec: Recording, system: System, rng: Rng) -> tuple[Path, Row]:
    path = base.with_suffix(".csv")
    body, scale, attenuation = _body(rec, 1.0, bool(rng.integers(2)), ",")
    _save(path, ",".join(["time_s", *_names(system)]) + "\n" + body)
    return path, _row(rec, "", scale, attenuation)


def _csv_german(base: Path, rec: Recording, system: System, rng: Rng) -> tuple[Path, Row]:
    """Semicolons, decimal comma, milliseconds."""
    path = base.with_suffix(".csv")
    body, scale, attenuation = _body(rec, 1e-3, False, ";")
    head = ";".join(["Zeit [ms]", *_names(system)])
    _save(path, head + "\r\n" + body.replace(".", ",").replace("\n", "\r\n"), "utf-8-sig")
    return path, _row(rec, "", scale, attenuation)


def _csv_preamble(base: Path, rec: Recording, system: System, rng: Rng) -> tuple[Path, Row]:
    """Some 'Key: value' lines first, time from a trigger in the middle."""
    path = base.with_suffix(".csv")
    start = -round(len(rec.codes) * rng.uniform(0, 0.5)) / rec.fs
    body, scale, attenuation = _body(rec, 1.0, False, ",", start)
    head = [
        f"Instrument: {rec.instrument}",
        f"Sample interval: {1 / rec.fs:.9g} s",
        f"Samples: {len(rec.codes)}",
        "Trigger: none",
        "",
        ",".join(["Time", *_names(system)]),
    ]
    _save(path, "\n".join(head) + "\n" + body)
    return path, _row(rec, rng.choice(["", _rate(rec)]), scale, attenuation)


def _csv_units(base: Path, rec: Recording, system: System, rng: Rng) -> tuple[Path, Row]:
    """Header, then a units row; finished values, milliseconds, tabs on some boxes."""
    path = base.with_suffix(".csv")
    sep = str(rng.choice([",", "\t"]))
    body, scale, attenuation = _body(rec, 1e-3, True, sep)
    units = sep.join(["(ms)", *(f"({unit})" for _, unit in system.channels)])
    _save(path, sep.join(["Time", *_names(system)]) + "\n" + units + "\n\n" + body)
    return path, _row(rec, "", scale, attenuation)


def _csv_marked(base: Path, rec: Recording, system: System, rng: Rng) -> tuple[Path, Row]:
    """An instrument that leaves overloaded cells without a number."""
    path = base.with_suffix(".csv")
    values, scale, attenuation = _values(rec, True)
    times = np.arange(len(values)) / rec.fs
    digits, mark = _digits(rec, rec.probe * rec.attenuation), str(rng.choice(["", "***"]))
    lines = [",".join(["time_s", *_names(system)])]
    for t, row, over in zip(times.tolist(), values.tolist(), rec.rails.tolist(), strict=True):
        cells = [mark if o else f"{v:.{digits}f}" for v, o in zip(row, over, strict=True)]
        lines.append(",".join([f"{t:.9f}", *cells]))
    _save(path, "\n".join(lines) + "\n")
    return path, _row(rec, "", scale, attenuation)


def _save(path: Path, text: str, encoding: str = "utf-8") -> None:
    path.write_bytes(text.encode(encoding))
