"""Sizes for tests that must also pass without the compiler, where loops run 100 times slower."""

from __future__ import annotations

import os

COMPILED = os.environ.get("NUMBA_DISABLE_JIT", "0") in ("", "0")
"""Is numba compiling in this run?"""


def sized(compiled: int, plain: int) -> int:
    """The size to test with: a big test is sized down without the compiler, never skipped."""
    return compiled if COMPILED else plain
