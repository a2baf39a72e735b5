"""Finished systems of an audit, in a small JSON file beside the catalogue. Losing it costs time."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from matching.audit import Judged, Thin
from refdb.records import Context

SCHEMA = "straygauge.audit-kept/1"
Found = tuple[tuple[Judged, ...], tuple[Thin, ...]]


class Kept:
    """What was finished before, by system. A damaged, foreign or unwritable file keeps nothing."""

    def __init__(self, catalogue: Path) -> None:
        self.path = catalogue.with_name(f"{catalogue.name}.audit.json")
        self._systems: dict[str, dict[str, Any]] = self._read()

    def get(self, system: str, key: str) -> Found | None:
        """The rows kept for a system under this key; None for none, or damaged ones."""
        held = self._systems.get(system)
        if not isinstance(held, dict) or held.get("key") != key:
            return None
        try:
            if held["sum"] != _sum(held["rows"], held["thin"]):
                return None
            return (
                tuple(Judged(**_placed(one)) for one in held["rows"]),
                tuple(Thin(**_placed(one)) for one in held["thin"]),
            )
        except (KeyError, TypeError):
            return None

    def put(self, system: str, key: str, found: Found) -> None:
        """Keeps a system's rows at once, so that whatever ends the audit next loses none."""
        rows, thin = ([asdict(one) for one in part] for part in found)
        self._systems[system] = {"key": key, "sum": _sum(rows, thin), "rows": rows, "thin": thin}
        with suppress(OSError):  # a folder that cannot be written to: nothing is kept, all is told
            self._write(json.dumps({"schema": SCHEMA, "systems": self._systems}))

    def _read(self) -> dict[str, dict[str, Any]]:
        try:
            told = json.loads(self.path.read_text("utf-8"))
        except (OSError, ValueError):
            return {}
        if not isinstance(told, dict) or told.get("schema") != SCHEMA:
            return {}
        systems = told.get("systems")
        return systems if isinstance(systems, dict) else {}

    def _write(self, text: str) -> None:
        descriptor, name = tempfile.mkstemp(prefix=f".{self.path.name}.", dir=self.path.parent)
        try:
            with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
                stream.write(text)
            os.replace(name, self.path)
        except BaseException:
            with suppress(OSError):
                os.unlink(name)
            raise


def _placed(one: Mapping[str, Any]) -> dict[str, Any]:
    return {**one, "context": Context(**one["context"])}


def _sum(rows: object, thin: object) -> str:
    return hashlib.sha256(json.dumps([rows, thin], sort_keys=True).encode()).hexdigest()
