"""Documentation that fails the build: what README.md shows is what the program says.

The output shown for the main job is compared by `.ci/run`, with the installed package.
"""

from __future__ import annotations

import json
import re

import pytest

from cli.main import COMMANDS
from matching.answer import to_json
from refdb.manifest import COLUMNS
from tests.builders_shop import answer
from tests.readme import PARTS, README, ROOT, differences, filled, part

TEXT = README.read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


@pytest.mark.parametrize("name", [name for name in PARTS if name != "output"])
def test_written_parts_are_fresh(name):
    """Mend with `python -m tests.readme write`."""
    assert part(name, filled(TEXT, [name])) == part(name, TEXT)


@pytest.mark.parametrize(
    ("shown", "real", "same"),
    [
        ("stray 3.30, p = 0.019", "stray 3.31, p = 0.019", True),
        ("stray 3.30", "stray 3.60", False),
        ("  a  1.0  b", "  a  1.01  b", True),
        ("strays 3", "normal 3", False),
        ("a\nb", "a", False),
        ("of 52", "of 52 and 3", False),
    ],
)
def test_differences(shown, real, same):
    assert (differences(shown, real) == []) == same


def test_every_key_of_the_json_is_explained():
    keys = set(re.findall(r"`([a-z0-9_]+)`", TEXT.split("## JSON")[1].split("\n## ")[0]))

    def named(value):
        if isinstance(value, dict):
            yield from value
            for inner in value.values():
                yield from named(inner)
        elif isinstance(value, list):
            for inner in value:
                yield from named(inner)

    shown = json.loads(json.dumps(to_json(answer())))
    unreadable = to_json(answer(verdict="unreadable", error="e"))
    assert (set(named(shown)) | set(unreadable)) - keys == set()


def test_every_manifest_column_is_explained():
    section = TEXT.split("## Manifests")[1].split("\n## ")[0]
    assert [column for column in COLUMNS if f"`{column}`" not in section] == []


def test_every_command_has_its_own_words():
    for name, command in COMMANDS.items():
        assert command.__doc__ and command.__doc__.strip().endswith("."), name


def test_paths_that_are_named_exist():
    """Files and folders in backticks that look like paths of this repository."""
    named = set(re.findall(r"`((?:refdb|matching|cli|tests|migrations|seed_references)/[\w./-]*)`",
                           TEXT + DEVELOPERS))  # fmt: skip
    assert named and [path for path in sorted(named) if not (ROOT / path).exists()] == []


def test_no_path_of_one_machine():
    for text in (TEXT, DEVELOPERS):
        assert not re.search(r"(/root/|/home/|/work/|C:\\)", text)
