"""``python -m tests.benchmarks NAME [options]``: run one benchmark of this folder.

A benchmark is a module here with ``main(argv) -> int``; the first line of its docstring is its
help. Modules without ``main`` are helpers of one.
"""

from __future__ import annotations

import ast
import importlib
import sys
from pathlib import Path


def benchmarks() -> dict[str, str]:
    """Name and first docstring line of each benchmark, read without importing any."""
    found = {}
    for path in sorted(Path(__file__).parent.glob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        functions = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
        if "main" in functions and not path.stem.startswith("_"):
            found[path.stem] = (ast.get_docstring(tree) or "").partition("\n")[0]
    return found


def run(argv: list[str]) -> int:
    """Dispatch to the benchmark named first; its exit code, or 2 for an unknown name."""
    known = benchmarks()
    if argv and argv[0] in known:
        return int(importlib.import_module(f"{__package__}.{argv[0]}").main(argv[1:]) or 0)
    if argv:
        print(f"benchmark: expected one of {', '.join(known)}, found {argv[0]}", file=sys.stderr)
        return 2
    for name, line in known.items():
        print(f"{name:12} {line}")
    return 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
