"""The house: three floors, imports go down only, one door to the catalogue, files of one idea."""

from __future__ import annotations

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
NAMES = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE",
    "refdb", "matching", "cli", "migrations", "tests", "seed_references",
}  # fmt: skip
MAY_IMPORT = {
    "refdb": {"refdb", "migrations"},
    "migrations": {"migrations", "refdb"},
    "seed_references": {"seed_references", "refdb"},
    "matching": {"matching", "refdb", "seed_references"},
    "cli": {"cli", "matching", "refdb"},
}
HOUSE = set(MAY_IMPORT) | {"tests"}
DOOR = "refdb.catalogue"
LONGEST = 450


def sources() -> list[Path]:
    """Every Python file outside the tests."""
    return sorted(path for floor in MAY_IMPORT for path in (ROOT / floor).rglob("*.py"))


def shown(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def imported(inside: str, tree: ast.AST) -> set[str]:
    """Full names of all that is imported, inside functions too: `from a import b` is a and a.b."""
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            above = inside.split("/")[: -node.level] if node.level else []
            module = ".".join([*above, *([node.module] if node.module else [])])
            names |= {module} | {f"{module}.{alias.name}" for alias in node.names}
    return names


def wrong_imports(floor: str, inside: str, tree: ast.AST) -> list[str]:
    """Imports that go up, or past the door. inside: the file, as seen from the root."""
    wrong = []
    for name in imported(inside, tree):
        house = name.split(".")[0]
        if house in HOUSE and house not in MAY_IMPORT[floor]:
            wrong.append(name)
        opens = name == DOOR or name.startswith(DOOR + ".")
        if opens and floor != "refdb" and not inside.startswith("matching/consult/"):
            wrong.append(name)
    return sorted(wrong)


@pytest.mark.parametrize("path", sources(), ids=shown)
def test_imports_go_down_only(path):
    inside = shown(path)
    assert wrong_imports(inside.split("/")[0], inside, ast.parse(path.read_text("utf-8"))) == []


@pytest.mark.parametrize(
    ("inside", "code", "wrong"),
    [
        ("refdb/x.py", "import matching.judge", ["matching.judge"]),
        ("refdb/x.py", "def f():\n    from cli import main", ["cli", "cli.main"]),
        ("matching/x.py", "from refdb.catalogue import Catalogue",
         ["refdb.catalogue", "refdb.catalogue.Catalogue"]),
        ("matching/x.py", "from refdb import catalogue", ["refdb.catalogue"]),
        ("matching/consult/x.py", "from refdb.catalogue import Catalogue", []),
        ("cli/x.py", "from refdb.catalogue import Catalogue",
         ["refdb.catalogue", "refdb.catalogue.Catalogue"]),
        ("cli/x.py", "from tests import naive", ["tests", "tests.naive"]),
        ("cli/x.py", "import numpy, refdb.cards", []),
        ("matching/dtw/x.py", "from .lanes import excess", []),
        ("refdb/captures/x.py", "from ...matching import dtw", ["matching", "matching.dtw"]),
    ],
)  # fmt: skip
def test_the_import_test_sees_planted_ones(inside, code, wrong):
    assert wrong_imports(inside.split("/")[0], inside, ast.parse(code)) == wrong


def public_functions(tree: ast.Module) -> list[ast.FunctionDef]:
    """What anybody may call. Properties are said by their class, a protocol's members by those
    who keep it, a migration's two functions by its module."""
    found = []
    for node in tree.body:
        members = [node]
        if isinstance(node, ast.ClassDef):
            protocol = any("Protocol" in ast.unparse(base) for base in node.bases)
            members = [] if protocol or node.name.startswith("_") else node.body
        found += [
            member
            for member in members
            if isinstance(member, ast.FunctionDef)
            and not member.name.startswith("_")
            and "property" not in map(ast.unparse, member.decorator_list)
        ]
    return found


@pytest.mark.parametrize("path", sources(), ids=shown)
def test_docstrings(path):
    tree = ast.parse(path.read_text("utf-8"))
    assert not tree.body or ast.get_docstring(tree), "every module says what it is"
    functions = [] if "versions" in path.parts else public_functions(tree)
    assert [one.name for one in functions if not ast.get_docstring(one)] == []


@pytest.mark.parametrize("path", sources(), ids=shown)
def test_no_file_is_long(path):
    assert len(path.read_text("utf-8").splitlines()) <= LONGEST


def test_top_level_names():
    try:
        listed = subprocess.run(
            ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True, timeout=60
        ).stdout
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed.decode().split("\0") if name}
    assert {name for name in top if not name.startswith(".")} == NAMES
