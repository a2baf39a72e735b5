"""Conformal p-values: a rank among others that were made in the same way, and no more than that.

If a score and the ones it is ranked among are exchangeable (any order of them equally likely),
then P(p <= alpha) <= alpha for every alpha, whatever the scores are and however they spread
(Shafer and Vovk, A tutorial on conformal prediction, JMLR 9, 2008). What is exchangeable here is
vehicles, never captures: two captures of one vehicle are alike, and counting both would promise
more than was seen.
"""

from __future__ import annotations

import numpy as np

from matching.tools import Floats


def p_value(others: Floats, score: float) -> float:
    """Share of others (n,) and the score itself that are at least as large as the score.

    Never below `smallest(n)`; ties count against strangeness.
    """
    return (1.0 + float(np.sum(others >= score))) / (others.size + 1.0)


def smallest(n: int) -> float:
    """The smallest p-value that n others allow."""
    return 1.0 / (n + 1.0)


def per_vehicle(values: Floats, vehicle: np.ndarray) -> Floats:
    """The largest of values (rows,) of each vehicle, in the order of np.unique(vehicle)."""
    return np.array([np.nanmax(values[vehicle == v]) for v in np.unique(vehicle)])
