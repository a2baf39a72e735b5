"""Where the catalogue is: an option, an environment variable, or the user's data folder."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from refdb.errors import CatalogueError

VARIABLE = "STRAYGAUGE_CATALOGUE"
FILE_NAME = "catalogue.sqlite"


def catalogue_place(
    given: str | os.PathLike[str] | None = None, environment: Mapping[str, str] | None = None
) -> Path:
    """The catalogue's file: `given` (path or sqlite:///PATH), else STRAYGAUGE_CATALOGUE, else
    `catalogue.sqlite` in the user's data folder.

    environment: what to look the variable up in; the process's own when None.

    Raises CatalogueError for a URL of another database, for one without a path, and for a folder.
    """
    if given is None:
        named = (os.environ if environment is None else environment).get(VARIABLE, "")
        given = named or default_place()
    path = _from_text(os.fspath(given))
    if os.path.isdir(path):
        raise CatalogueError(
            f"{path}: expected a catalogue file, found a folder; "
            f"give a file in it, for instance {path / FILE_NAME}"
        )
    return path


def default_place() -> Path:
    """`catalogue.sqlite` in the folder the platform keeps a user's data in."""
    from platformdirs import user_data_path

    return user_data_path("straygauge", appauthor=False) / FILE_NAME


def _from_text(text: str) -> Path:
    scheme, mark, rest = text.partition("://")
    if not mark or not scheme.replace("+", "").isalnum():
        path = text
    elif scheme in ("sqlite", "sqlite+pysqlite"):
        path = rest[1:] if rest.startswith("/") else ""
    else:
        raise CatalogueError(
            f"{text}: expected a path or sqlite:///PATH, found a URL of '{scheme}'; "
            "a catalogue is one SQLite file, give its path"
        )
    if not path or "\0" in path or (mark and "?" in path):
        raise CatalogueError(
            f"{text or 'catalogue'}: expected a path or sqlite:///PATH, found no usable path; "
            "give the catalogue's file"
        )
    return Path(os.path.expanduser(path))
