"""The packed starter references: one .sgr file per system, and a manifest over them all.

Layout of an .sgr file, version 1, little-endian:

    magic "SGRF", version u8, sha256 of all that follows (32 bytes),
    sizes u32: header, header unpacked, low bytes, high bytes, samples in all,
    then three LZMA streams: the header (JSON), low bytes and high bytes of the codes.

Codes are int16, capture after capture and channel after channel, each channel as folded
differences. An instrument's noise is most of what is left, and LZMA packs it a tenth smaller
than deflate does. The header says what model made them, and of each capture its vehicle, seed,
instrument and drawn parameters.
"""

from __future__ import annotations

import json
import lzma
import os
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from refdb.errors import CatalogueError
from seed_references.model import Model
from seed_references.vehicles import Instrument, Job, Simulated, Stored

FOLDER = Path(__file__).with_name("packed")
MANIFEST = "manifest.json"
SCHEMA = "straygauge.starter/1"
VERSION = 1
_MAGIC = b"SGRF"
_PREFIX = struct.Struct("<4sB32s")
_SIZES = struct.Struct("<5I")
_MOST_SAMPLES = 1 << 26
_FILTERS = [{"id": lzma.FILTER_LZMA2, "preset": 6, "dict_size": 1 << 22, "lc": 3, "lp": 0, "pb": 0}]


# --- one system ----------------------------------------------------------------------------


def packed(model: Model, captures: Sequence[Simulated]) -> tuple[bytes, str]:
    """The bytes of a system's file, and the checksum of what they say.

    The checksum covers header and codes before LZMA, whose releases may pack them otherwise.
    """
    rows = [row for one in captures for row in one.stored.codes]
    header = json.dumps(_header(model, captures), ensure_ascii=False, separators=(",", ":"))
    text = header.encode()
    low, high = _planes(rows)
    streams = [_squeeze(part) for part in (text, low, high)]
    sizes = _SIZES.pack(len(streams[0]), len(text), len(streams[1]), len(streams[2]), len(low))
    body = sizes + b"".join(streams)
    content = sha256(text)
    for row in rows:
        content.update(row.astype("<i2").tobytes())
    return _PREFIX.pack(_MAGIC, VERSION, sha256(body).digest()) + body, content.hexdigest()


def unpacked(data: bytes, name: str) -> tuple[dict[str, Any], list[Simulated]]:
    """What is said of the model, and every capture, of bytes made by `packed`.

    name: what the error text calls them.

    Raises CatalogueError naming it when a bit has changed or a newer version wrote it.
    """
    if len(data) < _PREFIX.size + _SIZES.size or data[:4] != _MAGIC:
        raise _damaged(name, "bytes that are none")
    _, version, digest = _PREFIX.unpack_from(data)
    if version > VERSION:
        raise CatalogueError(
            f"{name}: expected starter references in layout {VERSION}, found layout {version}; "
            "install straygauge again"
        )
    body = memoryview(data)[_PREFIX.size :]
    if version != VERSION or sha256(body).digest() != digest:
        raise _damaged(name, "others")
    try:
        return _unpacked(body)
    except (lzma.LZMAError, ValueError, KeyError, TypeError, struct.error) as error:
        raise _damaged(name, f"contents that do not fit together ({error})") from error


def _unpacked(body: memoryview) -> tuple[dict[str, Any], list[Simulated]]:
    head, head_size, low, high, count = _SIZES.unpack_from(body)
    if count > _MOST_SAMPLES:
        raise ValueError(f"{count} samples")
    at = _SIZES.size
    header = json.loads(_expand(body[at : at + head], head_size))
    low_plane = _expand(body[at + head : at + head + low], count)
    high_plane = _expand(body[at + head + low : at + head + low + high], count)
    folded = np.frombuffer(low_plane, np.uint8).astype(np.uint16)
    folded |= np.frombuffer(high_plane, np.uint8).astype(np.uint16) << np.uint16(8)
    out, start = [], 0
    channels = len(header["channels"])
    for facts in header["captures"]:
        size = facts["samples"]
        codes = np.empty((channels, size), np.int16)
        for row in codes:
            row[:] = _unfolded(folded[start : start + size])
            start += size
        out.append(_simulated(header, facts, codes))
    if start != count:
        raise ValueError(f"{count} samples where {start} belong")
    return header, out


def _header(model: Model, captures: Sequence[Simulated]) -> dict[str, Any]:
    return {
        "origin": "simulated",
        "system": model.system,
        "model": getattr(model.simulate, "__module__", ""),
        "relations": list(model.relations),
        "faults": dict(model.faults),
        "channels": [list(channel) for channel in model.channels],
        "coupling": model.coupling,
        "rate_hz": model.record_hz,
        "captures": [_facts(one) for one in captures],
    }


def _facts(one: Simulated) -> dict[str, Any]:
    job = {key: value for key, value in asdict(one.job).items() if key != "system"}
    instrument = asdict(one.instrument)
    return {
        **job,
        "seed": one.job.seed,
        "samples": int(one.stored.codes.shape[1]),
        "widened": one.widened,
        "instrument": {key: _short(value) for key, value in instrument.items()},
        "parameters": {key: _short(value) for key, value in one.parameters.items()},
    }


def _short(value: Any) -> Any:
    """Seven digits say what was drawn; the seed gives all of them back."""
    if isinstance(value, tuple | list):
        return [_short(item) for item in value]
    return float(f"{value:.7g}") if isinstance(value, float) else value


def _simulated(
    header: Mapping[str, Any], facts: Mapping[str, Any], codes: NDArray[np.int16]
) -> Simulated:
    job = Job(
        facts["batch"], header["system"], facts["engine_family"], facts["condition"],
        facts["fault"], facts["index"], facts["number"], facts["severity"],
    )  # fmt: skip
    told: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value
        for key, value in facts["instrument"].items()
    }
    instrument = Instrument(**told)
    stored = Stored(codes, instrument.steps, float(header["rate_hz"]))
    return Simulated(job, stored, instrument, dict(facts["parameters"]), facts["widened"])


def _planes(rows: Iterable[NDArray[np.int16]]) -> tuple[bytes, bytes]:
    """Low and high bytes of the folded differences: small ones of either sign are small."""
    folded = []
    for row in rows:
        steps = np.diff(row, prepend=np.int16(0))
        folded.append(((steps << 1) ^ (steps >> 15)).view(np.uint16))
    codes = np.concatenate(folded) if folded else np.zeros(0, np.uint16)
    return (codes & 0xFF).astype(np.uint8).tobytes(), (codes >> 8).astype(np.uint8).tobytes()


def _unfolded(folded: NDArray[np.uint16]) -> NDArray[np.int16]:
    steps = (folded >> 1).view(np.int16) ^ -(folded & 1).view(np.int16)
    return np.cumsum(steps, dtype=np.int16)


def _squeeze(data: bytes) -> bytes:
    return lzma.compress(data, lzma.FORMAT_RAW, filters=_FILTERS)


def _expand(data: memoryview, size: int) -> bytes:
    """Exactly `size` bytes, never more, whatever the stream claims."""
    engine = lzma.LZMADecompressor(lzma.FORMAT_RAW, filters=_FILTERS)
    out = engine.decompress(data, size + 1)
    if len(out) != size:
        raise ValueError(f"{len(out)} bytes where {size} belong")
    return out


def _damaged(name: str, found: str) -> CatalogueError:
    return CatalogueError(
        f"{name}: expected the starter references as they were shipped, found {found}; "
        "install straygauge again"
    )


# --- the set -------------------------------------------------------------------------------


def read_manifest(folder: Path = FOLDER) -> dict[str, Any]:
    """What manifest.json says; an empty set when there is none.

    Raises CatalogueError for one that is damaged or newer.
    """
    path = folder / MANIFEST
    try:
        told = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return {"schema": SCHEMA, "origin": "simulated", "systems": {}}
    except (OSError, ValueError) as error:
        raise _damaged(str(path), f"a list that cannot be read ({error})") from error
    if not isinstance(told, dict) or not isinstance(told.get("systems"), dict):
        raise _damaged(str(path), "another list")
    if told.get("schema") != SCHEMA:
        raise CatalogueError(
            f"{path}: expected schema {SCHEMA}, found {told.get('schema')}; "
            "install straygauge again"
        )
    return told


@cache
def packed_systems(folder: Path = FOLDER) -> tuple[str, ...]:
    """The systems that have packed starter references."""
    return tuple(read_manifest(folder)["systems"])


class PackedSystem(NamedTuple):
    """A system's packed captures.

    content: checksum of what the file says.  channels: (role, unit) in the order of the rows.
    """

    system: str
    content: str
    channels: tuple[tuple[str, str], ...]
    captures: list[Simulated]


def read_system(system: str, folder: Path = FOLDER) -> PackedSystem:
    """The packed captures of a system, none for one that has no file.

    Raises CatalogueError, one line naming the file, when it is missing or not as shipped.
    """
    known = read_manifest(folder)["systems"].get(system)
    if known is None:
        return PackedSystem(system, "", (), [])
    path = folder / f"{system}.sgr"
    try:
        data = path.read_bytes()
    except OSError as error:
        raise _damaged(str(path), f"no readable file ({error.strerror})") from error
    if sha256(data).hexdigest() != known["sha256"]:
        raise _damaged(str(path), "others")
    header, captures = unpacked(data, str(path))
    channels = tuple((role, unit) for role, unit in header["channels"])
    return PackedSystem(system, known["content"], channels, captures)


def entry(data: bytes, content: str, captures: Sequence[Simulated]) -> dict[str, Any]:
    """What the manifest says of one system's file."""
    contexts = dict.fromkeys((one.job.engine_family, one.job.condition) for one in captures)
    return {
        "bytes": len(data),
        "sha256": sha256(data).hexdigest(),
        "content": content,
        "captures": len(captures),
        "contexts": [list(context) for context in contexts],
    }


def write_system(
    model: Model, captures: Sequence[Simulated], folder: Path = FOLDER
) -> dict[str, Any]:
    """Packs a system's captures into its file; gives the manifest entry, which is not written."""
    folder.mkdir(parents=True, exist_ok=True)
    data, content = packed(model, captures)
    _replace(folder / f"{model.system}.sgr", data)
    return entry(data, content, captures)


def write_manifest(systems: Mapping[str, Mapping[str, Any]], folder: Path = FOLDER) -> None:
    """The list over all files, to be written after them."""
    import scipy

    told = {
        "schema": SCHEMA,
        "origin": "simulated",
        "layout": VERSION,
        "made_with": {"numpy": np.__version__, "scipy": scipy.__version__},
        "captures": sum(one["captures"] for one in systems.values()),
        "bytes": sum(one["bytes"] for one in systems.values()),
        "systems": dict(sorted(systems.items())),
    }
    _replace(folder / MANIFEST, (json.dumps(told, indent=1) + "\n").encode())
    packed_systems.cache_clear()


def prune(systems: Iterable[str], folder: Path = FOLDER) -> None:
    """Removes the files of all other systems."""
    kept = set(systems)
    for path in folder.glob("*.sgr"):
        if path.stem not in kept:
            path.unlink()


def _replace(path: Path, data: bytes) -> None:
    part = path.with_name(path.name + ".part")
    part.write_bytes(data)
    os.replace(part, path)
