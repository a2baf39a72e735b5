"""Is the capture fit to judge? Findings with a stable code, a severity and what to do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from matching.answer import Finding
from matching.profile import Inspection
from matching.tools import Floats
from refdb.cards import SystemCard

# Each number: how it was chosen. All are common practice, no source, unless one is named.
SLOW_SHARE = 0.3  # of the slowest good reference's rate: below, its features cannot be there
DEAD_SHARE = 0.06  # of the smallest good swing: below, only noise is left
RAIL_SHARE = 0.002  # of all samples on the extreme code: less is an ordinary peak
RAIL_RUN = 3.0  # samples in a row on the extreme code: fewer is an ordinary peak
AC_CENTRE = 0.12  # mean over swing of a capture that lost its DC part


@dataclass(frozen=True, slots=True, eq=False)
class Peers:
    """Fitness figures of the references a capture will be compared with."""

    good: tuple[Mapping[str, float], ...]
    fault: tuple[Mapping[str, float], ...]
    coupling: str | None

    def good_values(self, name: str) -> Floats:
        """That figure of every good reference which has it: (n,)."""
        return np.array([f[name] for f in self.good if name in f], dtype=np.float64)

    def all_values(self, name: str) -> Floats:
        """That figure of every reference which has it: (n,)."""
        return np.array([f[name] for f in (*self.good, *self.fault) if name in f])


def assess(card: SystemCard, seen: Inspection, peers: Peers) -> tuple[Finding, ...]:
    """Every finding on a capture, blocking ones first. peers may be empty: then less is seen."""
    fit = seen.profile.fit
    found = [*_rate(card, fit, peers), *_length(card, seen), *_coupling(card, seen, peers)]
    for role, unit in zip(seen.profile.roles, seen.profile.units, strict=True):
        dead = list(_dead(card, role, unit, fit, peers))
        found += dead if dead else list(_rail(role, fit, peers, seen.attenuation))
        found += _noise(role, unit, fit, peers)
    found += [Finding("time-axis", "limiting", remark) for remark in seen.remarks]
    return tuple(sorted(found, key=lambda f: f.severity != "blocking"))


def _rate(card: SystemCard, fit: Mapping[str, float], peers: Peers) -> Iterator[Finding]:
    rate = fit["rate_hz"]
    least = card.fitness.min_rate_hz
    known = peers.all_values("rate_hz")
    if known.size:
        least = max(least, SLOW_SHARE * float(known.min())) if rate < least else least
        if rate < SLOW_SHARE * float(known.min()):
            least = max(least, SLOW_SHARE * float(known.min()))
    if rate < least:
        yield Finding(
            "rate-too-low", "blocking",
            f"sampled at {si(rate)}S/s, {card.title} needs at least {si(least)}S/s: "
            "record again at a higher rate",
        )  # fmt: skip
        return
    missed = [m.name for m in card.measurements if rate < m.needs_rate_hz]
    if missed:
        need = max(m.needs_rate_hz for m in card.measurements if rate < m.needs_rate_hz)
        yield Finding(
            "rate-limits", "limiting",
            f"sampled at {si(rate)}S/s: {', '.join(missed)} cannot be judged; "
            f"record at {si(need)}S/s or more to judge them",
        )  # fmt: skip


def _length(card: SystemCard, seen: Inspection) -> Iterator[Finding]:
    least, n_events = card.fitness.min_duration_s, seen.profile.n_events
    if seen.duration_s < least:
        yield Finding(
            "too-short", "blocking",
            f"{si(seen.duration_s)}s recorded, {card.title} needs at least {si(least)}s: "
            "record longer",
        )  # fmt: skip
        return
    if n_events < card.events.min_events:
        yield Finding(
            "few-events", "limiting",
            f"found {n_events} {card.events.unit_name}(s), expected at least "
            f"{card.events.min_events}: record longer, or the signal itself lacks them",
        )  # fmt: skip


def _coupling(card: SystemCard, seen: Inspection, peers: Peers) -> Iterator[Finding]:
    fit = seen.profile.fit
    want = peers.coupling or (card.coupling if card.coupling != "any" else None)
    if want and seen.coupling and seen.coupling != want:
        yield Finding(
            "coupling", "blocking",
            f"recorded {seen.coupling.upper()} coupled, the references are {want.upper()} "
            f"coupled: record again with {want.upper()} coupling",
        )  # fmt: skip
        return
    for role in seen.profile.roles:
        looks = looks_coupled(role, fit, peers)
        if looks:
            other = "DC" if looks == "AC" else "AC"
            yield Finding(
                "coupling-looks", "blocking",
                f"channel {role} looks {looks} coupled (mean {fit[f'mean:{role}']:.3g}) while the "
                f"references are {other} coupled: check the input's coupling and record again",
            )  # fmt: skip
            return


def looks_coupled(role: str, fit: Mapping[str, float], peers: Peers) -> str:
    """'AC' or 'DC' when a channel lost, or has, a DC part that every good reference has, or lacks.

    AC: it averages to nothing and goes below zero though no reference does. DC: it sits further
    from zero than its swing though every reference is centred.
    """
    if not peers.good or f"swing:{role}" not in fit:
        return ""
    swing, mean, low = fit[f"swing:{role}"], fit[f"mean:{role}"], fit[f"low:{role}"]
    peer_swing = peers.good_values(f"swing:{role}")
    peer_mean = peers.good_values(f"mean:{role}")
    if peer_swing.size == 0 or swing <= 0:
        return ""
    ratio = peer_mean / np.maximum(peer_swing, 1e-12)
    lowest = float((peers.all_values(f"low:{role}") / float(np.median(peer_swing))).min())
    centred = abs(mean) < AC_CENTRE * swing
    unipolar = float(ratio.min()) > 2.0 * AC_CENTRE and lowest > -0.1
    if (
        centred
        and unipolar
        and low < -0.15 * swing
        and low / float(np.median(peer_swing)) < lowest - 0.05
    ):
        return "AC"
    if float(np.abs(ratio).max()) < AC_CENTRE and abs(mean) > 1.5 * swing:
        return "DC"
    return ""


def _dead(
    card: SystemCard, role: str, unit: str, fit: Mapping[str, float], peers: Peers
) -> Iterator[Finding]:
    swing = fit[f"swing:{role}"]
    known = peers.good_values(f"swing:{role}")
    least = DEAD_SHARE * float(known.min()) if known.size else card.fitness.min_swing
    noise_only = swing < 10.0 * max(fit[f"noise:{role}"], 0.6 * fit[f"step:{role}"])
    like_fault = _like_a_flat_fault(role, fit, peers)
    if swing <= max(least, 0.0) and not like_fault and (noise_only or swing < least):
        yield Finding(
            "dead", "blocking",
            f"channel {role} shows no signal (swing {swing:.3g} {unit}): check the probe, the "
            "ground and the channel, then record again",
        )  # fmt: skip


def _like_a_flat_fault(role: str, fit: Mapping[str, float], peers: Peers) -> bool:
    """Whether a known fault is as flat as this capture, at the same level: then it is a finding."""
    for other in peers.fault:
        if f"swing:{role}" not in other:
            continue
        flat = other[f"swing:{role}"] < 3.0 * max(fit[f"swing:{role}"], 1e-12)
        near = abs(other[f"mean:{role}"] - fit[f"mean:{role}"])
        if flat and near < 3.0 * max(other[f"swing:{role}"], fit[f"swing:{role}"]):
            return True
    return False


def _rail(
    role: str, fit: Mapping[str, float], peers: Peers, attenuation: float
) -> Iterator[Finding]:
    for side in ("top", "bottom"):
        share, run = fit[f"{side}_share:{role}"], fit[f"{side}_run:{role}"]
        usual_share = peers.all_values(f"{side}_share:{role}")
        usual_run = peers.all_values(f"{side}_run:{role}")
        most = 3.0 * float(np.quantile(usual_share, 0.95)) if usual_share.size else 0.0
        longest = 1.5 * float(np.quantile(usual_run, 0.95)) if usual_run.size else 0.0
        if share > max(RAIL_SHARE, most) and run >= max(RAIL_RUN, longest):
            yield Finding(
                "clipped", "blocking",
                f"channel {role} is clipped at its {side} ({100 * share:.2g} % of the samples): "
                f"use a larger attenuation than x{attenuation:g} and record again",
            )  # fmt: skip
            return
    if fit.get("overload_share", 0.0) > RAIL_SHARE:
        yield Finding(
            "clipped", "blocking",
            f"the instrument marked {100 * fit['overload_share']:.2g} % of samples as overload: "
            f"use a larger attenuation than x{attenuation:g} and record again",
        )  # fmt: skip


def _noise(role: str, unit: str, fit: Mapping[str, float], peers: Peers) -> Iterator[Finding]:
    noise, known = fit[f"noise:{role}"], peers.good_values(f"noise:{role}")
    swings = peers.good_values(f"swing:{role}")
    if known.size < 3 or not noise > 4.0 * float(known.max()):
        return
    if noise > 0.05 * float(np.median(swings)):
        yield Finding(
            "noisy", "limiting",
            f"channel {role} has {noise:.3g} {unit} of noise, the references at most "
            f"{float(known.max()):.3g} {unit}: small features are hidden; check ground and lead",
        )  # fmt: skip


def si(value: float) -> str:
    """A number with an SI prefix and a blank, ready for its unit: 125000 -> '125 k'."""
    for factor, prefix in ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u")):
        if abs(value) >= factor:
            return f"{value / factor:.3g} {prefix}"
    return f"{value:.3g} "
