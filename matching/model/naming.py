"""When may a fault be named? Learned from the library: which likenesses turned out right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.tools import Floats

# A wrong name sends a technician the wrong way; no name only leaves him where he was.
NAME_ABOVE = 0.4
_RIDGE = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Namer:
    """Logistic judgement of a likeness: centre, scale and coefficients of the evidence."""

    centre: Floats
    scale: Floats
    coefficient: Floats
    offset: float

    def sure(self, evidence: Floats) -> Floats:
        """Probability (rows,) that the best fault is the right name."""
        u = (evidence - self.centre) / self.scale
        return 1.0 / (1.0 + np.exp(-np.clip(u @ self.coefficient + self.offset, -30, 30)))


def likeness_of(along: Floats, length: Floats, size: float, good_size: float) -> tuple[int, Floats]:
    """The most alike fault's place in `along` (faults,), NaN for unknown ones, and its evidence.

    Evidence (5,): log of the distance along the direction; log of the lead over the next fault;
    share of the deviation that the direction explains (cosine); how untypical the size is (0:
    typical); log of what the direction leaves over against the usual size of a good capture.

    length: (faults,) whitened length of each fault's mean; size: whitened length of the row;
    good_size: the good captures' median whitened length.
    """
    known = np.where(np.isfinite(along), np.maximum(along, 1e-3), 1e-3)
    order = np.argsort(known)
    best = int(order[-1])
    top, second = known[best], known[order[-2]] if known.size > 1 else 1e-3
    cosine = top / max(size, 1e-9)
    off_size = abs(np.log(top / length[best]))
    rest = np.sqrt(max(size**2 - top**2, 1e-6)) / max(good_size, 1e-9)
    return best, np.array([np.log(top), np.log(top / second), cosine, off_size, np.log(rest)])


def fit_namer(evidence: Floats, right: np.ndarray) -> Namer | None:
    """Ridge logistic regression of right (rows,) bool on evidence (rows, 5); None if hopeless."""
    if right.sum() < 3:
        return None
    centre, scale = evidence.mean(axis=0), evidence.std(axis=0) + 1e-9
    u = (evidence - centre) / scale
    x = np.column_stack((np.ones(u.shape[0]), u))
    beta = np.zeros(x.shape[1])
    penalty = _RIDGE * np.eye(x.shape[1])
    penalty[0, 0] = 1e-3
    for _ in range(30):
        p = 1.0 / (1.0 + np.exp(-np.clip(x @ beta, -30, 30)))
        weight = np.maximum(p * (1 - p), 1e-4)
        step = np.linalg.solve(
            x.T @ (x * weight[:, None]) + penalty, x.T @ (right - p) - penalty @ beta
        )
        beta = beta + step
        if np.abs(step).max() < 1e-6:
            break
    return Namer(centre, scale, beta[1:], float(beta[0]))
