"""CSV and other text tables: the reader. How the text is written is found in csv_sniff.py.

Measured on 2 million rows of 3 columns, polars needs three quarters of the time pyarrow needs,
and unlike pyarrow it takes '+1.5' and decimal commas; so the numeric body is polars' work.
A body in which every cell is a number is parsed straight from the file. Where polars met a cell
that is none, the body is looked at line by line (overload mark, ragged row, cut last row).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from refdb.captures.csv_sniff import COMMENT_MARKS, Dialect, Hints, Table, sniff, split
from refdb.captures.decoded import Column, Decoded, Layout, Stream
from refdb.captures.options import MAX_CHANNELS, ReadOptions, wanted_channels
from refdb.captures.text import Text, open_text
from refdb.captures.timeaxis import measure
from refdb.captures.words import plural, refusal, short
from refdb.errors import CaptureError

if TYPE_CHECKING:
    import polars as pl

NAME: str = "CSV"
RATE_ROWS = 200_000  # rows the rate of a recording read in pieces is measured on
SUFFIXES: tuple[str, ...] = (".csv", ".txt", ".tsv", ".tab", ".dat", ".asc", ".prn")
_BLANK_ENDS = re.compile(rb"(?m)^[ \t]+|[ \t\r]+$")
_BLANKS = re.compile(rb"[ \t]+")


def claims(head: bytes) -> bool:
    """Never for certain: text has no magic bytes. The dispatcher asks this reader last."""
    return False


def decode(path: Path, options: ReadOptions) -> Decoded:
    """The whole file. Raises CaptureError if it is no table, or not as asked."""
    with open_text(path) as text:
        table = _sniffed(path, text, options)
        body = text.rest(table.dialect.first) if _needs_cleaning(text, table.dialect) else None
        _refuse_too_many(path, text, table, options)
        if body is None:
            frame = _parse(path, text.handle, table.dialect, table.dialect.first)
            if frame is None or any(frame.null_count().row(0)):
                body = text.rest(table.dialect.first)
        remarks: list[str] = []
        if body is not None:
            frame, remarks = _careful(path, body, table.dialect, table.dialect.first)
        assert frame is not None
        resolution = _resolution(table, text.last_lines())
    if frame.height == 0:
        raise refusal(path, "a table of numbers", "no rows", "save the recording again")
    columns, time = _columns(frame, table)
    layout = _layout(table)
    layout.remarks += remarks
    return Decoded(
        layout=layout,
        columns=columns,
        time=time,
        time_unit=table.time_unit,
        time_resolution=resolution,
    )


def _sniffed(path: Path, text: Text, options: ReadOptions) -> Table:
    wanted = wanted_channels(path, options.channels)
    hints = Hints(
        channels=None if wanted is None else len(wanted),
        time_unit=options.time_unit is not None,
        rate=options.sample_rate_hz is not None,
    )
    try:
        table = sniff(path, text.head, text.is_whole, hints)
    except CaptureError:
        if not text.lengthen_head():
            raise
        table = sniff(path, text.head, text.is_whole, hints)
    found = len(_channel_columns(table))
    if found > MAX_CHANNELS:
        raise refusal(path, f"at most {MAX_CHANNELS} channels", f"{found}", "save fewer columns")
    return table


def _layout(table: Table) -> Layout:
    kept = _channel_columns(table)
    coupling = table.coupling
    return Layout(
        names=[table.titles[i] for i in kept],
        units=[table.units[i] for i in kept],
        rate_hz=table.rate_hz,
        coupling="ac" if coupling == "ac" else "dc" if coupling == "dc" else None,
        remarks=list(table.remarks),
    )


def _channel_columns(table: Table) -> list[int]:
    return [
        i for i in range(table.dialect.columns) if i != table.time_column and i not in table.dropped
    ]


def _columns(frame: pl.DataFrame, table: Table) -> tuple[list[Column], NDArray[np.float64] | None]:
    columns = [frame.to_series(i).to_numpy() for i in _channel_columns(table)]
    time = table.time_column
    return columns, None if time is None else frame.to_series(time).to_numpy()


def _needs_cleaning(text: Text, dialect: Dialect) -> bool:
    return text.rewritten or dialect.quoted or dialect.padded or dialect.delimiter == " "


def _refuse_too_many(path: Path, text: Text, table: Table, options: ReadOptions) -> None:
    """A row takes at least two bytes per cell: only a large file need be counted beforehand."""
    channels = max(1, len(_channel_columns(table)))
    if text.size // 2 <= options.max_samples:
        return
    rows = text.count_lines() - table.dialect.first
    if rows * channels > options.max_samples:
        raise refusal(
            path,
            f"at most {options.max_samples} samples",
            f"{rows * channels} ({plural(channels, 'channel')} x {rows})",
            "cut the recording or raise --max-samples",
        )


def _parse(
    path: object, source: IO[bytes] | bytes, dialect: Dialect, skip: int, strings: bool = False
) -> pl.DataFrame | None:
    """The body as float64 columns, null where a cell is no number; None if rows are too long."""
    import polars as pl

    names = [f"c{i}" for i in range(dialect.width)]
    if hasattr(source, "seek"):
        source.seek(0)
    try:
        return pl.read_csv(
            source,
            has_header=False,
            skip_rows=skip,
            separator=dialect.parsed_delimiter,
            decimal_comma=dialect.decimal == "," and not strings,
            schema=dict.fromkeys(names, pl.String if strings else pl.Float64),
            quote_char=None,
            ignore_errors=True,
        )
    except pl.exceptions.PolarsError as error:
        if "more fields" in str(error):
            return None
        raise refusal(
            path, "a table of numbers", short(error), "save the recording as plain CSV"
        ) from None


def _careful(
    path: object, body: bytes, dialect: Dialect, line_offset: int, last: bool = True
) -> tuple[pl.DataFrame, list[str]]:
    """Parse a body that holds more than plain numbers.

    line_offset: lines of the file above `body`. last: the body reaches the end of the file.
    Raises CaptureError naming the line of a ragged row.
    """
    import polars as pl

    remarks: list[str] = []
    body = _cleaned(body, dialect)
    ends_clean = not last or body.endswith(b"\n")
    starts, ends = _line_bounds(body)
    delimiter = dialect.parsed_delimiter.encode()
    widths = _widths(body, starts, ends, delimiter[0])
    filled = ends > starts
    if dialect.width > 1:
        keep = filled.copy()
    else:
        keep = np.arange(len(starts)) <= (np.flatnonzero(filled)[-1] if filled.any() else -1)
        if last is False:
            keep[:] = True
    for i in np.flatnonzero(keep)[::-1] if last else ():
        if not body[starts[i] : ends[i]].startswith(tuple(m.encode() for m in COMMENT_MARKS)):
            break
        keep[i] = False  # remarks below the table
    lines = np.flatnonzero(keep)
    ragged = lines[widths[lines] != dialect.width]
    if len(ragged) and last and ragged[0] == lines[-1] and widths[ragged[0]] < dialect.width:
        remarks.append(_cut_remark(line_offset + int(ragged[0]) + 1))
        keep[ragged[0]] = False
        lines, ragged = lines[:-1], ragged[:0]
    if len(ragged):
        at = int(ragged[0])
        raise refusal(
            path,
            f"{plural(dialect.width, 'cell')} in every row",
            f"{widths[at]} in line {line_offset + at + 1}",
            "repair that row or save the recording again",
        )
    if len(lines) < len(starts):
        body = b"\n".join(body[starts[i] : ends[i]] for i in lines) + b"\n"
    frame = _parse(path, body, dialect, 0)
    if frame is None or frame.height != len(lines):
        raise refusal(
            path,
            f"{plural(dialect.width, 'cell')} in every row",
            "rows that differ",
            "repair the rows or save the recording again",
        )
    if frame.height and last:
        tail = frame.row(frame.height - 1)[: dialect.columns]
        blank = dialect.width > 1 and all(cell is None for cell in tail[1:])
        if (blank and _is_blank_tail(body, delimiter)) or (
            not ends_clean and any(cell is None for cell in tail)
        ):
            remarks.append(_cut_remark(line_offset + int(lines[-1]) + 1))
            frame = frame.slice(0, frame.height - 1)
            body = body.rstrip(b"\r\n")
            body = body[: body.rfind(b"\n") + 1]
    holes = [name for name in frame.columns if frame[name].null_count()]
    if holes:
        texts = _parse(path, body, dialect, 0, strings=True)
        assert texts is not None
        frame = frame.with_columns(
            [
                pl.when(frame[name].is_not_null())
                .then(frame[name])
                .otherwise(_signed_mark(texts[name]))
                .alias(name)
                for name in holes
            ]
        )
    return frame, remarks


def _signed_mark(cells: pl.Series) -> pl.Expr:
    """Cells that hold no number: -inf for '-OL', inf for '+OL', NaN where no sign is given."""
    import polars as pl

    bare = pl.lit(cells).str.strip_chars()
    signed = bare.str.len_chars() > bare.str.strip_chars_start("+-").str.len_chars()
    word = bare.str.strip_chars_start("+-").str.len_chars() > 0
    return (
        pl.when(signed & word & bare.str.starts_with("-"))
        .then(-np.inf)
        .when(signed & word & bare.str.starts_with("+"))
        .then(np.inf)
        .otherwise(np.nan)
    )


def _cut_remark(line: int) -> str:
    return f"the last row (line {line}) is cut off and was left out"


def _is_blank_tail(body: bytes, delimiter: bytes) -> bool:
    line = body.rstrip(b"\r\n").rpartition(b"\n")[2]
    return not line.partition(delimiter)[2].strip(b" \t\r" + delimiter)


def _cleaned(body: bytes, dialect: Dialect) -> bytes:
    if b'"' in body:
        if dialect.delimiter == "," and dialect.decimal == ",":
            body = re.sub(rb'"\s*,\s*"', b'"\t"', body)
        body = body.replace(b'"', b"")
    if dialect.delimiter == " ":
        return _BLANKS.sub(b"\t", _BLANK_ENDS.sub(b"", body))
    if b"\r" in body:
        body = body.replace(b"\r\n", b"\n")
    if b" " in body:
        body = body.replace(b" ", b"")
    if dialect.parsed_delimiter != "\t" and b"\t" in body:
        body = body.replace(b"\t", b"")
    return body


def _line_bounds(body: bytes) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where every line starts, and where it ends without its line end."""
    breaks = np.flatnonzero(np.frombuffer(body, dtype=np.uint8) == ord("\n"))
    starts = np.concatenate(([0], breaks + 1))
    ends = np.concatenate((breaks, [len(body)]))
    if starts[-1] == len(body):
        starts, ends = starts[:-1], ends[:-1]
    return starts, ends


def _widths(
    body: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64], delimiter: int
) -> NDArray[np.int64]:
    at = np.flatnonzero(np.frombuffer(body, dtype=np.uint8) == delimiter)
    return np.searchsorted(at, ends) - np.searchsorted(at, starts) + 1


def _resolution(table: Table, last_lines: list[str]) -> float:
    """What the last printed digit of the time column stands for: the finest within a sample from
    the start and one from the end, the coarser of the two (digits move as numbers grow)."""
    column = table.time_column
    if column is None:
        return 0.0
    ends = [split(line, table.dialect.delimiter) for line in last_lines]
    found = []
    for rows in (table.sample[:200], ends):
        places = [
            place
            for row in rows
            if len(row) > column and (place := _last_place(row[column])) is not None
        ]
        if places:
            found.append(min(places))
    return max(found, default=0.0)


def _last_place(cell: str) -> float | None:
    match = re.fullmatch(r"[-+]?\d*(?:[.,](\d*))?(?:[eE]([-+]?\d{1,3}))?", cell)
    if match is None or not cell:
        return None
    power = int(match[2] or 0) - len(match[1] or "")
    return float(10.0**power) if abs(power) < 300 else None


def stream(path: Path, options: ReadOptions) -> Stream:
    """The file in pieces of whole lines, each parsed as `decode` parses the whole."""
    with open_text(path) as text:
        table = _sniffed(path, text, options)
        last_lines = text.last_lines()
    layout = _layout(table)
    first = next(_frames(path, table, RATE_ROWS, layout.remarks), None)
    if first is None or first.height == 0:
        raise refusal(path, "a table of numbers", "no rows", "save the recording again")
    layout.remarks.clear()
    layout.remarks += table.remarks
    _, time = _columns(first, table)
    resolution = _resolution(table, last_lines)

    def pieces(n: int) -> Iterator[list[Column]]:
        at = 0
        for frame in _frames(path, table, n, layout.remarks):
            columns, piece_time = _columns(frame, table)
            if at and piece_time is not None and len(piece_time) > 1:
                layout.remarks.extend(
                    f"from sample {at} on: {remark}"
                    for remark in measure(path, piece_time, resolution).remarks
                )
            yield columns
            at += frame.height

    return Stream(
        first=Decoded(layout, [], time, table.time_unit, resolution), n_samples=None, pieces=pieces
    )


def _frames(path: Path, table: Table, rows: int, remarks: list[str]) -> Iterator[pl.DataFrame]:
    line = table.dialect.first
    with open_text(path) as text:
        for body, last in text.bodies(line, rows):
            frame = None
            if not _needs_cleaning(text, table.dialect):
                frame = _parse(path, body, table.dialect, 0)
            if frame is None or any(frame.null_count().row(0)):
                frame, noticed = _careful(path, body, table.dialect, line, last)
                remarks += noticed
            line += body.count(b"\n")
            yield frame
