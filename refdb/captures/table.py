"""Parquet, Arrow and Feather through polars: one numeric column per channel, named in the schema.

The row count is taken from the file's own index and held against the limit before columns are
read. Settings (rate, units) may stand in the Parquet key-value metadata.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import IO, TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from refdb.captures.decoded import Decoded, Layout
from refdb.captures.names import (
    is_index_title,
    is_time_title,
    rate_of,
    split_unit,
    time_factor,
    unit_hint,
)
from refdb.captures.options import MAX_CHANNELS, ReadOptions
from refdb.captures.words import plural, refusal, short, shown

if TYPE_CHECKING:
    import polars as pl

NAME: str = "Parquet/Arrow"
SUFFIXES: tuple[str, ...] = (".parquet", ".pq", ".arrow", ".feather", ".ipc", ".arrows")
_PARQUET, _ARROW, _FEATHER1 = b"PAR1", b"ARROW1", b"FEA1"
_STREAM = b"\xff\xff\xff\xff"
MAX_HINT = 200
_T = TypeVar("_T")
_SAVE = "save the table again as Parquet or Arrow"


def claims(head: bytes) -> bool:
    """Whether the file begins as Parquet, Arrow or Feather."""
    return head.startswith((_PARQUET, _ARROW, _FEATHER1)) or (
        head.startswith(_STREAM) and len(head) >= 12
    )


def decode(path: Path, options: ReadOptions) -> Decoded:
    """The whole table. Raises CaptureError for damage and for what is no recording."""
    import polars as pl

    try:
        frame, hints = _frame(path, options)
    except (pl.exceptions.PolarsError, ValueError, OverflowError) as error:
        raise refusal(path, "an undamaged table file", short(error, 60), _SAVE) from None
    except BaseException as error:
        # What polars' own code cannot handle arrives as a panic, outside of Exception.
        if type(error).__name__ != "PanicException":
            raise
        raise refusal(path, "an undamaged table file", "damage", _SAVE) from None
    return _decoded(frame, hints)


def _frame(path: Path, options: ReadOptions) -> tuple[pl.DataFrame, dict[str, str]]:
    """The numeric columns, and what the key-value metadata says."""
    import polars as pl

    def opened(use: Callable[[IO[bytes]], _T]) -> _T:
        # A path would be taken for a pattern where it holds '*' or '['; and each call needs a
        # file of its own, because polars moves the position of the one it is given.
        with open(path, "rb") as handle:
            return use(handle)

    def refuse_too_many(rows: int, columns: int) -> None:
        if rows * columns > options.max_samples:
            raise refusal(
                path,
                f"at most {options.max_samples} samples",
                f"{rows * columns} ({plural(columns, 'column')} x {rows})",
                "cut the recording or raise --max-samples",
            )

    head = opened(lambda handle: handle.read(8))
    if head.startswith(_FEATHER1):
        raise refusal(path, "Feather version 2 (Arrow)", "version 1", _SAVE)
    if not head.startswith((_PARQUET, _ARROW)):
        frame = opened(lambda handle: pl.read_ipc_stream(handle))
        kept = _numeric_columns(path, dict(frame.schema))
        refuse_too_many(frame.height, len(kept))
        return frame.select(kept), {}
    if head.startswith(_PARQUET):
        kept = _numeric_columns(path, dict(opened(pl.read_parquet_schema)))
        rows = opened(lambda handle: pl.scan_parquet(handle).select(pl.len()).collect().item())
        refuse_too_many(int(rows), len(kept))
        metadata = getattr(pl, "read_parquet_metadata", None)  # newer than our lowest polars
        hints = opened(metadata) if metadata else {}
        return opened(lambda handle: pl.read_parquet(handle, columns=kept)), hints
    kept = _numeric_columns(path, dict(opened(pl.read_ipc_schema)))
    rows = opened(lambda handle: pl.scan_ipc(handle).select(pl.len()).collect().item())
    refuse_too_many(int(rows), len(kept))
    return opened(lambda handle: pl.read_ipc(handle, columns=kept)), {}


def _numeric_columns(path: Path, schema: dict[str, pl.DataType]) -> list[str]:
    kept = [
        name
        for name, kind in schema.items()
        if (kind.is_numeric() or kind.is_temporal() or kind.base_type().__name__ == "Boolean")
        and not is_index_title(name)
        and not name.startswith("__index_level_")
    ]
    if not kept:
        raise refusal(
            path,
            "numeric columns",
            ", ".join(f"{shown(n)} {k}" for n, k in list(schema.items())[:6]) or "none",
            "save one numeric column per channel",
        )
    if len(kept) > MAX_CHANNELS + 1:
        raise refusal(
            path,
            f"at most {MAX_CHANNELS} channels and a time column",
            f"{len(kept)} numeric columns",
            "save fewer columns",
        )
    return kept


def _decoded(frame: pl.DataFrame, hints: dict[str, str]) -> Decoded:
    time_name = next(
        (name for name, kind in frame.schema.items() if is_time_title(name) or kind.is_temporal()),
        None,
    )
    if frame.width == 1:
        time_name = None
    layout = Layout(names=[], units=[])
    columns = []
    for name in frame.columns:
        if name == time_name:
            continue
        title, unit = split_unit(name)
        layout.names.append(title or None)
        layout.units.append(unit)
        columns.append(_floats(frame[name]))
    for key, value in hints.items():
        if len(value) > MAX_HINT:
            continue
        layout.rate_hz = layout.rate_hz or rate_of(key, value)
        said = unit_hint(key, value) or []
        said = said * len(columns) if len(said) == 1 else said
        if len(said) == len(columns):
            layout.units = [old or new for old, new in zip(layout.units, said, strict=True)]
    if time_name is None:
        return Decoded(layout, columns)
    return Decoded(layout, columns, *_time(frame[time_name]))


def _floats(series: pl.Series) -> NDArray[np.float64]:
    """As float64, NaN where the table has no value."""
    import polars as pl

    return series.cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy()


def _time(series: pl.Series) -> tuple[NDArray[np.float64], str, float]:
    """(time, its unit, resolution) of a time column of numbers, durations or date-times."""
    import polars as pl

    if series.dtype.is_temporal():
        ticks = series.cast(pl.Int64, strict=False)  # the physical values, in the type's unit
        unit = getattr(series.dtype, "time_unit", None) or "ns"
        start = ticks.drop_nulls().first() if ticks.len() else None
        # The clock time of a date-time has no meaning here; a difference keeps its digits.
        return _floats(ticks - start if start is not None else ticks), unit, 1.0
    written = split_unit(series.name)[1]
    unit = written if written and time_factor(written) is not None else "s"
    time = _floats(series)
    digits = np.finfo(np.float32).eps if series.dtype == pl.Float32 else 0.0
    return time, unit, float(digits * np.nanmax(np.abs(time), initial=0.0))
