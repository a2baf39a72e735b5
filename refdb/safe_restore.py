"""A backup put back in the place of a catalogue, which is kept beside it."""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable
from pathlib import Path

from refdb.catalogue_errors import not_ours, told
from refdb.errors import CatalogueError
from refdb.records import Damage
from refdb.safe_copy import copy_into, discard, online_copy
from refdb.schema import prepare, refuse_others, stored_version


def restore(backup: Path, path: Path, damages: Callable[[Path], list[Damage]]) -> Path | None:
    """Makes `path` what `backup` is, brought to this version's schema; whole or not at all.

    damages: what is wrong with a catalogue file.
    Gives where the catalogue that was there is kept (NAME.before-restore.backup), None if none
    was. Programs that have it open go on with the restored contents.

    Raises CatalogueError if the backup is missing, damaged, newer, or no catalogue; nothing is
    changed then.
    """
    check_backup(backup)
    existed = os.path.exists(path) and os.path.getsize(path) > 0
    if existed:
        refuse_others(path)
    staged = path.with_name(f".{path.name[:200]}.{secrets.token_hex(4)}.restore")
    try:
        online_copy(backup, staged, lambda part: _bring_up(part, backup, damages))
        if existed:
            return _replace(staged, path)
        with told(path):
            os.replace(staged, path)
        return None
    finally:
        discard(staged)


def check_backup(backup: Path) -> None:
    """Raises CatalogueError unless `backup` is a filled catalogue this version can read."""
    if not os.path.isfile(backup):
        raise CatalogueError(f"{backup}: expected a backup, found no file; name the right one")
    with told(backup), open(backup, "rb") as file:
        if file.read(15) != b"SQLite format 3":
            raise not_ours(backup, "a file that is no database")
    if stored_version(backup) is None:
        raise not_ours(backup, "an empty database")


def _bring_up(part: Path, backup: Path, damages: Callable[[Path], list[Damage]]) -> None:
    prepare(part, create=False, keep_backup=False)
    found = damages(part)
    if found:
        raise CatalogueError(
            f"{backup}: expected a backup without damage, found {len(found)} damaged "
            f"{'place' if len(found) == 1 else 'places'} ({found[0].message}); "
            "nothing was changed, restore an older one"
        )


def _replace(staged: Path, path: Path) -> Path:
    kept = path.with_name(f"{path.name}.before-restore.backup")
    try:
        online_copy(path, kept)
        copy_into(staged, path)
    except CatalogueError:
        # too damaged to be read or written as a database: kept as a file, and put aside
        with told(path):
            os.replace(path, kept)
            for leftover in ("-wal", "-shm"):
                Path(f"{path}{leftover}").unlink(missing_ok=True)
            os.replace(staged, path)
    return kept
