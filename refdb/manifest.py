"""Manifests: CSV files that name captures and what is known of each, a line per capture."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from refdb.errors import ManifestError

COLUMNS = (
    "path", "system", "engine_family", "condition", "label", "fault", "vehicle", "sample_rate_hz",
    "channels", "scale", "attenuation", "coupling", "note",
)  # fmt: skip
# What tells the answer: a check must not see them.
SECRET = frozenset({"label", "fault", "vehicle"})
MOST_ROWS = 1_000_000


@dataclass(frozen=True, slots=True)
class ManifestRow:
    """One line. values: the known columns, blank for missing; tags: unknown further columns.

    path: as written; file: where that is, relative to the manifest's own folder.
    """

    line: int
    path: str
    file: Path
    values: Mapping[str, str]
    tags: Mapping[str, str]

    def get(self, name: str) -> str:
        """A known column's text, blank when the manifest lacks it."""
        return self.values.get(name, "")

    def number(self, name: str, default: float | None) -> float | None:
        """A known column as a number; the default when blank. Raises ManifestError."""
        text = self.get(name)
        if not text:
            return default
        try:
            return float(text)
        except ValueError:
            raise ManifestError(
                f"line {self.line}: {name} '{text}': expected a number; correct the manifest"
            ) from None


def read_manifest(path: str | Path, *, for_check: bool) -> list[ManifestRow]:
    """Every line of a manifest, in order.

    for_check: drop the columns that tell the answer (label, fault, vehicle) and the tags.
    Raises ManifestError in one line: missing file, no header, missing columns, ragged lines.
    """
    place = Path(path)
    try:
        with place.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.reader(stream, strict=True)
            header = [name.strip().lower() for name in next(reader, [])]
            _check_header(place, header)
            return [
                row
                for row in (
                    _row(place, reader.line_num, header, cells, for_check) for cells in reader
                )
                if row is not None
            ]
    except FileNotFoundError:
        raise ManifestError(f"{place}: no such manifest; check the path") from None
    except IsADirectoryError:
        raise ManifestError(
            f"{place}: expected a CSV manifest, found a folder; name the file"
        ) from None
    except PermissionError:
        raise ManifestError(f"{place}: not allowed to read it; check its permissions") from None
    except UnicodeDecodeError:
        value, offset = _not_utf8(place)
        raise ManifestError(
            f"{place}: expected UTF-8, found byte 0x{value:02x} at offset {offset}; "
            "save it as UTF-8"
        ) from None
    except csv.Error as problem:
        raise ManifestError(f"{place}: expected a CSV table, found {problem}; correct it") from None


def _not_utf8(place: Path) -> tuple[int, int]:
    """The first byte that is no UTF-8, and its place in the whole file: a stream that decodes
    block by block only knows the place inside its block."""
    body = place.read_bytes()
    try:
        body.decode("utf-8")
    except UnicodeDecodeError as problem:
        return body[problem.start], problem.start
    return body[-1], len(body) - 1  # written to meanwhile


def _check_header(place: Path, header: list[str]) -> None:
    for needed in ("path", "system"):
        if needed not in header:
            found = ", ".join(header[:12]) or "nothing"
            raise ManifestError(
                f"{place}: expected a column '{needed}', found {found}; a manifest starts with a "
                f"header such as {','.join(COLUMNS[:4])}"
            )
    twice = {name for name in header if header.count(name) > 1}
    if twice:
        raise ManifestError(f"{place}: column '{min(twice)}' stands twice; rename one")


def _row(
    place: Path, line: int, header: list[str], cells: list[str], for_check: bool
) -> ManifestRow | None:
    if not any(cell.strip() for cell in cells):
        return None
    if len(cells) != len(header):
        raise ManifestError(
            f"{place}: line {line}: expected {len(header)} cells, found {len(cells)}; "
            "quote cells that contain commas"
        )
    if line > MOST_ROWS:
        raise ManifestError(f"{place}: more than {MOST_ROWS} lines; split the manifest")
    pairs = {name: cell.strip() for name, cell in zip(header, cells, strict=True)}
    known = {n: v for n, v in pairs.items() if n in COLUMNS and not (for_check and n in SECRET)}
    tags = {} if for_check else {n: v for n, v in pairs.items() if n not in COLUMNS and n and v}
    written = pairs["path"]
    file = place.parent / written.replace("\\", "/") if "\\" in written else place.parent / written
    return ManifestRow(line, written, file, known, tags)
