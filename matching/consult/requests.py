"""What a person asks: a file, how it was recorded, and what it is of."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from refdb.captures import ReadOptions
from refdb.errors import ManifestError
from refdb.manifest import ManifestRow
from refdb.records import Context


@dataclass(frozen=True, slots=True)
class Request:
    """One capture file in its context. shown: the path as the user wrote it."""

    file: Path
    shown: str
    context: Context
    options: ReadOptions = field(default_factory=ReadOptions)


def request_of(row: ManifestRow) -> Request:
    """The request a manifest line stands for. Raises ManifestError naming line and column."""
    if not row.path:
        raise ManifestError(f"line {row.line}: no path; every line needs one")
    if not row.get("system"):
        raise ManifestError(f"line {row.line}: no system; `straygauge systems` lists them")
    coupling = row.get("coupling").lower()
    if coupling not in ("", "ac", "dc"):
        raise ManifestError(
            f"line {row.line}: coupling '{coupling}': expected ac, dc or blank; correct it"
        )
    options = ReadOptions(
        channels=row.get("channels") or None,
        sample_rate_hz=row.number("sample_rate_hz", None),
        scale=_number(row, "scale", 1.0),
        attenuation=_number(row, "attenuation", 1.0),
        coupling=coupling or None,  # type: ignore[arg-type]
    )
    context = Context(
        row.get("system"), row.get("engine_family").strip(), row.get("condition").strip().lower()
    )
    return Request(row.file, row.path, context, options)


def _number(row: ManifestRow, name: str, default: float) -> float:
    """A number that has a default; zero is what the reader refuses, not a blank."""
    value = row.number(name, default)
    return default if value is None else value
