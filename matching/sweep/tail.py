"""How improbable an event's oddness is, judged by the other events of the same recording.

The oddness scores above a quantile are taken as falling off like a power law, P(X > x) ~ x^-a
(Hill, Annals of Statistics 3, 1975), fitted between two quantiles; what lies above the upper one
counts as censored, so that the odd events do not set their own odds. log(X / u) is then
exponential: with k exceedances seen and S their total log excess (censored ones with the bound's),
S / a has a Gamma(k) distribution and a new one exceeds y with probability (1 + y / S)^-k, exactly
(type II censoring; Epstein and Sobel, JASA 48, 1953). A tail that falls faster gives p-values that
are too large, never too small.
"""

from __future__ import annotations

import numpy as np

from matching.tools import Bools, Floats

# The first look tolerates a quarter of odd events; what it finds is left out of the second, whose
# range lies further out and needs less extrapolation.
FIRST, SECOND = (0.50, 0.75), (0.80, 0.95)
# Fewer events cannot make a tail.
LEAST = 30


def tail_p(score: Floats, span: tuple[float, float], keep: Bools) -> Floats:
    """p-values (n,) of scores (n,) >= 0 by the tail of those in `keep`; NaN scores give 1.

    span: quantiles between which the tail is fitted. Below the lower one the p-value is the
    share of scores at least as large.
    """
    usable = keep & np.isfinite(score)
    base = np.sort(score[usable])
    out = np.ones(score.size)
    if base.size < LEAST:
        return out
    shown = np.isfinite(score)
    place = np.searchsorted(base, score[shown], side="left")
    p = (1.0 + base.size - place) / (base.size + 1.0)
    i, j = int(span[0] * base.size), int(span[1] * base.size)
    u = float(base[i - 1])
    if u > 0.0:
        share = (1.0 + base.size - i) / (base.size + 1.0)
        excess = np.log(base[i:j] / u)
        total = float(excess.sum()) + (base.size - j) * float(excess[-1])
        y = np.log(np.maximum(score[shown] / u, 1.0))
        far = score[shown] > u
        tail = share * np.exp(-(j - i) * np.log1p(y / max(total, 1e-12)))
        p = np.where(far, tail, p)
    out[shown] = np.minimum(p, 1.0)
    return out


def joint_p(views: list[Floats], alpha: float) -> Floats:
    """p-values (n,) over several views of the same events: the least, times their number.

    views: scores (n,) each.  alpha: what the first look may find at most by chance; those events
    are left out of the fit, not of the answer.
    """
    keep = np.ones(views[0].size, bool)
    for span in (FIRST, SECOND):
        p = np.min([tail_p(score, span, keep) for score in views], axis=0)
        p = np.minimum(len(views) * p, 1.0)
        if span is FIRST:
            keep = corrected(p) > alpha
    return p


def corrected(p: Floats) -> Floats:
    """Adjusted p-values (n,) by Benjamini and Hochberg: those at most alpha hold, on average, no
    more than alpha of false ones; if no event is odd, any is listed with chance alpha at most."""
    n = p.size
    order = np.argsort(p, kind="stable")
    raised = p[order] * n / np.arange(1, n + 1)
    least = np.minimum.accumulate(raised[::-1])[::-1]
    out = np.empty(n)
    out[order] = np.minimum(least, 1.0)
    return out
