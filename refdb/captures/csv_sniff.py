"""How a text table is written, found by looking at it: never by the product that wrote it.

The numbers decide first: the delimiter and decimal mark that make numbers of the most cells.
What stands above the numbers (titles, units, `Key: value` lines) is then read with them.
"""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter
from dataclasses import dataclass, field

from refdb.captures.names import (
    MAX_TITLE,
    coupling_hint,
    is_index_title,
    is_time_title,
    is_unit_word,
    rate_of,
    split_unit,
    time_factor,
    time_unit_hint,
    unit_hint,
)
from refdb.captures.words import plural, refusal, short

SAMPLE_LINES = 120
MAX_STARTS = 1000  # rows tried as the first of the body; a table begins at one of the first
PREAMBLE_LINES = 500  # looked at for settings, from either end of what stands above
_CANDIDATES = (  # (delimiter, decimal mark), the more usual first
    (",", "."), (";", ","), (";", "."), ("\t", ","), ("\t", "."), (" ", ","), (" ", "."),
)  # fmt: skip
COMMENT_MARKS = ("#", "%", "//", "'", "!")
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?")
_KNOWN_MARK = re.compile(
    r"|[-+]?(inf(inity)?|nan|ol|over|overload|overrange|over_range|over-range|ovl|ovr|ovf|overflow"
    r"|clip(ped)?|n/?a|null|none|1\.#[a-z]+|#n/a|#num!|\*+|-+|\?+|oor|invalid|out of range|∞|-∞)",
    re.IGNORECASE,
)
_ANY_MARK = re.compile(r"[^\d,;\t]{0,16}|[-+]?1\.#[A-Za-z]+")


@dataclass(frozen=True, slots=True)
class Dialect:
    """How the numeric body is written.

    delimiter: ',', ';', tab, or ' ' for any run of blanks. width: cells of a row as written.
    trailing: every row ends with a delimiter, so the last cell is no column. first: lines above
    the body. quoted, padded: cells may be quoted, or have blanks around them.
    """

    delimiter: str
    decimal: str
    width: int
    first: int
    trailing: bool
    quoted: bool
    padded: bool

    @property
    def columns(self) -> int:
        return self.width - self.trailing

    @property
    def parsed_delimiter(self) -> str:
        """What stands between cells once the body is cleaned for the parser."""
        decimal_comma_in_quotes = self.delimiter == "," and self.decimal == ","
        return "\t" if self.delimiter == " " or decimal_comma_in_quotes else self.delimiter


@dataclass(frozen=True, slots=True)
class Hints:
    """What the person said: how many channels (None: nothing), and whether a unit, a rate."""

    channels: int | None = None
    time_unit: bool = False
    rate: bool = False


@dataclass(slots=True)
class Table:
    """A dialect and what the lines above the body say. titles, units: one per column."""

    dialect: Dialect
    titles: list[str | None]
    units: list[str | None]
    time_column: int | None = None
    dropped: list[int] = field(default_factory=list)
    rate_hz: float | None = None
    time_unit: str | None = None
    coupling: str | None = None
    sample: list[list[str]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def split(line: str, delimiter: str) -> list[str]:
    """The cells of one line, without blanks and quotes around them."""
    if delimiter == " ":
        return line.replace('"', " ").split()
    if '"' in line:
        try:
            cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:
            cells = line.replace('"', "").split(delimiter)
    else:
        cells = line.split(delimiter)
    return [cell.strip() for cell in cells]


def number(cell: str, decimal: str) -> bool:
    """Whether `cell` is a plain number with that decimal mark (a point is always allowed)."""
    if decimal == "," and cell.count(",") == 1 and "." not in cell:
        cell = cell.replace(",", ".")
    return _NUMBER.fullmatch(cell) is not None


def sniff(path: object, text: str, whole: bool, hints: Hints) -> Table:
    """The table in `text`, the start of a file (or the whole of it).

    Raises CaptureError if the text is no table of numbers.
    """
    lines = text.split("\n")
    if not whole and len(lines) > 1:
        lines.pop()
    lines = [line.rstrip("\r") for line in lines]
    while lines and not lines[-1].strip():
        lines.pop()
    if not lines:
        raise refusal(path, "a table of numbers", "only blank lines", "save the recording again")
    delimiter, decimal, width = _dialect(path, lines, hints)
    first = _body_start(path, lines, delimiter, decimal, width)
    sampled = lines[first : first + SAMPLE_LINES]
    body = [split(line, delimiter) for line in sampled if line.strip()]
    body = [row for row in body if len(row) == width]
    above = [line for line in lines[:first] if line.strip()]
    head = _header(path, lines, first, delimiter, width)
    trailing = (
        width > 1
        and all(not row[-1] for row in body)
        and (not head or not any(len(row) == width and row[-1] for row in head))
    )
    dialect = Dialect(
        delimiter=delimiter,
        decimal=decimal,
        width=width,
        first=first,
        trailing=trailing,
        quoted=any('"' in line for line in sampled),
        padded=delimiter != " " and any(_padded(line, delimiter) for line in sampled),
    )
    table = _titled(dialect, head)
    table.sample = body
    _read_preamble(table, above, delimiter)
    _find_time(table, hints)
    return table


def _padded(line: str, delimiter: str) -> bool:
    bare = line.strip("\r\n")
    blanks = " " if delimiter == "\t" else " \t"
    return any(cell != cell.strip(blanks) for cell in bare.split(delimiter))


def _dialect(path: object, lines: list[str], hints: Hints) -> tuple[str, str, int]:
    """(delimiter, decimal mark, cells of a row): what makes numbers of the most cells."""
    tail = [ln for ln in lines if ln.strip() and not ln.lstrip().startswith(COMMENT_MARKS)]
    tail = tail[-SAMPLE_LINES:]
    candidates = list(_CANDIDATES)
    if any('"' in line for line in tail):
        candidates.append((",", ","))
    best: tuple[tuple[int, float, int], tuple[str, str, int]] | None = None
    for delimiter, decimal in candidates:
        rows = [split(line, delimiter) for line in tail]
        numeric = [sum(number(cell, decimal) for cell in row) for row in rows]
        clean = [k > 0 and _is_clean(row, decimal) for row, k in zip(rows, numeric, strict=True)]
        either = clean if any(clean) else [k > 0 for k in numeric]
        widths = Counter(len(row) for row, good in zip(rows, either, strict=True) if good)
        if not widths:
            continue
        width = max(widths, key=lambda w: (widths[w], w))
        # Rows of nothing but numbers and known marks count most, then numbers among all cells.
        fitting = [k / width for row, k in zip(rows, numeric, strict=True) if len(row) == width]
        score = (widths[width] if any(clean) else 0, round(sum(fitting), 6), width)
        if best is None or score > best[0]:
            best = (score, (delimiter, decimal, width))
    if best is None:
        raise refusal(
            path,
            "a table of numbers",
            f"no line of numbers; it begins {short(lines[0])}",
            "save the recording as CSV with one row per sample",
        )
    delimiter, decimal, width = best[1]
    if (delimiter, decimal, width) == (",", ".", 2) and _one_decimal_comma_column(lines, hints):
        return ";", ",", 1
    if decimal == "," and not any("," in line for line in tail):
        decimal = "."
    return delimiter, decimal, width


def _is_clean(row: list[str], decimal: str) -> bool:
    return all(number(cell, decimal) or _KNOWN_MARK.fullmatch(cell) for cell in row)


def _one_decimal_comma_column(lines: list[str], hints: Hints) -> bool:
    """'0,25' alone on a line is two columns or one: a title without comma, or the person, tells."""
    lone = re.compile(r"\s*[-+]?\d+,\d+([eE][-+]?\d+)?\s*")
    count = len(list(itertools.takewhile(lone.fullmatch, reversed(lines))))
    if count < 2:
        return False
    above = lines[: len(lines) - count]
    titles = [line for line in above if line.strip() and not line.startswith(COMMENT_MARKS)]
    if titles:
        return "," not in titles[-1] and ":" not in titles[-1]
    return hints.channels == 1 and hints.rate


def _body_start(path: object, lines: list[str], delimiter: str, decimal: str, width: int) -> int:
    """Index of the first line of the body."""

    def is_row(line: str, marks: re.Pattern[str]) -> bool:
        cells = split(line, delimiter)
        if len(cells) != width:
            return False
        numeric = [number(cell, decimal) for cell in cells]
        return any(numeric) and all(
            is_number or marks.fullmatch(cell)
            for is_number, cell in zip(numeric, cells, strict=True)
        )

    tries = 0
    for start, line in enumerate(lines):
        if not is_row(line, _KNOWN_MARK):
            continue
        tries += 1
        if tries > MAX_STARTS:
            break
        following = [ln for ln in lines[start : start + 12] if ln.strip()]
        rows = [
            is_row(ln, _ANY_MARK)
            or (len(split(ln, delimiter)) == width and _is_clean(split(ln, delimiter), decimal))
            for ln in following
        ]
        if sum(rows) < 0.6 * len(following):
            continue
        cells = split(line, delimiter)
        second = split(following[1], delimiter) if len(following) > 1 else cells
        if width > 1 and not cells[0] and second[0] and number(second[0], decimal):
            continue  # a title row whose first title is blank
        while (
            start
            and width > 1
            and is_row(lines[start - 1], _ANY_MARK)
            and number(split(lines[start - 1], delimiter)[0], decimal)
        ):
            start -= 1  # the recording may begin with a mark nobody has seen before
        return start
    raise refusal(
        path,
        "a table of numbers",
        f"no rows of {plural(width, 'number')} in sequence; it begins {short(lines[0])}",
        "save the recording as CSV with one row per sample",
    )


def _uncommented(line: str) -> str:
    bare = line.strip()
    for mark in COMMENT_MARKS:
        if bare.startswith(mark):
            return bare[len(mark) :].strip()
    return line


def _header(
    path: object, lines: list[str], first: int, delimiter: str, width: int
) -> list[list[str]]:
    """Up to two title rows directly above the body, top first, each with `width` cells
    (or one less where rows end with a delimiter)."""
    above = [(i, _uncommented(line)) for i, line in enumerate(lines[:first]) if line.strip()]
    rows: list[list[str]] = []
    for i, line in reversed(above[-2:]):
        cells = split(line, delimiter)
        if len(cells) == 2 * width and all(is_unit_word(cell) for cell in cells[1::2]):
            cells = [f"{cells[k]} ({cells[k + 1]})" for k in range(0, 2 * width, 2)]
        if not _title_cells(line, cells, width):
            if (
                not rows
                and width > 1
                and len(cells) > 1
                and len(cells) not in (width, width - 1)
                and is_time_title(cells[0])
                and not any(number(cell, ".") for cell in cells)
            ):
                raise refusal(
                    path,
                    f"{plural(width, 'title')} as in the rows of numbers",
                    f"{len(cells)} in line {i + 1}",
                    "make the title row and the rows alike",
                )
            break
        rows.insert(0, cells)
        if len(rows) == 1 and not all(is_unit_word(c) for c in cells if c):
            break  # these are names; a units row stands below the names, never above
    return rows


def _title_cells(line: str, cells: list[str], width: int) -> bool:
    if len(cells) not in (width, width - 1) or not any(cells) or len(cells) == 0:
        return False
    if rate_of(cells[0], " ".join(cells[1:])) is not None and len(cells) > 1:
        return False
    if _key_value(line) is not None and not (width > 1 and len(cells) > 1):
        return False
    for cell in cells:
        if number(cell, ".") and not (cell.isdigit() and int(cell) <= 64):
            return False
    if all(cell.isdigit() for cell in cells if cell):
        return not cells[0]
    return not (width == 2 and len(cells) == 2 and _is_setting(cells))


def _is_setting(cells: list[str]) -> bool:
    """Whether a row of two cells is a `key,value` line rather than two titles."""
    key, value = cells
    return (
        unit_hint(key, value) is not None
        or time_unit_hint(key, value) is not None
        or coupling_hint(key, value) is not None
        or key.endswith(":")
    )


def _titled(dialect: Dialect, head: list[list[str]]) -> Table:
    k = dialect.columns
    titles: list[str | None] = [None] * k
    units: list[str | None] = [None] * k
    for row in head:
        if all(is_unit_word(cell) for cell in row if cell):
            for i, cell in enumerate(row[:k]):
                units[i] = cell.strip("()[]{} ") or units[i]
            continue
        for i, cell in enumerate(row[:k]):
            titles[i] = cell or None
    for i, text in enumerate(titles):
        if text and units[i] is None:
            name, unit = split_unit(text)
            if unit is not None:
                units[i] = unit
                titles[i] = name or None
    return Table(dialect, titles, units)


def _key_value(line: str) -> tuple[str, str] | None:
    match = re.match(r"^\s*([^:=]{1,60}?)\s*[:=]\s*(.+?)\s*$", line)
    return (match[1], match[2]) if match else None


def _read_preamble(table: Table, above: list[str], delimiter: str) -> None:
    channels = table.dialect.columns
    for line in (*above[:PREAMBLE_LINES], *above[PREAMBLE_LINES:][-PREAMBLE_LINES:]):
        bare = _uncommented(line)
        if len(bare) > MAX_TITLE:
            continue
        pairs = []
        spoken = _key_value(bare)
        if spoken:
            pairs.append(spoken)
        for mark in {delimiter, ",", ";", "\t"} - {" "}:
            key, _, value = bare.partition(mark)
            if value.strip():
                pairs.append((key.strip().strip('":'), value.replace('"', "").strip()))
        for key, value in pairs:
            if table.rate_hz is None:
                table.rate_hz = rate_of(key, value)
            if table.time_unit is None:
                table.time_unit = time_unit_hint(key, value)
            if table.coupling is None:
                table.coupling = coupling_hint(key, value)
            said = unit_hint(key, value)
            if said and not any(table.units):
                if len(said) == 1:
                    table.units = [said[0]] * channels
                elif len(said) == channels:
                    table.units = list(said)
                elif len(said) == channels - 1:
                    table.units = [None, *said]


def _find_time(table: Table, hints: Hints) -> None:
    """Settle which column is time, which are running numbers, which are left as channels."""
    k = table.dialect.columns
    titled = any(table.titles) or any(
        unit and time_factor(unit) is not None for unit in table.units
    )
    timed = [
        i
        for i in range(k)
        if (table.units[i] and time_factor(table.units[i] or "") is not None)
        or (table.titles[i] and is_time_title(table.titles[i] or ""))
    ]
    indexed = [i for i in range(k) if table.titles[i] and is_index_title(table.titles[i] or "")]
    if k > 1 and timed:
        table.time_column = timed[0]
        table.dropped += timed[1:]
        if timed[1:]:
            table.remarks.append(
                f"the file has {len(timed)} time columns: the first is used for all channels"
            )
    if k > 1 and indexed and indexed[0] == 0:
        table.dropped.append(0)
    if table.time_column is None and 0 not in table.dropped and k > 1:
        rising, even, running = _first_column(table)
        if hints.channels is not None:
            is_axis = rising and hints.channels == k - 1
        else:
            is_axis = even and (not titled or hints.time_unit)
        if is_axis and running and not hints.time_unit:
            table.dropped.append(0)
            table.remarks.append("the first column counts the rows and is not a channel")
        elif is_axis:
            table.time_column = 0
    if table.time_column is not None:
        unit = table.units[table.time_column]
        if unit and time_factor(unit) is not None:
            table.time_unit = unit


def _first_column(table: Table) -> tuple[bool, bool, bool]:
    """Whether the sampled first column mostly rises, rises evenly, and is 0, 1, 2, ..."""
    values = [
        float(row[0].replace(",", "."))
        for row in table.sample
        if number(row[0], table.dialect.decimal)
    ]
    if len(values) < 2 or len(values) < 0.9 * len(table.sample):
        return False, False, False
    steps = [b - a for a, b in itertools.pairwise(values)]
    middle = sorted(steps)[len(steps) // 2]
    rising = values[-1] > values[0] and sum(step >= 0 for step in steps) >= 0.9 * len(steps)
    alike = sum(0.75 * middle <= step <= 1.25 * middle for step in steps)
    even = rising and len(steps) > 1 and middle > 0 and alike >= 0.8 * len(steps)
    running = even and values[0] in (0.0, 1.0) and all(step == 1.0 for step in steps)
    return rising, even, running
