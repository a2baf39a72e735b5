"""Banded dynamic time warping: distances, paths, the typical member, exact nearest references.

All series are (L,) or (C, L) float64 of one length; the cost of matching two samples is the
squared difference summed over channels ("dependent" warping: all channels share one path); the
Sakoe-Chiba radius is in samples; a distance is the square root of the summed cost, so its unit is
that of the samples. ``distance``, ``path``, ``matrix``, ``self_matrix``, ``medoid`` and
``znormalise`` live in ``pairs``, the ``PackedIndex`` for large reference sets in ``packed``.

Importing this package loads neither numba (0.35 s) nor any kernel; the first use does.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .packed import PackedIndex, UnusableIndex
    from .pairs import distance, matrix, medoid, path, self_matrix, znormalise
    from .search import SearchResult, SearchStats

__all__ = [
    "PackedIndex",
    "SearchResult",
    "SearchStats",
    "UnusableIndex",
    "distance",
    "matrix",
    "medoid",
    "path",
    "self_matrix",
    "znormalise",
]

_HOME = {
    "PackedIndex": "packed",
    "SearchResult": "search",
    "SearchStats": "search",
    "UnusableIndex": "packed",
}


def __getattr__(name: str) -> Any:
    # Looked up on first use only, so that `import matching.dtw` stays free of numba.
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    home = importlib.import_module(f".{_HOME.get(name, 'pairs')}", __name__)
    value = getattr(home, name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
